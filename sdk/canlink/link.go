// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canlink

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"sync/atomic"
	"time"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/isotp"
	"github.com/airassay/airassay/sdk/j1979"
)

// Link is an adapter.Linker over a CAN bus. Safe for concurrent use: one request is on the bus at a time, the others wait
// in the order in which they came.
type Link struct {
	bus     Bus
	options Options
	stop    context.CancelFunc
	ended   chan struct{} // closed once the receiving goroutine is gone

	turn     chan struct{} // holds one entry while a request is on the bus
	frames   chan arrival  // to the request on the bus
	kick     chan struct{} // the health has news
	wanted   atomic.Uint32 // the addressing whose answers go to frames; Unknown for none
	seen     [2]atomic.Uint64
	health   health
	counters counters

	// What follows belongs to whoever has the turn.
	addressing Addressing
	found      Found
	group      *isotp.Sender
	units      map[byte]*unit
	learned    learned
	earlier    earlier
	out        isotp.Frame
	timer      *time.Timer
}

// arrival is a frame and when it came.
type arrival struct {
	frame isotp.Frame
	at    adapter.Time
}

// waitingFrames is how many frames wait for the request on the bus; more stay with the bus.
const waitingFrames = 64

// New makes a link, which owns the bus from now on: Close closes it. An error says what is wrong with the options, and
// leaves the bus to the caller.
func New(bus Bus, o Options) (*Link, error) {
	o, err := o.completed()
	if err != nil {
		return nil, err
	}
	ctx, stop := context.WithCancel(context.Background())
	l := &Link{
		bus: bus, options: o, stop: stop, ended: make(chan struct{}),
		turn: make(chan struct{}, 1), frames: make(chan arrival, waitingFrames), kick: make(chan struct{}, 1),
		timer: time.NewTimer(time.Hour),
	}
	l.timer.Stop()
	if err := l.use(o.Addressing); err != nil {
		stop()
		return nil, err
	}
	go l.receive(ctx)
	return l, nil
}

// Close ends all requests with net.ErrClosed, closes the bus and waits until the receiving goroutine is gone.
func (l *Link) Close() error {
	l.health.end(net.ErrClosed)
	l.wake()
	l.stop()
	err := l.bus.Close()
	<-l.ended
	if errors.Is(err, net.ErrClosed) {
		return nil
	}
	return err
}

// Done is closed once the bus is gone and no request can be made any more; Err says why then.
func (l *Link) Done() <-chan struct{} { return l.ended }

// Err says why no request can be made any more; nil if one can. It wraps adapter.ErrUnplugged where the hardware is gone, and
// net.ErrClosed after Close.
func (l *Link) Err() error { return l.health.fatal() }

// Request sends one request and returns the answer of each control unit, in the order in which their first frames came.
// Request.Target is the identifier by which a control unit is asked, or that by which it answers, with Wide set where it
// has 29 bits; 0 asks all.
//
// It returns once Expected answers are whole, whatever others are under way; else once all control units that are known to answer have; else when P2 is
// over and no answer is under way. Without an answer within Timeout (zero: 1 s) the error is adapter.ErrSilent, or a
// *BusError, which is a kind of it. Where an answer breaks the transport's rules, the answers that came whole are returned
// beside adapter.ErrGarbled. A request that does more than read is adapter.ErrNotReadOnly, and nothing was sent.
func (l *Link) Request(ctx context.Context, request adapter.Request) (adapter.Answers, error) {
	if err := l.permit(request.Payload); err != nil {
		return adapter.Answers{}, err
	}
	if err := l.enter(ctx); err != nil {
		return adapter.Answers{}, err
	}
	defer l.leave()
	if l.addressing == Unknown {
		if _, err := l.probe(ctx); err != nil {
			return adapter.Answers{}, err
		}
	}
	return l.ask(ctx, request)
}

// refusal is a request that does more than read.
type refusal struct{ error }

func (r refusal) Unwrap() []error { return []error{adapter.ErrNotReadOnly, r.error} }

// permit applies the read-only rule, and records what it refuses.
func (l *Link) permit(payload []byte) error {
	err := j1979.CheckReadOnly(payload)
	if err == nil {
		return nil
	}
	l.counters.refused.Add(1)
	l.options.Log.Warn("a request was refused", slog.String("request", fmt.Sprintf("%X", payload[:min(len(payload), 32)])), slog.Any("error", err))
	return refusal{err}
}

// enter waits for the turn. A channel serves those who wait in the order in which they came.
func (l *Link) enter(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return context.Cause(ctx)
	}
	select {
	case l.turn <- struct{}{}:
	case <-ctx.Done():
		return context.Cause(ctx)
	case <-l.ended:
		return l.health.fatal()
	}
	if err := l.health.fatal(); err != nil {
		l.leave()
		return err
	}
	return nil
}

func (l *Link) leave() { <-l.turn }

// use sets the addressing, and forgets what was known of the control units.
func (l *Link) use(a Addressing) error {
	group, err := isotp.NewSender(isotp.Config{Address: a.functional(), SingleFrames: true, Fill: l.options.Fill, Timeouts: l.options.Timeouts})
	if err != nil {
		return fmt.Errorf("options of the CAN link: %w", err)
	}
	l.addressing, l.group = a, group
	l.units = map[byte]*unit{}
	l.learned = learned{}
	l.earlier = earlier{}
	return nil
}

// ask sends a request whose turn it is and that has passed the read-only rule.
func (l *Link) ask(ctx context.Context, request adapter.Request) (adapter.Answers, error) {
	number, all, err := l.addressing.target(request.Target)
	if err != nil {
		return adapter.Answers{}, err
	}
	if request.Timeout <= 0 {
		request.Timeout = usualTimeout
	}
	if err := l.calm(ctx, request.Timeout); err != nil {
		return adapter.Answers{}, err
	}
	x := exchange{link: l, request: request, all: all, target: number}
	answers, err := x.run(ctx)
	l.earlier.add(request.Payload)
	l.counters.note(len(answers.Answers), err)
	return answers, err
}

// calm waits until the bus may be used again after an error. Where that is beyond the timeout, it is the error.
func (l *Link) calm(ctx context.Context, timeout time.Duration) error {
	wait, trouble := l.health.backOff(time.Now())
	if trouble == nil {
		return nil
	}
	l.timer.Reset(min(wait, timeout))
	defer l.timer.Stop()
	for {
		select {
		case <-l.timer.C:
			if wait > timeout {
				return fmt.Errorf("the CAN bus, in %v again: %w", wait-timeout, trouble)
			}
			return nil
		case <-l.kick:
			if err := l.health.fatal(); err != nil {
				return err
			}
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}

// wake lets the request on the bus look at the health.
func (l *Link) wake() {
	select {
	case l.kick <- struct{}{}:
	default:
	}
}

// receive takes every frame off the bus, until the bus is gone.
func (l *Link) receive(ctx context.Context) {
	defer close(l.ended)
	var a arrival
	var err error
	for {
		if a.at, err = l.bus.Receive(ctx, &a.frame); err != nil {
			if l.broken(err) {
				return
			}
			continue
		}
		l.seen[index(a.frame.Extended)].Add(1)
		wanted := Addressing(l.wanted.Load())
		if _, ok := wanted.sender(&a.frame); !ok {
			continue
		}
		select {
		case l.frames <- a:
		case <-ctx.Done():
			return
		}
	}
}

func index(second bool) int {
	if second {
		return 1
	}
	return 0
}

// broken takes note of an error of Receive, and says whether it is the end.
func (l *Link) broken(err error) bool {
	defer l.wake()
	trouble, ok := errors.AsType[*BusError](err)
	if !ok {
		l.health.end(err)
		return true
	}
	l.trouble(trouble)
	return false
}

// trouble takes note of an error on the bus.
func (l *Link) trouble(e *BusError) {
	l.counters.busErrors.Add(1)
	first, off := l.health.trouble(time.Now(), e)
	if off {
		l.counters.busOffs.Add(1)
	}
	if first || off {
		l.options.Log.Warn("the bus makes errors", slog.Any("error", e), slog.Int("bit_rate", l.options.BitRate))
	}
}
