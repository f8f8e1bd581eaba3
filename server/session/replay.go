// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"sync"

	"google.golang.org/protobuf/proto"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/store"
)

// definitions declares a capture's signals to the assay.
func definitions(c *pb.Capture) []assay.SignalDef {
	defs := make([]assay.SignalDef, len(c.GetSignals()))
	for i, s := range c.GetSignals() {
		defs[i] = assay.SignalDef{Path: s.GetPath(), Unit: s.GetUnit(), TimeUncertaintyUS: s.GetTimeUncertaintyUs()}
	}
	return defs
}

// asDeclared tells the assay that a sample's time is as uncertain as its signal's declaration says.
const asDeclared = -1

// sampleOf is sample i of a batch that has been checked.
func sampleOf(capture int32, b *pb.SampleBatch, i int) assay.Sample {
	s := assay.Sample{
		Capture: capture, Signal: b.Signal[i], TimeUS: b.BaseTimeUs + b.OffsetUs[i],
		Value: b.Value[i], UncertaintyUS: asDeclared,
	}
	if len(b.TimeUncertaintyUs) > 0 {
		s.UncertaintyUS = b.TimeUncertaintyUs[i]
	}
	return s
}

// push feeds a batch to an assay and gives the time of its newest sample.
func push(a *assay.Assay, capture int32, b *pb.SampleBatch) (latest int64) {
	missing(a, b)
	for i := range b.Value {
		a.Push(sampleOf(capture, b, i))
	}
	return lastTime(b)
}

// missing tells an assay of the gap before a batch.
func missing(a *assay.Assay, b *pb.SampleBatch) {
	if g := b.GetGap(); g != nil {
		a.Missing(assay.Hole{StartUS: g.GetStartUs(), EndUS: g.GetEndUs(), Reason: assay.SampleGapReason(g.GetReason())})
	}
}

// lastTime is the time of a batch's newest sample: its times do not fall.
func lastTime(b *pb.SampleBatch) int64 {
	if n := len(b.OffsetUs); n > 0 {
		return b.BaseTimeUs + b.OffsetUs[n-1]
	}
	return b.BaseTimeUs
}

// batches reads a capture from a sequence on, decoded. A capture that was never written to has none.
func (l *live) batches(ctx context.Context, id string, from int64) iter.Seq2[*pb.SampleBatch, error] {
	return func(yield func(*pb.SampleBatch, error) bool) {
		for chunk, err := range l.m.store.Range(ctx, l.chunks(id), from) {
			if errors.Is(err, store.ErrNotFound) {
				return
			}
			if err != nil {
				yield(nil, l.m.explain(captureName(l.id, id), err))
				return
			}
			b := new(pb.SampleBatch)
			if err := proto.Unmarshal(chunk.Blob, b); err != nil || !equalColumns(b) || b.GetSequence() != chunk.Sequence {
				text := fmt.Sprintf("batch %d is stored in a form that cannot be read; restore a copy", chunk.Sequence)
				yield(nil, &Error{Reason: pb.ErrorReason_ERROR_REASON_CORRUPT, Resource: captureName(l.id, id), Message: text, Err: err})
				return
			}
			if !yield(b, nil) {
				return
			}
		}
	}
}

func equalColumns(b *pb.SampleBatch) bool {
	n := len(b.GetValue())
	return len(b.GetOffsetUs()) == n && len(b.GetSignal()) == n && (len(b.GetTimeUncertaintyUs()) == 0 || len(b.GetTimeUncertaintyUs()) == n)
}

// built is an assay and how far each capture is in it.
type built struct {
	assay  *assay.Assay
	fed    map[string]*feed
	order  []string // The captures in the order of their creation.
	counts map[string]int64
	latest int64
}

// build replays the session from the store: see the package's comment for the order.
func (l *live) build(ctx context.Context, s *pb.Session) (*built, error) {
	b, err := l.buildBy(ctx, l.m.factsOf(s))
	if err != nil {
		return nil, err
	}
	return b, l.m.useReferences(ctx, l.shop, s, b.assay)
}

// buildBy replays the session's samples by the given facts.
func (l *live) buildBy(ctx context.Context, by assay.Facts) (*built, error) {
	leave, err := take(ctx, l.m.replaying)
	if err != nil {
		return nil, err
	}
	defer leave()
	facts, err := l.m.all(ctx, l.shop, kindCapture, l.id)
	if err != nil {
		return nil, err
	}
	b := &built{
		assay: assay.New(by),
		fed:   make(map[string]*feed), counts: make(map[string]int64),
	}
	for i, f := range facts {
		c, err := captureOf(f)
		if err != nil {
			return nil, err
		}
		_, id, _ := innerID("name", "captures", c.GetName())
		if err := b.assay.Declare(int32(i), assay.Clock(c.GetClock()), definitions(c)); err != nil {
			return nil, &Error{Reason: pb.ErrorReason_ERROR_REASON_WRONG_UNIT, Resource: c.GetName(), Message: "this release wants another unit than the one that took the capture in", Err: err}
		}
		b.fed[id] = &feed{index: int32(i)}
		b.order = append(b.order, id)
	}
	return b, l.replay(ctx, b)
}

// replay brings an assay up to what is durable, merging captures by time.
func (l *live) replay(ctx context.Context, b *built) error {
	if len(b.order) == 1 {
		return l.replayOne(ctx, b, b.order[0])
	}
	var cursors []*cursor
	defer func() {
		for _, c := range cursors {
			c.stop()
		}
	}()
	for _, id := range b.order {
		next, stop := iter.Pull2(l.batches(ctx, id, b.fed[id].sequence+1))
		c := &cursor{feed: b.fed[id], id: id, next: next, stop: stop}
		cursors = append(cursors, c)
		if err := c.advance(b); err != nil {
			return err
		}
	}
	for {
		c := earliest(cursors)
		if c == nil {
			return nil
		}
		b.assay.Push(sampleOf(c.feed.index, c.batch, c.at))
		if c.at++; c.at == len(c.batch.Value) {
			if err := c.advance(b); err != nil {
				return err
			}
		}
	}
}

func (l *live) replayOne(ctx context.Context, b *built, id string) error {
	f := b.fed[id]
	for batch, err := range l.batches(ctx, id, f.sequence+1) {
		if err != nil {
			return err
		}
		b.latest = max(b.latest, push(b.assay, f.index, batch))
		b.counts[id] += int64(len(batch.Value))
		f.sequence = batch.Sequence
	}
	return nil
}

// cursor stands at one sample of a capture.
type cursor struct {
	feed  *feed
	id    string
	batch *pb.SampleBatch // Nil at the end.
	at    int
	next  func() (*pb.SampleBatch, error, bool)
	stop  func()
}

// advance goes to the next batch that has samples.
func (c *cursor) advance(b *built) error {
	for {
		batch, err, ok := c.next()
		if err != nil {
			return err
		}
		if c.batch, c.at = batch, 0; !ok {
			c.batch = nil
			return nil
		}
		missing(b.assay, batch)
		c.feed.sequence = batch.Sequence
		b.counts[c.id] += int64(len(batch.Value))
		b.latest = max(b.latest, lastTime(batch))
		if len(batch.Value) > 0 {
			return nil
		}
	}
}

// earliest is the cursor with the earliest sample, the first among equals; nil when all are at their end.
func earliest(cursors []*cursor) *cursor {
	var first *cursor
	var at int64
	for _, c := range cursors {
		if c.batch == nil {
			continue
		}
		if t := c.batch.BaseTimeUs + c.batch.OffsetUs[c.at]; first == nil || t < at {
			first, at = c, t
		}
	}
	return first
}

// load sees to it that the assay is in memory and holds what is durable.
func (l *live) load(ctx context.Context) error {
	leave, err := take(ctx, l.building)
	if err != nil {
		return err
	}
	defer leave()
	for {
		l.mu.Lock()
		there, generation := l.assay != nil, l.generation
		l.mu.Unlock()
		if there {
			l.used.Store(monotonic())
			return nil
		}
		s, err := l.stored(ctx)
		if err != nil {
			return err
		}
		b, err := l.build(ctx, s)
		if err != nil {
			return err
		}
		if err := l.install(ctx, b, generation); err != nil {
			return err
		}
	}
}

// install puts a built assay in, after what has become durable meanwhile; not where
// the session has changed meanwhile.
func (l *live) install(ctx context.Context, b *built, generation int64) error {
	for {
		l.mu.Lock()
		switch {
		case l.generation != generation:
			l.mu.Unlock()
			return nil
		case l.upToDate(b):
			l.assay, l.fed, l.latest = b.assay, b.fed, b.latest
			for id, f := range b.fed {
				if c := l.capture(id); f.sequence > c.counted {
					c.counted, c.samples = f.sequence, b.counts[id]
				}
			}
			l.mu.Unlock()
			l.keep()
			return nil
		}
		l.mu.Unlock()
		if err := l.replay(ctx, b); err != nil {
			return err
		}
	}
}

func (l *live) upToDate(b *built) bool {
	for id, c := range l.captures {
		if f := b.fed[id]; f != nil && f.sequence < c.durable {
			return false
		}
	}
	return true
}

// snapshots are copies of assays to conclude from, 0.7 MB each.
var snapshots = sync.Pool{New: func() any { return new(assay.Assay) }}

// outcome is an assessment and what it rests on.
type outcome struct {
	assessment *pb.Assessment
	session    *pb.Session
	latest     int64
	version    int64
}

// assess concludes from all that is durable now. Writers wait only while the assay is copied.
func (l *live) assess(ctx context.Context) (outcome, error) {
	copied, _ := snapshots.Get().(*assay.Assay)
	defer snapshots.Put(copied)
	for {
		if err := l.load(ctx); err != nil {
			return outcome{}, err
		}
		s, err := l.stored(ctx)
		if err != nil {
			return outcome{}, err
		}
		l.mu.Lock()
		if l.assay == nil || l.session != s {
			l.mu.Unlock()
			continue
		}
		*copied = *l.assay
		o := outcome{session: s, latest: l.latest, version: l.version}
		l.mu.Unlock()
		o.assessment, err = l.m.conclude(ctx, copied)
		return o, err
	}
}

// conclude makes an assessment of an assay that nobody else uses.
func (m *Manager) conclude(ctx context.Context, a *assay.Assay) (*pb.Assessment, error) {
	leave, err := take(ctx, m.judging)
	if err != nil {
		return nil, err
	}
	defer leave()
	return m.convert(a.Assess()), nil
}
