// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package poll

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"slices"
	"sync"
	"time"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/internal/readonly"
	"github.com/airassay/airassay/sdk/j1979"
)

// LinkOptions say how Over uses a link. The zero value suits most.
type LinkOptions struct {
	Options

	// Target gives the address at which to ask the control unit that answers as source. Without it, or where it gives 0,
	// the rule of ISO 15765-4 holds (7E8 is asked at 7E0, 18DAF110 at 18DA10F1), and any other control unit is asked at its source.
	// An address at which nobody answers is not used: then all are asked.
	Target func(source int64) int64
	// Log is told of what cannot be had, and why; nil is slog's default.
	Log *slog.Logger
}

// Feeder is an adapter.Feeder over a link that only carries requests. It finds the control units and what each supports, and
// asks for what is wanted by a Planner. Its methods may be called from several goroutines; Feed runs at most once at
// a time.
type Feeder struct {
	link    adapter.Linker
	ended   ending // the link, where it tells; else it never ends by itself
	guard   readonly.Guard
	options LinkOptions
	log     *slog.Logger
	finding chan struct{} // held while the vehicle is looked at

	mu      sync.Mutex
	planner *Planner
	vehicle *vehicle // nil before it was found
	stale   bool     // it was silent meanwhile, and may be another one
	wanted  []bool   // by the signal's ID
	told    map[string]Reason
	latest  []adapter.Time // when the newest sample was taken, by the signal's ID

	// Of Feed alone.
	payload  []byte
	values   []j1979.Value
	readings []Reading
	samples  []adapter.Sample
	heard    adapter.Time
	unheard  int // requests since
	nextTell adapter.Time
}

// Over makes a feed of a link. The link must be safe for concurrent use where the host sends requests of its own
// meanwhile (Share makes any link so), and must not keep a request's payload.
//
// A link that has Done and Err, as that of sdk/canlink, ends the feed when it is gone, though nothing is wanted at that moment; any
// other is found gone by the next request.
func Over(link adapter.Linker, o LinkOptions) *Feeder {
	log := o.Log
	if log == nil {
		log = slog.Default()
	}
	n := len(j1979.Signals())
	return &Feeder{
		link: link, ended: endingOf(link), guard: readonly.Guard{Log: log}, options: o, log: log, finding: make(chan struct{}, 1), planner: New(o.Options),
		wanted: make([]bool, n), latest: slices.Repeat([]adapter.Time{never}, n), told: map[string]Reason{},
	}
}

// ending is a link that tells when it is gone.
type ending interface {
	// Done is closed then, and Err says why.
	Done() <-chan struct{}
	Err() error
}

// endless is a link that does not tell.
type endless struct{}

func (endless) Done() <-chan struct{} { return nil }
func (endless) Err() error            { return nil }

func endingOf(link any) ending {
	if e, ok := link.(ending); ok {
		return e
	}
	return endless{}
}

// gone says why the link is gone.
func (f *Feeder) gone() error {
	return fmt.Errorf("the link is gone: %w", cmp.Or(f.ended.Err(), net.ErrClosed))
}

// Output is where a feed's samples go: an *adapter.Sink, or what a program that runs a Feeder itself puts in its place.
type Output interface {
	// Wanted gives what is wanted now, and a channel that is closed when that changes.
	Wanted() ([]adapter.Wanted, <-chan struct{})
	// Send takes samples; it does not keep the slice. Its error ends the feed.
	Send(samples ...adapter.Sample) error
}

// Feed is Run, to the sink of an adapter.
func (f *Feeder) Feed(ctx context.Context, sink *adapter.Sink) error { return f.Run(ctx, sink) }

const (
	// silentFor is after how long without any answer the vehicle counts as silent, and silentRequests how many requests
	// must have been made meanwhile.
	silentFor      = 2500 * time.Millisecond
	silentRequests = 9
	// silentAtLast is the same where fewer requests are made.
	silentAtLast = 5 * time.Second
	// tellEvery is how often it is looked what cannot be had.
	tellEvery = 2 * time.Second
)

// Run asks the vehicle for what is wanted and sends what it answers, until the context ends or the link fails; the error says
// why. After adapter.ErrSilent and adapter.ErrGarbled it may be called again.
func (f *Feeder) Run(ctx context.Context, out Output) error {
	err := f.run(ctx, out)
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.stale = true
	return err
}

func (f *Feeder) run(ctx context.Context, out Output) error {
	if err := f.find(ctx, true); err != nil {
		return err
	}
	f.heard, f.unheard = adapter.Now(), 0
	f.nextTell = f.heard
	timer := time.NewTimer(time.Hour)
	defer timer.Stop()
	for {
		wanted, changed := out.Wanted()
		f.want(wanted)
		if err := f.serve(ctx, out, changed, timer); err != nil {
			return err
		}
	}
}

// serve asks until something else is wanted.
func (f *Feeder) serve(ctx context.Context, out Output, changed <-chan struct{}, timer *time.Timer) error {
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-f.ended.Done():
			return f.gone()
		case <-changed:
			return nil
		default:
		}
		now := adapter.Now()
		f.tell(ctx, now)
		f.mu.Lock()
		ask, at := f.planner.Next(now)
		f.mu.Unlock()
		if len(ask.PIDs) > 0 {
			if err := f.ask(ctx, out, ask); err != nil {
				return err
			}
			continue
		}
		timer.Reset(min(at, now+maxNap).Sub(now))
		select {
		case <-ctx.Done():
		case <-f.ended.Done():
		case <-changed:
		case <-timer.C:
		}
	}
}

// maxNap bounds a wait whose end is never, µs.
const maxNap = 3_600_000_000

// ask makes one request, and sends what it brought.
func (f *Feeder) ask(ctx context.Context, out Output, ask Ask) error {
	unit := &f.vehicle.units[ask.Unit]
	payload, err := unit.coding.Dialect.AppendRequest(f.payload[:0], ask.PIDs...)
	if err != nil {
		return fmt.Errorf("making a request: %w", err)
	}
	f.payload = payload
	reply, err := f.request(ctx, adapter.Request{
		Payload: payload, Target: unit.target, Timeout: ask.Timeout, Expected: f.vehicle.answering(unit, ask.PIDs),
	}, unit)
	if err != nil {
		return err
	}
	if reply.failure.Kind == 0 {
		if f.values, err = unit.coding.Decode(f.values[:0], ask.PIDs, reply.payload); err != nil {
			f.log.DebugContext(ctx, "a wrong answer", "request", payload, "error", err)
			reply.failure.Kind = Mangled
		}
	}
	if reply.failure.Kind == 0 {
		f.take(ask.PIDs, reply)
		f.heard, f.unheard = adapter.Now(), 0
		return out.Send(f.samples...)
	}
	f.mu.Lock()
	f.planner.Failed(adapter.Now(), reply.sent, reply.failure)
	f.mu.Unlock()
	return f.endure(reply.failure.Kind)
}

// endure tells whether the feed goes on after a failure.
func (f *Feeder) endure(kind Kind) error {
	now := adapter.Now()
	if kind == Refused {
		f.heard, f.unheard = now, 0
		return nil
	}
	f.unheard++
	if silence := now.Sub(f.heard); silence < silentFor || f.unheard < silentRequests && silence < silentAtLast {
		return nil
	}
	why := adapter.ErrSilent
	if kind != Silent {
		why = adapter.ErrGarbled
	}
	return fmt.Errorf("%d requests brought nothing in %v: %w", f.unheard, now.Sub(f.heard).Round(time.Millisecond), why)
}

// take makes samples of an answer.
func (f *Feeder) take(pids []byte, r reply) {
	f.readings = f.readings[:0]
	for _, pid := range pids {
		if mark, found := markOf(pid, f.values); found {
			f.readings = append(f.readings, Reading{PID: pid, Mark: mark})
		}
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.planner.Answered(r.sent, r.received, f.readings)
	f.samples = f.samples[:0]
	for _, v := range f.values {
		if !f.wanted[v.Signal] {
			continue
		}
		i := readingOf(v.Signal, f.readings)
		if i < 0 || slices.ContainsFunc(f.samples, func(s adapter.Sample) bool { return s.Path == v.Signal.Path() }) {
			continue // the second is of another parameter that carries the signal too
		}
		taken, half := f.readings[i].Taken, f.readings[i].Half
		if newest := f.latest[v.Signal]; newest > taken { // the control unit is another one than before
			taken, half = newest, half+newest.Sub(taken)
		}
		f.latest[v.Signal] = taken
		f.samples = append(f.samples, adapter.Sample{Path: v.Signal.Path(), Value: v.Value, Time: taken, Uncertainty: half})
	}
}

// reply is what one control unit answered to one request.
type reply struct {
	sent, received adapter.Time
	payload        []byte
	failure        Failure
}

// request asks one control unit. The error ends the feed; a failure does not.
func (f *Feeder) request(ctx context.Context, r adapter.Request, unit *controlUnit) (reply, error) {
	answers, sent, failure, err := f.send(ctx, r)
	out := reply{sent: sent, failure: failure}
	if err != nil {
		return out, err
	}
	if failure.Kind == 0 {
		out.failure.Kind = Silent
	}
	for i := range answers {
		a := &answers[i]
		if a.Source != unit.source {
			continue
		}
		out.payload, out.received, out.failure = a.Payload, received(a), Failure{}
		if n, ok := j1979.ReadNegative(a.Payload); ok {
			out.failure = Failure{Kind: Refused, Code: n.Code}
		}
	}
	return out, nil
}

// received is when the answer's first frame came at the latest.
func received(a *adapter.Answer) adapter.Time {
	now := adapter.Now()
	if a.Received == 0 {
		return now
	}
	return min(now, a.Received.Add(a.Uncertainty))
}

// send makes a request, if it only reads; a refusal is logged.
func (f *Feeder) send(ctx context.Context, r adapter.Request) (answers []adapter.Answer, sent adapter.Time, failure Failure, err error) {
	if err := f.guard.Check(r.Payload, "target", fmt.Sprintf("%X", r.Target)); err != nil {
		return nil, 0, failure, fmt.Errorf("%w: %w", adapter.ErrNotReadOnly, err)
	}
	sent = adapter.Now()
	got, err := f.link.Request(ctx, r)
	if got.Sent != 0 {
		sent = got.Sent
	}
	var refused *adapter.NegativeResponseError
	switch {
	case err == nil:
		return got.Answers, sent, failure, nil
	case ctx.Err() != nil:
		return nil, sent, failure, ctx.Err()
	case errors.As(err, &refused):
		return nil, sent, Failure{Kind: Refused, Code: j1979.Code(refused.Code)}, nil
	case errors.Is(err, adapter.ErrSilent), errors.Is(err, context.DeadlineExceeded):
		return nil, sent, Failure{Kind: Silent}, nil
	case errors.Is(err, adapter.ErrGarbled):
		return got.Answers, sent, Failure{Kind: Garbled}, nil // other control units may have answered soundly
	}
	return nil, sent, failure, err
}
