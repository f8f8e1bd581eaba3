// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay_test

import (
	"fmt"
	"math"
	"testing"

	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/assay/assaytest"
)

func findingOf(v *assay.Assessment, s assay.Sensor) assay.Finding {
	for _, f := range v.Sensors {
		if f.Sensor == s {
			return f.Finding
		}
	}
	return assay.FindingUnspecified
}

// Without an air meter there is none to accuse, whatever is wrong.
func TestCarWithoutAMeterHasNoneToAccuse(t *testing.T) {
	type F = assaytest.Fault
	for _, f := range []F{{}, {IntakeBias: 20}, {MAPOffset: 4}, {FuelError: -0.12}, {FuelError: 0.1}, {LeakMM: 2}, {ExhaustLoss: 0.25}, {FilterKPa: 6.5}, {EGRLeak: 0.2}} {
		for _, soak := range []bool{false, true} {
			v := assaytest.Make(assaytest.Spec{NoMeter: true, Fault: f, ColdSoak: soak}).Assess()
			if got := findingOf(v, assay.SensorAirMeter); got != assay.FindingNotFitted {
				t.Errorf("%+v: air meter finding %d%s", f, got, verdict(v))
			}
			for _, c := range v.Conditions {
				if sensorOf(c.Condition) == assay.SensorAirMeter && c.Probability > 0 {
					t.Errorf("%+v: condition %d has %.3f", f, c.Condition, c.Probability)
				}
			}
			if len(v.MeterErrors) != 0 {
				t.Errorf("%+v: a meter that is not there has an error of %+v", f, v.MeterErrors)
			}
		}
	}
}

// A diesel says what it can at full load: a sound meter stays unaccused, a bad one is not called true.
func TestDieselIsJudgedAtFullLoadOnly(t *testing.T) {
	for _, rate := range []float64{10, 40} {
		spec := assaytest.Spec{Diesel: true, Meter: assay.TechnologyHotFilm, Rate: rate}
		v := assaytest.Make(spec).Assess()
		if f := findingOf(v, assay.SensorAirMeter); f != assay.FindingReadsTrue && f != assay.FindingInconclusive {
			t.Errorf("a sound diesel at %g per second: finding %d%s", rate, f, verdict(v))
		}
		for _, e := range v.Evidence {
			if e.Kind == assay.EvidenceAirRatio && e.Manoeuvre != assay.ManoeuvreFullLoadPull {
				t.Errorf("air ratio of a recirculating diesel at part load counts: %+v", e)
			}
			if e.Kind == assay.EvidenceFuelTrim {
				t.Errorf("a diesel has a fuel trim: %+v", e)
			}
		}
		spec.Fault.Gain = -0.35
		v = assaytest.Make(spec).Assess()
		if f := findingOf(v, assay.SensorAirMeter); f == assay.FindingReadsTrue || f == assay.FindingReadsHigh {
			t.Errorf("a diesel's meter 35 %% low at %g per second: finding %d%s", rate, f, verdict(v))
		}
	}
}

// The meter of the bank that is low is named, not its neighbour.
func TestOneOfTwoMetersIsNamed(t *testing.T) {
	for bank := 1; bank <= 2; bank++ {
		f := assaytest.Fault{Gain: -0.25}
		if bank == 2 {
			f = assaytest.Fault{Gain2: -0.25}
		}
		v := assaytest.Make(assaytest.Spec{TwoBanks: true, TwoMeters: true, Fault: f}).Assess()
		for _, s := range v.Sensors {
			if s.Sensor != assay.SensorAirMeter {
				continue
			}
			want := assay.FindingReadsTrue
			if s.Bank == bank {
				want = assay.FindingReadsLow
			}
			if s.Finding != want && s.Finding != assay.FindingInconclusive || s.Bank == bank && s.Finding != want {
				t.Errorf("meter %d is low: meter %d has finding %d, want %d%s", bank, s.Bank, s.Finding, want, verdict(v))
			}
		}
	}
}

// The error that is stated holds the true one, over all flows, for known meters.
func TestStatedErrorHoldsTheTrueOne(t *testing.T) {
	dirty := func(m, delta, mf float64) float64 {
		r := delta/math.Sqrt(m) + 1/(1+math.Sqrt(m/mf))
		return r * r
	}
	for name, c := range map[string]struct {
		fault assaytest.Fault
		shown func(m float64) float64
	}{
		"sound":      {assaytest.Fault{}, func(m float64) float64 { return m }},
		"low":        {assaytest.Fault{Gain: -0.15}, func(m float64) float64 { return 0.85 * m }},
		"very low":   {assaytest.Fault{Gain: -0.3}, func(m float64) float64 { return 0.7 * m }},
		"high":       {assaytest.Fault{Gain: 0.12}, func(m float64) float64 { return 1.12 * m }},
		"dirty":      {assaytest.Fault{DirtDelta: 0.119, DirtFlow: 7178}, func(m float64) float64 { return m * dirty(m, 0.119, 7178) }},
		"very dirty": {assaytest.Fault{DirtDelta: 0.15, DirtFlow: 3000}, func(m float64) float64 { return m * dirty(m, 0.15, 3000) }},
		"torn duct":  {assaytest.Fault{DuctShare: 0.14}, func(m float64) float64 { return 0.86 * m }},
		"offset":     {assaytest.Fault{Offset: 0.4}, func(m float64) float64 { return m + 0.4 }},
		"leak":       {assaytest.Fault{LeakMM: 2}, func(m float64) float64 { return m }},
		"weak fuel":  {assaytest.Fault{FuelError: -0.106}, func(m float64) float64 { return m }},
		"filter":     {assaytest.Fault{FilterKPa: 6.5}, func(m float64) float64 { return m }},
	} {
		for _, rate := range []float64{10, 40} {
			v := assaytest.Make(assaytest.Spec{Fault: c.fault, Rate: rate, Meter: assay.TechnologyHotWire}).Assess()
			if len(v.MeterErrors) < 4 {
				t.Errorf("%s at %g: only %d flows", name, rate, len(v.MeterErrors))
			}
			for _, e := range v.MeterErrors {
				// The true flow at which the meter shows e.Flow.
				m := e.Flow
				for range 60 {
					m *= e.Flow / c.shown(m)
				}
				want := 100 * (e.Flow/m - 1)
				// Two points beyond the interval: nine of ten hold by definition.
				if want < e.LowPct-2 || want > e.HighPct+2 {
					t.Errorf("%s at %g per second: %s", name, rate, fmt.Sprintf("%.1f g/s stated %+.1f (%+.1f to %+.1f), true %+.1f", e.Flow, e.Percent, e.LowPct, e.HighPct, want))
				}
			}
		}
	}
}

// A sound car on any day, whatever the noise, is not accused, and mild wear is no fault.
func TestSoundCarsAreNotAccused(t *testing.T) {
	t.Parallel()
	type F = assaytest.Fault
	for seed := range uint64(12) {
		for _, f := range []F{{}, {Gain: 0.02}, {Gain: -0.02}, {FuelError: 0.03}, {FuelError: -0.03}, {MAPOffset: 1}, {IntakeBias: 2}, {FilterKPa: 1}, {EGRLeak: 0.04}, {ExhaustLoss: 0.04}} {
			spec := assaytest.Spec{Seed: seed, Fault: f, Rate: []float64{10, 25, 60}[seed%3], TwoBanks: seed%2 == 1, ColdSoak: seed%4 == 3}
			v := assaytest.Make(spec).Assess()
			if sensorOf(v.Conditions[0].Condition) == assay.SensorAirMeter || findingOf(v, assay.SensorIntakeAirTemperature) > assay.FindingReadsTrue && findingOf(v, assay.SensorIntakeAirTemperature) < assay.FindingNotFitted {
				t.Errorf("%+v%s", spec, verdict(v))
			}
			if v.Conclusive && v.Conditions[0].Condition != assay.ConditionNoFault {
				t.Errorf("%+v: firmly condition %d%s", spec, v.Conditions[0].Condition, verdict(v))
			}
		}
	}
}
