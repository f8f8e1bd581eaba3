// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canbus

import (
	"context"
	"errors"
	"fmt"
	"net"
	"slices"
	"time"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/canlink"
	"github.com/airassay/airassay/sdk/isotp"
)

// NodeOptions are what a node on a bus is like. The zero value takes part at the right bit rate.
type NodeOptions struct {
	// BitRate in bit/s; 0 for that of the bus. With another one the node understands
	// nothing, disturbs the others until it is error passive, and none of its own frames
	// comes through.
	BitRate int
	// ListenOnly neither acknowledges nor disturbs nor sends.
	ListenOnly bool
	// Accept says which frames the node wants to see; nil for all.
	Accept func(*isotp.Frame) bool
	// RestartAfter is how long a node that went bus-off stays so; 0 for ever.
	RestartAfter time.Duration

	byPriority bool // the lowest identifier first, not the oldest frame
}

// Limits of ISO 11898-1 to the error counters.
const (
	passiveFrom = 128
	busOffFrom  = 256
	sendPenalty = 8
	readPenalty = 9 // one for the error, eight for the dominant bit after the own flag

	eventsHeld = 1024 // frames that a node holds for a slow reader
)

// Node is a place on a bus where frames are sent and received: a control unit, or the
// tester's interface, for which it is a canlink.Bus. Its methods are safe for
// concurrent use.
type Node struct {
	bus     *Bus
	options NodeOptions
	events  chan event
	gone    chan struct{}

	// The rest is under the mutex of the bus.
	queue        []*outgoing
	cause        error // why it is gone
	sends, reads int   // error counters
	off          bool
	offUntil     time.Time
	told         bool // of a failure that goes on
	toldPassive  bool // and that it is error passive
	overruns     int
	apart        bool // pulled off the bus, and alone with itself
}

var _ canlink.Bus = (*Node)(nil)

// event is a frame that came, or what went wrong.
type event struct {
	frame isotp.Frame
	at    time.Time
	err   error
}

// outgoing is a frame that waits for the bus.
type outgoing struct {
	frame  isotp.Frame
	since  time.Time
	onWire bool
	given  bool        // up: once it has failed, it is not sent again
	why    error       // it was given up
	done   chan result // nil where nobody waits
}

type result struct {
	at  time.Time
	err error
}

// Attach puts a node on the bus.
func (b *Bus) Attach(o NodeOptions) *Node { return b.attach(o) }

func (b *Bus) attach(o NodeOptions) *Node {
	n := &Node{bus: b, options: o, events: make(chan event, eventsHeld), gone: make(chan struct{})}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.nodes = append(b.nodes, n)
	return n
}

// head is the frame that the node wants to send next. The caller holds the mutex.
func (n *Node) head() *outgoing {
	if len(n.queue) == 0 || n.apart {
		return nil
	}
	if !n.options.byPriority {
		return n.queue[0]
	}
	return slices.MinFunc(n.queue, func(a, b *outgoing) int { return int(int64(priority(&a.frame)) - int64(priority(&b.frame))) })
}

// Send puts one frame on the bus and returns when its last bit was out. It waits until
// the frame has come through, however often it must be sent again.
func (n *Node) Send(ctx context.Context, f *isotp.Frame) (adapter.Time, error) {
	at, err := n.send(ctx, f, time.Now())
	if err != nil {
		return 0, err
	}
	return adapter.At(at), nil
}

// send wants to send since an instant, which in real time may be a little over.
func (n *Node) send(ctx context.Context, f *isotp.Frame, since time.Time) (time.Time, error) {
	if err := f.Check(); err != nil {
		return time.Time{}, fmt.Errorf("the frame cannot be sent: %w", err)
	}
	item := &outgoing{frame: *f, since: since, done: make(chan result, 1)}
	if err := n.enqueue(item); err != nil {
		return time.Time{}, err
	}
	select {
	case r := <-item.done:
		return r.at, r.err
	case <-ctx.Done():
	}
	n.giveUp(item, context.Cause(ctx))
	r := <-item.done // a frame that is on the wire is let through
	return r.at, r.err
}

// leave sends a frame without waiting for it.
func (n *Node) leave(f *isotp.Frame, since time.Time) {
	_ = n.enqueue(&outgoing{frame: *f, since: since}) // Nobody misses background traffic of a bus that is closed.
}

func (n *Node) enqueue(item *outgoing) error {
	n.bus.mu.Lock()
	defer n.bus.mu.Unlock()
	switch {
	case n.cause != nil:
		return n.cause
	case n.options.ListenOnly:
		return errors.New("the frame cannot be sent: the node only listens")
	case n.isOff():
		return n.busError(noFailure)
	}
	n.queue = append(n.queue, item)
	n.bus.poke()
	return nil
}

// giveUp takes a frame back for a reason, now or once it has failed on the wire.
func (n *Node) giveUp(item *outgoing, why error) {
	n.bus.mu.Lock()
	defer n.bus.mu.Unlock()
	if item.onWire {
		item.given, item.why = true, why
		return
	}
	n.drop(item, why)
}

func (n *Node) drop(item *outgoing, why error) {
	if i := slices.Index(n.queue, item); i >= 0 {
		n.queue = slices.Delete(n.queue, i, i+1)
		item.finish(result{err: why})
	}
}

// Receive waits for the next frame of another node, and returns when its last bit came.
func (n *Node) Receive(ctx context.Context, f *isotp.Frame) (adapter.Time, error) {
	at, err := n.receive(ctx, f)
	if err != nil {
		return 0, err
	}
	return adapter.At(at), nil
}

func (n *Node) receive(ctx context.Context, f *isotp.Frame) (time.Time, error) {
	select {
	case <-n.gone:
		return time.Time{}, n.reason()
	default:
	}
	select {
	case e := <-n.events:
		*f = e.frame
		return e.at, e.err
	case <-n.gone:
		return time.Time{}, n.reason()
	case <-ctx.Done():
		return time.Time{}, context.Cause(ctx)
	}
}

func (n *Node) reason() error {
	n.bus.mu.Lock()
	defer n.bus.mu.Unlock()
	return n.cause
}

// Close takes the node off the bus. Send and Receive end with net.ErrClosed.
func (n *Node) Close() error {
	n.leaveBus(net.ErrClosed)
	return nil
}

// leaveBus takes the node off the bus for a reason.
func (n *Node) leaveBus(cause error) {
	n.bus.mu.Lock()
	defer n.bus.mu.Unlock()
	if n.cause != nil {
		return
	}
	n.cause = cause
	close(n.gone)
	n.dropAll(cause)
	n.bus.nodes = slices.DeleteFunc(n.bus.nodes, func(x *Node) bool { return x == n })
}

// dropAll ends everything that waits to be sent.
func (n *Node) dropAll(err error) {
	for _, item := range n.queue {
		item.finish(result{err: err})
	}
	n.queue = nil
}

func (o *outgoing) finish(r result) {
	if o.done != nil {
		o.done <- r // It holds one, and there is only one.
	}
}

// hears says whether the node understands frames of a bus.
func (n *Node) hears(b *Bus) bool { return n.rate() == b.options.BitRate && !n.isOff() && !n.apart }

func (n *Node) rate() int {
	if n.options.BitRate == 0 {
		return n.bus.options.BitRate
	}
	return n.options.BitRate
}

// take hands a frame to whoever receives. What nobody takes in time is lost, as in hardware.
func (n *Node) take(f *isotp.Frame, at time.Time) {
	if n.reads = max(0, n.reads-1); n.reads < passiveFrom && n.sends < passiveFrom {
		n.toldPassive = false
	}
	if n.options.Accept == nil || n.options.Accept(f) {
		n.push(event{frame: *f, at: at})
	}
}

func (n *Node) push(e event) {
	select {
	case n.events <- e:
	default:
		n.overruns++
	}
}

// Overruns is how many frames were lost because nobody received them in time.
func (n *Node) Overruns() int {
	n.bus.mu.Lock()
	defer n.bus.mu.Unlock()
	return n.overruns
}

// succeeded ends a frame that came through.
func (n *Node) succeeded(item *outgoing, at time.Time) {
	i := slices.Index(n.queue, item)
	if i < 0 {
		return // the node has left meanwhile; the others have its frame
	}
	n.queue = slices.Delete(n.queue, i, i+1)
	if n.sends > 0 {
		n.sends--
	}
	n.told = false
	item.finish(result{at: at})
}
