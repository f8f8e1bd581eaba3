// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package simulator

import (
	"context"
	"errors"
	"log/slog"
	"math"
	"time"

	"github.com/airassay/airassay/plugins/simulator/engine"
	"github.com/airassay/airassay/plugins/simulator/link"
	"github.com/airassay/airassay/plugins/simulator/scenario"
	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/j1979"
)

// tick is how often a drive is moved on. A sample is late by that much at most.
const tick = 20 * time.Millisecond

// vehicle is an open device. Feed and what it calls run in one goroutine at a
// time; what Signals reads does not change.
type vehicle struct {
	name    string
	speed   float64
	class   link.Class
	signals []adapter.Signal
	byPath  map[string]engine.Signal
	paths   [engine.NumSignals]string

	drive  *scenario.Drive
	poller *link.Poller
	batch  []adapter.Sample

	// origin is where the start of the drive stands on the adapter's clock, once it has begun.
	begun  bool
	origin adapter.Time
	// While the drive runs, it was at fromDriven seconds at an instant of the clock.
	running    bool
	from       time.Time
	fromDriven float64
}

var (
	_ adapter.Feeder   = (*vehicle)(nil)
	_ adapter.Detailer = (*vehicle)(nil)
)

func newVehicle(name string, p *scenario.Prepared, speed float64) *vehicle {
	c := p.Case
	v := &vehicle{name: name, speed: speed, class: c.Link, byPath: map[string]engine.Signal{}, drive: p.Start()}
	v.drive.Step() // before its first step a vehicle has no state to show
	v.poller = link.NewPoller(c.Link, c.Signals, c.RefreshScale(), c.LinkSeed(), v.drive.Now(), v.drive)
	refreshes := link.Refreshes(c.RefreshScale(), c.LinkSeed())
	for _, s := range c.Signals {
		known, _ := j1979.ByPath(path(s))
		v.byPath[path(s)], v.paths[s] = s, path(s)
		v.signals = append(v.signals, adapter.Signal{
			Path: path(s), Unit: known.Unit, Resolution: s.Define().Step,
			Uncertainty: duration(c.Link.Uncertainty()), Refresh: duration(refreshes[s]),
		})
	}
	return v
}

func duration(seconds float64) time.Duration { return time.Duration(seconds * float64(time.Second)) }

// Close has nothing to give back: a simulated vehicle is memory.
func (*vehicle) Close() error { return nil }

// Details says that nothing is measured now, and how fast the link is.
func (v *vehicle) Details() adapter.Details {
	return adapter.Details{RecordedTime: true, MaxRequestsPerS: v.class.Rate / float64(v.class.Group)}
}

// Signals lists what the vehicle's control unit shows.
func (v *vehicle) Signals(context.Context, []adapter.Wanted) ([]adapter.Signal, error) {
	return v.signals, nil
}

// wishes turns what the host wants into what the link is to ask.
func (v *vehicle) wishes(wanted []adapter.Wanted) []link.Wish {
	var list []link.Wish
	for _, w := range wanted {
		if s, ok := v.byPath[w.Path]; ok {
			list = append(list, link.Wish{Signal: s, RateHz: w.RateHz, Group: w.Group})
		}
	}
	return list
}

// Feed drives the scenario from where the last feed ended, in step with the
// clock times the speed, and then is a vehicle that was switched off.
func (v *vehicle) Feed(ctx context.Context, sink *adapter.Sink) error {
	ticker := time.NewTicker(tick)
	defer ticker.Stop()
	v.running = false
	for ctx.Err() == nil && !v.drive.Done() {
		wanted, changed := sink.Wanted()
		wishes := v.wishes(wanted)
		v.poller.Want(wishes)
		var err error
		if len(wishes) == 0 {
			v.running = false
			wait(ctx, changed)
		} else {
			err = v.move(ctx, sink, changed, ticker.C)
		}
		if err != nil {
			return err
		}
	}
	switch {
	case ctx.Err() != nil:
		return context.Cause(ctx)
	case v.drive.Broken():
		return errors.New("the vehicle of this scenario cannot exist: its numbers have left all bounds; make it less extreme")
	}
	slog.Info("the drive is over", "scenario", v.name)
	sink.Link(adapter.LinkSilent)
	<-ctx.Done()
	return context.Cause(ctx)
}

func wait(ctx context.Context, changed <-chan struct{}) {
	select {
	case <-ctx.Done():
	case <-changed:
	}
}

// move drives on until something else is wanted or the drive is over.
func (v *vehicle) move(ctx context.Context, sink *adapter.Sink, changed <-chan struct{}, ticks <-chan time.Time) error {
	v.start(sink)
	for !v.drive.Done() {
		if err := v.catchUp(ctx, sink); err != nil {
			return err
		}
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-changed:
			return nil
		case <-ticks:
		}
	}
	return nil
}

// start puts the drive on the clock, unless it runs already. The first instant
// ever is now. After a pause the drive goes on now, or where its times have run
// ahead to, and the hole is marked.
func (v *vehicle) start(sink *adapter.Sink) {
	if v.running {
		return
	}
	now := time.Now()
	driven := adapter.Time(micros(v.drive.Now()))
	origin := adapter.At(now) - driven
	if v.begun && origin > v.origin {
		sink.Gap(v.origin+driven, origin+driven, adapter.ErrSilent)
	}
	if !v.begun || origin > v.origin {
		v.origin = origin
	}
	v.begun, v.running = true, true
	v.from, v.fromDriven = now, v.drive.Now()
}

// atOnce is how many samples are handed over at once, and how many steps are made before the context is looked at.
const atOnce = 256

// catchUp drives to where the drive should be now.
func (v *vehicle) catchUp(ctx context.Context, sink *adapter.Sink) error {
	due := v.fromDriven + v.speed*time.Since(v.from).Seconds()
	for steps := 1; v.drive.Now() < due && !v.drive.Done(); steps++ {
		v.drive.Step()
		v.poller.Step(v.drive.Now(), v.drive)
		if steps%atOnce == 0 && ctx.Err() != nil {
			return context.Cause(ctx)
		}
		if len(v.poller.Samples) < atOnce {
			continue
		}
		if err := v.send(sink); err != nil {
			return err
		}
	}
	return v.send(sink)
}

// send hands over what came over the link.
func (v *vehicle) send(sink *adapter.Sink) error {
	v.batch = v.batch[:0]
	for _, s := range v.poller.Samples {
		v.batch = append(v.batch, adapter.Sample{Path: v.paths[s.Signal], Value: s.Value, Time: v.origin + adapter.Time(s.TimeUS)})
	}
	v.poller.Samples = v.poller.Samples[:0]
	return sink.Send(v.batch...)
}

func micros(seconds float64) int64 { return int64(math.Round(seconds * 1e6)) }
