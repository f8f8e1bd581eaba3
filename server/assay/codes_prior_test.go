// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay_test

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/assay/assaytest"
)

// everyCode lists all codes that could say something.
func everyCode() (codes []string) {
	for _, system := range "PCBU" {
		for n := range 0x2400 { // the codes that SAE J2012 gives a meaning
			codes = append(codes, fmt.Sprintf("%c%04X", system, n))
		}
	}
	return codes
}

func withCodes(f assay.Facts, codes ...string) assay.Facts {
	f.Codes = codes
	return f
}

// drivenWith assesses a drive as if codes had been known.
func drivenWith(t *testing.T, d *assaytest.Drive, codes ...string) *assay.Assessment {
	t.Helper()
	a := assay.New(withCodes(d.Facts, codes...))
	if err := a.Declare(1, d.Clock, d.Defs); err != nil {
		t.Fatal(err)
	}
	for _, s := range d.Samples {
		a.Push(s)
	}
	return a.Assess()
}

func probabilityOf(v *assay.Assessment, conditions ...assay.Condition) (p float64) {
	for _, c := range v.Conditions {
		if slices.Contains(conditions, c.Condition) {
			p += c.Probability
		}
	}
	return p
}

var ofTheMeter = []assay.Condition{assay.ConditionMeterReadsLow, assay.ConditionMeterReadsHigh, assay.ConditionMeterSignalFault}

// Without a drive nothing may be said firmly, whatever the control units suspect.
func TestCodesAloneNeverDecide(t *testing.T) {
	const leader, condemn = 0.60, 0.90
	all := everyCode()
	sets := [][]string{all}
	for _, u := range assay.New(withCodes(assay.NoFacts(), all...)).Assess().Codes {
		if len(u.Favours) > 0 {
			sets = append(sets, []string{u.Code})
		}
	}
	t.Logf("%d codes speak for something", len(sets)-1)
	if len(sets) < 50 {
		t.Fatal("codes say nothing")
	}
	sets = append(sets, []string{"P0101", "P0171", "P0174", "P2187", "P00BC", "P0068", "P2177", "P2191"})
	var drives []*assaytest.Drive
	for _, tech := range []assay.Technology{assay.TechnologyHotWire, assay.TechnologyVane} {
		for _, only := range []assay.ManoeuvreKind{assay.ManoeuvreKeyOnEngineOff, assay.ManoeuvreWarmIdle} {
			drives = append(drives, assaytest.Make(assaytest.Spec{Meter: tech, Only: []assay.ManoeuvreKind{only}}))
		}
	}
	most, meter := 0.0, 0.0
	hold := func(set []string, v *assay.Assessment) {
		first := v.Conditions[0]
		meter = max(meter, probabilityOf(v, ofTheMeter...))
		if first.Condition != assay.ConditionNoFault {
			most = max(most, first.Probability)
		}
		if v.Conclusive || first.Condition != assay.ConditionNoFault && first.Probability >= leader || probabilityOf(v, ofTheMeter...) >= condemn {
			t.Errorf("%v: %s", set[:1], verdict(v))
		}
		for _, s := range v.Sensors {
			if s.Sensor == assay.SensorAirMeter && s.Finding != assay.FindingInconclusive && s.Finding != assay.FindingNotFitted && s.Finding != assay.FindingReadsTrue {
				t.Errorf("%v: the meter is called %d", set[:1], s.Finding)
			}
		}
	}
	for _, set := range sets {
		for _, tech := range []assay.Technology{assay.TechnologyUnspecified, assay.TechnologyHotWire, assay.TechnologyNone} {
			f := withCodes(assay.NoFacts(), set...)
			f.AirMeter = tech
			hold(set, assay.New(f).Assess())
		}
		for _, d := range drives {
			hold(set, drivenWith(t, d, set...))
		}
	}
	t.Logf("by codes alone a condition reaches %.2f, all of the meter %.2f", most, meter)
}

func TestASoundDriveIsNotCondemnedByACode(t *testing.T) {
	d := assaytest.Make(assaytest.Spec{Meter: assay.TechnologyHotFilm})
	before := drivenWith(t, d)
	if !before.Conclusive || before.Conditions[0].Condition != assay.ConditionNoFault {
		t.Fatalf("without a code: %s", verdict(before))
	}
	for _, codes := range [][]string{{"P0101"}, {"P0102"}, {"P0171", "P0174"}, {"P0101", "P0171", "P0174", "P2187", "P0299", "P0113", "P0106"}} {
		v := drivenWith(t, d, codes...)
		if v.Conditions[0].Condition != assay.ConditionNoFault || v.Conclusive != before.Conclusive {
			t.Errorf("%v: %s", codes, verdict(v))
		}
		for i, s := range v.Sensors {
			if s.Finding != before.Sensors[i].Finding {
				t.Errorf("%v: sensor %d is called %d, without the code %d", codes, s.Sensor, s.Finding, before.Sensors[i].Finding)
			}
		}
	}
}

func TestACodeMovesWhatItSpeaksForAndNothingElse(t *testing.T) {
	idle := assaytest.Make(assaytest.Spec{Meter: assay.TechnologyHotFilm, Only: []assay.ManoeuvreKind{assay.ManoeuvreWarmIdle}})
	pressed := assaytest.Make(assaytest.Spec{NoMeter: true, Only: []assay.ManoeuvreKind{assay.ManoeuvreWarmIdle}})
	for code, conditions := range map[string][]assay.Condition{
		"P0101": ofTheMeter, "P2187": {assay.ConditionLeakAfterMeter}, "P0113": {assay.ConditionAirTemperatureFault},
		"P0106": {assay.ConditionManifoldPressureFault}, "P2228": {assay.ConditionBarometerFault}, "P0087": {assay.ConditionFuelWeak},
		"P2135": {assay.ConditionThrottleLimited},
	} {
		idle := idle
		if code == "P0106" || code == "P2228" {
			idle = pressed
		}
		without, with := drivenWith(t, idle), drivenWith(t, idle, code)
		was, is := probabilityOf(without, conditions...), probabilityOf(with, conditions...)
		if is <= was {
			t.Errorf("%s left conditions %v at %.3f, before %.3f", code, conditions, is, was)
		}
		if len(with.Codes) != 1 || with.Codes[0].Code != code || len(with.Codes[0].Favours) == 0 {
			t.Errorf("%s: the assessment says of it %+v", code, with.Codes)
		}
		// What is not favoured keeps its odds among each other.
		rest := func(v *assay.Assessment) float64 {
			return probabilityOf(v, assay.ConditionNoFault) / probabilityOf(v, assay.ConditionVehicleFactsWrong)
		}
		if a, b := rest(without), rest(with); math.Abs(a/b-1) > 1e-6 {
			t.Errorf("%s moved the odds of what it says nothing about from %.6f to %.6f", code, a, b)
		}
	}
}

func TestMixtureCodesOfOneBankSpeakForThatBank(t *testing.T) {
	one := assay.NoFacts()
	two := assay.NoFacts()
	two.Banks = 2
	for _, tc := range []struct {
		facts assay.Facts
		codes []string
		want  assay.Condition
	}{
		{one, []string{"P0171"}, assay.ConditionLeakAfterMeter},
		{two, []string{"P0171"}, assay.ConditionUnknown},
		{two, []string{"P0174"}, assay.ConditionUnknown},
		{two, []string{"P0174", "P0171"}, assay.ConditionLeakAfterMeter},
		{two, []string{"P0172", "P0175"}, assay.ConditionFuelRich},
		{one, []string{"P0172"}, assay.ConditionFuelRich},
	} {
		v := assay.New(withCodes(tc.facts, tc.codes...)).Assess()
		for _, u := range v.Codes {
			if !slices.ContainsFunc(u.Favours, func(f assay.CodeFavour) bool { return f.Condition == tc.want && f.Factor > 1 }) {
				t.Errorf("%v: %+v, want condition %d", tc.codes, u, tc.want)
			}
		}
	}
}

func TestOrderAndRepetitionOfCodesDoNotMatter(t *testing.T) {
	a := assay.New(withCodes(assay.NoFacts(), "P0101", "P0171", "P0174")).Assess()
	b := assay.New(withCodes(assay.NoFacts(), "P0174", "P0101", "P0171", "P0101")).Assess()
	if !slices.EqualFunc(a.Conditions, b.Conditions, func(x, y assay.ConditionProbability) bool {
		return x.Condition == y.Condition && x.Probability == y.Probability
	}) || len(a.Codes) != 3 || len(b.Codes) != 3 {
		t.Errorf("%+v and %+v", a.Codes, b.Codes)
	}
}
