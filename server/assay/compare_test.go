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

func compared(t *testing.T, before, after *assaytest.Drive) *assay.Comparison {
	t.Helper()
	b, a := assay.New(assay.ReferenceFacts(after.Facts, before.Facts)), after.Start()
	if err := b.Declare(1, before.Clock, before.Defs); err != nil {
		t.Fatal(err)
	}
	for _, s := range before.Samples {
		b.Push(s)
	}
	for _, s := range after.Samples {
		a.Push(s)
	}
	return assay.Compare(b, a)
}

func outlineOf(c *assay.Comparison) string {
	var b strings.Builder
	fmt.Fprintf(&b, "outcome %d better %.3f same %.3f worse %.3f before %.1f after %.1f change %.1f concerns %v\n", c.Outcome, c.Better, c.Same, c.Worse, c.Before, c.After, c.Change, c.Concerns)
	for _, m := range c.Meter {
		fmt.Fprintf(&b, "  %5.1f g/s before %+.1f after %+.1f change %+.1f\n", m.Flow, m.Before, m.After, m.Change)
	}
	for i := range min(3, len(c.ConditionsAfter)) {
		fmt.Fprintf(&b, "  before %d %.2f, after %d %.2f\n", c.ConditionsBefore[i].Condition, c.ConditionsBefore[i].Probability, c.ConditionsAfter[i].Condition, c.ConditionsAfter[i].Probability)
	}
	return b.String()
}

func repair(before, after assaytest.Fault, seed uint64) (b, a *assaytest.Drive) {
	return assaytest.Make(assaytest.Spec{Seed: seed, Fault: before, Meter: assay.TechnologyHotWire}),
		assaytest.Make(assaytest.Spec{Seed: seed + 1000, Fault: after, Meter: assay.TechnologyHotWire})
}

func TestOutcomeOfARepairIsWhatWasDone(t *testing.T) {
	type F = assaytest.Fault
	dirty := F{DirtDelta: 0.119, DirtFlow: 7178}
	for name, x := range map[string]struct {
		before, after F
		want          assay.ComparisonOutcome
	}{
		"cleaned":            {dirty, F{}, assay.ComparedRestored},
		"replaced":           {F{Gain: -0.2}, F{}, assay.ComparedRestored},
		"leak sealed":        {F{LeakMM: 3}, F{}, assay.ComparedRestored},
		"filter changed":     {F{FilterKPa: 8}, F{}, assay.ComparedRestored},
		"cleaned half":       {F{Gain: -0.25}, F{Gain: -0.12}, assay.ComparedPartly},
		"nothing helped":     {F{Gain: -0.2}, F{Gain: -0.2}, assay.ComparedUnchanged},
		"nothing was wrong":  {F{}, F{}, assay.ComparedUnchanged},
		"leak left as it is": {F{LeakMM: 2}, F{LeakMM: 2}, assay.ComparedUnchanged},
		"seal pinched":       {F{}, F{LeakMM: 3}, assay.ComparedWorse},
		"wrong part":         {F{}, F{Gain: 0.2}, assay.ComparedWorse},
	} {
		for seed := range uint64(2) {
			b, a := repair(x.before, x.after, 700+seed)
			if c := compared(t, b, a); c.Outcome != x.want {
				t.Errorf("%s: want %d\n%s", name, x.want, outlineOf(c))
			}
		}
	}
}

func TestDriveComparedWithItselfIsUnchanged(t *testing.T) {
	for _, f := range []assaytest.Fault{{}, {Gain: -0.2}, {DirtDelta: 0.119, DirtFlow: 7178}, {LeakMM: 3}} {
		d := assaytest.Make(assaytest.Spec{Seed: 720, Fault: f, Meter: assay.TechnologyHotWire})
		c := compared(t, d, d)
		if c.Outcome != assay.ComparedUnchanged {
			t.Errorf("%+v: %s", f, outlineOf(c))
		}
		for _, m := range c.Meter {
			if m.Change.Low > 0 || m.Change.High < 0 {
				t.Errorf("%+v: %s", f, outlineOf(c))
			}
		}
	}
}

// What is better one way is worse the other way round.
func TestOrderReversedReversesTheOutcome(t *testing.T) {
	for seed, f := range []assaytest.Fault{{Gain: -0.2}, {LeakMM: 3}, {Gain: 0.15}} {
		b, a := repair(f, assaytest.Fault{}, 730+uint64(seed))
		forth, back := compared(t, b, a), compared(t, a, b)
		if forth.Outcome != assay.ComparedRestored || back.Outcome != assay.ComparedWorse {
			t.Errorf("%+v:\n%s%s", f, outlineOf(forth), outlineOf(back))
		}
	}
}

func TestMeterChangeHoldsTheTruth(t *testing.T) {
	held, all := 0, 0
	for seed, gain := range []float64{-0.25, -0.15, 0.15, -0.1, 0} {
		b, a := repair(assaytest.Fault{Gain: gain}, assaytest.Fault{}, 740+uint64(seed))
		c := compared(t, b, a)
		for _, m := range c.Meter {
			all++
			if m.Change.Low <= -100*gain && -100*gain <= m.Change.High {
				held++
			}
		}
		t.Log(outlineOf(c))
	}
	t.Logf("%d of %d intervals hold the change", held, all)
	if all == 0 || float64(held) < 0.75*float64(all) {
		t.Errorf("only %d of %d 90 %% intervals hold the change", held, all)
	}
}

func concerns(c *assay.Comparison) []assay.ComparisonConcern {
	var ks []assay.ComparisonConcern
	for _, x := range c.Concerns {
		ks = append(ks, x.Kind)
	}
	return ks
}

func TestDrivesThatSayNothingOfEachOtherAreNotCompared(t *testing.T) {
	sound := assaytest.Make(assaytest.Spec{Seed: 750})
	idle := assaytest.Make(assaytest.Spec{Seed: 751, Only: []assay.ManoeuvreKind{assay.ManoeuvreKeyOnEngineOff, assay.ManoeuvreWarmIdle}})
	small := assaytest.Make(assaytest.Spec{Seed: 752, EnteredLitres: 1.4})
	for name, x := range map[string]struct {
		c    *assay.Comparison
		want assay.ComparisonConcern
	}{
		"only idled":   {compared(t, sound, idle), assay.ConcernNoCommonFlow},
		"other engine": {direct(small, sound), assay.ConcernOtherEngine},
	} {
		if x.c.Outcome != assay.ComparedNotComparable || !slices.Contains(concerns(x.c), x.want) {
			t.Errorf("%s: want concern %d\n%s", name, x.want, outlineOf(x.c))
		}
	}
	if c := compared(t, sound, idle); len(c.Gaps) == 0 {
		t.Error("nobody says what must be driven")
	}
}

// direct compares without making the engines equal.
func direct(before, after *assaytest.Drive) *assay.Comparison {
	b, a := before.Start(), after.Start()
	for _, s := range before.Samples {
		b.Push(s)
	}
	for _, s := range after.Samples {
		a.Push(s)
	}
	return assay.Compare(b, a)
}

// Trims after codes were cleared are not what they will be: they must not count as an improvement.
func TestErasedTrimsAreNoEvidenceOfARepair(t *testing.T) {
	b, a := repair(assaytest.Fault{Gain: -0.2}, assaytest.Fault{Gain: -0.2}, 760)
	erased := *a
	erased.Defs = append(slices.Clone(a.Defs), assay.SignalDef{Path: "Vehicle.OBD.TimeSinceDTCCleared", Unit: "min"})
	erased.Samples = nil
	for i, s := range a.Samples {
		switch a.Defs[s.Signal].Path {
		case assaytest.PathShortTrim1, assaytest.PathLongTrim1:
			s.Value = 0
		}
		if i%200 == 0 {
			x := s
			x.Signal, x.Value = int32(len(erased.Defs)-1), 5
			erased.Samples = append(erased.Samples, x)
		}
		erased.Samples = append(erased.Samples, s)
	}
	c := compared(t, b, &erased)
	if !slices.Contains(concerns(c), assay.ConcernTrimsNotLearnedAfter) || c.Outcome == assay.ComparedRestored || c.Outcome == assay.ComparedPartly {
		t.Error(outlineOf(c))
	}
	if !slices.ContainsFunc(c.Gaps, func(g assay.GapItem) bool { return g.Kind == assay.GapLearnedTrims }) {
		t.Errorf("nobody says what must be driven: %v", c.Gaps)
	}
}
