// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay_test

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/assay/assaytest"
)

// bits is an assessment with every number in full; not-a-number equals itself.
func bits(v *assay.Assessment) string { return fmt.Sprintf("%#v", *v) }

func differs(t *testing.T, what string, got, want *assay.Assessment) {
	t.Helper()
	g, w := bits(got), bits(want)
	if g == w {
		return
	}
	i := 0
	for i < min(len(g), len(w)) && g[i] == w[i] {
		i++
	}
	t.Errorf("%s: the assessment differs from byte %d\n got … %.160s\nwant … %.160s", what, i, g[max(0, i-60):], w[max(0, i-60):])
}

func someDrives() []*assaytest.Drive {
	type F = assaytest.Fault
	return []*assaytest.Drive{
		assaytest.Make(assaytest.Spec{Seed: 1}),
		assaytest.Make(assaytest.Spec{Seed: 2, Fault: F{DirtDelta: 0.119, DirtFlow: 7178}, Rate: 100}),
		assaytest.Make(assaytest.Spec{Seed: 3, Fault: F{LeakMM: 2}, TwoBanks: true, ColdSoak: true}),
		assaytest.Make(assaytest.Spec{Seed: 4, NoMeter: true, Rate: 10}),
		assaytest.Make(assaytest.Spec{Seed: 5, Diesel: true}),
	}
}

func TestSameSamplesGiveTheSameAssessment(t *testing.T) {
	for i, d := range someDrives() {
		differs(t, fmt.Sprintf("drive %d, again", i), d.Assess(), d.Assess())
	}
}

// An assay that is asked in between must not know that it was.
func TestAskingInBetweenDoesNotDisturbTheDrive(t *testing.T) {
	for i, d := range someDrives() {
		want := d.Assess()
		a := d.Start()
		for k, s := range d.Samples {
			a.Push(s)
			if k%997 == 0 || k < 20 {
				a.Assess()
			}
		}
		differs(t, fmt.Sprintf("drive %d", i), a.Assess(), want)
		differs(t, fmt.Sprintf("drive %d, asked twice", i), a.Assess(), want)
	}
}

// What an interim answer says is what a drive that ended there would have said.
func TestInterimAnswerEqualsThatOfAShorterDrive(t *testing.T) {
	d := assaytest.Make(assaytest.Spec{Seed: 7, Fault: assaytest.Fault{Gain: -0.2}})
	a := d.Start()
	for k, s := range d.Samples {
		a.Push(s)
		if k%2500 != 2499 {
			continue
		}
		short := *d
		short.Samples = d.Samples[:k+1]
		differs(t, fmt.Sprintf("after %d samples", k+1), a.Assess(), short.Assess())
	}
}

// displaced delivers samples late by up to a jitter, as a network does.
func displaced(ss []assay.Sample, jitterUS int64, seed uint64) []assay.Sample {
	rng := rand.New(rand.NewPCG(seed, 1))
	type arrival struct {
		at int64
		s  assay.Sample
	}
	as := make([]arrival, len(ss))
	for i, s := range ss {
		as[i] = arrival{s.TimeUS + rng.Int64N(jitterUS), s}
	}
	slices.SortStableFunc(as, func(a, b arrival) int { return cmp.Compare(a.at, b.at) })
	out := make([]assay.Sample, len(ss))
	for i := range as {
		out[i] = as[i].s
	}
	return out
}

func TestOrderOfArrivalWithinTheWatermarkDoesNotMatter(t *testing.T) {
	for i, d := range someDrives() {
		want := d.Assess()
		for seed := range uint64(4) {
			e := *d
			e.Samples = displaced(d.Samples, 999_999, seed)
			differs(t, fmt.Sprintf("drive %d, jitter %d", i, seed), e.Assess(), want)
		}
	}
}

func TestSamplesBehindTheWatermarkAreCountedAndNotUsed(t *testing.T) {
	d := assaytest.Make(assaytest.Spec{Seed: 8})
	want := d.Assess()
	a := d.Start()
	const every = 501
	late := int64(0)
	for k, s := range d.Samples {
		a.Push(s)
		if k%every == every-1 && s.TimeUS > 9_000_000 {
			old := s
			old.TimeUS -= 3_000_000
			old.Value = math.Mod(old.Value+17, 80)
			a.Push(old)
			late++
		}
	}
	got := a.Assess()
	if got.Use.Late != late || late == 0 {
		t.Errorf("counted %d late samples, pushed %d", got.Use.Late, late)
	}
	if got.Use.Used != want.Use.Used {
		t.Errorf("used %d samples, want %d", got.Use.Used, want.Use.Used)
	}
	got.Use.Late = want.Use.Late
	differs(t, "with late samples", got, want)
}

// Two captures side by side are one session: which signals came over which link,
// and how their batches interleave, changes nothing.
func TestTwoCapturesInterleaveByTimeAlone(t *testing.T) {
	d := assaytest.Make(assaytest.Spec{Seed: 9, Fault: assaytest.Fault{LeakMM: 2}})
	half := func(s assay.Sample) bool { return s.Signal%2 == 0 }
	two := func(order func(k int) int) *assay.Assessment {
		a := assay.New(d.Facts)
		for _, id := range []int32{1, 2} {
			if err := a.Declare(id, d.Clock, d.Defs); err != nil {
				t.Fatal(err)
			}
		}
		split := make([]assay.Sample, len(d.Samples))
		for k, s := range d.Samples {
			if half(s) {
				s.Capture = 2
			}
			split[k] = s
		}
		for k := range split {
			a.Push(split[order(k)])
		}
		return a.Assess()
	}
	inOrder := two(func(k int) int { return k })
	differs(t, "split over two captures", inOrder, d.Assess())
	// Batches of sixteen samples of one capture before those of the other.
	n := len(d.Samples) / 16 * 16
	batched := make([]int, len(d.Samples))
	for k := range batched {
		batched[k] = k
	}
	for b := 0; b < n; b += 16 {
		slices.SortStableFunc(batched[b:b+16], func(x, y int) int {
			return cmp.Compare(d.Samples[x].Signal%2, d.Samples[y].Signal%2)
		})
	}
	differs(t, "batched by capture", two(func(k int) int { return batched[k] }), inOrder)
}

// A session's axis may start anywhere: only differences of times have a meaning.
func TestAssessmentDoesNotDependOnWhereTheAxisStarts(t *testing.T) {
	for i, d := range someDrives() {
		want := withoutTimes(d.Assess(), 0)
		for _, shift := range []int64{-5_000_000, -4_999_999, -600_000_000, 3_600_000_000, 1_700_000_000_000_000} {
			e := *d
			e.Samples = slices.Clone(d.Samples)
			for k := range e.Samples {
				e.Samples[k].TimeUS += shift
			}
			differs(t, fmt.Sprintf("drive %d shifted by %d µs", i, shift), withoutTimes(e.Assess(), shift), want)
		}
	}
}

func withoutTimes(v *assay.Assessment, shift int64) *assay.Assessment {
	for i := range v.Manoeuvres {
		v.Manoeuvres[i].StartUS -= shift
		v.Manoeuvres[i].EndUS -= shift
	}
	return v
}
