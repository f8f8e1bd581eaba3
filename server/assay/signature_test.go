// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/assay/assaytest"
)

// row is one row of the signature matrix: a fault at moderate severity and what
// must be said of it.
type row struct {
	// name says what would be wrong if the row failed.
	name string
	spec assaytest.Spec
	// want is the condition that must lead; cause its likeliest cause, if it matters.
	want  assay.Condition
	cause assay.Cause
	// pair are causes that must stand in one ambiguity, whose first inspection is first.
	pair  []assay.Cause
	first assay.Inspection
}

func rows() []row {
	type F = assaytest.Fault
	spec := func(f F) assaytest.Spec { return assaytest.Spec{Fault: f, Meter: assay.TechnologyHotWire} }
	soaked := func(f F) assaytest.Spec { s := spec(f); s.ColdSoak = true; return s }
	banks := func(f F) assaytest.Spec { s := spec(f); s.TwoBanks = true; return s }
	meters := func(f F) assaytest.Spec { s := spec(f); s.TwoBanks, s.TwoMeters = true, true; return s }
	onMAP := soaked(F{IntakeBias: 20})
	onMAP.NoMeter = true
	tooBig := spec(F{})
	tooBig.EnteredLitres = 2.4
	return []row{
		{name: "H0 a sound car is accused", spec: spec(F{}), want: assay.ConditionNoFault},
		{
			name: "H1 a meter 15 % low goes unnoticed", spec: spec(F{Gain: -0.15}), want: assay.ConditionMeterReadsLow,
			pair: []assay.Cause{assay.CauseGain, assay.CauseAirBetweenMeterAndThrottle}, first: assay.InspectDuctBetweenMeterAndThrottle,
		},
		{
			name: "H2 a dirty wire is not recognised", spec: spec(F{DirtDelta: 0.119, DirtFlow: 7178}),
			want: assay.ConditionMeterReadsLow, cause: assay.CauseContaminated,
		},
		{name: "H2' a dirty wire without the rise at idle is not recognised", spec: spec(F{DirtFlow: 7178}), want: assay.ConditionMeterReadsLow},
		{
			name: "H3 a meter 0.4 g/s high everywhere is not recognised", spec: spec(F{Offset: 0.4}),
			want: assay.ConditionMeterReadsHigh, cause: assay.CauseOffset,
		},
		{name: "H4 a meter 12 % high goes unnoticed", spec: spec(F{Gain: 0.12}), want: assay.ConditionMeterReadsHigh},
		{name: "H5 a 2 mm hole in the manifold is blamed on the meter", spec: spec(F{LeakMM: 2}), want: assay.ConditionLeakAfterMeter},
		{name: "H5b a 3 mm hole, with trims at their end, is blamed on the meter", spec: spec(F{LeakMM: 3}), want: assay.ConditionLeakAfterMeter},
		{
			name: "H6 a torn duct is not set beside a low meter", spec: spec(F{DuctShare: 0.14}), want: assay.ConditionMeterReadsLow,
			pair: []assay.Cause{assay.CauseGain, assay.CauseAirBetweenMeterAndThrottle}, first: assay.InspectDuctBetweenMeterAndThrottle,
		},
		{
			name: "H7 dust behind the filter is forgotten", spec: spec(F{}), want: assay.ConditionNoFault,
			pair: []assay.Cause{assay.CauseNone, assay.CauseUnfilteredAir}, first: assay.InspectDustBehindFilter,
		},
		{name: "H8 a clogged filter is not recognised", spec: spec(F{FilterKPa: 6.5}), want: assay.ConditionIntakeRestricted},
		{name: "H9 a clogged exhaust is blamed on the meter", spec: spec(F{ExhaustLoss: 0.25}), want: assay.ConditionExhaustRestricted},
		{
			name: "H10 weak fuel pressure is blamed on the meter", spec: spec(F{FuelError: -0.106}), want: assay.ConditionFuelWeak,
			pair: []assay.Cause{assay.CauseFuelPressureLow, assay.CauseFuelBlend}, first: assay.InspectFuelBlend,
		},
		{
			name: "H10b a pump at its limit is blamed on the meter", spec: spec(F{PumpLimit: 0.2}),
			want: assay.ConditionFuelWeak, cause: assay.CauseFuelDeliveryLimit,
		},
		{name: "H11 rich fuel is blamed on the meter", spec: spec(F{FuelError: 0.095}), want: assay.ConditionFuelRich},
		{name: "H12 a thermistor 20 K hot goes unnoticed", spec: soaked(F{IntakeBias: 20}), want: assay.ConditionAirTemperatureFault},
		{name: "H12m a thermistor 20 K hot goes unnoticed without an air meter", spec: onMAP, want: assay.ConditionAirTemperatureFault},
		{name: "H13 a pressure sensor 4 kPa high is blamed on the meter", spec: spec(F{MAPOffset: 4}), want: assay.ConditionManifoldPressureFault},
		{
			name: "H14 a throttle that does not open is not recognised", spec: spec(F{ThrottleKPa: 7.5}),
			want: assay.ConditionThrottleLimited,
		},
		{name: "H15 a displacement entered 20 % too big is blamed on the meter", spec: tooBig, want: assay.ConditionVehicleFactsWrong},
		{
			name: "H16 a meter stuck at 20 g/s is not recognised", spec: spec(F{Stuck: 20}),
			want: assay.ConditionMeterSignalFault, cause: assay.CauseStuck,
		},
		{
			name: "H16 a meter that drops out is not recognised", spec: spec(F{DropoutEvery: 40}),
			want: assay.ConditionMeterSignalFault, cause: assay.CauseIntermittent,
		},
		{
			name: "H17 leaking recirculation is blamed on the meter", spec: spec(F{EGRLeak: 0.32}),
			want: assay.ConditionUnknown, cause: assay.CauseRecirculationLeaks,
		},
		{
			name: "H18 an exhaust leak before the oxygen sensor is blamed on the meter", spec: spec(F{FalseLean: 0.22}),
			want: assay.ConditionUnknown, cause: assay.CauseExhaustLeakBeforeOxygenSensor,
		},
		{name: "H0 a sound car with two banks is accused", spec: banks(F{}), want: assay.ConditionNoFault},
		{name: "H5 a hole beside one bank is blamed on the meter", spec: banks(F{LeakMM: 2, LeakBank: 1}), want: assay.ConditionLeakAfterMeter},
		{
			name: "weak injectors of one bank are blamed on the meter", spec: banks(F{OneBank: 0.15}),
			want: assay.ConditionUnknown, cause: assay.CauseOneBank,
		},
		{name: "H1 one of two meters 25 % low goes unnoticed", spec: meters(F{Gain: -0.25}), want: assay.ConditionMeterReadsLow},
		{name: "H0 a sound car with two meters is accused", spec: meters(F{}), want: assay.ConditionNoFault},
	}
}

// verdict is what went wrong in an assessment, for a failed test's message.
func verdict(v *assay.Assessment) string {
	var b strings.Builder
	fmt.Fprintf(&b, "\n  conclusive %v %v\n", v.Conclusive, v.Reasons)
	for _, c := range v.Conditions[:min(5, len(v.Conditions))] {
		fmt.Fprintf(&b, "  condition %d %.3f:", c.Condition, c.Probability)
		for _, k := range c.Causes {
			if k.Probability > 0.005 {
				fmt.Fprintf(&b, " cause %d %.3f", k.Cause, k.Probability)
			}
		}
		b.WriteByte('\n')
	}
	for _, g := range v.Ambiguities {
		fmt.Fprintf(&b, "  ambiguity %.3f %v inspect %v\n", g.Probability, g.Causes, g.Inspections)
	}
	for _, x := range v.Advice {
		fmt.Fprintf(&b, "  advice %d sensor %d inspect %d drive %d regret %.3f\n", x.Action, x.Sensor, x.Inspection, x.Manoeuvre, x.Regret)
	}
	for _, e := range v.Evidence {
		fmt.Fprintf(&b, "  evidence %2d %8.2f ±%.2f for %8.2f ±%.2f %s n %d at %.1f g/s %.0f/min %.0f kPa counted %v\n",
			e.Kind, e.Measured, e.MeasuredSD, e.Expected, e.ExpectedSD, e.Unit, e.Samples, e.Flow, e.RPM, e.PressureKPa, e.Counted)
	}
	for _, s := range v.Sensors {
		fmt.Fprintf(&b, "  sensor %d bank %d finding %d %.3f\n", s.Sensor, s.Bank, s.Finding, s.Probability)
	}
	return b.String()
}

func ambiguityOf(v *assay.Assessment, causes ...assay.Cause) *assay.Ambiguity {
	for i := range v.Ambiguities {
		g := &v.Ambiguities[i]
		all := true
		for _, c := range causes {
			all = all && slices.ContainsFunc(g.Causes, func(x assay.AmbiguousCause) bool { return x.Cause == c })
		}
		if all {
			return g
		}
	}
	return nil
}

func firstInspection(v *assay.Assessment) assay.Inspection {
	for _, x := range v.Advice {
		if x.Inspection != assay.InspectUnspecified {
			return x.Inspection
		}
	}
	return assay.InspectUnspecified
}

func checkRow(t *testing.T, r row) {
	v := assaytest.Make(r.spec).Assess()
	if got := v.Conditions[0]; got.Condition != r.want {
		t.Fatalf("condition %d leads with %.3f, want %d%s", got.Condition, got.Probability, r.want, verdict(v))
	}
	if r.cause != 0 && v.Conditions[0].Causes[0].Cause != r.cause {
		t.Errorf("cause %d leads, want %d%s", v.Conditions[0].Causes[0].Cause, r.cause, verdict(v))
	}
	if len(r.pair) > 0 {
		g := ambiguityOf(v, r.pair...)
		if g == nil {
			t.Fatalf("no ambiguity of causes %v%s", r.pair, verdict(v))
		}
		if len(g.Inspections) == 0 || g.Inspections[0] != r.first {
			t.Errorf("the ambiguity asks for %v first, want %d%s", g.Inspections, r.first, verdict(v))
		}
		if r.want != assay.ConditionNoFault && firstInspection(v) != r.first {
			t.Errorf("inspection %d is advised first, want %d%s", firstInspection(v), r.first, verdict(v))
		}
	}
}

func TestSignatures(t *testing.T) {
	for _, rate := range []float64{10, 40, 100} {
		for _, r := range rows() {
			r.spec.Rate = rate
			t.Run(fmt.Sprintf("%s at %g per second", r.name, rate), func(t *testing.T) {
				t.Parallel()
				checkRow(t, r)
			})
		}
	}
}
