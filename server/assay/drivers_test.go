// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import (
	"math"
	"testing"
)

func TestPedalIsThoughtUpBetweenTwoSamplesFarApart(t *testing.T) {
	const start = 10 * second
	a := New(NoFacts())
	tr := &a.tracks[sigThrottle]
	at := start
	for range 20 {
		tr.push(at, 20, 0)
		at += second
	}
	last := at - second
	tr.push(last+4*second, 20, 0)
	tr.push(last+6*second, 80, 0)
	for _, c := range []struct {
		at    int64
		known bool
	}{{start + second/2, true}, {last, true}, {last + 2*second, false}, {last + 4*second, true}, {last + 5*second, true}} {
		if got := a.movingValue(sigThrottle, c.at); math.IsNaN(got) == c.known {
			t.Errorf("%d µs after the last of the usual samples the throttle is %g", c.at-last, got)
		}
	}
}

// A foot that lifts for a moment takes the flow away and leaves the speed.
func TestLiftedFootIsTakenForLostContact(t *testing.T) {
	for name, c := range map[string]struct {
		guard signal
		value func(lifted bool, i int64) float64
		lost  bool
	}{
		"nothing else is read": {guard: sigNone},
		"pressure stays":       {sigMAP, func(_ bool, i int64) float64 { return 50 + float64(i%3)*0.1 }, true},
		"pedal stays":          {sigPedalD, func(bool, int64) float64 { return 30 }, true},
		"pedal is let go": {sigPedalD, func(lifted bool, _ int64) float64 {
			if lifted {
				return 10
			}
			return 30
		}, false},
	} {
		a := New(NoFacts())
		var defs []SignalDef
		for _, s := range []signal{sigSpeedEngine, sigMAF, c.guard} {
			if s != sigNone {
				defs = append(defs, SignalDef{Path: signals[s].path, Unit: signals[s].unit})
			}
		}
		if err := a.Declare(1, ClockHost, defs); err != nil {
			t.Fatal(err)
		}
		for i := range int64(400) {
			at, flow, lifted := i*second/2, 15.0, i%20 == 19
			if lifted {
				flow = 1.2
			}
			a.Push(Sample{Capture: 1, Signal: 0, TimeUS: at, Value: 2000, UncertaintyUS: -1})
			a.Push(Sample{Capture: 1, Signal: 1, TimeUS: at + second/8, Value: flow, UncertaintyUS: -1})
			if c.guard != sigNone {
				a.Push(Sample{Capture: 1, Signal: 2, TimeUS: at + second/9, Value: c.value(lifted, i), UncertaintyUS: -1})
			}
		}
		if s := a.meterSigns(); (s.weight >= plainSign) != c.lost {
			t.Errorf("%s: weight %g, %d dropouts, %d episodes", name, s.weight, a.meterWatch.dropouts, a.meterWatch.episodes)
		}
	}
}
