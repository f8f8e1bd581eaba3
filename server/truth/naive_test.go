// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package truth

import (
	"testing"

	"github.com/airassay/airassay/sdk/j1979"
	"github.com/airassay/airassay/sdk/recording"
)

// rows makes a recording of rows of values, one a second.
func rows(t *testing.T, names []string, values ...[]float64) *recording.Recording {
	t.Helper()
	var signals []recording.Signal
	for _, n := range names {
		s, ok := j1979.Lookup(n)
		if !ok {
			t.Fatalf("no signal %s", n)
		}
		signals = append(signals, recording.Signal{Path: s.Path, Unit: s.Unit})
	}
	var samples []recording.Sample
	for i, row := range values {
		for k, v := range row {
			samples = append(samples, recording.Sample{TimeUS: int64(i) * 1_000_000, Signal: int32(k), Value: v})
		}
	}
	rec, err := recording.Assemble(signals, recording.ClockHost, samples)
	if err != nil {
		t.Fatal(err)
	}
	return rec
}

func repeat(n int, row ...float64) (out [][]float64) {
	for range n {
		out = append(out, row)
	}
	return out
}

func TestLoadJudgeDoesNotFollowItsThreshold(t *testing.T) {
	pull := []string{"EngineSpeed", "ThrottlePosition", "EngineLoad"}
	for _, c := range []struct {
		name       string
		rec        *recording.Recording
		top        string
		conclusive bool
	}{
		{"full load at 92 %", rows(t, pull, append(repeat(30, 1500, 20, 40), repeat(6, 4000, 85, 92)...)...), noFault, true},
		{"full load at 80 %", rows(t, pull, append(repeat(30, 1500, 20, 40), repeat(6, 4000, 85, 80)...)...), low, true},
		{"no full load", rows(t, pull, repeat(30, 2500, 20, 40)...), noFault, false},
		{"too few samples", rows(t, pull, repeat(3, 4000, 85, 70)...), noFault, false},
		{"low engine speed", rows(t, pull, repeat(9, 1500, 85, 70)...), noFault, false},
		{"nothing tells the driver's wish", rows(t, []string{"EngineSpeed", "EngineLoad"}, repeat(9, 4000, 80)...), low, true},
		{"no load", rows(t, []string{"EngineSpeed"}, repeat(9, 4000)...), noFault, false},
	} {
		v := NaiveLoad(c.rec)
		if v.Top != c.top || v.Conclusive != c.conclusive || v.CondemnsMeter != (c.top == low) {
			t.Errorf("%s: %s, conclusive %t, condemns %t", c.name, v.Top, v.Conclusive, v.CondemnsMeter)
		}
	}
}

func TestTrimJudgeDoesNotFollowItsThreshold(t *testing.T) {
	trims := []string{"CoolantTemperature", "LongTermFuelTrim1", "ShortTermFuelTrim1"}
	for _, c := range []struct {
		name       string
		rec        *recording.Recording
		top        string
		conclusive bool
	}{
		{"+12 %", rows(t, trims, repeat(30, 90, 8, 4)...), low, true},
		{"-12 %", rows(t, trims, repeat(30, 90, -8, -4)...), high, true},
		{"+8 %", rows(t, trims, repeat(30, 90, 8, 0)...), noFault, true},
		{"cold", rows(t, trims, repeat(30, 40, 8, 4)...), noFault, false},
		{"few", rows(t, trims, repeat(10, 90, 8, 4)...), noFault, false},
		{"no long trim", rows(t, []string{"CoolantTemperature", "ShortTermFuelTrim1"}, repeat(30, 90, 12)...), noFault, false},
	} {
		if v := NaiveTrim(c.rec); v.Top != c.top || v.Conclusive != c.conclusive {
			t.Errorf("%s: %s, conclusive %t", c.name, v.Top, v.Conclusive)
		}
	}
}
