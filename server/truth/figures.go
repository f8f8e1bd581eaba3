// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package truth

import (
	"math"
	"slices"
)

// Rate is a share of cases with its 95 % interval (Wilson).
type Rate struct {
	Hits int `json:"hits"`
	Of   int `json:"of"`
}

// Share is NaN where there is no case.
func (r Rate) Share() float64 { return float64(r.Hits) / float64(r.Of) }

// Interval is where the share of endlessly many such cases lies, with 95 % confidence.
func (r Rate) Interval() (low, high float64) {
	if r.Of == 0 {
		return 0, 1
	}
	const z = 1.96
	n, p := float64(r.Of), r.Share()
	middle := (p + z*z/(2*n)) / (1 + z*z/n)
	half := z / (1 + z*z/n) * math.Sqrt(p*(1-p)/n+z*z/(4*n*n))
	return math.Max(0, middle-half), math.Min(1, middle+half)
}

func count(r *Rate, hit bool) {
	r.Of++
	if hit {
		r.Hits++
	}
}

// Judge is one of those who spoke about a case.
type Judge func(*Outcome) *Verdict

// The judges.
var (
	ByAssay Judge = func(o *Outcome) *Verdict { return &o.Assay }
	ByLoad  Judge = func(o *Outcome) *Verdict { return &o.Load }
	ByTrim  Judge = func(o *Outcome) *Verdict { return &o.Trim }
)

// Figures are one judge's on one group of cases; README.md defines each.
type Figures struct {
	Cases      int `json:"cases"`
	Sufficient int `json:"sufficient"`
	// Of the sufficient cases: the leading condition is right; firm and right; firm and wrong.
	Right     Rate `json:"right"`
	FirmRight Rate `json:"firm_right"`
	FirmWrong Rate `json:"firm_wrong"`
	// Of the sufficient cases with a true sensor.
	MeterCondemned      Rate `json:"true_meter_condemned"`
	MeterAccused        Rate `json:"true_meter_accused"`
	ThermistorCondemned Rate `json:"true_thermistor_condemned"`
	ThermistorAccused   Rate `json:"true_thermistor_accused"`
	// Of all cases with a true meter, insufficient ones included.
	MeterCondemnedAnywhere Rate `json:"true_meter_condemned_in_any_case"`
	// Of the sufficient cases with a meter that is off by 10 % or more at full load.
	Detected       Rate `json:"detected"`
	DetectedTrims  Rate `json:"detected_where_trims_exist"`
	DetectedFirmly Rate `json:"detected_firmly"`
	// Named: found, or said to be inseparable from what leads.
	Named Rate `json:"detected_or_named_beside"`
	// Of the sufficient cases with one truth.
	Brier       Number      `json:"brier"`
	LogLoss     Number      `json:"log_loss"`
	Calibration Calibration `json:"calibration"`
	Forecasts   int         `json:"forecasts"`
	// Called inconclusive.
	Open      Rate `json:"inconclusive_of_sufficient"`
	OpenDrive Rate `json:"inconclusive_of_insufficient_drives"`
	// OpenPlain leaves out the insufficient drives with a broken signal, which needs no drive to be seen.
	OpenPlain     Rate `json:"inconclusive_of_insufficient_drives_without_broken_signal"`
	OpenInvisible Rate `json:"inconclusive_of_invisible_faults"`
}

// FiguresOf scores one judge on a group.
func FiguresOf(group []*Outcome, judge Judge) Figures {
	f := Figures{Cases: len(group)}
	for _, o := range group {
		f.add(o, judge(o))
	}
	fs := forecasts(group, judge)
	f.Forecasts = len(fs)
	f.Brier, f.LogLoss, f.Calibration = Number(brier(fs)), Number(logLoss(fs)), calibrate(fs)
	return f
}

func (f *Figures) add(o *Outcome, v *Verdict) {
	l := &o.Label
	if l.MeterTrue {
		count(&f.MeterCondemnedAnywhere, v.CondemnsMeter)
	}
	switch {
	case l.Sufficient:
		f.addSufficient(l, v)
	case l.DriveSufficient:
		count(&f.OpenInvisible, !v.Conclusive)
	default:
		count(&f.OpenDrive, !v.Conclusive)
		if !slices.Contains(brokenSignals, l.Cause) {
			count(&f.OpenPlain, !v.Conclusive)
		}
	}
}

// brokenSignals are the causes that show in the signal itself.
var brokenSignals = []string{"CAUSE_STUCK", "CAUSE_OPEN_OR_SHORT_CIRCUIT", "CAUSE_INTERMITTENT", "CAUSE_REPLACED_BY_MODEL"}

func (f *Figures) addSufficient(l *Label, v *Verdict) {
	right := v.right(l)
	f.Sufficient++
	count(&f.Right, right)
	count(&f.FirmRight, right && v.Conclusive)
	count(&f.FirmWrong, !right && v.Conclusive)
	count(&f.Open, !v.Conclusive)
	if l.MeterTrue {
		count(&f.MeterCondemned, v.CondemnsMeter)
		count(&f.MeterAccused, v.AccusesMeter)
	}
	if l.ThermistorTrue && !v.NoThermistor {
		count(&f.ThermistorCondemned, v.CondemnsThermistor)
		count(&f.ThermistorAccused, v.AccusesThermistor)
	}
	if l.Detectable() {
		found := v.detects(l)
		count(&f.Detected, found)
		count(&f.DetectedFirmly, found && v.Conclusive)
		count(&f.Named, v.names(l))
		if l.Trims {
			count(&f.DetectedTrims, found)
		}
	}
}

// oneTruth: sufficient, with one fault or none, so that one condition is true.
func (l *Label) oneTruth() bool { return l.Sufficient && l.Second == nil && l.WrongFact == "" }

func forecasts(group []*Outcome, judge Judge) []forecast {
	var fs []forecast
	for _, o := range group {
		if o.Label.oneTruth() {
			fs = append(fs, forecast{p: judge(o).P, truth: slices.Index(Conditions, o.Label.Condition), weight: 1})
		}
	}
	return fs
}

// fieldShares is how often each condition is the truth of a vehicle that is brought in
// with suspicion on its air metering: the share that the cases are weighted to where a
// figure says so. Trade judgement of the design papers, with signal faults and a lying
// barometer, which those leave out, at 2 and 1 %.
var fieldShares = map[string]float64{
	"CONDITION_NO_FAULT": 0.40, "CONDITION_METER_READS_LOW": 0.18, "CONDITION_METER_READS_HIGH": 0.04, "CONDITION_METER_SIGNAL_FAULT": 0.02,
	"CONDITION_LEAK_AFTER_METER": 0.12, "CONDITION_INTAKE_RESTRICTED": 0.05, "CONDITION_EXHAUST_RESTRICTED": 0.03,
	"CONDITION_FUEL_WEAK": 0.07, "CONDITION_FUEL_RICH": 0.03, "CONDITION_AIR_TEMPERATURE_FAULT": 0.03,
	"CONDITION_MANIFOLD_PRESSURE_FAULT": 0.02, "CONDITION_BAROMETER_FAULT": 0.01, "CONDITION_THROTTLE_LIMITED": 0.01,
	"CONDITION_VEHICLE_FACTS_WRONG": 0.02, "CONDITION_UNKNOWN": 0.02,
}

// asInTheField weights forecasts so that each condition has its share of the field.
func asInTheField(fs []forecast) []forecast {
	counts := make([]float64, len(Conditions))
	for i := range fs {
		counts[fs[i].truth]++
	}
	out := slices.Clone(fs)
	for i := range out {
		out[i].weight = fieldShares[Conditions[out[i].truth]] * float64(len(fs)) / counts[out[i].truth]
	}
	return out
}
