// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package page_test

import (
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

// The verdicts below are made by hand: they have the shape and the size of what
// the assay concludes of a 2-litre engine, so that the page can be looked at as
// a technician would.

func verdict(a *pb.Assessment) *pb.Verdict {
	a.EngineVersion = "1.0.0"
	return &pb.Verdict{
		Name:       "sessions/7f3k2m/verdicts/q9x4",
		CreateTime: timestamppb.New(time.Date(2026, 3, 14, 10, 42, 7, 0, time.UTC)),
		Assessment: a,
	}
}

func probable(condition pb.Condition, p float64, causes ...*pb.CauseProbability) *pb.ConditionProbability {
	return &pb.ConditionProbability{Condition: condition, Probability: p, Causes: causes}
}

func cause(c pb.Cause, p float64) *pb.CauseProbability {
	return &pb.CauseProbability{Cause: c, Probability: p}
}

func finding(sensor pb.Sensor, bank int32, f pb.Finding, p float64) *pb.SensorFinding {
	return &pb.SensorFinding{Sensor: sensor, Bank: bank, Finding: f, Probability: p}
}

func meterError(bank int32, flow, e, low, high float64) *pb.MeterError {
	return &pb.MeterError{Bank: bank, FlowGPerS: flow, ErrorPercent: e, LowPercent: low, HighPercent: high}
}

func evidence(kind pb.EvidenceKind, m pb.ManoeuvreKind, unit string, flow, measured, um, expected, ue float64, counted bool, leanings ...*pb.Leaning) *pb.Evidence {
	e := &pb.Evidence{
		Kind: kind, Manoeuvre: m, Unit: unit, Measured: measured, MeasuredUncertainty: um,
		Expected: expected, ExpectedUncertainty: ue, SampleCount: 24, Counted: counted, Leanings: leanings,
	}
	if flow > 0 {
		e.FlowGPerS = new(flow)
	}
	return e
}

func leans(condition pb.Condition, ratio float64) *pb.Leaning {
	return &pb.Leaning{Condition: condition, LogLikelihoodRatio: ratio}
}

func stretch(kind pb.ManoeuvreKind, from, to float64, low, high float64, samples int64, reasons ...pb.GateReason) *pb.Manoeuvre {
	return &pb.Manoeuvre{
		Kind: kind, StartUs: int64(from * 1e6), EndUs: int64(to * 1e6), Used: len(reasons) == 0, Reasons: reasons,
		SampleCount: samples, MinEngineSpeedRpm: low, MaxEngineSpeedRpm: high,
	}
}

func pull(from, to float64, ratio float64) *pb.Manoeuvre {
	m := stretch(pb.ManoeuvreKind_MANOEUVRE_KIND_FULL_LOAD_PULL, from, to, 2110, 5380, 31)
	m.AirRatioPercent = new(ratio)
	return m
}

func rest(from float64, conditions ...pb.Condition) []*pb.ConditionProbability {
	var all []*pb.ConditionProbability
	for i, c := range conditions {
		all = append(all, probable(c, from/float64(int(1)<<i)))
	}
	return all
}

func usedSamples(flow float64) *pb.SampleUse {
	return &pb.SampleUse{
		Used: 12034, Late: 3, OutOfRange: 0, Unused: 480,
		UnusedSignals: []string{"Vehicle.OBD.FuelLevel", "Vehicle.OBD.TimingAdvance"},
		Clock:         pb.ClockKind_CLOCK_KIND_HARDWARE, DurationUs: 522_400_000,
		HighestFlowGPerS: new(flow), TypicalSpacingUs: 62_000,
	}
}

const (
	meter   = pb.Sensor_SENSOR_AIR_METER
	airTemp = pb.Sensor_SENSOR_INTAKE_AIR_TEMPERATURE
	low     = pb.Condition_CONDITION_METER_READS_LOW
	idle    = pb.ManoeuvreKind_MANOEUVRE_KIND_WARM_IDLE
	cruise  = pb.ManoeuvreKind_MANOEUVRE_KIND_STEADY_CRUISE
	highLd  = pb.ManoeuvreKind_MANOEUVRE_KIND_HIGH_LOAD
	full    = pb.ManoeuvreKind_MANOEUVRE_KIND_FULL_LOAD_PULL
	ratio   = pb.EvidenceKind_EVIDENCE_KIND_AIR_RATIO
	trim    = pb.EvidenceKind_EVIDENCE_KIND_FUEL_TRIM
)

func contaminated() *pb.Verdict {
	return verdict(&pb.Assessment{
		Conclusive: true,
		Conditions: append([]*pb.ConditionProbability{
			probable(low, 0.923, cause(pb.Cause_CAUSE_CONTAMINATED, 0.811), cause(pb.Cause_CAUSE_GAIN, 0.062), cause(pb.Cause_CAUSE_AIR_BETWEEN_METER_AND_THROTTLE, 0.05)),
		}, rest(0.038, pb.Condition_CONDITION_UNKNOWN, pb.Condition_CONDITION_FUEL_WEAK, pb.Condition_CONDITION_EXHAUST_RESTRICTED, pb.Condition_CONDITION_NO_FAULT)...),
		Sensors: []*pb.SensorFinding{finding(meter, 0, pb.Finding_FINDING_READS_LOW, 0.923), finding(airTemp, 0, pb.Finding_FINDING_READS_TRUE, 0.972)},
		MeterErrors: []*pb.MeterError{
			meterError(0, 2.94, 9.6, 4.1, 15.2), meterError(0, 8.1, 2.3, -1.4, 6.1), meterError(0, 14.8, -2.2, -5.6, 1.3),
			meterError(0, 24, -5.9, -9.1, -2.6), meterError(0, 37.3, -10.1, -13.5, -6.6), meterError(0, 52, -13.6, -17.2, -10.1),
			meterError(0, 68, -16.2, -20, -12.4), meterError(0, 84.7, -18.1, -22.2, -13.9),
		},
		Evidence: []*pb.Evidence{
			evidence(ratio, idle, "%", 2.94, 10.4, 1.9, 0, 6.4, true, leans(low, 0.9)),
			evidence(trim, idle, "%", 2.94, -8.7, 0.8, 0, 3.1, true, leans(low, 2.4)),
			evidence(trim, cruise, "%", 14.8, 3.1, 0.6, 0, 2.8, true, leans(low, 0.2)),
			evidence(trim, highLd, "%", 37.3, 10.2, 0.9, 0, 2.8, true, leans(low, 4.9)),
			evidence(ratio, full, "%", 84.7, -18.4, 0.7, 0, 6, true, leans(low, 3.7)),
			evidence(pb.EvidenceKind_EVIDENCE_KIND_FULL_LOAD_LAMBDA, full, "%", 84.7, 8.1, 1.2, 0, 2, true, leans(low, 3.1)),
			evidence(pb.EvidenceKind_EVIDENCE_KIND_CALCULATED_LOAD, full, "%", 84.7, 83.9, 0.8, 100, 5, false, leans(low, 2.6)),
			evidence(pb.EvidenceKind_EVIDENCE_KIND_MANIFOLD_DEFICIT, full, "%", 84.7, 2.1, 0.4, 2, 1.2, true, leans(low, 0)),
			evidence(pb.EvidenceKind_EVIDENCE_KIND_AIR_TEMPERATURE_ON_THE_ROAD, cruise, "K", 0, 5.2, 1, 6, 4, true),
		},
		Manoeuvres: []*pb.Manoeuvre{
			stretch(pb.ManoeuvreKind_MANOEUVRE_KIND_KEY_ON_ENGINE_OFF, 0, 9.8, 0, 0, 88),
			stretch(idle, 96, 171, 738, 764, 640), stretch(cruise, 213, 262, 2180, 2240, 512),
			stretch(highLd, 301, 312, 2750, 2830, 118), pull(342, 347.6, -18.2), pull(411, 416.9, -18.7),
			stretch(full, 474, 476.1, 2300, 3300, 12, pb.GateReason_GATE_REASON_GEAR_CHANGE, pb.GateReason_GATE_REASON_SPEED_SPAN_TOO_SMALL),
		},
		Advice: []*pb.Advice{
			{
				Action: pb.AdviceAction_ADVICE_ACTION_INSPECT, Inspection: pb.Inspection_INSPECTION_DUCT_BETWEEN_METER_AND_THROTTLE, Condition: low,
				Cautions: []pb.Caution{pb.Caution_CAUTION_SERVICE_INFORMATION_FIRST, pb.Caution_CAUTION_HOT_AND_MOVING_PARTS, pb.Caution_CAUTION_EXHAUST_EXTRACTION, pb.Caution_CAUTION_DO_NOT_CLEAR_CODES},
			},
			{
				Action: pb.AdviceAction_ADVICE_ACTION_CLEAN_AND_RETEST, Sensor: meter, Manoeuvre: full, Condition: low,
				Cautions: []pb.Caution{
					pb.Caution_CAUTION_SERVICE_INFORMATION_FIRST, pb.Caution_CAUTION_FIND_THE_CAUSE_FIRST, pb.Caution_CAUTION_ENGINE_OFF_AND_COOL,
					pb.Caution_CAUTION_ELEMENT_IS_FRAGILE_AND_MAY_GLOW, pb.Caution_CAUTION_CLEANER_FOR_AIR_FLOW_ELEMENTS_ONLY,
					pb.Caution_CAUTION_SOLVENT_AWAY_FROM_HEAT, pb.Caution_CAUTION_DRY_COMPLETELY, pb.Caution_CAUTION_LEGAL_ROAD_OR_DYNAMOMETER,
					pb.Caution_CAUTION_SECOND_PERSON, pb.Caution_CAUTION_STOP_ON_WARNING, pb.Caution_CAUTION_TRIMS_LAG, pb.Caution_CAUTION_DO_NOT_CLEAR_CODES,
				},
			},
		},
		Alternatives: []*pb.Alternative{
			{
				Condition: pb.Condition_CONDITION_FUEL_WEAK, Cause: pb.Cause_CAUSE_FUEL_DELIVERY_LIMIT, Probability: 0.019, LogLikelihoodRatio: -6.1,
				Magnitudes:     []*pb.Magnitude{{Kind: pb.MagnitudeKind_MAGNITUDE_KIND_FUEL_MISSING_AT_RATED_FLOW, Value: 17.2, Unit: "%"}},
				Predictions:    []*pb.Prediction{{Evidence: 4, Predicted: 0.2, LogLikelihoodRatioShare: -3.4}, {Evidence: 1, Predicted: 0, LogLikelihoodRatioShare: -2.2}},
				FailedEvidence: proto.Int32(4),
			},
			{
				Condition: pb.Condition_CONDITION_UNKNOWN, Cause: pb.Cause_CAUSE_VALVE_TIMING, Probability: 0.01, LogLikelihoodRatio: -0.2,
				Magnitudes:  []*pb.Magnitude{{Kind: pb.MagnitudeKind_MAGNITUDE_KIND_FILLING_LOST, Value: 13, Unit: "%"}},
				Predictions: []*pb.Prediction{{Evidence: 4, Predicted: -17, LogLikelihoodRatioShare: -0.2}},
			},
			{
				Condition: pb.Condition_CONDITION_NO_FAULT, Cause: pb.Cause_CAUSE_NONE, Probability: 0.005, LogLikelihoodRatio: -11.2,
				Predictions:    []*pb.Prediction{{Evidence: 3, Predicted: 0, LogLikelihoodRatioShare: -4.9}},
				FailedEvidence: proto.Int32(3),
			},
		},
		SampleUse: usedSamples(84.7),
		FactProposals: []*pb.FactProposal{
			{Field: "displacement_l", Value: 2.01, Uncertainty: 0.03, Entered: proto.Float64(2), Source: pb.FactSource_FACT_SOURCE_ABSOLUTE_LOAD},
			{
				Field: "fuel", Value: 2, Word: "diesel", Entered: proto.Float64(1), EnteredWord: "gasoline",
				Source: pb.FactSource_FACT_SOURCE_FUEL_TYPE, ContradictsEntry: true,
			},
			{Field: "aspiration", Value: 2, Word: "turbo", Source: pb.FactSource_FACT_SOURCE_BOOST},
			{Field: "banks", Value: 2, Source: pb.FactSource_FACT_SOURCE_BANKS},
			{Field: "air_meter", Entered: proto.Float64(5), EnteredWord: "none", Source: pb.FactSource_FACT_SOURCE_METER_SIGNAL, ContradictsEntry: true},
			{Field: "altitude_m", Value: 210, Uncertainty: 80, Source: pb.FactSource_FACT_SOURCE_BAROMETER},
		},
		TroubleCodes: []*pb.TroubleCodeUse{
			{Code: "P0101", Meaning: "air meter A: reading does not fit what the control unit expects", Favours: []*pb.TroubleCodeFavour{
				{Condition: low, Factor: 3}, {Condition: pb.Condition_CONDITION_METER_READS_HIGH, Factor: 3},
				{Condition: pb.Condition_CONDITION_METER_SIGNAL_FAULT, Factor: 3},
			}},
			{Code: "P0299", Meaning: "boost lower than wanted", Favours: []*pb.TroubleCodeFavour{
				{Condition: pb.Condition_CONDITION_METER_READS_HIGH, Cause: pb.Cause_CAUSE_CHARGE_AIR_LOST, Factor: 3},
			}},
			{Code: "P0420"},
		},
	})
}

func sound() *pb.Verdict {
	return verdict(&pb.Assessment{
		Conclusive: true,
		Conditions: append([]*pb.ConditionProbability{probable(pb.Condition_CONDITION_NO_FAULT, 0.964, cause(pb.Cause_CAUSE_NONE, 0.964))},
			rest(0.018, pb.Condition_CONDITION_UNKNOWN, low, pb.Condition_CONDITION_FUEL_WEAK)...),
		Sensors: []*pb.SensorFinding{finding(meter, 0, pb.Finding_FINDING_READS_TRUE, 0.976), finding(airTemp, 0, pb.Finding_FINDING_READS_TRUE, 0.991)},
		MeterErrors: []*pb.MeterError{
			meterError(0, 3.1, 0.4, -2.4, 2.9), meterError(0, 15, -0.3, -2.2, 1.9), meterError(0, 38, -0.6, -2.5, 1.4), meterError(0, 92.3, -0.8, -2.8, 1.2),
		},
		Evidence: []*pb.Evidence{
			evidence(trim, idle, "%", 3.1, 1.2, 0.8, 0, 3.1, true, leans(low, -0.6)),
			evidence(trim, cruise, "%", 15, 0.4, 0.5, 0, 2.8, true, leans(low, -2.6)),
			evidence(ratio, full, "%", 92.3, 1.9, 0.7, 0, 6, true, leans(low, -3.3)),
		},
		Manoeuvres: []*pb.Manoeuvre{stretch(idle, 80, 150, 738, 764, 640), pull(342, 347.6, 1.8), pull(411, 416.9, 2)},
		Advice:     []*pb.Advice{{Action: pb.AdviceAction_ADVICE_ACTION_LEAVE_ALONE, Sensor: meter, Condition: pb.Condition_CONDITION_NO_FAULT}},
		SampleUse:  usedSamples(92.3),
	})
}

func inconclusive() *pb.Verdict {
	return verdict(&pb.Assessment{
		InconclusiveReasons: []pb.InconclusiveReason{pb.InconclusiveReason_INCONCLUSIVE_REASON_GATE_FAILED, pb.InconclusiveReason_INCONCLUSIVE_REASON_NO_LEADER, pb.InconclusiveReason_INCONCLUSIVE_REASON_FLOW_RANGE_TOO_SMALL},
		Conditions: []*pb.ConditionProbability{
			probable(pb.Condition_CONDITION_NO_FAULT, 0.41), probable(low, 0.27, cause(pb.Cause_CAUSE_GAIN, 0.2)), probable(pb.Condition_CONDITION_FUEL_WEAK, 0.16),
			probable(pb.Condition_CONDITION_UNKNOWN, 0.1), probable(pb.Condition_CONDITION_LEAK_AFTER_METER, 0.06),
		},
		Sensors:     []*pb.SensorFinding{finding(meter, 0, pb.Finding_FINDING_INCONCLUSIVE, 0.58), finding(airTemp, 0, pb.Finding_FINDING_INCONCLUSIVE, 0.74)},
		MeterErrors: []*pb.MeterError{meterError(0, 3, -4.2, -14, 6.2)},
		Evidence:    []*pb.Evidence{evidence(trim, idle, "%", 3, 4.6, 1.1, 0, 3.1, true, leans(low, 0.5))},
		Manoeuvres: []*pb.Manoeuvre{
			stretch(idle, 12, 88, 740, 768, 300),
			stretch(full, 130, 131.4, 2600, 3400, 5, pb.GateReason_GATE_REASON_TOO_SHORT, pb.GateReason_GATE_REASON_TOO_FEW_SAMPLES, pb.GateReason_GATE_REASON_ENGINE_NOT_WARM),
		},
		Gaps: []*pb.Gap{
			{Kind: pb.GapKind_GAP_KIND_FULL_LOAD, Manoeuvre: full}, {Kind: pb.GapKind_GAP_KIND_STEADY_CRUISE, Manoeuvre: cruise},
			{Kind: pb.GapKind_GAP_KIND_SIGNAL, Signal: "Vehicle.OBD.MAP"}, {Kind: pb.GapKind_GAP_KIND_COLD_SOAK, Manoeuvre: pb.ManoeuvreKind_MANOEUVRE_KIND_COLD_SOAK},
			{Kind: pb.GapKind_GAP_KIND_DISPLACEMENT},
		},
		Advice: []*pb.Advice{{
			Action: pb.AdviceAction_ADVICE_ACTION_DRIVE_AGAIN, Manoeuvre: full,
			Cautions: []pb.Caution{pb.Caution_CAUTION_SERVICE_INFORMATION_FIRST, pb.Caution_CAUTION_LEGAL_ROAD_OR_DYNAMOMETER, pb.Caution_CAUTION_SECOND_PERSON, pb.Caution_CAUTION_STOP_ON_WARNING, pb.Caution_CAUTION_DO_NOT_CLEAR_CODES},
		}},
		NextTests: []*pb.NextTest{
			{
				Manoeuvre: full, ExpectedRegretReduction: 0.092, Minutes: 7,
				TellsApart: []*pb.AmbiguousCause{{Condition: pb.Condition_CONDITION_NO_FAULT, Cause: pb.Cause_CAUSE_NONE, Probability: 0.41}, {Condition: low, Cause: pb.Cause_CAUSE_GAIN, Probability: 0.2}},
			},
			{
				Inspection: pb.Inspection_INSPECTION_DUCT_BETWEEN_METER_AND_THROTTLE, ExpectedRegretReduction: 0.031, Minutes: 5,
				TellsApart: []*pb.AmbiguousCause{{Condition: low, Cause: pb.Cause_CAUSE_GAIN, Probability: 0.2}, {Condition: low, Cause: pb.Cause_CAUSE_AIR_BETWEEN_METER_AND_THROTTLE, Probability: 0.07}},
			},
			{Fact: "displacement_l", ExpectedRegretReduction: 0.012, Minutes: 3},
		},
		SampleUse: &pb.SampleUse{Used: 905, Unused: 12, Clock: pb.ClockKind_CLOCK_KIND_WHOLE_SECOND, DurationUs: 134_000_000, HighestFlowGPerS: new(31.44), TypicalSpacingUs: 1_000_000},
	})
}

func noMeter() *pb.Verdict {
	return verdict(&pb.Assessment{
		Conclusive: true,
		Conditions: append([]*pb.ConditionProbability{
			probable(pb.Condition_CONDITION_AIR_TEMPERATURE_FAULT, 0.938, cause(pb.Cause_CAUSE_BIAS, 0.91), cause(pb.Cause_CAUSE_OPEN_OR_SHORT_CIRCUIT, 0.028)),
		}, rest(0.03, pb.Condition_CONDITION_UNKNOWN, pb.Condition_CONDITION_FUEL_WEAK, pb.Condition_CONDITION_NO_FAULT)...),
		Sensors: []*pb.SensorFinding{finding(meter, 0, pb.Finding_FINDING_NOT_FITTED, 1), finding(airTemp, 0, pb.Finding_FINDING_READS_HIGH, 0.938)},
		Evidence: []*pb.Evidence{
			evidence(pb.EvidenceKind_EVIDENCE_KIND_AIR_TEMPERATURE_AT_COLD_SOAK, pb.ManoeuvreKind_MANOEUVRE_KIND_COLD_SOAK, "K", 0, 19.6, 1, 0.5, 3, true, leans(pb.Condition_CONDITION_AIR_TEMPERATURE_FAULT, 7.4)),
			evidence(trim, cruise, "%", 0, 6.3, 0.7, 0, 2.8, true, leans(pb.Condition_CONDITION_AIR_TEMPERATURE_FAULT, 1.8)),
		},
		DistrustedSignals: []*pb.DistrustedSignal{
			{Signal: "Vehicle.OBD.IntakeTemp", Reason: pb.DistrustReason_DISTRUST_REASON_CONTRADICTED, Measured: proto.Float64(38), Expected: new(18.4), ExpectedUncertainty: new(1.8)},
			{Signal: "Vehicle.OBD.AmbientAirTemperature", Reason: pb.DistrustReason_DISTRUST_REASON_REFRESH_TOO_SLOW},
		},
		Advice: []*pb.Advice{{
			Action: pb.AdviceAction_ADVICE_ACTION_INSPECT, Sensor: airTemp, Inspection: pb.Inspection_INSPECTION_AIR_TEMPERATURE_WITH_THERMOMETER,
			Cautions: []pb.Caution{pb.Caution_CAUTION_SERVICE_INFORMATION_FIRST, pb.Caution_CAUTION_ENGINE_OFF_AND_COOL},
		}},
		SampleUse: &pb.SampleUse{Used: 4410, Clock: pb.ClockKind_CLOCK_KIND_HOST, DurationUs: 601_000_000, TypicalSpacingUs: 240_000},
	})
}

func twoBanks() *pb.Verdict {
	return verdict(&pb.Assessment{
		Conclusive: true,
		Conditions: append([]*pb.ConditionProbability{
			probable(low, 0.884, &pb.CauseProbability{Cause: pb.Cause_CAUSE_CONTAMINATED, Probability: 0.62, Bank: 2}, &pb.CauseProbability{Cause: pb.Cause_CAUSE_GAIN, Probability: 0.26, Bank: 2}),
		}, rest(0.06, pb.Condition_CONDITION_UNKNOWN, pb.Condition_CONDITION_LEAK_AFTER_METER, pb.Condition_CONDITION_NO_FAULT)...),
		Sensors: []*pb.SensorFinding{
			finding(meter, 1, pb.Finding_FINDING_READS_TRUE, 0.93), finding(meter, 2, pb.Finding_FINDING_READS_LOW, 0.884),
			finding(airTemp, 0, pb.Finding_FINDING_READS_TRUE, 0.97),
		},
		MeterErrors: []*pb.MeterError{
			meterError(1, 4, 0.5, -3.1, 4), meterError(1, 22, -0.9, -3.6, 1.8), meterError(1, 71, -1.2, -4.4, 2),
			meterError(2, 4, 4.1, -1, 9.2), meterError(2, 21, -6.3, -9.2, -3.3), meterError(2, 62, -14.1, -17.9, -10.2),
		},
		Evidence: []*pb.Evidence{
			evidence(pb.EvidenceKind_EVIDENCE_KIND_METER_DIFFERENCE, full, "%", 133, 13.2, 0.6, 0, 1.9, true, leans(low, 9.2)),
			evidence(pb.EvidenceKind_EVIDENCE_KIND_BANK_DIFFERENCE, highLd, "%", 40, -9.4, 0.8, 0, 2.1, true, leans(low, 5.5)),
		},
		Manoeuvres: []*pb.Manoeuvre{pull(201, 207, -7.6), pull(288, 293.5, -7.9)},
		Advice: []*pb.Advice{{
			Action: pb.AdviceAction_ADVICE_ACTION_INSPECT, Sensor: meter, Bank: 2, Inspection: pb.Inspection_INSPECTION_METER_WIRING, Condition: low,
			Cautions: []pb.Caution{pb.Caution_CAUTION_SERVICE_INFORMATION_FIRST, pb.Caution_CAUTION_NEVER_CLEAN_THIS_METER},
		}},
		SampleUse: usedSamples(133),
	})
}

func tornDuctOrGain() *pb.Verdict {
	return verdict(&pb.Assessment{
		Conclusive: true,
		Conditions: append([]*pb.ConditionProbability{
			probable(low, 0.914, cause(pb.Cause_CAUSE_AIR_BETWEEN_METER_AND_THROTTLE, 0.52), cause(pb.Cause_CAUSE_GAIN, 0.37)),
		}, rest(0.04, pb.Condition_CONDITION_UNKNOWN, pb.Condition_CONDITION_FUEL_WEAK)...),
		Sensors: []*pb.SensorFinding{finding(meter, 0, pb.Finding_FINDING_READS_LOW, 0.914), finding(airTemp, 0, pb.Finding_FINDING_READS_TRUE, 0.96)},
		MeterErrors: []*pb.MeterError{
			meterError(0, 2.7, -10.6, -15.4, -5.7), meterError(0, 14, -10.9, -14, -7.8), meterError(0, 36, -11.2, -14.1, -8.2), meterError(0, 79.4, -11, -14.3, -7.6),
		},
		Evidence: []*pb.Evidence{
			evidence(trim, highLd, "%", 36, 11.8, 0.9, 0, 2.8, true, leans(low, 6.1)),
			evidence(ratio, full, "%", 79.4, -11.4, 0.7, 0, 6, true, leans(low, 1.6)),
		},
		Ambiguities: []*pb.Ambiguity{{
			Causes: []*pb.AmbiguousCause{
				{Condition: low, Cause: pb.Cause_CAUSE_AIR_BETWEEN_METER_AND_THROTTLE, Probability: 0.52},
				{Condition: low, Cause: pb.Cause_CAUSE_GAIN, Probability: 0.37},
			},
			Probability: 0.89,
			Inspections: []pb.Inspection{pb.Inspection_INSPECTION_DUCT_BETWEEN_METER_AND_THROTTLE, pb.Inspection_INSPECTION_METER_PART_NUMBER},
		}},
		Gaps: []*pb.Gap{{Kind: pb.GapKind_GAP_KIND_INSPECTION, Inspection: pb.Inspection_INSPECTION_DUCT_BETWEEN_METER_AND_THROTTLE}},
		Advice: []*pb.Advice{{
			Action: pb.AdviceAction_ADVICE_ACTION_INSPECT, Inspection: pb.Inspection_INSPECTION_DUCT_BETWEEN_METER_AND_THROTTLE, Condition: low,
			Cautions: []pb.Caution{pb.Caution_CAUTION_SERVICE_INFORMATION_FIRST, pb.Caution_CAUTION_HOT_AND_MOVING_PARTS, pb.Caution_CAUTION_EXHAUST_EXTRACTION},
		}},
		SampleUse: usedSamples(79.4),
	})
}
