// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session_test

import (
	"math"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/assay"
)

// The translations that a manager is given, as far as these tests look. The real ones live above this package.

func factsOf(v *pb.Vehicle, d *pb.DayConditions) assay.Facts {
	f := assay.NoFacts()
	number := func(to, from *float64) {
		if from != nil {
			*to = *from
		}
	}
	number(&f.DisplacementL, v.DisplacementL)
	if v.Cylinders != nil {
		f.Cylinders = float64(v.GetCylinders())
	}
	f.Aspiration, f.Fuel, f.AirMeter = assay.Aspiration(v.GetAspiration()), assay.Fuel(v.GetFuel()), assay.Technology(v.GetAirMeter())
	if d != nil {
		number(&f.AltitudeM, d.AltitudeM)
		number(&f.AmbientC, d.AmbientC)
		number(&f.HoursSinceRun, d.HoursSinceRun)
	}
	return f
}

func finite(x float64) float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return 0
	}
	return x
}

func assessmentOf(a *assay.Assessment) *pb.Assessment {
	out := &pb.Assessment{EngineVersion: a.EngineVersion, Conclusive: a.Conclusive, SampleUse: &pb.SampleUse{
		Used: a.Use.Used, Late: a.Use.Late, OutOfRange: a.Use.OutOfRange, Unused: a.Use.Unused,
		UnusedSignals: a.Use.UnusedSignals, DurationUs: a.Use.DurationUS, TypicalSpacingUs: a.Use.TypicalSpacingUS,
	}}
	for _, c := range a.Conditions {
		out.Conditions = append(out.Conditions, &pb.ConditionProbability{Condition: pb.Condition(c.Condition), Probability: finite(c.Probability)})
	}
	for _, e := range a.MeterErrors {
		out.MeterErrors = append(out.MeterErrors, &pb.MeterError{FlowGPerS: finite(e.Flow), ErrorPercent: finite(e.Percent), LowPercent: finite(e.LowPct), HighPercent: finite(e.HighPct)})
	}
	for _, e := range a.Evidence {
		out.Evidence = append(out.Evidence, &pb.Evidence{
			Kind: pb.EvidenceKind(e.Kind), Measured: finite(e.Measured), MeasuredUncertainty: finite(e.MeasuredSD),
			Expected: finite(e.Expected), ExpectedUncertainty: finite(e.ExpectedSD), SampleCount: e.Samples,
		})
	}
	for _, m := range a.Manoeuvres {
		out.Manoeuvres = append(out.Manoeuvres, &pb.Manoeuvre{Kind: pb.ManoeuvreKind(m.Kind), StartUs: m.StartUS, EndUs: m.EndUS, Used: m.Used, SampleCount: m.Samples})
	}
	for _, g := range a.Gaps {
		out.Gaps = append(out.Gaps, &pb.Gap{Kind: pb.GapKind(g.Kind), Manoeuvre: pb.ManoeuvreKind(g.Manoeuvre), Inspection: pb.Inspection(g.Inspection), Signal: g.Signal})
	}
	for _, x := range a.Advice {
		out.Advice = append(out.Advice, &pb.Advice{Action: pb.AdviceAction(x.Action), Manoeuvre: pb.ManoeuvreKind(x.Manoeuvre), Inspection: pb.Inspection(x.Inspection), Condition: pb.Condition(x.Condition), ExpectedRegret: finite(x.Regret)})
	}
	for _, r := range a.References {
		out.References = append(out.References, &pb.ReferenceUse{Index: int32(r.Index), SameVehicle: r.SameVehicle, Belief: pb.ReferenceBelief(r.Belief), Probability: finite(r.Probability)})
	}
	return out
}
