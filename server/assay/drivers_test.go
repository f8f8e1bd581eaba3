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
	tr.push(last+5*second+second/2, 80, 0)
	for _, c := range []struct {
		at    int64
		known bool
	}{{start + second/2, true}, {last, true}, {last + 2*second, false}, {last + 4*second, true}, {last + 5*second, true}} {
		if got := a.drivers(sigThrottle, c.at); math.IsNaN(got) == c.known {
			t.Errorf("%d µs after the last of the usual samples the throttle is %g", c.at-last, got)
		}
	}
}
