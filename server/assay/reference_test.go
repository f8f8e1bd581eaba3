// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay_test

import (
	"math"
	"reflect"
	"slices"
	"testing"

	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/assay/assaytest"
)

// reference assays a drive as a reference for a vehicle under test.
func reference(t *testing.T, d *assaytest.Drive, tested assay.Facts, vehicle int) *assay.Reference {
	t.Helper()
	a := assay.New(assay.ReferenceFacts(tested, d.Facts))
	if err := a.Declare(1, d.Clock, d.Defs); err != nil {
		t.Fatal(err)
	}
	for _, s := range d.Samples {
		a.Push(s)
	}
	return a.AsReference(vehicle)
}

func assessWith(t *testing.T, d *assaytest.Drive, refs ...*assay.Reference) *assay.Assessment {
	t.Helper()
	a := d.Start()
	for _, s := range d.Samples {
		a.Push(s)
	}
	for _, r := range refs {
		if err := a.Use(r); err != nil {
			t.Fatal(err)
		}
	}
	return a.Assess()
}

func probability(v *assay.Assessment, c assay.Condition) float64 {
	for _, x := range v.Conditions {
		if x.Condition == c {
			return x.Probability
		}
	}
	return 0
}

// condemned: what is said firmly against the meter, or done to it.
func condemned(v *assay.Assessment) bool {
	switch v.Conditions[0].Condition {
	case assay.ConditionMeterReadsLow, assay.ConditionMeterReadsHigh, assay.ConditionMeterSignalFault:
		if v.Conclusive {
			return true
		}
	}
	return slices.ContainsFunc(v.Advice, func(x assay.Advice) bool {
		return x.Action == assay.ActionReplace || x.Action == assay.ActionCleanAndRetest
	})
}

// withoutFuel leaves only flow against pressure: what the references are for.
var withoutFuel = []string{
	assaytest.PathShortTrim1, assaytest.PathLongTrim1, assaytest.PathLambda1, assaytest.PathLambdaCommand,
	assaytest.PathLoad, assaytest.PathLoadAbsolute,
}

// A reference that teaches nothing would leave a meter that is 10 % low among the many
// engines that simply breathe 10 % less than most.
func TestReferenceNarrowsWhatASoundEngineTakes(t *testing.T) {
	true1 := assaytest.Make(assaytest.Spec{Seed: 101, Omit: withoutFuel})
	low := assaytest.Make(assaytest.Spec{Seed: 102, Omit: withoutFuel, Fault: assaytest.Fault{Gain: -0.12}})
	alone := low.Assess()
	for vehicle, most := range map[int]float64{0: 4.5, 1: 5.5} {
		v := assessWith(t, low, reference(t, true1, low.Facts, vehicle))
		u := v.References[0]
		t.Logf("vehicle %d: low %.2f without, %.2f with; %+v; errors %+v", vehicle, probability(alone, assay.ConditionMeterReadsLow), probability(v, assay.ConditionMeterReadsLow), u, v.MeterErrors[len(v.MeterErrors)-1])
		if u.Belief != assay.ReferenceBelieved || u.SameVehicle != (vehicle == 0) || u.BeforePct < 5.5 || u.AfterPct > most {
			t.Errorf("vehicle %d: %+v", vehicle, u)
		}
		if p := probability(v, assay.ConditionMeterReadsLow); p < 0.75 || p < probability(alone, assay.ConditionMeterReadsLow) {
			t.Errorf("vehicle %d: low is %.2f probable, %.2f alone", vehicle, p, probability(alone, assay.ConditionMeterReadsLow))
		}
		e := v.MeterErrors[len(v.MeterErrors)-1]
		if e.Percent > -7 || e.Percent < -16 {
			t.Errorf("vehicle %d: the error at the highest flow is %+v", vehicle, e)
		}
	}
}

// A leak found beside a reference must not be blamed on the meter.
func TestLeakBesideAReferenceIsALeak(t *testing.T) {
	ref := assaytest.Make(assaytest.Spec{Seed: 103, Omit: withoutFuel})
	d := assaytest.Make(assaytest.Spec{Seed: 104, Omit: withoutFuel, Fault: assaytest.Fault{LeakMM: 3}})
	v := assessWith(t, d, reference(t, ref, d.Facts, 0))
	if v.Conditions[0].Condition != assay.ConditionLeakAfterMeter {
		t.Errorf("%+v", v.Conditions[:3])
	}
}

// A reference must take nothing from a sound car.
func TestTrueReferenceNeverMakesATrueMeterLookWrongMoreOften(t *testing.T) {
	for _, omit := range [][]string{nil, withoutFuel} {
		worse := 0
		for seed := range uint64(6) {
			ref := assaytest.Make(assaytest.Spec{Seed: 200 + seed, Omit: omit})
			d := assaytest.Make(assaytest.Spec{Seed: 300 + seed, Omit: omit})
			alone := d.Assess()
			v := assessWith(t, d, reference(t, ref, d.Facts, int(seed%2)))
			if condemned(v) {
				t.Errorf("seed %d: condemned beside a true reference: %+v", seed, v.Conditions[:3])
			}
			if probability(v, assay.ConditionNoFault) < probability(alone, assay.ConditionNoFault)-0.02 {
				worse++
				t.Logf("seed %d: no fault %.3f alone, %.3f with a reference", seed, probability(alone, assay.ConditionNoFault), probability(v, assay.ConditionNoFault))
			}
		}
		if worse > 0 {
			t.Errorf("%d of 6 true meters look less true beside a true reference", worse)
		}
	}
}

// A wrong reference is somebody's mistake; it must not cost a good sensor.
func TestWrongReferenceNeverCondemnsATrueMeter(t *testing.T) {
	type F = assaytest.Fault
	for name, f := range map[string]F{
		"low": {Gain: -0.15}, "high": {Gain: 0.15}, "dirty": {DirtDelta: 0.119, DirtFlow: 7178}, "leak": {LeakMM: 3},
		"other engine, breathes worse": {ExhaustLoss: 0.3}, "other engine, smaller": {}, "stuck": {Stuck: 20}, "duct": {DuctShare: 0.2},
	} {
		for seed := range uint64(2) {
			for _, omit := range [][]string{nil, withoutFuel} {
				spec := assaytest.Spec{Seed: 400 + seed, Fault: f, Omit: omit}
				ref := assaytest.Make(spec)
				d := assaytest.Make(assaytest.Spec{Seed: 500 + seed, Omit: omit})
				if name == "other engine, smaller" {
					shrink(ref, 0.8)
				}
				v := assessWith(t, d, reference(t, ref, d.Facts, int(seed)))
				if condemned(v) {
					t.Errorf("%s, seed %d, without fuel %t: condemned: %+v %+v", name, seed, omit != nil, v.Conditions[:3], v.References)
				}
				if omit == nil && v.References[0].Belief == assay.ReferenceBelieved {
					t.Errorf("%s, seed %d: a wrong reference was believed: %+v", name, seed, v.References)
				}
			}
		}
	}
}

// shrink makes every flow of a drive that of a smaller engine.
func shrink(d *assaytest.Drive, by float64) {
	for i := range d.Samples {
		if d.Defs[d.Samples[i].Signal].Path == assaytest.PathMAF {
			d.Samples[i].Value *= by
		}
	}
}

// The same references must give the same bytes, in whatever order the samples are cut.
func TestReferencesAreDeterministic(t *testing.T) {
	refs := []*assaytest.Drive{assaytest.Make(assaytest.Spec{Seed: 105}), assaytest.Make(assaytest.Spec{Seed: 106})}
	d := assaytest.Make(assaytest.Spec{Seed: 107})
	var before *assay.Assessment
	for range 2 {
		v := assessWith(t, d, reference(t, refs[0], d.Facts, 0), reference(t, refs[1], d.Facts, 1))
		if len(v.References) != 2 || v.References[0].Belief != assay.ReferenceBelieved || v.References[1].Belief != assay.ReferenceBelieved {
			t.Errorf("%+v", v.References)
		}
		if before != nil && !reflect.DeepEqual(plain(v), plain(before)) {
			t.Error("two runs differ")
		}
		before = v
	}
}

// plain makes unknown numbers equal to each other.
func plain(v *assay.Assessment) assay.Assessment {
	w := *v
	w.Evidence, w.Manoeuvres, w.Distrusted, w.Proposals = nil, nil, nil, nil
	return w
}

func TestReferenceWithoutPressureIsNotUsable(t *testing.T) {
	ref := assaytest.Make(assaytest.Spec{Seed: 108, Omit: []string{assaytest.PathMAP, assaytest.PathPedal, assaytest.PathThrottle}})
	d := assaytest.Make(assaytest.Spec{Seed: 109})
	v := assessWith(t, d, reference(t, ref, d.Facts, 0))
	if len(v.References) != 1 || v.References[0].Belief != assay.ReferenceNotUsable || !math.IsNaN(v.References[0].Flow) {
		t.Errorf("%+v", v.References)
	}
	v.References = nil
	if !reflect.DeepEqual(plain(v), plain(d.Assess())) {
		t.Error("an unusable reference changed the verdict")
	}
}

func TestReferenceOfAnotherEngineIsRefused(t *testing.T) {
	d := assaytest.Make(assaytest.Spec{Seed: 110})
	facts := d.Facts
	facts.DisplacementL = 1.4
	if err := d.Start().Use(reference(t, d, facts, 1)); err == nil {
		t.Error("a reference that was assayed as a 1.4 L engine is used for a 2 L one")
	}
	for _, x := range []struct {
		change func(*assay.Facts)
		want   []string
	}{
		{func(f *assay.Facts) { f.DisplacementL = 2.01 }, nil},
		{func(f *assay.Facts) { f.DisplacementL = 1.8 }, []string{"displacement_l"}},
		{func(f *assay.Facts) { f.DisplacementL = math.NaN() }, nil},
		{func(f *assay.Facts) { f.Cylinders, f.Aspiration = 6, assay.AspirationTurbo }, []string{"cylinders", "aspiration"}},
		{func(f *assay.Facts) { f.Fuel = assay.FuelDiesel }, []string{"fuel"}},
		{func(f *assay.Facts) { f.Fuel = assay.FuelLpg }, nil},
		{func(f *assay.Facts) { f.Valves, f.Cycle = 2, assay.CycleAtkinson }, []string{"valves_per_cylinder", "combustion_cycle"}},
	} {
		other := d.Facts
		x.change(&other)
		if got := assay.EngineDifferences(d.Facts, other); !slices.Equal(got, x.want) {
			t.Errorf("%v, want %v", got, x.want)
		}
	}
}

func TestTooManyReferencesAreRefused(t *testing.T) {
	d := assaytest.Make(assaytest.Spec{Seed: 111})
	r, a := reference(t, d, d.Facts, 0), d.Start()
	for i := range assay.MaxReferences + 1 {
		if err := a.Use(r); (err != nil) != (i == assay.MaxReferences) {
			t.Errorf("reference %d: %v", i+1, err)
		}
	}
}
