// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import "slices"

func (r *result) gaps() {
	r.out.Gaps = append(r.out.Gaps, r.factsPutRight()...)
	r.out.Gaps = append(r.out.Gaps, r.missing()...)
	if r.out.Conclusive {
		return
	}
	for _, g := range r.out.Ambiguities {
		if len(g.Inspections) > 0 && g.Causes[0].Condition != ConditionNoFault && r.a.facts.outcome(g.Inspections[0]) == OutcomeUnspecified {
			r.out.Gaps = append(r.out.Gaps, GapItem{Kind: GapInspection, Inspection: g.Inspections[0]})
			break
		}
	}
}

// factsPutRight lists the facts that were put right.
func (r *result) factsPutRight() []GapItem {
	var gs gapList
	gs.add(r.a.contradictions.fuel, GapFuelContradicted, ManoeuvreUnspecified)
	gs.add(r.a.contradictions.aspiration, GapAspirationContradicted, ManoeuvreUnspecified)
	return gs
}

// missing lists what was not driven or not recorded, most useful first.
func (r *result) missing() []GapItem {
	var gs gapList
	r.missingManoeuvres(&gs)
	r.missingFacts(&gs)
	r.missingSignals(&gs)
	return gs
}

type gapList []GapItem

func (gs *gapList) add(is bool, k GapKind, m ManoeuvreKind) {
	if is {
		*gs = append(*gs, GapItem{Kind: k, Manoeuvre: m})
	}
}

func (gs *gapList) signal(is bool, s signal) {
	if is {
		*gs = append(*gs, GapItem{Kind: GapSignal, Signal: signals[s].path})
	}
}

func (r *result) missingManoeuvres(gs *gapList) {
	a := r.a
	gs.add(known(a.warmest) && a.warmest < warmEngineC, GapWarmEngine, ManoeuvreWarmIdle)
	gs.signal(r.m.metered && !a.hasMeter(), sigMAF)
	blurred := a.comparable > 20 && float64(a.notSimultaneous) > 0.3*float64(a.comparable)
	pulls := a.usedCount(ManoeuvreFullLoadPull)
	gs.add(blurred || a.clock == ClockRowOrder, GapSimultaneity, ManoeuvreFullLoadPull)
	gs.add(pulls == 0, GapFullLoad, ManoeuvreFullLoadPull)
	gs.add(pulls == 1, GapSecondPull, ManoeuvreFullLoadPull)
	gs.add(slices.ContainsFunc(r.fs, func(f feature) bool { return f.unseen }), GapDriverNotRead, ManoeuvreUnspecified)
	gs.add(a.usedCount(ManoeuvreWarmIdle) == 0, GapWarmIdle, ManoeuvreWarmIdle)
	gs.add(a.usedCount(ManoeuvreSteadyCruise) == 0 && a.usedCount(ManoeuvreRaisedIdle) == 0, GapSteadyCruise, ManoeuvreSteadyCruise)
	gs.add(a.facts.Fuel != FuelDiesel && a.usedCount(ManoeuvreHighLoad) == 0 && !r.out.Conclusive, GapHighLoad, ManoeuvreHighLoad)
	gs.add(a.rest.pressure.n == 0 && a.rest.flow.n == 0, GapKeyOnEngineOff, ManoeuvreKeyOnEngineOff)
	gs.add(!a.soaked() && a.tracks[sigIAT].seen(), GapColdSoak, ManoeuvreColdSoak)
}

func (r *result) missingFacts(gs *gapList) {
	a := r.a
	gs.add(!known(a.facts.DisplacementL) && a.engine.scaleSD > 0.2, GapDisplacement, ManoeuvreUnspecified)
	gs.add(!a.tracks[sigBaro].seen() && !known(a.facts.AltitudeM), GapBarometricPressure, ManoeuvreUnspecified)
	gs.add(!known(a.facts.AmbientC) && (!a.tracks[sigAmbient].seen() || r.p.oddOutside > 0.3), GapOutsideTemperature, ManoeuvreUnspecified)
}

func (r *result) missingSignals(gs *gapList) {
	a := r.a
	trims := a.facts.Fuel != FuelDiesel
	gs.signal(!a.pressureSeen(), sigMAP)
	gs.signal(!a.tracks[sigSpeedEngine].seen(), sigSpeedEngine)
	short, long := a.trimsSeen()
	gs.signal(trims && !short, sigShortTrim1)
	gs.signal(trims && short && !long, sigLongTrim1)
	gs.signal(trims && r.m.metered && !a.tracks[sigLambda1].seen() && !a.tracks[sigLambda2].seen(), sigLambda1)
	gs.signal(!a.tracks[sigIAT].seen() && !a.tracks[sigIAT11].seen(), sigIAT)
	gs.signal(!a.tracks[sigCoolant].seen(), sigCoolant)
	learned := a.held(sigSinceCleared, a.lastT)
	gs.add(known(learned) && learned < learnedMinutes && a.tracks[sigWarmups].seen() && a.tracks[sigWarmups].max < 3, GapLearnedTrims, ManoeuvreSteadyCruise)
}

// learnedMinutes of mixed driving until learned trims count again [DOMAIN 5.6].
const learnedMinutes = 60.0
