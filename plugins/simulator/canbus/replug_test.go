// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canbus_test

import (
	"context"
	"errors"
	"log/slog"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/airassay/airassay/plugins/simulator/canbus"
	"github.com/airassay/airassay/plugins/simulator/ecu"
	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/canlink"
	"github.com/airassay/airassay/sdk/poll"
)

// tap is the output of a feed that counts.
type tap struct {
	first chan struct{} // closed by the first sample
	count int

	mu      sync.Mutex
	wanted  []adapter.Wanted
	changed chan struct{}
}

func newTap(paths ...string) *tap {
	t := &tap{first: make(chan struct{}), changed: make(chan struct{})}
	t.want(paths...)
	return t
}

func (t *tap) want(paths ...string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.wanted = nil
	for _, p := range paths {
		t.wanted = append(t.wanted, adapter.Wanted{Path: p})
	}
	close(t.changed)
	t.changed = make(chan struct{})
}

func (t *tap) Wanted() ([]adapter.Wanted, <-chan struct{}) {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.wanted, t.changed
}

func (t *tap) Send(samples ...adapter.Sample) error {
	if t.count == 0 {
		close(t.first)
	}
	t.count += len(samples)
	return nil
}

// rig is a tester's whole stack on a port.
type rig struct {
	link *canlink.Link
	feed *poll.Feeder
}

func newRig(t *testing.T, port *canbus.Port) *rig {
	t.Helper()
	n, err := port.Open()
	if err != nil {
		t.Fatal(err)
	}
	quiet := slog.New(slog.DiscardHandler)
	l, err := canlink.New(n, canlink.Options{Log: quiet})
	if err != nil {
		t.Fatal(err)
	}
	return &rig{l, poll.Over(l, poll.LinkOptions{Log: quiet})}
}

// run feeds in the background, and gives what ended the feed.
func (r *rig) run(ctx context.Context, out *tap) <-chan error {
	ended := make(chan error, 1)
	go func() { ended <- r.feed.Run(ctx, out) }()
	return ended
}

const soon = 2 * time.Second

// Whatever the tester does when its interface is pulled out (listens, probes, asks, takes a long answer, is told to wait,
// rests), the feed ends with the one error that says so, and a new one brings samples within two seconds after it is back.
func TestAFeedThatIsUnpluggedComesBack(t *testing.T) {
	patient := ecu.Faults{Chances: ecu.Chances{ecu.Pending: 1}, LateBy: 150 * time.Millisecond}
	for name, tc := range map[string]struct {
		options ecu.Options
		wanted  []string
		after   time.Duration
	}{
		"before the first frame":     {after: 0},
		"while it listens":           {after: 100 * time.Millisecond},
		"while it probes":            {after: 301 * time.Millisecond},
		"while it asks":              {wanted: []string{"Vehicle.OBD.MAF", "Vehicle.OBD.EngineSpeed"}, after: 5 * time.Second},
		"while an answer comes":      {wanted: []string{"Vehicle.OBD.MAF", "Vehicle.OBD.EngineSpeed", "Vehicle.OBD.MAP", "Vehicle.OBD.EngineLoad"}, after: 5*time.Second + 300*time.Microsecond},
		"while it is told to wait":   {options: ecu.Options{Faults: patient}, wanted: []string{"Vehicle.OBD.MAF"}, after: 10 * time.Second},
		"while nothing is wanted":    {after: 10 * time.Second},
		"while the vehicle is quiet": {options: ecu.Options{Faults: ecu.Faults{Script: []ecu.Scripted{{Trouble: ecu.Lost, From: 4 * time.Second, For: 1500 * time.Millisecond}}}}, wanted: []string{"Vehicle.OBD.MAF"}, after: 5 * time.Second},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				v := vehicle(tc.options, canbus.Options{}, canbus.VehicleOptions{})
				port := v.Tester()
				out := newTap(tc.wanted...)
				ended := newRigOn(t, port, out)
				time.Sleep(tc.after)
				port.Unplug()
				pulled := time.Now()
				if len(tc.wanted) == 0 {
					out.want("Vehicle.OBD.MAF") // who asks for nothing notices nothing
				}
				if err := <-ended; !errors.Is(err, adapter.ErrUnplugged) || time.Since(pulled) > time.Second {
					t.Errorf("the feed ended with %v after %v", err, time.Since(pulled))
				}
				time.Sleep(time.Minute)
				port.Replug()
				back := time.Now()
				again := newTap("Vehicle.OBD.MAF")
				ended = newRigOn(t, port, again)
				<-again.first
				if d := time.Since(back); d > soon {
					t.Errorf("the first sample came %v after it was back", d)
				}
				if err := v.Close(); err != nil {
					t.Error(err)
				}
				<-ended
			})
		})
	}
}

// newRigOn feeds over a port until the feed ends, and then gives the link back.
func newRigOn(t *testing.T, port *canbus.Port, out *tap) <-chan error {
	t.Helper()
	r := newRig(t, port)
	ended := make(chan error, 1)
	go func() {
		err := <-r.run(context.Background(), out)
		if closing := r.link.Close(); closing != nil {
			t.Error(closing)
		}
		ended <- err
	}()
	return ended
}

// A bubble cannot end while a goroutine of it lives, so a hundred cycles leave none behind.
func TestAHundredUnplugsLeaveNothingBehind(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		v := vehicle(ecu.Options{Latency: 5 * time.Millisecond, StayOn: true}, canbus.Options{}, canbus.VehicleOptions{})
		port := v.Tester()
		for i := range 100 {
			out := newTap("Vehicle.OBD.MAF", "Vehicle.OBD.EngineSpeed", "Vehicle.OBD.MAP")
			ended := newRigOn(t, port, out)
			<-out.first
			time.Sleep(time.Duration(i) * 137 * time.Microsecond)
			port.Unplug()
			if err := <-ended; !errors.Is(err, adapter.ErrUnplugged) {
				t.Fatalf("cycle %d ended with %v", i, err)
			}
			port.Replug()
		}
		if err := v.Close(); err != nil {
			t.Error(err)
		}
	})
}

// The plug at the vehicle pulled, the link says that the vehicle is silent; put back, it works on without being opened anew.
func TestAVehicleThatIsDisconnectedIsSilentAndComesBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		v := vehicle(ecu.Options{Latency: 5 * time.Millisecond}, canbus.Options{}, canbus.VehicleOptions{})
		r := newRig(t, v.Tester())
		out := newTap("Vehicle.OBD.MAF")
		ended := r.run(context.Background(), out)
		<-out.first
		v.Disconnect()
		pulled := time.Now()
		if err := <-ended; !errors.Is(err, adapter.ErrSilent) {
			t.Errorf("the feed ended with %v", err)
		}
		t.Logf("silent after %v", time.Since(pulled))
		time.Sleep(time.Minute)
		v.Connect()
		back := time.Now()
		again := newTap("Vehicle.OBD.MAF")
		for ended = r.run(context.Background(), again); ; {
			select {
			case err := <-ended: // a host calls Feed again a second later
				if !errors.Is(err, adapter.ErrSilent) || time.Since(back) > soon {
					t.Fatalf("%v after the plug was put back: %v", time.Since(back), err)
				}
				time.Sleep(time.Second)
				ended = r.run(context.Background(), again)
				continue
			case <-again.first:
			}
			break
		}
		if d := time.Since(back); d > soon {
			t.Errorf("the first sample came %v after the plug was put back", d)
		}
		if err := errors.Join(r.link.Close(), v.Close()); err != nil {
			t.Error(err)
		}
		<-ended
	})
}
