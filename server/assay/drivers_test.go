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
	for _, pressure := range []bool{false, true} {
		a := New(NoFacts())
		defs := []SignalDef{{Path: signals[sigSpeedEngine].path, Unit: signals[sigSpeedEngine].unit}, {Path: signals[sigMAF].path, Unit: signals[sigMAF].unit}, {Path: signals[sigMAP].path, Unit: signals[sigMAP].unit}}
		if err := a.Declare(1, ClockHost, defs); err != nil {
			t.Fatal(err)
		}
		for i := range int64(400) {
			at, flow := i*second/2, 15.0
			if i%20 == 19 {
				flow = 1.2
			}
			a.Push(Sample{Capture: 1, Signal: 0, TimeUS: at, Value: 2000, UncertaintyUS: -1})
			a.Push(Sample{Capture: 1, Signal: 1, TimeUS: at + second/8, Value: flow, UncertaintyUS: -1})
			if pressure {
				a.Push(Sample{Capture: 1, Signal: 2, TimeUS: at + second/6, Value: 50 + float64(i%3)*0.1, UncertaintyUS: -1})
			}
		}
		if s := a.meterSigns(); (s.weight >= plainSign) != pressure {
			t.Errorf("with pressure %v: weight %g, %d dropouts, %d episodes", pressure, s.weight, a.meterWatch.dropouts, a.meterWatch.episodes)
		}
	}
}
