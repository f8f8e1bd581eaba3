// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay_test

import (
	"math"
	"slices"
	"testing"

	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/assay/assaytest"
)

func hasGap(v *assay.Assessment, k assay.GapKind) bool {
	return slices.ContainsFunc(v.Gaps, func(g assay.GapItem) bool { return g.Kind == k })
}

// Whoever enters diesel for a petrol engine still learns what is wrong with it, and that the entry is.
func TestPetrolEngineEnteredAsDieselLosesItsVerdict(t *testing.T) {
	for _, c := range []struct {
		fault assaytest.Fault
		want  assay.Condition
	}{
		{assaytest.Fault{}, assay.ConditionNoFault},
		{assaytest.Fault{LeakMM: 3}, assay.ConditionLeakAfterMeter},
		{assaytest.Fault{Gain: -0.25}, assay.ConditionMeterReadsLow},
	} {
		right := assaytest.Make(assaytest.Spec{Fault: c.fault, Seed: 5})
		wrong := *right
		wrong.Facts.Fuel = assay.FuelDiesel
		v := wrong.Assess()
		if v.Conditions[0].Condition != c.want || !hasGap(v, assay.GapFuelContradicted) {
			t.Errorf("%+v: %s", c.fault, verdict(v))
		}
		if hasGap(right.Assess(), assay.GapFuelContradicted) {
			t.Errorf("%+v: the right fuel is called wrong", c.fault)
		}
	}
}

// A boosted diesel that was entered as a natural petrol engine is judged as what it is.
func TestChargedDieselEnteredAsNaturalPetrolAccusesItsSensors(t *testing.T) {
	d := *assaytest.Make(assaytest.Spec{Diesel: true, Meter: assay.TechnologyHotFilm, Seed: 6})
	d.Facts.Aspiration = assay.AspirationNatural
	v := d.Assess()
	if !hasGap(v, assay.GapAspirationContradicted) {
		t.Errorf("boost of a natural engine is believed: %s", verdict(v))
	}
	for _, s := range v.Sensors {
		if s.Finding == assay.FindingReadsLow || s.Finding == assay.FindingReadsHigh || s.Finding == assay.FindingSignalFault {
			t.Errorf("a sound sensor is accused: %s", verdict(v))
		}
	}
}

// changed gives every sample of a signal another value.
func changed(d *assaytest.Drive, path string, to func(v float64) float64) *assaytest.Drive {
	e := *d
	e.Samples = slices.Clone(d.Samples)
	for i := range e.Samples {
		if s := &e.Samples[i]; d.Defs[s.Signal].Path == path {
			s.Value = to(s.Value)
		}
	}
	return &e
}

// The manifold's sensor reads nought: its line is open, and nothing else is to blame, the barometer least of all, which such
// control units read from the same sensor.
func TestOpenPressureLineIsOverlookedOrBlamedOnTheBarometer(t *testing.T) {
	nought := func(float64) float64 { return 0 }
	dead := changed(assaytest.Make(assaytest.Spec{Seed: 7}), assaytest.PathMAP, nought)
	for _, d := range []*assaytest.Drive{dead, changed(dead, assaytest.PathBaro, nought)} {
		v := d.Assess()
		if v.Conditions[0].Condition != assay.ConditionManifoldPressureFault || v.Conditions[0].Causes[0].Cause != assay.CauseOpenOrShortCircuit {
			t.Error(verdict(v))
		}
	}
}

// Where the barometer comes from the manifold's sensor, both are off together.
func TestPressureSensorThatAlsoGivesTheBarometerIsUnknown(t *testing.T) {
	for _, off := range []float64{-10, 10} {
		shift := func(v float64) float64 { return math.Round(v + off) }
		d := changed(changed(assaytest.Make(assaytest.Spec{Seed: 8}), assaytest.PathMAP, shift), assaytest.PathBaro, shift)
		d.Facts.AltitudeM = 150
		v := d.Assess()
		if c := v.Conditions[0].Condition; c != assay.ConditionManifoldPressureFault && c != assay.ConditionBarometerFault {
			t.Errorf("%+.0f kPa: %s", off, verdict(v))
		}
	}
}

// Vapour from the tank bends the trims at low flow; it is no leak and no meter.
func TestPurgeLooksLikeAFault(t *testing.T) {
	sound := assaytest.Make(assaytest.Spec{Seed: 9})
	d := *sound
	d.Defs = append(slices.Clone(sound.Defs), assay.SignalDef{Path: "Vehicle.OBD.CommandedEVAP", Unit: "percent"})
	d.Samples = nil
	var flow float64
	for i, s := range sound.Samples {
		switch sound.Defs[s.Signal].Path {
		case assaytest.PathMAF:
			flow = s.Value
		case assaytest.PathShortTrim1:
			open := i/400%2 == 0
			purge := s
			purge.Signal, purge.Value = int32(len(sound.Defs)), 0
			if open {
				purge.Value = 30
				s.Value -= 60 / math.Max(2, flow)
			}
			d.Samples = append(d.Samples, purge)
		}
		d.Samples = append(d.Samples, s)
	}
	if v := d.Assess(); v.Conditions[0].Condition != assay.ConditionNoFault {
		t.Error(verdict(v))
	}
}
