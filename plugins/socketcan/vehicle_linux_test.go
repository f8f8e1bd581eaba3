// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build canguest

package socketcan

import (
	"context"
	"errors"
	"fmt"
	"os/exec"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/airassay/airassay/plugins/simulator/canbus"
	"github.com/airassay/airassay/plugins/simulator/ecu"
	"github.com/airassay/airassay/plugins/simulator/scenario"
	"github.com/airassay/airassay/plugins/socketcan/socket"
	"github.com/airassay/airassay/sdk/isotp"
)

// patienceOfTests is how long anything may take in an emulated machine. It is no measure of anything.
const patienceOfTests = 30 * time.Second

func ip(words string) error {
	if out, err := exec.Command("ip", strings.Fields(words)...).CombinedOutput(); err != nil {
		return fmt.Errorf("ip %s: %w: %s", words, err, out)
	}
	return nil
}

var interfaces atomic.Int32

// car is an emulated vehicle on an emulated bus of the kernel.
type car struct {
	name     string
	extended bool
	units    []*ecu.Unit

	mu      sync.Mutex
	stop    func()
	asked   atomic.Int64 // frames of whoever asks
	garbled bool         // there is a control unit besides whose answers break the transport's rules
}

// Control units that the emulated vehicle does not have: one that nobody answers for, and one that answers wrongly.
const (
	absentUnit  = 0x7E5
	garblerUnit = 0x7E6
)

var prepared = sync.OnceValue(func() *scenario.Prepared {
	c, err := scenario.Named("healthy")
	if err != nil {
		panic(err)
	}
	return c.Prepare()
})

// newCar plugs a vehicle in.
func newCar(t *testing.T, extended bool) *car {
	t.Helper()
	v := ecu.NewVehicle(prepared(), ecu.Options{Latency: 2 * time.Millisecond, Cleared: true, StayOn: true, Dialect: ecu.Both})
	c := &car{name: fmt.Sprintf("car%d", interfaces.Add(1)), extended: extended, units: v.Units(), garbled: !extended}
	if err := errors.Join(c.plug(), c.wake()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		c.silence()
		_ = c.unplug()
	})
	return c
}

func (c *car) plug() error {
	return errors.Join(ip("link add "+c.name+" type vcan"), ip("link set "+c.name+" up"))
}

// unplug takes the interface away, and the control units with it.
func (c *car) unplug() error {
	if err := ip("link del " + c.name); err != nil {
		return err
	}
	c.silence()
	return nil
}

func (c *car) replug() error { return errors.Join(c.plug(), c.wake()) }

// silence switches the ignition off.
func (c *car) silence() {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.stop != nil {
		c.stop()
	}
	c.stop = nil
}

// wake switches it on: every control unit gets a socket of its own.
func (c *car) wake() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	ctx, cancel := context.WithCancel(context.Background())
	var running sync.WaitGroup
	var buses []*socket.Bus
	c.stop = func() {
		cancel()
		for _, b := range buses {
			_ = b.Close()
		}
		running.Wait()
	}
	open := func(filters ...socket.Filter) (*socket.Bus, error) {
		b, err := socket.Open(c.name, socket.Options{Filters: filters})
		if err == nil {
			buses = append(buses, b)
		}
		return b, err
	}
	for n, unit := range c.units {
		o := canbus.Addressed(n, c.extended)
		b, err := open(exactly(o.Address.Receive, c.extended), exactly(o.Functional, c.extended))
		if err != nil {
			return err
		}
		running.Go(func() { _ = canbus.Serve(ctx, b, unit, o) })
	}
	monitor, err := open()
	if err != nil {
		return err
	}
	running.Go(func() { c.count(ctx, monitor) })
	if !c.garbled {
		return nil
	}
	garbler, err := open(exactly(garblerUnit, false))
	if err != nil {
		return err
	}
	running.Go(func() { garble(ctx, garbler) })
	return nil
}

func exactly(id uint32, extended bool) socket.Filter {
	return socket.Filter{ID: id, Mask: isotp.MaxExtendedID, Extended: extended}
}

// count counts the frames of whoever asks, as a monitor on the bus sees them.
func (c *car) count(ctx context.Context, monitor *socket.Bus) {
	for {
		var f isotp.Frame
		if _, err := monitor.Receive(ctx, &f); err != nil {
			return
		}
		if f.ID == askAll11 || f.ID >= firstAsk11 && f.ID < firstAns11 || f.ID&^0xFF00 == 0x18DA00F1 || f.ID == 0x18DB33F1 {
			c.asked.Add(1)
		}
	}
}

// garble answers every request with a long message whose second frame is out of sequence.
func garble(ctx context.Context, b *socket.Bus) {
	for {
		var f isotp.Frame
		if _, err := b.Receive(ctx, &f); err != nil {
			return
		}
		const flowControl = 3
		answer := isotp.Frame{ID: f.ID + units11, Length: 8}
		copy(answer.Data[:], []byte{0x10, 20, f.Data[1] + answerOffset, f.Data[2], 0, 0, 0, 0})
		if f.Data[0]>>4 == flowControl {
			answer.Data[0] = 0x25
		}
		if _, err := b.Send(ctx, &answer); err != nil {
			return
		}
	}
}
