// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package replay

import (
	"context"
	"fmt"
	"log/slog"
	"math"
	"time"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/recording"
)

const (
	// loopPause stands between the last sample of a recording and the first of its next round.
	loopPause = time.Second
	// roundPause is how long the next round of a recording that is played as fast as can be waits at least, so that one of
	// which next to nothing is wanted does not spin.
	roundPause = 10 * time.Millisecond
	// grain is the shortest wait that is worth a timer.
	grain = time.Millisecond
	// sendAtOnce is how many samples are handed over before the context is looked at again.
	sendAtOnce = 256
	// watchEvery is how often it is looked whether the file of a recording that plays is still there.
	watchEvery = 500 * time.Millisecond
	// unknownUncertainty holds for a signal whose sampling nothing is known of, such as one with a single value in the
	// first row. It is the most that reading a recording ever states.
	unknownUncertainty = 5 * time.Second
)

// drive is an open recording.
type drive struct {
	*player

	file    string
	gone    func() error // says that the file is no longer there; nil while it is
	release func()
}

// Details says that times are those of a recording.
func (*drive) Details() adapter.Details { return adapter.Details{RecordedTime: true} }

// Close gives the memory back.
func (d *drive) Close() error {
	d.release()
	return nil
}

// Feed plays the recording from where the last feed ended, as long as its file is there.
func (d *drive) Feed(ctx context.Context, sink *adapter.Sink) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	go d.watch(ctx, cancel)
	d.running = false
	for ctx.Err() == nil {
		wanted, changed := sink.Wanted()
		d.want(wanted)
		if d.over() {
			slog.Info("the recording is over", "file", d.file)
			sink.Link(adapter.LinkSilent)
			<-ctx.Done()
			break
		}
		d.play(ctx, sink, changed)
	}
	return context.Cause(ctx)
}

// watch ends a feed when the file goes away, as if a cable had been pulled.
func (d *drive) watch(ctx context.Context, cancel context.CancelCauseFunc) {
	tick := time.NewTicker(watchEvery)
	defer tick.Stop()
	for {
		if err := d.gone(); err != nil {
			cancel(err)
			return
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// player keeps a recording's position and its place on the clock. Its axis is that of the recording, prolonged by each
// round: microseconds since the start of the file. Feed and what it calls run in one goroutine at a time; signals and
// index do not change.
type player struct {
	config  configuration
	rec     *recording.Recording
	signals []adapter.Signal
	index   map[string]int

	next    int   // the sample to play next
	shiftUS int64 // of the present round on the axis
	choices []choice
	wanted  bool // anything is
	samples []adapter.Sample

	// While it runs, an instant of the axis is played at a time and has a time by the adapter's clock:
	running bool
	fromUS  int64
	fromDue time.Time
	from    adapter.Time

	// The last instant that was played; begun says whether there is one.
	begun   bool
	lastUS  int64
	lastDue time.Time
	last    adapter.Time
}

// choice says how one signal is wanted.
type choice struct {
	wanted bool
	stepUS float64 // between two samples; 0 for all that there are
	dueUS  float64 // on the axis, where a sample is due again
}

func newPlayer(rec *recording.Recording, config configuration) *player {
	p := &player{config: config, rec: rec, index: map[string]int{}, choices: make([]choice, len(rec.Signals))}
	counts := make([]int, len(rec.Signals))
	for _, s := range rec.Samples {
		counts[s.Signal]++
	}
	for i, s := range rec.Signals {
		signal := adapter.Signal{
			Path: s.Path, Unit: s.Unit, Resolution: s.Resolution,
			Uncertainty: microseconds(s.TimeUncertaintyUS), Refresh: microseconds(s.RefreshIntervalUS),
		}
		if signal.Uncertainty <= 0 {
			signal.Uncertainty = unknownUncertainty
		}
		if counts[i] == 0 {
			signal.Err = fmt.Errorf("%s: the recording has no value of it: %w", s.Path, adapter.ErrUnsupportedSignal)
		}
		p.signals, p.index[s.Path] = append(p.signals, signal), i
	}
	return p
}

func microseconds(us int64) time.Duration { return time.Duration(us) * time.Microsecond }

// Signals lists what the recording holds.
func (p *player) Signals(context.Context, []adapter.Wanted) ([]adapter.Signal, error) {
	return p.signals, nil
}

// want takes over what is wanted now. What is wanted as before keeps its turn.
func (p *player) want(wanted []adapter.Wanted) {
	before := p.choices
	p.choices, p.wanted = make([]choice, len(before)), false
	for _, w := range wanted {
		i, ok := p.index[w.Path]
		if !ok {
			continue
		}
		c := choice{wanted: true, dueUS: math.Inf(-1)}
		if w.RateHz > 0 {
			c.stepUS = 1e6 / w.RateHz
		}
		if before[i].wanted && before[i].stepUS == c.stepUS {
			c.dueUS = before[i].dueUS
		}
		p.choices[i], p.wanted = c, true
	}
}

// take says whether a sample at an instant is one of those wanted.
func (c *choice) take(us int64) bool {
	t := float64(us)
	if !c.wanted || t < c.dueUS {
		return false
	}
	// The next is due a step after this one was, not after it came, or rates that do not divide would come out low.
	if t-c.dueUS >= c.stepUS {
		c.dueUS = t
	}
	c.dueUS += c.stepUS
	return true
}

func (p *player) over() bool { return p.next == len(p.rec.Samples) }

// nextUS is where the next sample stands on the axis.
func (p *player) nextUS() int64 { return p.rec.Samples[p.next].TimeUS + p.shiftUS }

// play plays until the context ends, something else is wanted or the recording is over.
func (p *player) play(ctx context.Context, sink *adapter.Sink, changed <-chan struct{}) {
	if !p.wanted {
		p.running = false
		select {
		case <-ctx.Done():
		case <-changed:
		}
		return
	}
	if !p.running {
		p.run(sink)
	}
	for !p.over() && p.wait(ctx, changed) {
		if !p.playInstant(ctx, sink) {
			return
		}
		if p.over() && p.config.loop {
			p.rewind()
			sink.Gap(p.last, p.last.Add(loopPause), adapter.ErrSilent) // the recording has nothing between
		}
	}
}

// run puts the axis on the clock. The first sample ever is due now. After a pause the next one keeps its distance to the
// last, or comes now if that is later; what it comes too late is marked.
func (p *player) run(sink *adapter.Sink) {
	now := time.Now()
	p.running, p.fromUS, p.fromDue, p.from = true, p.nextUS(), now, adapter.At(now)
	if !p.begun {
		return
	}
	distance := p.fromUS - p.lastUS
	if due := p.lastDue.Add(p.lasts(distance)); due.After(now) {
		p.fromDue = due
	}
	in := p.last + adapter.Time(distance)
	if p.from > in {
		sink.Gap(p.last, p.from, adapter.ErrSilent)
	}
	p.from = max(p.from, in)
}

// lasts is how long a stretch of the axis takes to play.
func (p *player) lasts(us int64) time.Duration {
	return time.Duration(min(float64(us)*float64(time.Microsecond)/p.config.speed, math.MaxInt64/4))
}

// due is when to play the next sample.
func (p *player) due() time.Time { return p.fromDue.Add(p.lasts(p.nextUS() - p.fromUS)) }

// wait waits until the next sample is due; false if the context ends or something else is wanted before.
func (p *player) wait(ctx context.Context, changed <-chan struct{}) bool {
	pause := time.Until(p.due())
	if pause < grain {
		select {
		case <-ctx.Done():
			return false
		case <-changed:
			return false
		default:
			return true
		}
	}
	timer := time.NewTimer(pause)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-changed:
		return false
	case <-timer.C:
		return true
	}
}

// playInstant sends what is wanted of the samples that stand at one instant, or of a part of them if they are many. It is
// false when the context ends.
func (p *player) playInstant(ctx context.Context, sink *adapter.Sink) bool {
	us := p.nextUS()
	p.begun, p.lastUS = true, us
	p.lastDue, p.last = p.fromDue.Add(p.lasts(us-p.fromUS)), p.from+adapter.Time(us-p.fromUS)
	p.samples = p.samples[:0]
	for range sendAtOnce {
		if p.over() || p.nextUS() != us {
			break
		}
		s := p.rec.Samples[p.next]
		if p.choices[s.Signal].take(us) {
			p.samples = append(p.samples, adapter.Sample{Path: p.rec.Signals[s.Signal].Path, Value: s.Value, Time: p.last})
		}
		p.next++
	}
	if len(p.samples) == 0 {
		return true
	}
	if err := sink.Send(p.samples...); err != nil && ctx.Err() == nil {
		slog.Error("a sample was refused", "error", err)
	}
	return ctx.Err() == nil
}

// rewind begins the next round.
func (p *player) rewind() {
	p.next = 0
	p.shiftUS = p.lastUS + loopPause.Microseconds() - p.rec.Samples[0].TimeUS
	if early := time.Until(p.due()); early < roundPause {
		p.fromDue = p.fromDue.Add(roundPause - early)
	}
}
