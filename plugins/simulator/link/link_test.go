// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package link_test

import (
	"math"
	"testing"

	"github.com/airassay/airassay/plugins/simulator/engine"
	"github.com/airassay/airassay/plugins/simulator/link"
)

// ramp shows values that never stand still.
type ramp struct{ now float64 }

func (r *ramp) Value(s engine.Signal) float64 { return 20 + 3*r.now + float64(s) }

var polled = []engine.Signal{
	engine.EngineSpeed, engine.MAF, engine.ManifoldPressure, engine.EngineLoad, engine.IntakeTemp, engine.CoolantTemperature,
	engine.ShortTermFuelTrim1, engine.LongTermFuelTrim1, engine.VehicleSpeed, engine.ThrottlePosition,
}

func record(class link.Class, seconds float64, pull bool) *link.Sampler {
	s := link.NewSampler(class, polled, 1, 3)
	r := &ramp{}
	for r.now < seconds {
		r.now += 0.01
		s.Step(r.now, r, pull)
	}
	return s
}

func TestLinkKeepsItsPace(t *testing.T) {
	for _, class := range link.Classes {
		s := record(class, 60, false)
		rate := float64(len(s.Samples)+s.Lost) / 60
		if math.Abs(rate/class.Rate-1) > 0.12 {
			t.Errorf("%s: %.1f values/s, want about %.1f", class.Name, rate, class.Rate)
		}
	}
}

func TestSamplesNeverGoBackInTimeAndAreQuantised(t *testing.T) {
	for _, class := range link.Classes {
		last := int64(-1)
		for _, x := range record(class, 30, false).Samples {
			if x.TimeUS < last {
				t.Fatalf("%s: %d µs after %d µs", class.Name, x.TimeUS, last)
			}
			last = x.TimeUS
			if got := x.Signal.Quantise(x.Value); math.Abs(got-x.Value) > 1e-9 {
				t.Fatalf("%s: %s shows %v, which is no step of it", class.Name, x.Signal.Define().Path, x.Value)
			}
		}
	}
}

func TestSlowLinkAsksForSpeedAndAirInAPull(t *testing.T) {
	class, _ := link.ByName("kline_8")
	counts := map[engine.Signal]int{}
	for _, x := range record(class, 30, true).Samples {
		counts[x.Signal]++
	}
	if counts[engine.MAF] < 80 || counts[engine.EngineSpeed] < 80 || counts[engine.CoolantTemperature] > 0 {
		t.Errorf("in a pull a slow link took %v", counts)
	}
}

func TestEverySignalIsAskedInTheEnd(t *testing.T) {
	for _, class := range link.Classes {
		counts := map[engine.Signal]int{}
		for _, x := range record(class, 120, false).Samples {
			counts[x.Signal]++
		}
		for _, s := range polled {
			if counts[s] == 0 {
				t.Errorf("%s never asked for %s", class.Name, s.Define().Path)
			}
		}
	}
}

func TestLoggerRowsCarryOneStampForValuesOfSeveralInstants(t *testing.T) {
	class, _ := link.ByName("row_logger")
	s := record(class, 20, false)
	perStamp := map[int64]int{}
	for _, x := range s.Samples {
		perStamp[x.TimeUS]++
	}
	if rows := len(perStamp); rows == 0 || float64(len(s.Samples))/float64(rows) < 0.9*float64(len(polled)) {
		t.Errorf("%d values in %d rows, want rows of about %d", len(s.Samples), rows, len(polled))
	}
}
