// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package truth

import (
	"reflect"
	"testing"

	"github.com/airassay/airassay/plugins/simulator/link"
)

func plan(t *testing.T, seeds string) *Plan {
	t.Helper()
	p, err := NewPlan(seeds)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestPublishedRunLacksACombinationOfFaultSeverityAndLink(t *testing.T) {
	p := plan(t, "dev")
	type combination struct {
		condition, link string
		severity        int
	}
	seen := map[combination]int{}
	kinds := map[Kind]int{}
	subsets := map[string]int{}
	for i := range 2000 {
		it := p.Item(i)
		kinds[it.Kind]++
		subsets[it.Subset]++
		if it.Kind == SingleFault {
			seen[combination{it.Options.Condition, it.Options.Link, int(it.Options.Severity)}]++
		}
	}
	conditions := map[string]bool{}
	for _, c := range faulty {
		conditions[c] = true
		for _, s := range severities {
			for _, l := range link.Classes {
				if seen[combination{c, l.Name, int(s)}] < 2 {
					t.Errorf("%s, %s at %s: %d cases, want at least 2", c, s, l.Name, seen[combination{c, l.Name, int(s)}])
				}
			}
		}
	}
	if len(conditions) != len(Conditions)-1 {
		t.Errorf("%d conditions are faults, want all %d but no fault", len(conditions), len(Conditions)-1)
	}
	for _, k := range Kinds {
		if kinds[k] < 80 {
			t.Errorf("%s: %d cases, want at least 80", k, kinds[k])
		}
	}
	for _, s := range Subsets {
		if subsets[s.Name] < 60 {
			t.Errorf("subset %s: %d cases, want at least 60", s.Name, subsets[s.Name])
		}
	}
}

func TestLongerRunHasOtherCasesThanAShorterOne(t *testing.T) {
	p := plan(t, "dev")
	for _, i := range []int{0, 1, 24, 25, 1999} {
		q, index, err := ParseID(p.Item(i).ID)
		if err != nil || index != i {
			t.Fatalf("id %s reads as %d, %v", p.Item(i).ID, index, err)
		}
		if a, b := p.Item(i), q.Item(index); !reflect.DeepEqual(a, b) {
			t.Errorf("case %d is %+v, and by its id %+v", i, a, b)
		}
		it, again := p.Item(i), p.Item(i)
		if a, b := it.Draw(), again.Draw(); !reflect.DeepEqual(a, b) {
			t.Errorf("case %d is drawn differently each time", i)
		}
	}
}

func TestTestSeedsShareACaseWithThoseOfDevelopment(t *testing.T) {
	dev, test := plan(t, "dev"), plan(t, TestSeeds)
	seeds := map[uint64]string{}
	for i := range 10000 {
		for _, p := range []*Plan{dev, test} {
			it := p.Item(i)
			if other := seeds[it.Seed]; other != "" {
				t.Fatalf("%s and %s have one seed", other, it.ID)
			}
			seeds[it.Seed] = it.ID
		}
	}
}

func TestPlaceOfACaseCountsItsKindWrongly(t *testing.T) {
	p := plan(t, "dev")
	counts := map[Kind]int{}
	for i := range 3 * len(pattern) {
		kind, k := p.place(i)
		if k != counts[kind] {
			t.Fatalf("case %d is number %d of %s, want %d", i, k, kind, counts[kind])
		}
		counts[kind]++
	}
	want := map[Kind]int{Sound: 21, SingleFault: 33, DoubleFault: 6, WrongFact: 3, Insufficient: 12}
	if !reflect.DeepEqual(counts, want) {
		t.Errorf("75 cases are %v, want %v", counts, want)
	}
}

func TestUnusableNamesAreTaken(t *testing.T) {
	for _, seeds := range []string{"", "Dev", "a b", "1", "averyveryverylongname"} {
		if _, err := NewPlan(seeds); err == nil {
			t.Errorf("seeds %q are taken", seeds)
		}
	}
	for _, id := range []string{"", "dev", "dev-", "dev-x", "dev--1", "dev-99999999999", "-1"} {
		if _, _, err := ParseID(id); err == nil {
			t.Errorf("id %q is taken", id)
		}
	}
}

func TestSubsetHidesTheSensorThatIsWrong(t *testing.T) {
	p := plan(t, "dev")
	for i := range 4000 {
		it := p.Item(i)
		for _, path := range it.Options.Without {
			if it.Options.Condition == "CONDITION_MANIFOLD_PRESSURE_FAULT" && path == "MAP" ||
				it.Options.Condition == "CONDITION_BAROMETER_FAULT" && path == "BarometricPressure" {
				t.Errorf("%s: %s without %s", it.ID, it.Options.Condition, path)
			}
		}
	}
}
