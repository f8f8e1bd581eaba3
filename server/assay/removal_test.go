// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay_test

import (
	"fmt"
	"slices"
	"testing"

	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/assay/assaytest"
)

// firmlyWrong: conclusive, led by a condition that is not the truth and does not
// stand beside it in an ambiguity. condemns: and it says that a meter is at fault that is not.
func firmlyWrong(v *assay.Assessment, truth assay.Condition) (wrong, condemns bool) {
	lead := v.Conditions[0].Condition
	if !v.Conclusive || lead == truth {
		return false, false
	}
	for _, g := range v.Ambiguities {
		has := func(c assay.Condition) bool {
			return slices.ContainsFunc(g.Causes, func(x assay.AmbiguousCause) bool { return x.Condition == c })
		}
		if has(lead) && has(truth) {
			return false, false
		}
	}
	return true, sensorOf(lead) == assay.SensorAirMeter
}

// misses: the meter is off by a tenth or more at the highest flow, and is firmly said to read true.
func misses(v *assay.Assessment, spec assaytest.Spec) bool {
	f := spec.Fault
	off := f.Gain != 0 || f.DirtFlow != 0 || f.DuctShare != 0 || f.Stuck != 0 || f.DropoutEvery != 0
	return off && v.Conclusive && slices.ContainsFunc(v.Sensors, func(s assay.SensorFinding) bool {
		return s.Sensor == assay.SensorAirMeter && s.Finding == assay.FindingReadsTrue
	})
}

// Leaving out one signal may make a verdict less firm. It must never make it firm and wrong.
func TestLeavingOutOneSignalNeverMakesAFirmWrongVerdict(t *testing.T) {
	t.Parallel()
	rates := []float64{10, 40}
	if testing.Short() {
		rates = rates[:1]
	}
	for _, r := range rows() {
		for _, rate := range rates {
			r.spec.Rate = rate
			d := assaytest.Make(r.spec)
			for _, def := range d.Defs {
				v := d.Without(def.Path).Assess()
				name := fmt.Sprintf("%s at %g per second without %s", r.name, rate, def.Path)
				wrong, condemns := firmlyWrong(v, r.want)
				switch {
				case condemns:
					t.Errorf("%s: firmly condemns a sound meter%s", name, verdict(v))
				case misses(v, r.spec):
					t.Errorf("%s: a meter that is off is firmly said to read true%s", name, verdict(v))
				case wrong && v.Conditions[0].Condition != assay.ConditionNoFault:
					t.Errorf("%s: firmly wrong%s", name, verdict(v))
				case wrong:
					// The signal that showed the fault is gone, and the sensors are not accused.
					t.Logf("%s: no longer visible, called no fault at %.2f", name, v.Conditions[0].Probability)
				}
				for _, s := range v.Sensors {
					if s.Sensor == assay.SensorAirMeter && sensorOf(r.want) != assay.SensorAirMeter &&
						v.Conclusive && (s.Finding == assay.FindingReadsLow || s.Finding == assay.FindingReadsHigh || s.Finding == assay.FindingSignalFault) {
						t.Errorf("%s: sensor finding %d of a sound meter%s", name, s.Finding, verdict(v))
					}
					if s.Sensor == assay.SensorIntakeAirTemperature && r.want != assay.ConditionAirTemperatureFault &&
						(s.Finding == assay.FindingReadsLow || s.Finding == assay.FindingReadsHigh || s.Finding == assay.FindingSignalFault) {
						t.Errorf("%s: finding %d of a true thermistor%s", name, s.Finding, verdict(v))
					}
				}
				if slices.Contains(actions(v), assay.ActionReplace) {
					t.Errorf("%s: replacement advised with everything uninspected", name)
				}
			}
		}
	}
}

// The same for the manoeuvres: a drive that holds only one of them.
func TestLeavingOutManoeuvresNeverCondemnsASoundMeter(t *testing.T) {
	t.Parallel()
	all := []assay.ManoeuvreKind{
		assay.ManoeuvreKeyOnEngineOff, assay.ManoeuvreWarmIdle, assay.ManoeuvreRaisedIdle, assay.ManoeuvreSteadyCruise,
		assay.ManoeuvreHighLoad, assay.ManoeuvreFullLoadPull, assay.ManoeuvreOverrun,
	}
	for _, r := range rows() {
		for _, k := range all {
			for _, only := range []bool{true, false} {
				spec := r.spec
				spec.Only = []assay.ManoeuvreKind{k}
				if !only {
					spec.Only = slices.DeleteFunc(slices.Clone(all), func(x assay.ManoeuvreKind) bool { return x == k })
				}
				v := assaytest.Make(spec).Assess()
				if _, condemns := firmlyWrong(v, r.want); condemns {
					t.Errorf("%s, manoeuvre %d alone %v: firmly condemns a sound meter%s", r.name, k, only, verdict(v))
				}
			}
		}
	}
}
