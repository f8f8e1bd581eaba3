// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

func TestListedHolesDoNotDependOnTheOrderInWhichTheyCome(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	var all []Hole
	for range 200 {
		start := random.Int64N(1000)
		all = append(all, Hole{start, start + random.Int64N(20), SampleGapReason(random.IntN(7))})
	}
	var want *Assessment
	for range 20 {
		a := New(NoFacts())
		for _, h := range all {
			a.Missing(h)
		}
		got := a.Assess()
		if want == nil {
			want = got
		}
		if !slices.Equal(got.Use.LongestHoles, want.Use.LongestHoles) || got.Use.HoleCount != 200 || got.Use.HoleUS != want.Use.HoleUS {
			t.Fatalf("got %v, want %v", got.Use, want.Use)
		}
		random.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	}
	slices.SortFunc(all, compareHoles)
	if !slices.Equal(want.Use.LongestHoles, all[:maxHoles]) {
		t.Errorf("listed are %v, the longest are %v", want.Use.LongestHoles, all[:maxHoles])
	}
}

func TestHolesThatCannotBeAreIgnored(t *testing.T) {
	a := New(NoFacts())
	a.Missing(Hole{5, 4, 0})
	a.Missing(Hole{math.MinInt64, math.MaxInt64, 0})
	a.Missing(Hole{0, math.MaxInt64, 0})
	if use := a.Assess().Use; use.HoleCount != 0 || use.HoleUS != 0 || len(use.LongestHoles) != 0 {
		t.Errorf("counted %v", use)
	}
}
