// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package recording

import (
	"math"
	"reflect"
	"strings"
	"testing"
)

const assembled = `time_s,EngineSpeed,MAF
0.000000,800,
0.100000,,2.5
0.100000,,2.6
0.200000,810,2.7
0.350000,820,2.8
`

func TestAssembledRecordingDiffersFromOneThatWasRead(t *testing.T) {
	want, err := Read(t.Context(), strings.NewReader(assembled), "a.csv", Options{})
	if err != nil {
		t.Fatal(err)
	}
	signals := []Signal{{Path: want.Signals[0].Path, Unit: want.Signals[0].Unit}, {Path: want.Signals[1].Path, Unit: want.Signals[1].Unit}}
	// Out of order in time and in signal.
	samples := []Sample{{350_000, 1, 2.8}, {350_000, 0, 820}, {100_000, 1, 2.5}, {100_000, 1, 2.6}, {0, 0, 800}, {200_000, 1, 2.7}, {200_000, 0, 810}}
	got, err := Assemble(signals, ClockHost, samples)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(got.Samples, want.Samples) {
		t.Errorf("samples are %v, want %v", got.Samples, want.Samples)
	}
	for i := range want.Signals {
		if g, w := got.Signals[i].TimeUncertaintyUS, want.Signals[i].TimeUncertaintyUS; g != w || w == 0 {
			t.Errorf("%s: time uncertainty is %d µs, want %d", want.Signals[i].Path, g, w)
		}
	}
}

func TestSamplesThatNoFileCanHoldAreRefusedByNumber(t *testing.T) {
	signals := []Signal{{Path: "Vehicle.OBD.MAF", Unit: "g/s"}}
	for _, c := range []struct {
		bad  Sample
		says string
	}{
		{Sample{TimeUS: 1, Signal: 1}, "signal 1"}, {Sample{TimeUS: 1, Signal: -1}, "signal -1"},
		{Sample{TimeUS: -1}, "-1 µs"}, {Sample{Value: math.NaN()}, "NaN"}, {Sample{Value: math.Inf(1)}, "+Inf"},
	} {
		_, err := Assemble(signals, ClockHost, []Sample{{}, c.bad})
		if err == nil || !strings.Contains(err.Error(), "sample 1 ") || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%+v: error is %v, want one that names sample 1 and %q", c.bad, err, c.says)
		}
	}
}
