// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package truth

import (
	"fmt"
	"math"
	"slices"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/assay"
)

// Verdict is what a judge says of a drive, as far as the benchmark scores it.
type Verdict struct {
	// Top is the likeliest condition, Cause its likeliest cause, Probability that of Top.
	Top         string  `json:"top"`
	Cause       string  `json:"cause,omitempty"`
	Probability float64 `json:"probability"`
	// P is the probability of each condition, in the order of Conditions.
	P          []float64 `json:"p"`
	Conclusive bool      `json:"conclusive"`
	// Beside are the conditions that the verdict itself calls inseparable from Top.
	Beside  []string `json:"beside,omitempty"`
	Reasons []string `json:"reasons,omitempty"`
	Advice  []string `json:"advice,omitempty"`
	// CondemnsMeter: clean or replace advised, or a firm condition of the meter.
	// AccusesMeter: the finding says that the sensor is wrong, firm or not.
	CondemnsMeter      bool `json:"condemns_meter"`
	CondemnsThermistor bool `json:"condemns_thermistor"`
	AccusesMeter       bool `json:"accuses_meter"`
	AccusesThermistor  bool `json:"accuses_thermistor"`
	// NoThermistor: the judge has no opinion on the intake air temperature sensor.
	NoThermistor bool `json:"no_thermistor,omitempty"`
	// TouchesFirst: clean or replace is advised before anybody looks at the duct.
	TouchesFirst bool `json:"touches_first"`
	// Touches: clean or replace is advised for the meter.
	Touches bool `json:"touches"`
	// Error is the estimate of the meter's error in percent at the highest flow, with its 90 % interval.
	Error *ErrorEstimate `json:"meter_error,omitempty"`
	// Measured is what a naive judge compares with its threshold.
	Measured *float64 `json:"measured,omitempty"`
}

// ErrorEstimate is in percent.
type ErrorEstimate struct {
	Flow float64 `json:"flow_g_per_s"`
	Best float64 `json:"best"`
	Low  float64 `json:"low"`
	High float64 `json:"high"`
}

// Conditions are all conditions, in the order of the API's enum.
var Conditions = func() (names []string) {
	for c := assay.ConditionNoFault; c <= assay.ConditionUnknown; c++ {
		names = append(names, conditionName(c))
	}
	return names
}()

func conditionName(c assay.Condition) string { return pb.Condition(c).String() }

// VerdictOf puts an assessment into the words of the benchmark.
func VerdictOf(a *assay.Assessment) Verdict {
	top := a.Conditions[0]
	v := Verdict{Top: conditionName(top.Condition), Probability: top.Probability, P: make([]float64, len(Conditions)), Conclusive: a.Conclusive}
	if len(top.Causes) > 0 {
		v.Cause = pb.Cause(top.Causes[0].Cause).String()
	}
	for _, c := range a.Conditions {
		v.P[c.Condition-assay.ConditionNoFault] = c.Probability
	}
	v.Beside = beside(a)
	for _, r := range a.Reasons {
		v.Reasons = append(v.Reasons, pb.InconclusiveReason(r).String())
	}
	v.advised(a.Advice)
	v.CondemnsMeter = v.CondemnsMeter || v.Conclusive && slices.Contains(meterConditions, v.Top)
	v.CondemnsThermistor = v.CondemnsThermistor || v.Conclusive && v.Top == thermistorCondition
	for _, s := range a.Sensors {
		wrong := s.Finding == assay.FindingReadsLow || s.Finding == assay.FindingReadsHigh || s.Finding == assay.FindingSignalFault
		v.AccusesMeter = v.AccusesMeter || wrong && s.Sensor == assay.SensorAirMeter
		v.AccusesThermistor = v.AccusesThermistor || wrong && s.Sensor == assay.SensorIntakeAirTemperature
	}
	if n := len(a.MeterErrors); n > 0 && a.MeterErrors[n-1].Bank == 0 {
		e := a.MeterErrors[n-1]
		v.Error = &ErrorEstimate{Flow: e.Flow, Best: e.Percent, Low: e.LowPct, High: e.HighPct}
	}
	return v
}

// beside lists the other conditions of the ambiguities that hold the leading one.
func beside(a *assay.Assessment) (names []string) {
	lead := a.Conditions[0].Condition
	for _, g := range a.Ambiguities {
		if !slices.ContainsFunc(g.Causes, func(x assay.AmbiguousCause) bool { return x.Condition == lead }) {
			continue
		}
		for _, x := range g.Causes {
			if name := conditionName(x.Condition); x.Condition != lead && !slices.Contains(names, name) {
				names = append(names, name)
			}
		}
	}
	return names
}

func (v *Verdict) advised(list []assay.Advice) {
	duct := false
	for _, x := range list {
		text := pb.AdviceAction(x.Action).String()
		if x.Inspection != assay.InspectUnspecified {
			text += ":" + pb.Inspection(x.Inspection).String()
		}
		if x.Manoeuvre != assay.ManoeuvreUnspecified {
			text += ":" + pb.ManoeuvreKind(x.Manoeuvre).String()
		}
		v.Advice = append(v.Advice, text)
		duct = duct || x.Inspection == assay.InspectDuctBetweenMeterAndThrottle || x.Inspection == assay.InspectBoostLeak
		if x.Action != assay.ActionCleanAndRetest && x.Action != assay.ActionReplace {
			continue
		}
		if x.Sensor == assay.SensorIntakeAirTemperature {
			v.CondemnsThermistor = true
			continue
		}
		v.CondemnsMeter, v.Touches, v.TouchesFirst = true, true, v.TouchesFirst || !duct
	}
}

// check refuses probabilities that are none: they cannot be scored.
func (v *Verdict) check() error {
	sum := 0.0
	for i, p := range v.P {
		if !(p >= 0 && p <= 1) {
			return fmt.Errorf("the assay's probability of %s is %v; expected 0 to 1", Conditions[i], p)
		}
		sum += p
	}
	if math.Abs(sum-1) > 1e-6 {
		return fmt.Errorf("the assay's probabilities sum to %v; expected 1", sum)
	}
	return nil
}

// right tells whether the leading answer is one of the right ones.
func (v *Verdict) right(l *Label) bool {
	return slices.ContainsFunc(l.Right, func(r Right) bool {
		return r.Condition == v.Top && (r.Cause == "" || r.Cause == v.Cause)
	})
}

// detects tells whether the leading answer is that the meter is off, to the true side.
func (v *Verdict) detects(l *Label) bool { return saysOff(v.Top, l) }

// names is the same of the leading answer and those that the verdict cannot tell from it.
func (v *Verdict) names(l *Label) bool {
	return v.detects(l) || slices.ContainsFunc(v.Beside, func(c string) bool { return saysOff(c, l) })
}

func saysOff(condition string, l *Label) bool {
	switch condition {
	case "CONDITION_METER_SIGNAL_FAULT":
		return true
	case "CONDITION_METER_READS_LOW":
		return l.MeterError != nil && *l.MeterError < 0
	case "CONDITION_METER_READS_HIGH":
		return l.MeterError != nil && *l.MeterError > 0
	}
	return false
}
