// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay_test

import (
	"cmp"
	"fmt"
	"slices"
	"testing"

	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/assay/assaytest"
)

// longDrive is twenty minutes at a hundred samples a second.
func longDrive() *assaytest.Drive {
	d := assaytest.Make(assaytest.Spec{Rate: 100, Laps: 8, Seed: 41, Fault: assaytest.Fault{DirtDelta: 0.119, DirtFlow: 7178}})
	const twentyMinutes = 120_000
	d.Samples = d.Samples[:twentyMinutes]
	return d
}

// BenchmarkPush is the cost of one sample in steady state. Budget: 1 µs, no allocation.
func BenchmarkPush(b *testing.B) {
	for name, spec := range map[string]assaytest.Spec{
		"100_per_second": {Rate: 100, Laps: 8, Seed: 41}, "40_per_second": {Rate: 40, Laps: 8, Seed: 41},
		"10_per_second": {Rate: 10, Laps: 8, Seed: 41}, "300_per_second_two_banks": {Rate: 300, Laps: 4, Seed: 41, TwoBanks: true, TwoMeters: true},
	} {
		b.Run(name, func(b *testing.B) {
			d := assaytest.Make(spec)
			span := d.Samples[len(d.Samples)-1].TimeUS - d.Samples[0].TimeUS + 100_000
			a := d.Start()
			b.ReportAllocs()
			shift, i := int64(0), 0
			for b.Loop() {
				s := d.Samples[i]
				s.TimeUS += shift
				a.Push(s)
				if i++; i == len(d.Samples) {
					i, shift = 0, shift+span
				}
			}
		})
	}
}

// BenchmarkPushOfTwoCaptures is the cost where a second of one capture comes before the
// same second of the other, as two links' batches do.
func BenchmarkPushOfTwoCaptures(b *testing.B) {
	d := assaytest.Make(assaytest.Spec{Rate: 300, Laps: 2, Seed: 41})
	const second = 1_000_000
	slices.SortStableFunc(d.Samples, func(x, y assay.Sample) int {
		return cmp.Or(cmp.Compare(x.TimeUS/(second*9/10), y.TimeUS/(second*9/10)), cmp.Compare(x.Signal%2, y.Signal%2))
	})
	span := d.Samples[len(d.Samples)-1].TimeUS - d.Samples[0].TimeUS + second*2
	a := d.Start()
	b.ReportAllocs()
	shift, i := int64(0), 0
	for b.Loop() {
		s := d.Samples[i]
		s.TimeUS += shift
		a.Push(s)
		if i++; i == len(d.Samples) {
			i, shift = 0, shift+span
		}
	}
}

// BenchmarkWholeDrive is a drive of 120,000 samples from parsed samples to verdict. Budget: 150 ms.
func BenchmarkWholeDrive(b *testing.B) {
	d := longDrive()
	b.ReportAllocs()
	b.ResetTimer()
	for b.Loop() {
		if v := d.Assess(); v.Use.Used != int64(len(d.Samples)) {
			b.Fatal(v.Use)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Milliseconds())/float64(b.N), "ms/drive")
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(len(d.Samples)), "ns/sample")
}

// BenchmarkAssess is a live verdict in the middle of a drive.
func BenchmarkAssess(b *testing.B) {
	d := longDrive()
	a := d.Start()
	for _, s := range d.Samples {
		a.Push(s)
	}
	var v *assay.Assessment
	b.ReportAllocs()
	b.ResetTimer()
	for b.Loop() {
		v = a.Assess()
	}
	if len(v.Conditions) == 0 {
		b.Fatal("no conditions")
	}
}

// BenchmarkAssessThatStaysOpen is a live verdict before the first pull, the worth of every further test included. Budget: 20 ms
// for the tests.
func BenchmarkAssessThatStaysOpen(b *testing.B) {
	d := assaytest.Make(assaytest.Spec{Seed: 44, Rate: 100, Fault: assaytest.Fault{Gain: -0.1}, Only: []assay.ManoeuvreKind{
		assay.ManoeuvreKeyOnEngineOff, assay.ManoeuvreWarmIdle,
	}})
	a := d.Start()
	for _, s := range d.Samples {
		a.Push(s)
	}
	var v *assay.Assessment
	b.ReportAllocs()
	for b.Loop() {
		v = a.Assess()
	}
	if v.Conclusive || len(v.NextTests) == 0 {
		b.Fatalf("conclusive %v with %d tests", v.Conclusive, len(v.NextTests))
	}
}

// BenchmarkAssessWithReferences is a verdict beside as many reference drives as there may be. Budget: 250 ms.
func BenchmarkAssessWithReferences(b *testing.B) {
	for _, n := range []int{1, assay.MaxReferences} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			d := assaytest.Make(assaytest.Spec{Seed: 42, Fault: assaytest.Fault{Gain: -0.1}})
			push := func(a *assay.Assay, d *assaytest.Drive) *assay.Assay {
				for _, s := range d.Samples {
					a.Push(s)
				}
				return a
			}
			a := push(d.Start(), d)
			for i := range n {
				ref := assaytest.Make(assaytest.Spec{Seed: 43 + uint64(i)})
				if err := a.Use(push(ref.Start(), ref).AsReference(i)); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportAllocs()
			for b.Loop() {
				a.Assess()
			}
		})
	}
}
