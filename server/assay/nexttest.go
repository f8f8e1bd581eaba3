// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import (
	"cmp"
	"slices"
)

const (
	// worthTesting is the fall of the expected regret below which a test is not proposed: a hundredth of the price of
	// a sensor would not pay for the first minute of anybody.
	worthTesting = 0.01
	// maxNextTests are listed.
	maxNextTests = 6
)

// nextTests ranks what would lower the regret of the best action most for each minute, where the verdict is not firm.
func (r *result) nextTests() {
	if r.out.Conclusive || len(r.a.captures) == 0 {
		return
	}
	d := r.decide()
	if len(d.states) == 0 {
		return
	}
	var out []NextTest
	add := func(t NextTest, w worth) {
		if w.reduction < worthTesting {
			return
		}
		t.Reduction, t.TellsApart = w.reduction, w.apart
		t.Cautions = r.testCautions(&t)
		out = append(out, t)
	}
	runs := r.testRuns()
	for i := range runs {
		t := &runs[i]
		add(NextTest{Manoeuvre: t.manoeuvre, Fact: t.fact, Minutes: t.minutes}, d.worthOf(t))
	}
	for i := InspectDuctBetweenMeterAndThrottle; i <= InspectInjectorsOfOneBank; i++ {
		if !d.concerns(i) || r.a.facts.outcome(i) != OutcomeUnspecified {
			continue
		}
		l := lookOf(i)
		add(NextTest{Inspection: i, Minutes: l.minutes}, d.worthOfLook(i, l))
	}
	slices.SortStableFunc(out, func(x, y NextTest) int { return cmp.Compare(y.perMinute(), x.perMinute()) })
	r.out.NextTests = slices.Clip(out[:min(len(out), maxNextTests)])
}

func (t *NextTest) perMinute() float64 { return t.Reduction / t.Minutes }

// concerns: the inspection sees a cause that is not ruled out.
func (d *decision) concerns(i Inspection) bool {
	return slices.ContainsFunc(d.groups, func(g causeGroup) bool { return g.shows(i) })
}

// testCautions are those of the advice to do the test.
func (r *result) testCautions(t *NextTest) []Caution {
	switch {
	case t.Manoeuvre != ManoeuvreUnspecified:
		return r.cautions(&Advice{Action: ActionDriveAgain, Manoeuvre: t.Manoeuvre})
	case t.Inspection != InspectUnspecified:
		return r.cautions(&Advice{Action: ActionInspect, Inspection: t.Inspection})
	}
	return nil
}

// adviseBestTest puts the test first that promises most for each minute, where the verdict is not firm although the
// basic drive was driven. Before that the drive comes first, whatever an inspection would tell.
func (r *result) adviseBestTest() {
	if r.out.Conclusive || r.gateFailed() || len(r.out.NextTests) == 0 {
		return
	}
	// A fact is asked for among what is missing.
	i := slices.IndexFunc(r.out.NextTests, func(t NextTest) bool { return t.Fact == "" })
	if i >= 0 && r.out.NextTests[i].Inspection != InspectUnspecified {
		see := r.out.NextTests[i].Inspection
		c := r.seenBy(see)
		action := ActionInspect
		if see == InspectMeterWiring {
			action = ActionRepairWiring
		}
		r.add(Advice{Action: action, Sensor: sensorOf(c), Inspection: see, Condition: c, Regret: r.expectedRegrets()[doInspect]})
	}
	if r.bestDrive() != ManoeuvreUnspecified {
		r.adviseDrive()
	}
}

// seenBy is the likeliest condition with a cause that the inspection sees.
func (r *result) seenBy(i Inspection) Condition {
	best, top := r.out.Conditions[0].Condition, 0.0
	for _, c := range r.out.Conditions {
		for _, k := range c.Causes {
			if inspectionOf(c.Condition, k.Cause) == i && k.Probability > top {
				best, top = c.Condition, k.Probability
			}
		}
	}
	return best
}

// bestDrive is the manoeuvre that promises most for each minute.
func (r *result) bestDrive() ManoeuvreKind {
	for i := range r.out.NextTests {
		if k := r.out.NextTests[i].Manoeuvre; k != ManoeuvreUnspecified {
			return k
		}
	}
	return ManoeuvreUnspecified
}

// nextDrive is what to drive next: the manoeuvre that promises most where the verdict is not firm, unless what was
// driven so far cannot be used at all; then, and where none promises anything, what is missing most. Full load is never
// asked of an engine that nobody has seen warm.
func (r *result) nextDrive() ManoeuvreKind {
	for _, g := range r.missing() {
		if g.Manoeuvre == ManoeuvreUnspecified {
			continue
		}
		best := r.bestDrive()
		if best == ManoeuvreFullLoadPull && !r.drivenGently() {
			best = ManoeuvreWarmIdle
		}
		switch {
		case g.Kind == GapWarmEngine || g.Kind == GapSimultaneity && r.warm():
			return g.Manoeuvre
		case best != ManoeuvreUnspecified:
			return best
		case g.Manoeuvre == ManoeuvreFullLoadPull && (!r.warm() || !r.drivenGently()):
			return ManoeuvreWarmIdle
		}
		return g.Manoeuvre
	}
	return ManoeuvreUnspecified
}

// drivenGently: the warm engine was seen at idle or at part load. Full load is never the first thing asked of it.
func (r *result) drivenGently() bool {
	for _, k := range [...]ManoeuvreKind{ManoeuvreWarmIdle, ManoeuvreRaisedIdle, ManoeuvreSteadyCruise, ManoeuvreHighLoad, ManoeuvreFullLoadPull} {
		if r.a.usedCount(k) > 0 {
			return true
		}
	}
	return false
}
