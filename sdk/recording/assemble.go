// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package recording

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// Assemble makes the recording that Read would make of a file with these signals as
// columns and these samples in its cells: ordered by time, then by signal, then as
// given, and with the time uncertainty of each signal. It keeps both slices and
// changes them. A sample before time 0, of a signal that is not in the list, or
// without a finite value is an error.
func Assemble(signals []Signal, clock ClockKind, samples []Sample) (*Recording, error) {
	for i, s := range samples {
		switch {
		case s.Signal < 0 || int(s.Signal) >= len(signals):
			return nil, fmt.Errorf("assemble a recording: sample %d is of signal %d; expected 0 to %d", i, s.Signal, len(signals)-1)
		case s.TimeUS < 0:
			return nil, fmt.Errorf("assemble a recording: sample %d is at %d µs; expected 0 or later", i, s.TimeUS)
		case math.IsNaN(s.Value) || math.IsInf(s.Value, 0):
			return nil, fmt.Errorf("assemble a recording: sample %d of %s is %v; expected a finite value", i, signals[s.Signal].Path, s.Value)
		}
	}
	slices.SortStableFunc(samples, func(a, b Sample) int {
		return cmp.Or(cmp.Compare(a.TimeUS, b.TimeUS), cmp.Compare(a.Signal, b.Signal))
	})
	r := &Recording{Signals: signals, Clock: clock, Samples: samples}
	r.declareUncertainty()
	return r, nil
}
