// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

import (
	"cmp"
	"context"
	"fmt"
	"iter"
	"math"
	"time"

	"google.golang.org/protobuf/proto"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
)

// recording is a stretch of a feed that was read without delay. Several checks look at it.
type recording struct {
	wanted   []string
	began    time.Time
	arrivals []arrival
	clock    *clock
	source   adapterv1beta1.TimeSource
}

// record takes a recording.
func record(ctx context.Context, b *bench) (*recording, error) {
	l, answer, err := b.opened(ctx, launch{})
	if err != nil {
		return nil, err
	}
	wanted := b.signals()
	t, err := b.flowing(ctx, l, wanted...)
	if err != nil {
		return nil, err
	}
	defer t.close()
	if over, err := t.ended(b.limits.record); over {
		return nil, unproven("the feed ended by itself with %s", describe(err))
	}
	arrivals, _ := t.soFar()
	return &recording{wanted: wanted, began: t.began, arrivals: arrivals, clock: l.clock, source: answer.GetTimeSource()}, nil
}

// played says that the times are not of now.
func (r *recording) played() bool {
	return r.source == adapterv1beta1.TimeSource_TIME_SOURCE_RECORDED
}

// batches goes through the batches in the order of their arrival.
func batches(arrivals []arrival) iter.Seq2[time.Time, *adapterv1beta1.FeedBatch] {
	return func(yield func(time.Time, *adapterv1beta1.FeedBatch) bool) {
		for _, a := range arrivals {
			if m := a.batch(); m != nil && !yield(a.at, m) {
				return
			}
		}
	}
}

// sample is one sample of a batch.
type sample struct {
	path        string
	time        int64
	value       float64
	uncertainty int64
}

// samples goes through all samples in the order in which they were sent. What a batch lacks is zero; the forms are for M4
// to judge.
func samples(arrivals []arrival) iter.Seq2[arrival, sample] {
	return func(yield func(arrival, sample) bool) {
		var known []*adapterv1beta1.FeedSignal
		for _, a := range arrivals {
			if s := a.message.GetSubscribed(); s != nil {
				known = s.GetSignals()
			}
			for i := range a.batch().GetValue() {
				if !yield(a, pick(a.batch(), known, i)) {
					return
				}
			}
		}
	}
}

func pick(m *adapterv1beta1.FeedBatch, known []*adapterv1beta1.FeedSignal, i int) sample {
	s := sample{value: m.GetValue()[i], time: m.GetBaseTimeUs()}
	if i < len(m.GetOffsetUs()) {
		s.time += m.GetOffsetUs()[i]
	}
	if i < len(m.GetSignal()) {
		if at := int(m.GetSignal()[i]); at >= 0 && at < len(known) {
			s.path, s.uncertainty = known[at].GetPath(), known[at].GetTimeUncertaintyUs()
		}
	}
	if i < len(m.GetTimeUncertaintyUs()) {
		s.uncertainty = m.GetTimeUncertaintyUs()[i]
	}
	return s
}

// stalling is what a reader saw that stopped reading for a while.
type stalling struct {
	arrivals []arrival
	before   int   // messages that had come when the reader stopped
	grown    int64 // bytes of memory by which the adapter grew meanwhile; 0 where that cannot be measured
	end      error // why the feed ended; nil where it went on
	ended    bool
	clock    *clock
	stopped  time.Time
	resumed  time.Time
}

// stall stops reading for a while.
func stall(ctx context.Context, b *bench) (*stalling, error) {
	// A small window, so that the adapter feels it soon.
	l, _, err := b.opened(ctx, launch{window: 64 << 10})
	if err != nil {
		return nil, err
	}
	// As much as there is, and the counter too if there is one.
	wanted := b.signals()
	if b.o.Counter != "" {
		wanted = append([]string{b.o.Counter}, wanted...)
	}
	t, err := l.feed(ctx, 0, wanted...)
	if err != nil {
		return nil, unproven("Feed ended with %s", describe(err))
	}
	defer t.close()
	if !t.flows(0, b.o.SampleTimeout) {
		return nil, b.noSamples(t, wanted)
	}
	if over, err := t.ended(b.limits.record / 2); over {
		return nil, unproven("the feed ended by itself with %s", describe(err))
	}
	s := &stalling{clock: l.clock, stopped: time.Now()}
	t.stall()
	arrivals, _ := t.soFar()
	s.before = len(arrivals)
	s.grown = b.watchMemory(ctx, l)
	s.resumed = time.Now()
	t.resume()
	s.ended, s.end = t.ended(b.limits.record / 2)
	s.arrivals, _ = t.soFar()
	return s, nil
}

// watchMemory waits for the time of a stall and says by how much the adapter grew at most.
func (b *bench) watchMemory(ctx context.Context, l *life) (grown int64) {
	end := time.NewTimer(b.limits.stall)
	defer end.Stop()
	look := time.NewTicker(b.limits.stall / 20)
	defer look.Stop()
	size := func() int64 {
		if l.process == nil {
			return 0
		}
		return measure(l.process.cmd.Process.Pid).memory
	}
	for before := size(); ; {
		select {
		case <-look.C:
			grown = max(grown, size()-before)
		case <-end.C:
			return grown
		case <-ctx.Done():
			return grown
		}
	}
}

// backlog counts the bytes that came, once the reader went on, of what had been taken while it did not read.
func (s *stalling) backlog() (bytes int, gap bool) {
	from, ok := s.clock.at(s.stopped)
	to, _ := s.clock.at(s.resumed)
	if !ok {
		return 0, false
	}
	for _, m := range batches(s.arrivals[s.before:]) {
		gap = gap || m.GetGap() != nil
		if at := m.GetBaseTimeUs(); at >= from && at <= to {
			bytes += proto.Size(m)
		}
	}
	return bytes, gap
}

// miscount looks at the values of a signal that counts. It says what is wrong, first of values that are missing without
// a gap, second of values that came again or are no whole step.
func miscount(arrivals []arrival, counter string) (lost, repeated string) {
	var (
		known []*adapterv1beta1.FeedSignal
		last  float64
		begun bool // a value has come
		gap   bool // one was marked since
	)
	for _, a := range arrivals {
		if s := a.message.GetSubscribed(); s != nil {
			known = s.GetSignals()
		}
		gap = gap || a.batch().GetGap() != nil
		for i := range a.batch().GetValue() {
			s := pick(a.batch(), known, i)
			if s.path != counter {
				continue
			}
			step := s.value - last
			switch {
			case !begun || step == 1:
			case step < 1 || step != math.Trunc(step):
				repeated = cmp.Or(repeated, fmt.Sprintf("%v after %v in batch %d", s.value, last, a.batch().GetSequence()))
			case !gap:
				lost = cmp.Or(lost, fmt.Sprintf("%v after %v in batch %d, without a gap", s.value, last, a.batch().GetSequence()))
			}
			last, begun, gap = s.value, true, false
		}
	}
	return lost, repeated
}
