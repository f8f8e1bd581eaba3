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

// saneTests returns what is wrong with the proposed tests, whatever the samples were.
func saneTests(v *assay.Assessment) error {
	if v.Conclusive && len(v.NextTests) > 0 {
		return fmt.Errorf("a firm verdict asks for %d more tests", len(v.NextTests))
	}
	for i, x := range v.NextTests {
		set := 0
		for _, is := range []bool{x.Manoeuvre != assay.ManoeuvreUnspecified, x.Inspection != assay.InspectUnspecified, x.Fact != ""} {
			if is {
				set++
			}
		}
		switch {
		case set != 1:
			return fmt.Errorf("test %+v is of %d kinds", x, set)
		case !finite(x.Reduction) || x.Reduction <= 0 || x.Reduction > 1.5 || !(x.Minutes > 0):
			return fmt.Errorf("test %+v promises what no test can", x)
		case i > 0 && x.Reduction/x.Minutes > v.NextTests[i-1].Reduction/v.NextTests[i-1].Minutes:
			return fmt.Errorf("tests are not in order of what they promise a minute")
		case x.Fact == "" && len(x.Cautions) == 0:
			return fmt.Errorf("test %+v comes without a caution", x)
		case len(x.TellsApart) != 0 && (len(x.TellsApart) != 2 || x.TellsApart[0].Condition == x.TellsApart[1].Condition && x.TellsApart[0].Cause == x.TellsApart[1].Cause):
			return fmt.Errorf("test %+v tells nothing apart", x)
		}
	}
	return nil
}

// interim calls check with the assessment at every tenth of the drive.
func interim(d *assaytest.Drive, check func(at int, v *assay.Assessment)) {
	a := d.Start()
	for i, s := range d.Samples {
		if i%(len(d.Samples)/10+1) == 0 {
			check(i, a.Assess())
		}
		a.Push(s)
	}
	check(len(d.Samples), a.Assess())
}

func TestNextTestsPromiseNoneOrNonsense(t *testing.T) {
	proposed := 0
	for _, r := range rows() {
		r.spec.Rate = 12
		interim(assaytest.Make(r.spec), func(at int, v *assay.Assessment) {
			if err := saneTests(v); err != nil {
				t.Errorf("%s after %d samples: %v", r.name, at, err)
			}
			proposed += len(v.NextTests)
		})
	}
	if proposed < 100 {
		t.Errorf("only %d tests were proposed in all drives", proposed)
	}
}

// partial drives leave a verdict open.
func partial(kinds ...assay.ManoeuvreKind) []assaytest.Spec {
	var out []assaytest.Spec
	for _, f := range []assaytest.Fault{{}, {Gain: -0.10}, {LeakMM: 1.5}, {FilterKPa: 4}, {ExhaustLoss: 0.15}} {
		out = append(out, assaytest.Spec{Seed: 51, Rate: 20, Fault: f, Only: kinds, Meter: assay.TechnologyHotFilm})
	}
	return out
}

func promised(v *assay.Assessment, k assay.ManoeuvreKind) float64 {
	for _, x := range v.NextTests {
		if x.Manoeuvre == k {
			return x.Reduction
		}
	}
	return 0
}

// What was driven well has told what it can.
func TestManoeuvreThatWasDrivenWellPromisesAsMuchAsBefore(t *testing.T) {
	const koeo, idle, cruise, pull = assay.ManoeuvreKeyOnEngineOff, assay.ManoeuvreWarmIdle, assay.ManoeuvreSteadyCruise, assay.ManoeuvreFullLoadPull
	for _, c := range []struct {
		k             assay.ManoeuvreKind
		without, with []assay.ManoeuvreKind
	}{
		{pull, []assay.ManoeuvreKind{koeo, idle}, []assay.ManoeuvreKind{koeo, idle, cruise, pull}},
		{cruise, []assay.ManoeuvreKind{koeo, idle}, []assay.ManoeuvreKind{koeo, idle, cruise}},
	} {
		before, after := 0.0, 0.0
		for _, s := range partial(c.without...) {
			before += promised(assaytest.Make(s).Assess(), c.k)
		}
		for _, s := range partial(c.with...) {
			after += promised(assaytest.Make(s).Assess(), c.k)
		}
		if before <= 0 || after > 0.35*before {
			t.Errorf("manoeuvre %d promises %.3f before it was driven and %.3f after", c.k, before, after)
		}
	}
}

// A signal that is not there cannot be tested by.
func TestTestOfASignalThatIsNotRecordedIsProposed(t *testing.T) {
	for _, s := range partial(assay.ManoeuvreKeyOnEngineOff, assay.ManoeuvreWarmIdle) {
		s.Omit = []string{assaytest.PathMAF, assaytest.PathShortTrim1, assaytest.PathLongTrim1, assaytest.PathLambda1, assaytest.PathIAT, assaytest.PathLoad}
		v := assaytest.Make(s).Assess()
		for _, x := range v.NextTests {
			switch x.Manoeuvre {
			case assay.ManoeuvreRaisedIdle, assay.ManoeuvreSteadyCruise, assay.ManoeuvreHighLoad, assay.ManoeuvreColdSoak:
				t.Errorf("%+v: %+v is proposed without a signal that it moves", s.Fault, x)
			}
		}
	}
}

func TestInspectionThatWasMadeIsProposedAgain(t *testing.T) {
	for _, s := range partial(assay.ManoeuvreKeyOnEngineOff, assay.ManoeuvreWarmIdle, assay.ManoeuvreSteadyCruise) {
		d := assaytest.Make(s)
		for _, x := range d.Assess().NextTests {
			if x.Inspection == assay.InspectUnspecified {
				continue
			}
			for _, o := range []assay.InspectionOutcome{assay.OutcomeSound, assay.OutcomeFaulty} {
				e := *d
				e.Facts.Inspections = []assay.InspectionResult{{Inspection: x.Inspection, Outcome: o}}
				v := e.Assess()
				if slices.ContainsFunc(v.NextTests, func(y assay.NextTest) bool { return y.Inspection == x.Inspection }) {
					t.Errorf("%+v: inspection %d is proposed after it was made", s.Fault, x.Inspection)
				}
			}
		}
	}
}

// Somebody is driving: full load comes after the warm engine was seen at less.
func TestFullLoadIsAskedOfAnEngineThatNobodySawWarm(t *testing.T) {
	gentle := []assay.ManoeuvreKind{
		assay.ManoeuvreWarmIdle, assay.ManoeuvreRaisedIdle, assay.ManoeuvreSteadyCruise, assay.ManoeuvreHighLoad, assay.ManoeuvreFullLoadPull,
	}
	for _, spec := range []assaytest.Spec{{Seed: 61, Rate: 12}, {Seed: 61, Rate: 12, ColdSoak: true}, {Seed: 62, Rate: 12, Fault: assaytest.Fault{Gain: -0.15}, Omit: []string{assaytest.PathCoolant}}} {
		interim(assaytest.Make(spec), func(at int, v *assay.Assessment) {
			driven := slices.ContainsFunc(v.Manoeuvres, func(m assay.Manoeuvre) bool { return m.Used && slices.Contains(gentle, m.Kind) })
			for _, x := range v.Advice {
				if x.Action == assay.ActionDriveAgain && x.Manoeuvre == assay.ManoeuvreFullLoadPull && !driven {
					t.Errorf("%+v after %d samples: a pull is asked for first", spec, at)
				}
			}
		})
	}
}

// The first thing that an empty session is told is something to drive, and nothing that can hurt.
func TestEmptySessionIsSentToTheWorkshopOrToFullLoad(t *testing.T) {
	for name, v := range map[string]*assay.Assessment{
		"declared": assaytest.Make(assaytest.Spec{}).Start().Assess(), "nothing": assay.New(assay.NoFacts()).Assess(),
	} {
		harmless := []assay.ManoeuvreKind{assay.ManoeuvreKeyOnEngineOff, assay.ManoeuvreWarmIdle}
		if a := v.Advice[0]; a.Action != assay.ActionDriveAgain || !slices.Contains(harmless, a.Manoeuvre) {
			t.Errorf("%s: the first advice is %+v", name, a)
		}
	}
}
