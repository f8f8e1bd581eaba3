// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import (
	"cmp"
	"math"
	"slices"
)

// presentation is how a kind of feature is shown.
type presentation struct {
	kind  EvidenceKind
	unit  string
	ratio bool
}

var presentations = map[featureKind]presentation{
	featAir:          {EvidenceAirRatio, "%", true},
	featFuel:         {EvidenceFuelTrim, "%", true},
	featRate:         {EvidenceFuelRate, "%", true},
	featLambda:       {EvidenceFullLoadLambda, "%", true},
	featDeficit:      {EvidenceManifoldDeficit, "%", false},
	featTable:        {EvidenceControlUnitVolumetricEfficiency, "%", false},
	featDisplacement: {EvidenceControlUnitDisplacement, "L", false},
	featRestGap:      {EvidenceManifoldPressureAtRest, "kPa", false},
	featRestFlow:     {EvidenceMeterAtRest, "g/s", false},
	featBaro:         {EvidenceBarometerAgainstAltitude, "kPa", false},
	featSoak:         {EvidenceAirTemperatureAtColdSoak, "K", false},
	featSoakSensor:   {EvidenceAirTemperatureAtColdSoak, "K", false},
	featRoad:         {EvidenceAirTemperatureOnTheRoad, "K", false},
	featRoadSensor:   {EvidenceAirTemperatureOnTheRoad, "K", false},
	featBank:         {EvidenceBankDifference, "%", true},
	featMeters:       {EvidenceMeterDifference, "%", true},
	featLoad:         {EvidenceCalculatedLoad, "%", false},
}

// perUnit turns one unit of y into the unit that is shown.
func (f *feature) perUnit() float64 {
	switch f.kind {
	case featDeficit:
		return 100
	case featTable:
		return 100 * f.expected
	case featDisplacement:
		return -f.expected
	case featLoad:
		return f.expected
	}
	return 1
}

// shown turns a value of y into the value that is shown.
func (f *feature) shown(y float64) float64 {
	switch {
	case presentations[f.kind].ratio:
		return percentOf(y)
	case f.kind == featDeficit:
		return 100 * (f.expected + y)
	case f.kind == featTable:
		return 100 * f.expected * math.Exp(y)
	case f.kind == featDisplacement:
		return f.expected * math.Exp(-y)
	case f.kind == featLoad:
		return f.expected * math.Exp(y)
	}
	return f.expected + y
}

// shownExpected: what a sound vehicle shows, in the unit that is shown; shift is what
// reference drives have taught of it.
func (f *feature) shownExpected(shift float64) float64 {
	if f.kind == featSoak || f.kind == featSoakSensor {
		return shift
	}
	return f.shown(shift)
}

func (f *feature) shownMeasured() float64 {
	if f.kind == featSoak || f.kind == featSoakSensor {
		return f.y
	}
	return f.shown(f.y)
}

func (r *result) evidence() {
	leading := r.leadingStates(3)
	all := r.explainAll()
	for i := range r.fs {
		f := &r.fs[i]
		pr := presentations[f.kind]
		j := r.m.nuisances(f)
		common := 0.0
		for _, x := range j {
			common += x * x
		}
		own, shift := r.m.ownSD(f), 0.0
		if k := r.p.learned; k != nil {
			shift, common, own = k.shift[i], sq(k.sd[i]), 0
		}
		scale := math.Abs(f.perUnit())
		if pr.ratio {
			scale = 100
		}
		e := Evidence{
			Kind: pr.kind, Unit: pr.unit, Manoeuvre: manoeuvreOf(f), Measured: f.shownMeasured(), Expected: f.shownExpected(shift),
			MeasuredSD: scale * f.sd, ExpectedSD: scale * math.Sqrt(math.Max(0, common+sq(own)-sq(f.sd))), Samples: f.n,
			Flow: math.NaN(), RPM: math.NaN(), PressureKPa: math.NaN(), Counted: true,
		}
		if hasPoint(f.kind) {
			e.Flow, e.RPM, e.PressureKPa = f.flow, f.rpm, f.pressure
			if f.pseudo {
				e.PressureKPa = math.NaN()
			}
		}
		e.Leanings = r.leanings(f, leading, shift, math.Sqrt(common+sq(own)))
		r.shareLeanings(e.Leanings, all, i)
		r.out.Evidence = append(r.out.Evidence, e)
	}
	r.uncounted()
	r.placeEvidence()
	r.alternatives(all)
}

func hasPoint(k featureKind) bool {
	switch k {
	case featAir, featFuel, featRate, featLambda, featDeficit, featLoad, featMeters:
		return true
	}
	return false
}

func manoeuvreOf(f *feature) ManoeuvreKind {
	switch f.kind {
	case featLambda, featDeficit, featLoad:
		return ManoeuvreFullLoadPull
	case featRestFlow, featRestGap:
		return ManoeuvreKeyOnEngineOff
	case featSoak, featSoakSensor:
		return ManoeuvreColdSoak
	case featAir, featRate, featMeters, featFuel:
		if f.class == fullLoad {
			return ManoeuvreFullLoadPull
		}
		if f.rpm < 1000 {
			return ManoeuvreWarmIdle
		}
		return ManoeuvreSteadyCruise
	}
	return ManoeuvreUnspecified
}

type leadingState struct {
	c Condition
	s *fault
	p float64
}

// leadingStates are the likeliest conditions, no fault left out, each at its likeliest magnitude.
func (r *result) leadingStates(n int) []leadingState {
	best := map[Condition]leadingState{}
	for hi := range r.p.hs {
		h := &r.p.hs[hi]
		if h.condition == ConditionNoFault || h.vague {
			continue
		}
		for si := range h.states {
			c := r.conditionOf(hi, si)
			if p := r.p.state[hi][si]; p > best[c].p {
				best[c] = leadingState{c, &h.states[si], p}
			}
		}
	}
	var out []leadingState
	for _, c := range r.out.Conditions {
		if b, ok := best[c.Condition]; ok && c.Probability >= 0.01 && len(out) < n {
			out = append(out, b)
		}
	}
	return out
}

func (r *result) leanings(f *feature, leading []leadingState, shift, sd float64) []Leaning {
	if sd <= 0 {
		return nil
	}
	likelihood := func(x float64) float64 { return logTail(1, sq(x/sd)) }
	null := likelihood(f.y - shift)
	var out []Leaning
	for _, l := range leading {
		h := r.m.predict(l.s, f)
		predicted := f.shown(h + shift)
		if f.kind == featSoak || f.kind == featSoakSensor {
			predicted = h + shift
		}
		out = append(out, Leaning{Condition: l.c, Predicted: predicted, LogRatio: likelihood(f.y-h-shift) - null})
	}
	return out
}

// uncounted adds what was seen but is only another view of evidence that counts.
func (r *result) uncounted() {
	a := r.a
	var load, loadFlow mean
	for i := range a.cells[fullLoad] {
		c := &a.cells[fullLoad][i]
		load.add(c.load.value(), c.load.n)
		loadFlow.add(c.flow.value(), c.load.n)
	}
	counted := slices.ContainsFunc(r.out.Evidence, func(e Evidence) bool { return e.Kind == EvidenceCalculatedLoad })
	if load.n > 0 && !counted {
		r.out.Evidence = append(r.out.Evidence, plainEvidence(EvidenceCalculatedLoad, ManoeuvreFullLoadPull, load.mean, 2, soundFullLoadPercent, soundFullLoadSD, "%", load.w, loadFlow.value()))
	}
	w := &a.meterWatch
	if w.checked >= 20 {
		r.out.Evidence = append(r.out.Evidence, plainEvidence(EvidenceMeterDropouts, ManoeuvreUnspecified,
			100*float64(w.dropouts)/float64(w.checked), 0.1, 0, 0.2, "%", float64(w.checked), math.NaN()))
	}
	if m := &a.movement; r.m.metered && m.n >= 40 && m.sdX() > 0.15 {
		r.out.Evidence = append(r.out.Evidence, plainEvidence(EvidenceMeterMovement, ManoeuvreUnspecified, m.slope(), 0.05, 1, 0.2, "1", m.n, math.NaN()))
	}
	if s := a.pullSpread(); s > 0 {
		r.out.Evidence = append(r.out.Evidence, plainEvidence(EvidenceRepeatability, ManoeuvreFullLoadPull, 100*s, 0.5, 1.5, 1, "%", float64(a.usedCount(ManoeuvreFullLoadPull)), math.NaN()))
	}
}

func plainEvidence(k EvidenceKind, m ManoeuvreKind, measured, sd, expected, expectedSD float64, unit string, n, flow float64) Evidence {
	return Evidence{
		Kind: k, Manoeuvre: m, Measured: measured, MeasuredSD: sd, Expected: expected, ExpectedSD: expectedSD,
		Unit: unit, Samples: int64(n), Flow: flow, RPM: math.NaN(), PressureKPa: math.NaN(),
	}
}

// contradictedAt is how many standard deviations flow and pressure must disagree
// over the range of flow before pressure is not believed.
const contradictedAt = 2.5

func (r *result) distrust() {
	a := r.a
	put := func(s signal, why DistrustReason, measured, expected, sd float64) {
		r.out.Distrusted = append(r.out.Distrusted, DistrustedSignal{signals[s].path, why, measured, expected, sd})
	}
	nan := math.NaN()
	if a.comparable > 20 && float64(a.notSimultaneous) > 0.3*float64(a.comparable) {
		put(sigMAP, DistrustNotSimultaneous, nan, nan, nan)
		put(sigMAF, DistrustNotSimultaneous, nan, nan, nan)
	}
	if r.p.oddOutside > 0.5 && a.tracks[sigAmbient].seen() {
		rise, sd := a.usualIntakeRise()
		o := a.road.intake.value() - a.road.sensor.value()
		why := DistrustContradicted
		if a.outsideMovement() < 0.5 {
			why = DistrustImpossibleMovement
		}
		put(sigAmbient, why, o, a.road.intake.value()-rise, sd)
	}
	r.distrustTemperatures(put)
	r.distrustPressure(put)
	if _, ok := a.controlUnitDisplacement(); ok {
		put(sigLoadAbsolute, DistrustNotIndependent, nan, nan, nan)
	}
	if a.tracks[sigLoad].seen() && r.m.metered && a.airflowLoad() == yes {
		put(sigLoad, DistrustNotIndependent, nan, nan, nan)
	}
	if s := a.meterSigns(); s.weight > 0 {
		why := map[Cause]DistrustReason{
			CauseStuck: DistrustFrozen, CauseIntermittent: DistrustIntermittent,
			CauseReplacedByModel: DistrustOpenOrShortCircuit, CauseOpenOrShortCircuit: DistrustOpenOrShortCircuit,
		}[s.cause]
		put(sigMAF, why, nan, nan, nan)
	}
	if a.pressureDead() {
		put(sigMAP, DistrustOpenOrShortCircuit, a.tracks[sigMAP].max, nan, nan)
	} else if a.pressureStuck() {
		put(sigMAP, DistrustFrozen, a.tracks[sigMAP].max, nan, nan)
	}
	slices.SortStableFunc(r.out.Distrusted, func(x, y DistrustedSignal) int {
		return cmp.Or(cmp.Compare(x.Path, y.Path), cmp.Compare(x.Reason, y.Reason))
	})
}

func (r *result) distrustTemperatures(put func(signal, DistrustReason, float64, float64, float64)) {
	a := r.a
	nan := math.NaN()
	for _, s := range [...]signal{sigAmbient, sigCoolant, sigIAT} {
		tr := &a.tracks[s]
		v, _ := tr.latest()
		if !tr.seen() {
			continue
		}
		if tr.min <= openCircuitC || s != sigCoolant && tr.max >= shortCircuitC || tr.max >= 200 {
			put(s, DistrustOpenOrShortCircuit, v, nan, nan)
		}
	}
	// After hours of rest coolant stands where intake and outside air stand.
	if sk := &a.soak; a.soaked() && sk.coolant.n > 0 && sk.intake.n > 0 {
		o := firstKnown(a.facts.AmbientC, sk.outside.value(), sk.sensorOutside.value())
		if known(o) && math.Abs(sk.intake.mean-o) < 6 && math.Abs(sk.coolant.mean-o) > 14 {
			put(sigCoolant, DistrustContradicted, sk.coolant.mean, (sk.intake.mean+o)/2, 4)
		}
	}
}

// distrustPressure asks whether flow and pressure disagree over the range of flow by
// more than the leading explanation and all uncertainties allow.
func (r *result) distrustPressure(put func(signal, DistrustReason, float64, float64, float64)) {
	if r.a.tracks[sigMAP].max >= 254.5 && r.a.tracks[sigMAP].max <= 255 {
		put(sigMAP, DistrustSaturated, 255, math.NaN(), math.NaN())
	}
	idx := append(indices(r.fs, featAir, partLoad), indices(r.fs, featAir, fullLoad)...)
	if len(idx) < 2 {
		return
	}
	lead := &r.p.hs[r.p.lead.h]
	state := &lead.states[r.p.lead.s]
	cov, expected := r.pressureExpectation()
	worst, gap := 0.0, 0.0
	for _, i := range idx {
		for _, k := range idx {
			if k >= i {
				continue
			}
			d := r.fs[i].y - expected[i] - r.m.predict(state, &r.fs[i]) - r.fs[k].y + expected[k] + r.m.predict(state, &r.fs[k])
			sd := math.Sqrt(cov.get(i, i) + cov.get(k, k) - 2*cov.get(i, k))
			if z := math.Abs(d) / sd; z > worst {
				worst, gap = z, d
			}
		}
	}
	if worst > contradictedAt || r.p.oddPressure > 0.5 && worst > 1 {
		p := r.fs[idx[0]].pressure
		put(sigMAP, DistrustContradicted, p, p*math.Exp(-math.Abs(gap)), p*math.Abs(gap)/worst)
	}
}
