// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package simulator

import (
	"context"
	"errors"
	"time"

	"github.com/airassay/airassay/plugins/simulator/engine"
	"github.com/airassay/airassay/plugins/simulator/link"
	"github.com/airassay/airassay/plugins/simulator/scenario"
	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/j1979"
)

// tick is how often a drive is moved on. A sample is late by that much at most.
const tick = 20 * time.Millisecond

// vehicle is an open device. It holds nothing that Close would have to give back.
type vehicle struct {
	prepared *scenario.Prepared
	speed    float64
	signals  []adapter.Signal
	byPath   map[string]engine.Signal
}

var (
	_ adapter.Feeder   = (*vehicle)(nil)
	_ adapter.Detailer = (*vehicle)(nil)
)

func newVehicle(p *scenario.Prepared, speed float64) *vehicle {
	v := &vehicle{prepared: p, speed: speed, byPath: map[string]engine.Signal{}}
	c := p.Case
	refreshes := link.Refreshes(c.RefreshScale(), c.LinkSeed())
	for _, s := range c.Signals {
		known, _ := j1979.ByPath(path(s))
		v.byPath[path(s)] = s
		v.signals = append(v.signals, adapter.Signal{
			Path: path(s), Unit: known.Unit, Resolution: s.Define().Step,
			Uncertainty: duration(c.Link.Uncertainty()), Refresh: duration(refreshes[s]),
		})
	}
	return v
}

func duration(seconds float64) time.Duration { return time.Duration(seconds * float64(time.Second)) }

// Close has nothing to give back.
func (*vehicle) Close() error { return nil }

// Details says that nothing is measured now, and how fast the link is.
func (v *vehicle) Details() adapter.Details {
	class := v.prepared.Case.Link
	return adapter.Details{RecordedTime: true, MaxRequestsPerS: class.Rate / float64(class.Group)}
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

// Feed drives the scenario from its start, in step with the clock times the
// speed, and then is a vehicle that was switched off. Each feed is a drive of
// its own, and all of them are the same.
func (v *vehicle) Feed(ctx context.Context, sink *adapter.Sink) error {
	c := v.prepared.Case
	drive := v.prepared.Start()
	poller := link.NewPoller(c.Link, c.Signals, c.RefreshScale(), c.LinkSeed(), drive)
	start := adapter.Now()
	began := time.Now()
	wanted, changed := sink.Wanted()
	poller.Want(v.wishes(wanted))
	timer := time.NewTicker(tick)
	defer timer.Stop()
	for !drive.Done() {
		select {
		case <-changed:
			wanted, changed = sink.Wanted()
			poller.Want(v.wishes(wanted))
		default:
		}
		for due := v.speed * time.Since(began).Seconds(); drive.Now() < due && !drive.Done(); {
			drive.Step()
			poller.Step(drive.Now(), drive)
			if len(poller.Samples) == 0 {
				continue
			}
			if err := sink.Send(samples(poller, start)...); err != nil {
				return err
			}
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-timer.C:
		}
	}
	if drive.Broken() {
		return errors.New("the vehicle of this scenario cannot exist: its numbers have left all bounds; make it less extreme")
	}
	sink.Link(adapter.LinkSilent)
	<-ctx.Done()
	return ctx.Err()
}

// samples takes what came over the link.
func samples(p *link.Poller, start adapter.Time) []adapter.Sample {
	list := make([]adapter.Sample, len(p.Samples))
	for i, s := range p.Samples {
		list[i] = adapter.Sample{Path: path(s.Signal), Value: s.Value, Time: start + adapter.Time(s.TimeUS)}
	}
	p.Samples = p.Samples[:0]
	return list
}
