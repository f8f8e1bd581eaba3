// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import (
	"cmp"
	"math"
	"slices"
)

// maxPredictions of one alternative are listed: those that decide most.
const maxPredictions = 6

// failsAt is the share, in nats, from which evidence is said to speak against an explanation: odds of 3 to 2.
const failsAt = 0.405

// alternatives says of each explanation but the leading one what it would have shown, and where it failed.
func (r *result) alternatives(all []explained) {
	if len(r.fs) == 0 {
		return
	}
	byCondition := map[Condition]*explained{}
	for k := range all {
		byCondition[r.conditionOfState(&all[k])] = &all[k]
	}
	var lead *explained
	for _, c := range r.out.Conditions {
		if x := byCondition[c.Condition]; x != nil {
			lead = x
			break
		}
	}
	first := r.out.Conditions[0].Condition
	for _, c := range r.out.Conditions {
		x := byCondition[c.Condition]
		if x == nil || c.Condition == first {
			continue
		}
		r.out.Alternatives = append(r.out.Alternatives, r.alternative(x, lead, c))
	}
}

func (r *result) conditionOfState(x *explained) Condition {
	if x.hi == none {
		return ConditionNoFault
	}
	return r.conditionOf(x.hi, x.si)
}

func (r *result) alternative(x, lead *explained, c ConditionProbability) Alternative {
	a := Alternative{Condition: c.Condition, Cause: CauseNone, Probability: c.Probability, Failed: -1}
	if x.hi != none {
		h := &r.p.hs[x.hi]
		a.Cause, a.Bank = h.cause, h.bank
		a.Magnitudes = r.magnitudes(&h.states[x.si])
	}
	for i := range r.fs {
		share := x.shares[i] - lead.shares[i]
		a.LogRatio += share
		f := &r.fs[i]
		a.Predictions = append(a.Predictions, Prediction{Evidence: r.place[i], Predicted: f.shownPredicted(x.predicted[i] + r.shiftOf(i)), Share: share})
	}
	slices.SortStableFunc(a.Predictions, func(p, q Prediction) int {
		return cmp.Or(cmp.Compare(math.Abs(q.Share), math.Abs(p.Share)), cmp.Compare(p.Evidence, q.Evidence))
	})
	a.Predictions = slices.Clip(a.Predictions[:min(len(a.Predictions), maxPredictions)])
	slices.SortStableFunc(a.Predictions, func(p, q Prediction) int { return cmp.Compare(p.Share, q.Share) })
	if worst := a.Predictions[0]; worst.Share <= -failsAt {
		a.Failed = worst.Evidence
	}
	return a
}

// shiftOf is how far reference drives move what is expected of a feature.
func (r *result) shiftOf(i int) float64 {
	if r.p.learned == nil {
		return 0
	}
	return r.p.learned.shift[i]
}

// shownPredicted turns what was predicted into what is shown.
func (f *feature) shownPredicted(y float64) float64 {
	if f.kind == featSoak || f.kind == featSoakSensor {
		return y
	}
	return f.shown(y)
}

// magnitudes states the size of a fault in the quantities of the trade.
func (r *result) magnitudes(s *fault) (out []Magnitude) {
	add := func(is bool, k MagnitudeKind, v float64, unit string) {
		if is && known(v) && !math.IsInf(v, 0) {
			out = append(out, Magnitude{Kind: k, Value: v, Unit: unit})
		}
	}
	if s.gain != 0 || s.tilt != 0 || s.mf > 0 || s.offset != 0 || s.duct != 0 || s.boostLoss != 0 {
		add(r.top > 0, MagnitudeMeterErrorAtHighestFlow, percentOf(r.m.totalMeterError(s, math.Max(r.top, r.m.idleFlow))), "%")
		add(s.tilt != 0 || s.mf > 0 || s.offset != 0, MagnitudeMeterErrorAtIdle, percentOf(r.m.totalMeterError(s, r.m.idleFlow)), "%")
	}
	add(s.leak != 0, MagnitudeLeakFlow, s.leak, "g/s")
	add(s.restrict != 0 || s.throttle != 0, MagnitudePressureLost, s.restrict+s.throttle, "kPa")
	add(s.exhaust != 0, MagnitudeFillingLost, 100*s.exhaust, "%")
	timing := math.Min(s.timingLow, s.timingHigh)
	add(timing != 0, MagnitudeFillingLost, -percentOf(timing), "%")
	add(s.fuel != 0, MagnitudeFuelMissing, -percentOf(-s.fuel), "%")
	add(s.pump != 0, MagnitudeFuelMissingAtRatedFlow, -percentOf(-s.pump), "%")
	add(s.vapour != 0, MagnitudeVapour, s.vapour, "g/s")
	add(s.intake != 0, MagnitudeTemperatureError, s.intake, "K")
	add(s.manifold != 0 || s.barometer != 0, MagnitudePressureError, s.manifold+s.barometer, "kPa")
	add(s.manifoldGain != 0, MagnitudePressureErrorShare, percentOf(s.manifoldGain), "%")
	add(s.displacement != 0, MagnitudeDisplacementError, percentOf(s.displacement), "%")
	add(s.falseLean != 0, MagnitudeFalseLean, percentOf(s.falseLean), "%")
	add(s.recirculated != 0, MagnitudeRecirculated, 100*s.recirculated, "%")
	add(s.oneBank != 0, MagnitudeOneBank, -percentOf(-s.oneBank), "%")
	return out
}

// placeEvidence brings the evidence into its order of presentation and notes where each feature's went.
func (r *result) placeEvidence() {
	order := make([]int, len(r.out.Evidence))
	for i := range order {
		order[i] = i
	}
	es := r.out.Evidence
	slices.SortStableFunc(order, func(a, b int) int {
		return cmp.Or(cmp.Compare(es[a].Kind, es[b].Kind), cmp.Compare(or(es[a].Flow, 0), or(es[b].Flow, 0)))
	})
	sorted := make([]Evidence, 0, len(es))
	r.place = make([]int, len(es))
	for at, i := range order {
		sorted = append(sorted, es[i])
		r.place[i] = at
	}
	r.out.Evidence = sorted
}
