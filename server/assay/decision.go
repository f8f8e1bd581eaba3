// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import (
	"cmp"
	"math"
	"slices"
)

// weighedState is one state of the world in a decision.
type weighedState struct {
	p     float64
	group int
	level int
	state fault
	// mean of the numbers of the test at hand, in the coordinates of their own covariance given the drive.
	z []float64
	// residual is L⁻¹ of what the drive measured less what the state predicts.
	residual []float64
}

// causeGroup is a cause as the decision sees it.
type causeGroup struct {
	condition Condition
	cause     Cause
	p         float64
	regret    []float64
	sees      Inspection
}

// decision is what there is to decide, and between which states.
type decision struct {
	r      *result
	groups []causeGroup
	states []weighedState
	levels [3]*levelCovariance
	// now is the least regret without another test, and the action that has it.
	now    float64
	chosen int
	scale  float64
	drawn  []drawn
}

// levelCovariance is the covariance of what was measured, for states that predict numbers and for those that do not.
type levelCovariance struct {
	chol matrix
	j    [][nuisanceCount]float64
}

// decide prepares the decision from the posterior.
func (r *result) decide() *decision {
	d := &decision{r: r, scale: 1}
	d.gatherStates()
	d.actions()
	p := make([]float64, len(d.groups))
	for g := range d.groups {
		p[g] = d.groups[g].p
	}
	d.now, d.chosen = d.least(p)
	d.measured()
	return d
}

// gatherStates keeps the likeliest states, so many that little is left out.
func (d *decision) gatherStates() {
	r := d.r
	index := map[[2]int]int{}
	for hi := range r.p.hs {
		h := &r.p.hs[hi]
		level := 0
		switch {
		case h.condition == ConditionMeterSignalFault && h.vague && h.extra > 0:
			level = 2
		case h.vague:
			level = 1
		}
		for si, p := range r.p.state[hi] {
			if p < 1e-6 {
				continue
			}
			c := r.conditionOf(hi, si)
			key := [2]int{int(c), int(h.cause)}
			g, ok := index[key]
			if !ok {
				g = len(d.groups)
				index[key] = g
				d.groups = append(d.groups, causeGroup{condition: c, cause: h.cause, sees: inspectionOf(c, h.cause)})
			}
			d.states = append(d.states, weighedState{p: p, group: g, level: level, state: h.states[si]})
		}
	}
	slices.SortStableFunc(d.states, func(x, y weighedState) int { return cmp.Compare(y.p, x.p) })
	kept, n := 0.0, 0
	for n < len(d.states) && n < statesWeighed && kept < 1-restWeighed {
		kept += d.states[n].p
		n++
	}
	d.states = d.states[:n]
	for i := range d.states {
		d.states[i].p /= kept
		d.groups[d.states[i].group].p += d.states[i].p
	}
	// Neighbours in the order of causes are drawn from in turn.
	slices.SortStableFunc(d.states, func(x, y weighedState) int { return cmp.Compare(x.group, y.group) })
}

// actions states the regret of everything that may be done, for each cause: leave alone, clean, replace, or look for
// one cause. Who looks in the wrong place has lost the time of it. No action is masked by probabilities, or the
// least regret would jump where it must not; what may never be done is left out.
func (d *decision) actions() {
	r := d.r
	targets := []Inspection{InspectUnspecified}
	for g := range d.groups {
		if i := d.groups[g].sees; !slices.Contains(targets, i) {
			targets = append(targets, i)
		}
	}
	cleanable := r.cleanable()
	for g := range d.groups {
		x := &d.groups[g]
		st := stateOf(x.condition, x.cause)
		if st == isDirty && !cleanable {
			st = isFailed
		}
		x.regret = append(x.regret, regrets[st][doLeave])
		if cleanable {
			x.regret = append(x.regret, regrets[st][doClean])
		}
		if r.a.hasMeter() {
			x.regret = append(x.regret, regrets[st][doReplace])
		}
		for _, i := range targets {
			lost := 0.0
			if st == isOther && i != x.sees {
				lost = regretPerMinute * lookOf(x.sees).minutes
				if i != InspectUnspecified {
					lost = regretPerMinute * lookOf(i).minutes
				}
			}
			x.regret = append(x.regret, regrets[st][doInspect]+lost)
		}
	}
}

// least regret over all actions for probabilities of the groups, and the action.
func (d *decision) least(p []float64) (regret float64, action int) {
	regret = math.Inf(1)
	if len(d.groups) == 0 {
		return 0, 0
	}
	for a := range d.groups[0].regret {
		if e := d.expected(p, a); e < regret {
			regret, action = e, a
		}
	}
	return regret, action
}

func (d *decision) expected(p []float64, action int) float64 {
	e := 0.0
	for g := range d.groups {
		e += p[g] * d.groups[g].regret[action]
	}
	return e
}
