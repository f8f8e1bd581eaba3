// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapter

import (
	"context"
	"fmt"
	"log/slog"
	"maps"
	"math"
	"slices"
	"sync"
	"time"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"google.golang.org/grpc/codes"
)

const (
	// fullBatch ends a batch early. Larger ones gain nothing measurable; the contract allows 4096.
	fullBatch = 256
	// batchAge is how long a batch waits for more. A live verdict has 250 ms in all; the contract allows 200.
	batchAge = 50 * time.Millisecond
	// maxHeld bounds the samples that wait for the reader, and with them the memory of a feed.
	maxHeld = 4096
	// maxStates bounds the other messages that wait.
	maxStates = 64
)

// Sink takes the samples of one feed, batches and numbers them, and marks what is lost. All its methods are safe for
// concurrent use. It is of no use after Feed has returned.
type Sink struct {
	ctx  context.Context //nolint:containedctx // of the feed; a sink is of no use outside it
	log  *slog.Logger
	wake chan struct{} // for the goroutine that sends

	mu        sync.Mutex
	room      chan struct{} // closed and replaced when the reader took something
	changed   chan struct{} // closed and replaced when something else is wanted
	wanted    []Wanted
	positions map[string]int
	entries   []entry
	strangers map[string]bool // paths that were sent and never offered
	offered   map[string]bool
	queue     []*adapterv1beta1.FeedResponse
	held      int // samples in queue
	batch     *adapterv1beta1.FeedBatch
	born      time.Time
	sequence  int64
	gap       *adapterv1beta1.FeedGap // before the next batch
	latest    Time                    // of all samples
	condition LinkCondition
	lostFrom  Time // since when a link that is not up has brought nothing
	finished  bool
}

// entry is one signal of the dictionary.
type entry struct {
	signal *adapterv1beta1.FeedSignal
	wanted bool
	now    int64 // half-width that holds now, in microseconds; the dictionary keeps the first
	last   Time
}

func newSink(ctx context.Context, log *slog.Logger) *Sink {
	return &Sink{
		ctx: ctx, log: log, wake: make(chan struct{}, 1), room: make(chan struct{}), changed: make(chan struct{}),
		positions: map[string]int{}, strangers: map[string]bool{}, offered: map[string]bool{}, condition: LinkUp,
	}
}

// Wanted gives the signals that are wanted now and can be had, and a channel that is closed when that changes.
func (s *Sink) Wanted() ([]Wanted, <-chan struct{}) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.wanted), s.changed
}

// Send delivers samples. While the reader is slow it waits, until Feed's context ends; the error is then the context's.
// Samples of signals that are not wanted now are ignored, so that a device that sends everything needs no filter. A
// sample that breaks the contract (not finite, earlier than the one before, without uncertainty) is replaced by a marked
// gap, the others are delivered, and the error says what is wrong with the first.
//
// A sample after a silence says that the link is up again.
func (s *Sink) Send(samples ...Sample) error { return s.put(true, samples) }

// Offer delivers samples as Send does, but never waits: where the reader is slow, it drops them and marks the gap. It
// serves hardware that cannot be held up.
func (s *Sink) Offer(samples ...Sample) error { return s.put(false, samples) }

func (s *Sink) put(wait bool, samples []Sample) error {
	var first error
	s.mu.Lock()
	defer s.mu.Unlock()
	defer s.poke()
	for _, sample := range samples {
		if sample.Time == 0 {
			sample.Time = Now()
		}
		if s.lookUp(sample.Path) == nil {
			continue
		}
		switch room := s.makeRoom(wait); {
		case room:
		case wait:
			return context.Cause(s.ctx)
		default:
			s.lose(sample.Time, sample.Time, reasonOverrun)
			continue
		}
		if err := s.take(sample); err != nil && first == nil {
			first = err
		}
	}
	return first
}

// take puts one sample into the batch. What is wanted may have changed while room was made.
func (s *Sink) take(sample Sample) error {
	e := s.lookUp(sample.Path)
	if e == nil {
		return nil
	}
	if err := e.refuses(sample); err != nil {
		s.lose(sample.Time, sample.Time, reasonDefect)
		return err
	}
	s.add(s.positions[sample.Path], sample)
	return nil
}

// lookUp gives the entry of a signal that is wanted. What was never offered is named in the log once.
func (s *Sink) lookUp(path string) *entry {
	if i, ok := s.positions[path]; ok && s.entries[i].wanted {
		return &s.entries[i]
	}
	if !s.offered[path] && !s.strangers[path] && len(s.strangers) < maxStates {
		s.strangers[path] = true
		s.log.Warn("samples of a signal that Signals does not list are ignored", "path", path)
	}
	return nil
}

func (e *entry) refuses(sample Sample) error {
	switch {
	case math.IsNaN(sample.Value) || math.IsInf(sample.Value, 0):
		return refuse(codes.Internal, reasonDefect, "the value of %s is %v; send finite values only", sample.Path, sample.Value)
	case sample.Time < e.last:
		return refuse(codes.Internal, reasonDefect, "a sample of %s is %v earlier than the one before", sample.Path, e.last.Sub(sample.Time))
	case sample.Uncertainty < 0 || sample.Uncertainty.Microseconds() == 0 && e.now == 0:
		return refuse(codes.Internal, reasonDefect, "a sample of %s has no time uncertainty; state it for the signal or the sample, at least 1 µs", sample.Path)
	}
	return nil
}

// makeRoom waits until a sample may be held. It gives up s.mu while it waits.
func (s *Sink) makeRoom(wait bool) bool {
	for s.held+s.open() >= maxHeld || len(s.queue) >= maxStates+maxHeld/fullBatch {
		if !wait {
			return false
		}
		if !s.waitRoom() {
			return false
		}
	}
	return s.ctx.Err() == nil
}

func (s *Sink) waitRoom() bool {
	room := s.room
	s.poke()
	s.mu.Unlock()
	defer s.mu.Lock()
	select {
	case <-room:
		return true
	case <-s.ctx.Done():
		return false
	}
}

func (s *Sink) open() int {
	if s.batch == nil {
		return 0
	}
	return len(s.batch.GetValue())
}

func (s *Sink) add(position int, sample Sample) {
	e := &s.entries[position]
	if s.condition != LinkUp {
		s.link(LinkUp, sample.Time)
	}
	if s.batch == nil {
		s.begin(sample.Time)
	}
	b := s.batch
	u := sample.Uncertainty.Microseconds()
	if u == 0 {
		u = e.now
	}
	if u != e.signal.GetTimeUncertaintyUs() && len(b.TimeUncertaintyUs) == 0 {
		for _, i := range b.GetSignal() { // the column was not needed until now
			b.TimeUncertaintyUs = append(b.TimeUncertaintyUs, s.entries[i].signal.GetTimeUncertaintyUs())
		}
		b.TimeUncertaintyUs = append(b.TimeUncertaintyUs, u)
	} else if len(b.TimeUncertaintyUs) > 0 {
		b.TimeUncertaintyUs = append(b.TimeUncertaintyUs, u)
	}
	b.OffsetUs = append(b.OffsetUs, int64(sample.Time)-b.GetBaseTimeUs())
	b.Signal = append(b.Signal, int32(position))
	b.Value = append(b.Value, sample.Value)
	e.last = sample.Time
	s.latest = max(s.latest, sample.Time)
	if len(b.GetValue()) >= fullBatch {
		s.seal()
	}
}

// begin opens a batch, with the gap before it.
func (s *Sink) begin(base Time) {
	s.sequence++
	s.batch = &adapterv1beta1.FeedBatch{
		Sequence: s.sequence, BaseTimeUs: int64(base), Gap: s.gap,
		OffsetUs: make([]int64, 0, fullBatch/8), Signal: make([]int32, 0, fullBatch/8), Value: make([]float64, 0, fullBatch/8),
	}
	s.gap, s.born = nil, time.Now()
}

// seal puts the open batch into the queue.
func (s *Sink) seal() {
	if s.batch == nil {
		return
	}
	s.held += s.open()
	s.queue = append(s.queue, &adapterv1beta1.FeedResponse{Message: &adapterv1beta1.FeedResponse_Batch{Batch: s.batch}})
	s.batch = nil
}

// Gap marks samples as lost between two instants, such as when the hardware says that its own buffer ran over. The
// reason is one of the package's errors; nil means that the hardware dropped them because nobody read.
func (s *Sink) Gap(from, to Time, why error) {
	r := reasonOverrun
	if why != nil {
		r = reasonOf(why)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.lose(from, to, r)
	s.poke()
}

// lose marks a gap before the next batch, or widens the one that is marked.
func (s *Sink) lose(from, to Time, r reason) {
	s.seal()
	if s.gap == nil {
		s.gap = &adapterv1beta1.FeedGap{StartUs: int64(from), EndUs: int64(max(from, to)), Reason: r}
		return
	}
	s.gap.StartUs, s.gap.EndUs = min(s.gap.GetStartUs(), int64(from)), max(s.gap.GetEndUs(), int64(to))
}

// Link says that the state of the link has changed. What goes missing until it is up again is marked as a gap. Saying
// the same twice does nothing.
func (s *Sink) Link(condition LinkCondition) { s.turn(condition) }

// turn is Link, and reports whether the state has changed.
func (s *Sink) turn(condition LinkCondition) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	for len(s.queue) >= maxStates+maxHeld/fullBatch && condition != s.condition {
		if !s.waitRoom() {
			return false
		}
	}
	before := s.condition
	s.link(condition, max(Now(), s.latest)) // A recording's times may have run ahead of the clock.
	s.poke()
	return s.condition != before
}

func (s *Sink) link(condition LinkCondition, since Time) {
	if condition == s.condition || condition < LinkUp || condition > LinkBusErrors {
		return
	}
	s.seal()
	if s.condition == LinkUp {
		s.lostFrom = s.latest
		if s.lostFrom == 0 {
			s.lostFrom = since
		}
	} else {
		r := reasonSilent
		if s.condition == LinkBusErrors {
			r = reasonGarbled
		}
		s.lose(s.lostFrom, since, r)
		s.lostFrom = since
	}
	s.condition = condition
	state := &adapterv1beta1.LinkState{Condition: adapterv1beta1.LinkCondition(condition), SinceUs: int64(since)}
	s.queue = append(s.queue, &adapterv1beta1.FeedResponse{Message: &adapterv1beta1.FeedResponse_LinkState{LinkState: state}})
}

// remembered answers Signals while the vehicle cannot be asked: what was had before is had still, and of the rest the
// reason is told.
func (s *Sink) remembered(wanted []Wanted, why error) []Signal {
	s.mu.Lock()
	defer s.mu.Unlock()
	signals := make([]Signal, len(wanted))
	for i, w := range wanted {
		signals[i] = Signal{Path: w.Path, Err: why}
		if at, ok := s.positions[w.Path]; ok {
			e := &s.entries[at]
			signals[i] = Signal{Path: w.Path, Unit: e.signal.GetUnit(), Uncertainty: time.Duration(e.now) * time.Microsecond}
		}
	}
	return signals
}

// subscribe takes what the author says of the wanted signals, and queues the answer to the host.
func (s *Sink) subscribe(wanted []Wanted, signals []Signal) error {
	byPath := make(map[string]Signal, len(signals))
	for _, sig := range signals {
		byPath[sig.Path] = sig
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for len(s.queue) >= maxStates {
		if !s.waitRoom() {
			return context.Cause(s.ctx)
		}
	}
	for path := range byPath {
		s.offered[path] = true
	}
	for i := range s.entries {
		s.entries[i].wanted = false
	}
	answer := &adapterv1beta1.FeedSubscribed{}
	var had []Wanted
	for _, w := range wanted {
		sig, ok := byPath[w.Path]
		if !ok {
			sig.Err = fmt.Errorf("%s: %w", w.Path, ErrUnsupportedSignal)
		}
		if sig.Err != nil {
			answer.Unavailable = append(answer.Unavailable, &adapterv1beta1.UnavailableSignal{Path: w.Path, Status: statusOf(sig.Err).Proto()})
			continue
		}
		if err := s.want(sig); err != nil {
			return err
		}
		had = append(had, w)
	}
	if len(had) == 0 && len(wanted) > 0 && len(byPath) > 0 {
		s.log.Warn("none of the signals that Signals lists is wanted; paths are those of COVESA VSS",
			"listed", slices.Sorted(maps.Keys(byPath)), "wanted", wanted[0].Path)
	}
	for i := range s.entries {
		answer.Signals = append(answer.Signals, s.entries[i].signal)
	}
	s.seal()
	s.queue = append(s.queue, &adapterv1beta1.FeedResponse{Message: &adapterv1beta1.FeedResponse_Subscribed{Subscribed: answer}})
	s.wanted = had
	close(s.changed)
	s.changed = make(chan struct{})
	s.poke()
	return nil
}

// want enters a signal into the dictionary, which only grows.
func (s *Sink) want(sig Signal) error {
	i, ok := s.positions[sig.Path]
	if !ok {
		i = len(s.entries)
		s.positions[sig.Path] = i
		s.entries = append(s.entries, entry{signal: &adapterv1beta1.FeedSignal{
			Path: sig.Path, Unit: sig.Unit, Resolution: sig.Resolution,
			TimeUncertaintyUs: max(0, sig.Uncertainty.Microseconds()), RefreshIntervalUs: sig.Refresh.Microseconds(),
		}})
	}
	e := &s.entries[i]
	if e.signal.GetUnit() != sig.Unit {
		return refuse(codes.Internal, reasonDefect, "the unit of %s was %q and is now %q; it stays the same during a feed", sig.Path, e.signal.GetUnit(), sig.Unit)
	}
	e.wanted, e.now = true, max(0, sig.Uncertainty.Microseconds())
	return nil
}

// poke wakes the goroutine that sends.
func (s *Sink) poke() {
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

// finish says that nothing more will come.
func (s *Sink) finish() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.seal()
	s.finished = true
	s.poke()
}

// next waits for a message to send; nil says that none will come, or that the reader is gone.
func (s *Sink) next(gone <-chan struct{}) *adapterv1beta1.FeedResponse {
	timer := time.NewTimer(batchAge)
	defer timer.Stop()
	for {
		m, wait, over := s.ripe()
		if m != nil || over {
			return m
		}
		timer.Reset(wait)
		select {
		case <-s.wake:
		case <-timer.C:
		case <-gone:
			return nil
		}
	}
}

// ripe gives the next message, or how long to wait for the open batch to ripen.
func (s *Sink) ripe() (m *adapterv1beta1.FeedResponse, wait time.Duration, over bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	wait = time.Hour
	if s.batch != nil {
		wait = batchAge - time.Since(s.born)
	}
	if wait <= 0 {
		s.seal()
	}
	if s.finished && s.gap != nil {
		s.begin(Time(s.gap.GetEndUs()))
		s.seal()
	}
	if len(s.queue) == 0 {
		return nil, wait, s.finished
	}
	m = s.queue[0]
	s.queue[0] = nil
	s.queue = s.queue[1:]
	s.held -= len(m.GetBatch().GetValue())
	close(s.room)
	s.room = make(chan struct{})
	return m, 0, false
}
