// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapter

import (
	"context"
	"errors"
	"slices"
	"time"
)

// Poll is the Feed of a box that answers one question at a time. It calls read for one wanted signal after the other, each
// as often as it is wanted, those of a group in a row, and what is wanted as often as goes in the time that the others
// leave. Where the box is too slow for all, those that wait longest come first, and nothing is made up for later. A change
// of what is wanted takes effect after the read that is under way.
//
// Of the sample that read returns only the value must be set: the path is then the one that was asked for, the time the
// middle of the call, and the uncertainty half of the time that the call took. A signal for which read returns
// ErrUnsupportedSignal is not asked for again; any other error ends Poll, which returns it. So does the end of the
// context.
func Poll(ctx context.Context, sink *Sink, read func(ctx context.Context, path string) (Sample, error)) error {
	var p plan
	for {
		wanted, changed := sink.Wanted()
		p.set(wanted, time.Now())
		for p.wait(ctx, changed) {
			if err := p.ask(ctx, sink, read); err != nil {
				return err
			}
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
	}
}

// plan says what is asked when.
type plan struct {
	rounds  []*round
	lacking []string // what the box turned out not to have
}

// round is what is asked together: a signal, or those of a group that are wanted equally often.
type round struct {
	first string // of a signal without a group; empty for a group
	group int
	rate  float64
	paths []string
	due   time.Time
}

// set makes the rounds for what is wanted. Those that there were keep their time, the others are due now.
func (p *plan) set(wanted []Wanted, now time.Time) {
	before := p.rounds
	p.rounds = nil
	for _, w := range wanted {
		if slices.Contains(p.lacking, w.Path) {
			continue
		}
		t := round{group: w.Group, rate: w.RateHz, due: now}
		if w.Group <= 0 {
			t.first = w.Path
		}
		at := find(p.rounds, &t)
		if at == nil {
			if old := find(before, &t); old != nil {
				t.due = old.due
			}
			at = &t
			p.rounds = append(p.rounds, at)
		}
		at.paths = append(at.paths, w.Path)
	}
}

func find(rounds []*round, like *round) *round {
	for _, t := range rounds {
		if t.first == like.first && t.group == like.group && t.rate == like.rate {
			return t
		}
	}
	return nil
}

// next is the round that is due first; nil where there is none.
func (p *plan) next() *round {
	if len(p.rounds) == 0 {
		return nil
	}
	return slices.MinFunc(p.rounds, func(a, b *round) int { return a.due.Compare(b.due) })
}

// taken sets when the round is due again: at its rate, but never for what it has missed.
func (t *round) taken(now time.Time) {
	if t.rate > 0 {
		t.due = t.due.Add(time.Duration(float64(time.Second) / t.rate))
	}
	if t.due.Before(now) {
		t.due = now
	}
}

// wait waits until a round is due; false says that something else is wanted, or nothing any more.
func (p *plan) wait(ctx context.Context, changed <-chan struct{}) bool {
	var due <-chan time.Time
	if t := p.next(); t != nil {
		timer := time.NewTimer(time.Until(t.due))
		defer timer.Stop()
		due = timer.C
	}
	select {
	case <-due:
	case <-changed:
	case <-ctx.Done():
	}
	select {
	case <-changed:
		return false
	default:
		return ctx.Err() == nil
	}
}

// ask takes the round that is due.
func (p *plan) ask(ctx context.Context, sink *Sink, read func(context.Context, string) (Sample, error)) error {
	t := p.next()
	t.taken(time.Now())
	for _, path := range slices.Clone(t.paths) {
		sent := Now()
		sample, err := read(ctx, path)
		if errors.Is(err, ErrUnsupportedSignal) {
			sink.log.Warn("a signal turns out not to be supported, and is not asked for again", "path", path, "error", err)
			p.drop(t, path)
			continue
		}
		if err == nil {
			err = sink.Send(sample.asked(path, sent, Now()))
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func (p *plan) drop(t *round, path string) {
	p.lacking = append(p.lacking, path)
	t.paths = slices.DeleteFunc(t.paths, func(other string) bool { return other == path })
	if len(t.paths) == 0 {
		p.rounds = slices.DeleteFunc(p.rounds, func(other *round) bool { return other == t })
	}
}

// asked completes a sample by what is known of the call that brought it.
func (s Sample) asked(path string, sent, received Time) Sample {
	half := received.Sub(sent) / 2
	if s.Path == "" {
		s.Path = path
	}
	if s.Time == 0 {
		s.Time = sent.Add(half)
		if s.Uncertainty == 0 {
			s.Uncertainty = max(half, time.Microsecond)
		}
	}
	return s
}
