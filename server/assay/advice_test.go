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

var technologies = []assay.Technology{
	assay.TechnologyUnspecified, assay.TechnologyVane, assay.TechnologyHotWire, assay.TechnologyHotFilm, assay.TechnologyKarman,
}

// history is what was inspected and done before the drive.
type history struct {
	duct, wiring, part assay.InspectionOutcome
	cleanings, limit   int
}

func (h history) apply(f *assay.Facts) {
	for i, o := range map[assay.Inspection]assay.InspectionOutcome{
		assay.InspectDuctBetweenMeterAndThrottle: h.duct, assay.InspectMeterWiring: h.wiring, assay.InspectMeterPartNumber: h.part,
	} {
		if o != assay.OutcomeUnspecified {
			f.Inspections = append(f.Inspections, assay.InspectionResult{Inspection: i, Outcome: o})
		}
	}
	f.Cleanings, f.CleaningLimit = h.cleanings, h.limit
}

func histories() []history {
	const open, sound, faulty = assay.OutcomeUnspecified, assay.OutcomeSound, assay.OutcomeFaulty
	return []history{
		{}, {duct: sound}, {duct: faulty}, {duct: sound, cleanings: 1}, {duct: sound, cleanings: 2}, {duct: open, cleanings: 2},
		{duct: sound, cleanings: 1, limit: 1}, {duct: sound, wiring: sound, part: sound, cleanings: 3}, {wiring: sound, part: sound},
		{duct: faulty, wiring: faulty, part: faulty, cleanings: 5},
	}
}

func actions(v *assay.Assessment) []assay.Action {
	var as []assay.Action
	for _, x := range v.Advice {
		as = append(as, x.Action)
	}
	return as
}

func adviceOf(v *assay.Assessment, a assay.Action) *assay.Advice {
	for i := range v.Advice {
		if v.Advice[i].Action == a {
			return &v.Advice[i]
		}
	}
	return nil
}

// A dirty hot wire is cleaned, with care, once what looks the same has been looked at.
func TestDirtyHotWireIsCleanedWithCareAndAfterTheDuct(t *testing.T) {
	for _, f := range []assaytest.Fault{
		{DirtDelta: 0.119, DirtFlow: 7178}, {DirtFlow: 7178}, {DirtDelta: 0.2, DirtFlow: 3500}, {DirtDelta: 0.15, DirtFlow: 5000},
	} {
		for _, h := range []history{{}, {duct: assay.OutcomeSound}} {
			d := assaytest.Make(assaytest.Spec{Fault: f, Meter: assay.TechnologyHotWire})
			h.apply(&d.Facts)
			v := d.Assess()
			clean := adviceOf(v, assay.ActionCleanAndRetest)
			if clean == nil {
				if h.duct != assay.OutcomeSound && firstInspection(v) == assay.InspectDuctBetweenMeterAndThrottle {
					continue // The duct first, and then drive on: careful enough.
				}
				t.Errorf("%+v %+v: no cleaning advised%s", f, h, verdict(v))
				continue
			}
			if clean.Sensor != assay.SensorAirMeter || clean.Manoeuvre != assay.ManoeuvreFullLoadPull {
				t.Errorf("%+v: cleaning names no sensor or no retest: %+v", f, clean)
			}
			for _, c := range []assay.Caution{
				assay.CautionServiceInformationFirst, assay.CautionEngineOffAndCool, assay.CautionSolventAwayFromHeat,
				assay.CautionCleanerForAirFlowElementsOnly, assay.CautionElementIsFragileAndMayGlow, assay.CautionDryCompletely,
				assay.CautionSecondPerson, assay.CautionLegalRoadOrDynamometer,
			} {
				if !slices.Contains(clean.Cautions, c) {
					t.Errorf("%+v: cleaning without caution %d", f, c)
				}
			}
		}
	}
}

// With the duct open and a fair chance that it is the duct, the duct comes before the cleaner.
func TestCleaningNeverComesBeforeAnOpenDuctThatLooksTheSame(t *testing.T) {
	for _, r := range rows() {
		v := assaytest.Make(r.spec).Assess()
		clean := slices.Index(actions(v), assay.ActionCleanAndRetest)
		if clean < 0 {
			continue
		}
		duct := 0.0
		for _, c := range v.Conditions {
			for _, k := range c.Causes {
				if k.Cause == assay.CauseAirBetweenMeterAndThrottle {
					duct += k.Probability
				}
			}
		}
		looked := slices.ContainsFunc(v.Advice[:clean], func(x assay.Advice) bool {
			return x.Inspection == assay.InspectDuctBetweenMeterAndThrottle
		})
		if duct > 0.05 && !looked {
			t.Errorf("%s: cleaning comes before a duct of %.2f%s", r.name, duct, verdict(v))
		}
	}
}

// forAllCases runs every row with every technology and history.
func forAllCases(t *testing.T, check func(t *testing.T, name string, tech assay.Technology, h history, v *assay.Assessment)) {
	t.Helper()
	for _, r := range rows() {
		r.spec.Rate = 12
		d := assaytest.Make(r.spec)
		for _, tech := range technologies {
			for _, h := range histories() {
				e := *d
				if !r.spec.NoMeter {
					e.Facts.AirMeter = tech
				}
				e.Facts.Inspections = nil
				h.apply(&e.Facts)
				check(t, fmt.Sprintf("%s, technology %d, %+v", r.name, tech, h), tech, h, e.Assess())
			}
		}
	}
}

// Only hot wires are cleaned, as often as is allowed; nothing is replaced while the
// cheaper cause that looks the same is open.
func TestNoPartIsSacrificed(t *testing.T) {
	t.Parallel()
	forAllCases(t, func(t *testing.T, name string, tech assay.Technology, h history, v *assay.Assessment) {
		t.Helper()
		as := actions(v)
		limit := h.limit
		if limit == 0 {
			limit = 2
		}
		if slices.Contains(as, assay.ActionCleanAndRetest) && tech != assay.TechnologyHotWire {
			t.Errorf("%s: a meter that must not be cleaned is to be cleaned", name)
		}
		if slices.Contains(as, assay.ActionCleanAndRetest) && h.cleanings >= limit {
			t.Errorf("%s: cleaned %d times and once more", name, h.cleanings)
		}
		low := v.Conditions[0].Condition == assay.ConditionMeterReadsLow
		if slices.Contains(as, assay.ActionReplace) && low && h.duct != assay.OutcomeSound {
			t.Errorf("%s: replaced while the duct is open%s", name, verdict(v))
		}
		if slices.Contains(as, assay.ActionReplace) && v.Conditions[0].Condition == assay.ConditionMeterSignalFault && h.wiring != assay.OutcomeSound {
			t.Errorf("%s: replaced while the wiring is open", name)
		}
		if slices.Contains(as, assay.ActionReplace) && sensorOf(v.Conditions[0].Condition) != assay.SensorAirMeter {
			t.Errorf("%s: replaced although condition %d leads", name, v.Conditions[0].Condition)
		}
		if len(v.Advice) == 0 {
			t.Errorf("%s: no advice", name)
		}
		for _, x := range v.Advice {
			if len(x.Cautions) == 0 {
				t.Errorf("%s: advice %d without a caution", name, x.Action)
			}
		}
	})
}

func sensorOf(c assay.Condition) assay.Sensor {
	switch c {
	case assay.ConditionMeterReadsLow, assay.ConditionMeterReadsHigh, assay.ConditionMeterSignalFault:
		return assay.SensorAirMeter
	}
	return assay.SensorUnspecified
}

// A meter that is low, with a sound duct, and either not cleanable or cleaned enough, is replaced.
func TestLowMeterIsReplacedWhenNothingCheaperIsLeft(t *testing.T) {
	for _, c := range []struct {
		tech  assay.Technology
		fault assaytest.Fault
		h     history
	}{
		{assay.TechnologyHotWire, assaytest.Fault{DirtDelta: 0.119, DirtFlow: 7178}, history{duct: assay.OutcomeSound, cleanings: 2}},
		{assay.TechnologyHotWire, assaytest.Fault{Gain: -0.25}, history{duct: assay.OutcomeSound, cleanings: 2}},
		{assay.TechnologyHotFilm, assaytest.Fault{Gain: -0.25}, history{duct: assay.OutcomeSound}},
		{assay.TechnologyVane, assaytest.Fault{Gain: -0.25}, history{duct: assay.OutcomeSound}},
		{assay.TechnologyHotWire, assaytest.Fault{Gain: -0.25}, history{duct: assay.OutcomeSound, part: assay.OutcomeSound, cleanings: 2}},
	} {
		d := assaytest.Make(assaytest.Spec{Fault: c.fault, Meter: c.tech})
		c.h.apply(&d.Facts)
		if v := d.Assess(); adviceOf(v, assay.ActionReplace) == nil {
			t.Errorf("technology %d %+v %+v: not replaced%s", c.tech, c.fault, c.h, verdict(v))
		}
	}
}
