// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package rpc

import (
	"math"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/j1979"
	"github.com/airassay/airassay/server/assay"
)

// optional turns the domain's "not known" into the API's absent.
func optional(x float64) *float64 {
	if math.IsNaN(x) {
		return nil
	}
	return &x
}

// finite keeps infinities and NaN out of JSON, where a field is not optional.
func finite(x float64) float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return 0
	}
	return x
}

func mapSlice[A, B any](in []A, f func(*A) B) []B {
	if len(in) == 0 {
		return nil
	}
	out := make([]B, len(in))
	for i := range in {
		out[i] = f(&in[i])
	}
	return out
}

// AssessmentToProto converts an assessment of the domain to the API's message.
func AssessmentToProto(a *assay.Assessment) *pb.Assessment {
	return &pb.Assessment{
		EngineVersion:       a.EngineVersion,
		Conditions:          mapSlice(a.Conditions, conditionToProto),
		Conclusive:          a.Conclusive,
		InconclusiveReasons: mapSlice(a.Reasons, func(r *assay.InconclusiveReason) pb.InconclusiveReason { return pb.InconclusiveReason(*r) }),
		Sensors:             mapSlice(a.Sensors, sensorToProto),
		MeterErrors:         mapSlice(a.MeterErrors, meterErrorToProto),
		Evidence:            mapSlice(a.Evidence, evidenceToProto),
		Manoeuvres:          mapSlice(a.Manoeuvres, manoeuvreToProto),
		Gaps:                mapSlice(a.Gaps, gapToProto),
		Advice:              mapSlice(a.Advice, adviceToProto),
		DistrustedSignals:   mapSlice(a.Distrusted, distrustedToProto),
		Ambiguities:         mapSlice(a.Ambiguities, ambiguityToProto),
		SampleUse:           sampleUseToProto(&a.Use),
		FactProposals:       mapSlice(a.Proposals, proposalToProto),
		References:          mapSlice(a.References, referenceToProto),
		NextTests:           mapSlice(a.NextTests, nextTestToProto),
		Alternatives:        mapSlice(a.Alternatives, alternativeToProto),
		TroubleCodes:        mapSlice(a.Codes, codeToProto),
	}
}

func conditionToProto(c *assay.ConditionProbability) *pb.ConditionProbability {
	return &pb.ConditionProbability{
		Condition: pb.Condition(c.Condition), Probability: finite(c.Probability),
		Causes: mapSlice(c.Causes, func(k *assay.CauseProbability) *pb.CauseProbability {
			return &pb.CauseProbability{Cause: pb.Cause(k.Cause), Probability: finite(k.Probability), Bank: int32(k.Bank)}
		}),
	}
}

func sensorToProto(s *assay.SensorFinding) *pb.SensorFinding {
	return &pb.SensorFinding{Sensor: pb.Sensor(s.Sensor), Bank: int32(s.Bank), Finding: pb.Finding(s.Finding), Probability: finite(s.Probability)}
}

func meterErrorToProto(e *assay.MeterError) *pb.MeterError {
	return &pb.MeterError{
		Bank: int32(e.Bank), FlowGPerS: finite(e.Flow), ErrorPercent: finite(e.Percent),
		LowPercent: finite(e.LowPct), HighPercent: finite(e.HighPct),
	}
}

func evidenceToProto(e *assay.Evidence) *pb.Evidence {
	return &pb.Evidence{
		Kind: pb.EvidenceKind(e.Kind), Bank: int32(e.Bank), Manoeuvre: pb.ManoeuvreKind(e.Manoeuvre),
		Measured: finite(e.Measured), MeasuredUncertainty: finite(e.MeasuredSD),
		Expected: finite(e.Expected), ExpectedUncertainty: finite(e.ExpectedSD),
		Unit: e.Unit, SampleCount: e.Samples, FlowGPerS: optional(e.Flow), EngineSpeedRpm: optional(e.RPM),
		ManifoldPressureKpa: optional(e.PressureKPa), Counted: e.Counted,
		Leanings: mapSlice(e.Leanings, func(l *assay.Leaning) *pb.Leaning {
			return &pb.Leaning{
				Condition: pb.Condition(l.Condition), Predicted: finite(l.Predicted), LogLikelihoodRatio: finite(l.LogRatio),
				LogLikelihoodRatioShare: optional(l.Share),
			}
		}),
	}
}

func manoeuvreToProto(m *assay.Manoeuvre) *pb.Manoeuvre {
	out := &pb.Manoeuvre{
		Kind: pb.ManoeuvreKind(m.Kind), StartUs: m.StartUS, EndUs: m.EndUS, Used: m.Used,
		Reasons:     mapSlice(m.Reasons, func(g *assay.GateReason) pb.GateReason { return pb.GateReason(*g) }),
		SampleCount: m.Samples, MinEngineSpeedRpm: finite(m.MinRPM), MaxEngineSpeedRpm: finite(m.MaxRPM),
	}
	if !math.IsNaN(m.AirRatio) {
		out.AirRatioPercent = optional(100 * math.Expm1(m.AirRatio))
	}
	return out
}

func gapToProto(g *assay.GapItem) *pb.Gap {
	return &pb.Gap{Kind: pb.GapKind(g.Kind), Manoeuvre: pb.ManoeuvreKind(g.Manoeuvre), Inspection: pb.Inspection(g.Inspection), Signal: g.Signal}
}

func adviceToProto(a *assay.Advice) *pb.Advice {
	return &pb.Advice{
		Action: pb.AdviceAction(a.Action), Sensor: pb.Sensor(a.Sensor), Bank: int32(a.Bank),
		Inspection: pb.Inspection(a.Inspection), Manoeuvre: pb.ManoeuvreKind(a.Manoeuvre),
		Condition: pb.Condition(a.Condition), ExpectedRegret: finite(a.Regret),
		Cautions: mapSlice(a.Cautions, func(c *assay.Caution) pb.Caution { return pb.Caution(*c) }),
	}
}

func distrustedToProto(d *assay.DistrustedSignal) *pb.DistrustedSignal {
	return &pb.DistrustedSignal{
		Signal: d.Path, Reason: pb.DistrustReason(d.Reason), Measured: optional(d.Measured),
		Expected: optional(d.Expected), ExpectedUncertainty: optional(d.ExpectedSD),
	}
}

func ambiguityToProto(a *assay.Ambiguity) *pb.Ambiguity {
	return &pb.Ambiguity{
		Probability: finite(a.Probability),
		Causes:      mapSlice(a.Causes, ambiguousCauseToProto),
		Inspections: mapSlice(a.Inspections, func(i *assay.Inspection) pb.Inspection { return pb.Inspection(*i) }),
	}
}

func ambiguousCauseToProto(c *assay.AmbiguousCause) *pb.AmbiguousCause {
	return &pb.AmbiguousCause{Condition: pb.Condition(c.Condition), Cause: pb.Cause(c.Cause), Probability: finite(c.Probability)}
}

func nextTestToProto(t *assay.NextTest) *pb.NextTest {
	return &pb.NextTest{
		Manoeuvre: pb.ManoeuvreKind(t.Manoeuvre), Inspection: pb.Inspection(t.Inspection), Fact: t.Fact,
		ExpectedRegretReduction: finite(t.Reduction), Minutes: finite(t.Minutes),
		TellsApart: mapSlice(t.TellsApart, ambiguousCauseToProto),
		Cautions:   mapSlice(t.Cautions, func(c *assay.Caution) pb.Caution { return pb.Caution(*c) }),
	}
}

func alternativeToProto(a *assay.Alternative) *pb.Alternative {
	out := &pb.Alternative{
		Condition: pb.Condition(a.Condition), Cause: pb.Cause(a.Cause), Bank: int32(a.Bank), Probability: finite(a.Probability),
		Magnitudes: mapSlice(a.Magnitudes, func(m *assay.Magnitude) *pb.Magnitude {
			return &pb.Magnitude{Kind: pb.MagnitudeKind(m.Kind), Value: finite(m.Value), Unit: m.Unit}
		}),
		LogLikelihoodRatio: finite(a.LogRatio),
		Predictions: mapSlice(a.Predictions, func(p *assay.Prediction) *pb.Prediction {
			return &pb.Prediction{Evidence: int32(p.Evidence), Predicted: finite(p.Predicted), LogLikelihoodRatioShare: finite(p.Share)}
		}),
	}
	if a.Failed >= 0 {
		failed := int32(a.Failed)
		out.FailedEvidence = &failed
	}
	return out
}

func sampleUseToProto(u *assay.SampleUse) *pb.SampleUse {
	return &pb.SampleUse{
		Used: u.Used, Late: u.Late, OutOfRange: u.OutOfRange, Unused: u.Unused, UnusedSignals: u.UnusedSignals,
		Clock: pb.ClockKind(u.Clock), DurationUs: u.DurationUS, HighestFlowGPerS: optional(u.HighestFlow),
		TypicalSpacingUs: u.TypicalSpacingUS,
		GapCount:         u.HoleCount, GapDurationUs: u.HoleUS, LongestGaps: mapSlice(u.LongestHoles, holeToProto),
	}
}

func holeToProto(h *assay.Hole) *pb.SampleGap {
	return &pb.SampleGap{StartUs: h.StartUS, EndUs: h.EndUS, Reason: pb.SampleGapReason(h.Reason)}
}

func proposalToProto(p *assay.FactProposal) *pb.FactProposal {
	out := &pb.FactProposal{
		Field: p.Field, Value: finite(p.Value), Uncertainty: finite(p.Uncertainty), Entered: optional(p.Entered),
		Source: pb.FactSource(p.Source), ContradictsEntry: p.Contradicts, Word: factWord(p.Field, p.Value),
	}
	if out.Entered != nil {
		out.EnteredWord = factWord(p.Field, p.Entered)
	}
	return out
}

// factWord is how a vehicle file spells a code; empty where the field has none.
func factWord(field string, number float64) string {
	f := (*pb.Vehicle)(nil).ProtoReflect().Descriptor().Fields().ByName(protoreflect.Name(field))
	if f == nil || f.Enum() == nil || number == 0 {
		return ""
	}
	v := f.Enum().Values().ByNumber(protoreflect.EnumNumber(number))
	if v == nil {
		return ""
	}
	prefix := strings.TrimSuffix(string(f.Enum().Values().Get(0).Name()), "UNSPECIFIED")
	return strings.ToLower(strings.TrimPrefix(string(v.Name()), prefix))
}

func codeToProto(u *assay.CodeUse) *pb.TroubleCodeUse {
	out := &pb.TroubleCodeUse{Code: u.Code, Favours: mapSlice(u.Favours, func(f *assay.CodeFavour) *pb.TroubleCodeFavour {
		return &pb.TroubleCodeFavour{Condition: pb.Condition(f.Condition), Cause: pb.Cause(f.Cause), Factor: finite(f.Factor)}
	})}
	if code, err := j1979.ParseDTC(u.Code); err == nil {
		out.Meaning = code.Meaning()
	}
	return out
}

func referenceToProto(u *assay.ReferenceUse) *pb.ReferenceUse {
	return &pb.ReferenceUse{
		Index: int32(u.Index), SameVehicle: u.SameVehicle, Belief: pb.ReferenceBelief(u.Belief), Probability: finite(u.Probability),
		FlowGPerS: optional(u.Flow), UncertaintyWithoutPercent: optional(u.BeforePct), UncertaintyWithPercent: optional(u.AfterPct),
	}
}

// FactsFromProto converts a vehicle and its day; either may be nil.
func FactsFromProto(v *pb.Vehicle, d *pb.DayConditions) assay.Facts {
	f := assay.NoFacts()
	vehicleFacts(&f, v)
	dayFacts(&f, d)
	return f
}

func vehicleFacts(f *assay.Facts, v *pb.Vehicle) {
	if v == nil {
		return
	}
	number(&f.DisplacementL, v.DisplacementL)
	count(&f.Cylinders, v.Cylinders)
	count(&f.Banks, v.Banks)
	number(&f.EthanolPercent, v.FuelEthanolPercent)
	number(&f.RatedPowerRPM, v.RatedPowerRpm)
	count(&f.Valves, v.ValvesPerCylinder)
	f.Aspiration = assay.Aspiration(v.GetAspiration())
	f.Fuel = assay.Fuel(v.GetFuel())
	f.AirMeter = assay.Technology(v.GetAirMeter())
	f.Cycle = assay.Cycle(v.GetCombustionCycle())
	f.Location = assay.Location(v.GetIntakeAirTemperatureLocation())
	f.Hybrid, f.Modified = v.GetHybrid(), v.GetIntakeModified()
}

func dayFacts(f *assay.Facts, d *pb.DayConditions) {
	if d == nil {
		return
	}
	number(&f.AltitudeM, d.AltitudeM)
	number(&f.AmbientC, d.AmbientC)
	number(&f.HumidityPercent, d.RelativeHumidityPercent)
	number(&f.HoursSinceRun, d.HoursSinceRun)
	f.Purpose = assay.Purpose(d.GetPurpose())
	f.Cleanings = int(d.GetCleanings())
	f.Codes = d.GetTroubleCodes()
	for _, i := range d.GetInspections() {
		f.Inspections = append(f.Inspections, assay.InspectionResult{
			Inspection: assay.Inspection(i.GetInspection()), Outcome: assay.InspectionOutcome(i.GetOutcome()),
		})
	}
}

func number(to *float64, from *float64) {
	if from != nil {
		*to = *from
	}
}

func count(to *float64, from *int32) {
	if from != nil {
		*to = float64(*from)
	}
}
