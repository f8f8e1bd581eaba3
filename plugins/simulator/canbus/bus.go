// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canbus

import (
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"github.com/airassay/airassay/sdk/isotp"
)

// Usual bit rates in bit/s, ISO 15765-4.
const (
	Rate500k = 500_000
	Rate250k = 250_000
)

// Options are what a bus is like. The zero value is classic CAN at 500 kbit/s.
type Options struct {
	// BitRate in bit/s; 0 for 500 kbit/s. DataBitRate is that of CAN FD data; 0 for four times BitRate.
	BitRate, DataBitRate int
	// Stuffing says how stuff bits are counted.
	Stuffing Stuffing
	// Faults is what goes wrong with frames.
	Faults FrameFaults
	// Background is traffic between other units of the vehicle.
	Background []Periodic
	// Seed decides faults and what the background traffic carries.
	Seed uint64
}

// Periodic is a message that some unit sends again and again.
type Periodic struct {
	Frame isotp.Frame
	Every time.Duration
}

// Bus is a CAN bus in memory. Frames take the time that their bits take, the lower
// identifier goes first where several want to send at once, and a frame that nobody
// acknowledges is sent again.
//
// One goroutine runs it until Close. It keeps time with timers alone, so in a
// testing/synctest bubble all of it happens in virtual time; there the times are exact.
// In real time the stamps are those that the bits would have, and what happens may lag
// a little behind them.
type Bus struct {
	options Options
	wake    chan struct{}
	closing chan struct{}
	stopped sync.WaitGroup
	close   func()

	mu     sync.Mutex
	nodes  []*Node
	plight plight
	free   time.Time // when the next frame may begin
	load   Load
}

// Load is what a bus has carried.
type Load struct {
	// Frames are those that came through, Errors those that were destroyed.
	Frames, Errors int
	// Busy is how long the bus was not idle.
	Busy time.Duration
}

// New makes a bus and starts it. The caller closes it.
func New(o Options) *Bus {
	if o.BitRate == 0 {
		o.BitRate = Rate500k
	}
	if o.DataBitRate == 0 {
		o.DataBitRate = 4 * o.BitRate
	}
	b := &Bus{
		options: o, wake: make(chan struct{}, 1), closing: make(chan struct{}), plight: newPlight(o.Faults, o.Seed, 0x9e3779b97f4a7c15),
	}
	b.close = sync.OnceFunc(func() { close(b.closing) })
	b.stopped.Go(b.run)
	if len(o.Background) > 0 {
		b.stopped.Go(b.chatter)
	}
	return b
}

// Close ends the bus and all nodes on it, and waits until its goroutines are gone.
func (b *Bus) Close() error {
	b.close()
	b.stopped.Wait()
	b.mu.Lock()
	nodes := slices.Clone(b.nodes)
	b.mu.Unlock()
	for _, n := range nodes {
		_ = n.Close()
	}
	return nil
}

// Load tells what the bus has carried until now.
func (b *Bus) Load() Load {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.load
}

// BitRate is that of the bus in bit/s.
func (b *Bus) BitRate() int { return b.options.BitRate }

// run is the bus at work: one frame after the other.
func (b *Bus) run() {
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		start, waiting := b.earliest()
		if !waiting {
			select {
			case <-b.wake:
				continue
			case <-b.closing:
				return
			}
		}
		// Whoever wants to send at the same instant takes part in the arbitration.
		if !b.sleep(timer, start.Add(1)) {
			return
		}
		t := b.arbitrate(start)
		if t == nil {
			continue // what was to be sent has been given up
		}
		if !b.sleep(timer, t.end) {
			return
		}
		b.finish(t)
	}
}

// sleep waits until an instant; false when the bus is closed.
func (b *Bus) sleep(timer *time.Timer, until time.Time) bool {
	wait := time.Until(until)
	if wait <= 0 {
		select {
		case <-b.closing:
			return false
		default:
			return true
		}
	}
	timer.Reset(wait)
	select {
	case <-timer.C:
		return true
	case <-b.closing:
		return false
	}
}

// earliest is when the next frame begins, if anything is to be sent.
func (b *Bus) earliest() (start time.Time, waiting bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, n := range b.nodes {
		if item := n.head(); item != nil && (!waiting || item.since.Before(start)) {
			start, waiting = item.since, true
		}
	}
	if start.Before(b.free) {
		start = b.free
	}
	return start, waiting
}

// transmission is a frame on the bus.
type transmission struct {
	from *Node
	item *outgoing
	// end is when the others have it, or when the error frame is over.
	end time.Time
	// failure is what destroyed it; noFailure for none.
	failure failure
	// disturber destroyed it, where it was a node with another bit rate.
	disturber *Node
}

// arbitrate begins the frame with the lowest identifier of those that wait.
func (b *Bus) arbitrate(start time.Time) *transmission {
	b.mu.Lock()
	defer b.mu.Unlock()
	var t *transmission
	for _, n := range b.nodes {
		item := n.head()
		if item == nil || item.since.After(start) {
			continue
		}
		if t == nil || priority(&item.frame) < priority(&t.item.frame) {
			t = &transmission{from: n, item: item}
		}
	}
	if t == nil {
		return nil
	}
	t.item.onWire = true
	cost := Bits(&t.item.frame, b.options.Stuffing)
	length := lasting(cost.Nominal, b.options.BitRate) + lasting(cost.Data, b.options.DataBitRate)
	pause := lasting(intermission, b.options.BitRate)
	t.failure, t.disturber = b.failureOf(t.from, start)
	switch t.failure {
	case noFailure:
		t.end = start.Add(length - pause)
	case nobodyThere:
		// All bits up to the acknowledgement, then the error frame.
		t.end = start.Add(length - pause - lasting(endOfFrame+1, b.options.BitRate) + lasting(errorFrameBits, b.options.BitRate))
	default:
		t.end = start.Add(lasting(garbledAfter+errorFrameBits, b.options.BitRate))
	}
	b.free = t.end.Add(pause)
	b.load.Busy += b.free.Sub(start)
	return t
}

// garbledAfter is how many bits of a frame are out when an error shows that is none of
// acknowledgement: six of a kind, somewhere in the identifier.
const garbledAfter = 12

// finish tells everybody what became of a frame.
func (b *Bus) finish(t *transmission) {
	b.mu.Lock()
	defer b.mu.Unlock()
	t.item.onWire = false
	if t.failure != noFailure {
		b.load.Errors++
		b.failed(t)
		return
	}
	b.load.Frames++
	t.from.succeeded(t.item, t.end)
	copies := b.plight.copies(t.end)
	for _, n := range b.nodes {
		switch {
		case n == t.from || n.isOff() || n.apart:
		case n.rate() != b.options.BitRate:
			n.tell(t.end, foreign) // to it the frame is no frame
		default:
			for range copies {
				n.take(&t.item.frame, t.end)
			}
		}
	}
}

// poke wakes the bus.
func (b *Bus) poke() {
	select {
	case b.wake <- struct{}{}:
	default:
	}
}

// chatter sends the background traffic, as nodes of the vehicle would.
func (b *Bus) chatter() {
	n := b.attach(NodeOptions{Accept: func(*isotp.Frame) bool { return false }, byPriority: true})
	due := make([]time.Time, len(b.options.Background))
	random := rand.New(rand.NewPCG(b.options.Seed, 0xd1b54a32d192ed03))
	for i, p := range b.options.Background {
		due[i] = time.Now().Add(time.Duration(random.Float64() * float64(p.Every)))
	}
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		next := 0
		for i := range due {
			if due[i].Before(due[next]) {
				next = i
			}
		}
		if !b.sleep(timer, due[next]) {
			return
		}
		f := b.options.Background[next].Frame
		for i := range f.Payload() {
			f.Data[i] = byte(random.Uint32())
		}
		n.leave(&f, due[next])
		due[next] = due[next].Add(b.options.Background[next].Every)
	}
}
