// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import "math"

// contradictions count what the samples say against the facts that were entered. A fact that cannot be
// true is put right as soon as that is plain: everything after is judged with the right one, and the
// verdict says so.
type contradictions struct {
	closedLoop, stoichiometric, lean, boosted int64
	// fuel and aspiration were put right.
	fuel, aspiration bool
}

const (
	// plainSamples of a contradiction make it plain: some seconds on a slow link.
	plainSamples = 12
	// leanLambda is beyond what an engine with spark ignition burns at part load; a diesel's is
	// between 1.3 and 5.
	leanLambda = 1.30
	// boostKPa above the barometer is more than a pressure sensor or a barometer is ever off.
	boostKPa = 25.0
	// beyondNatural is ln of how far an engine must breathe beyond what a natural one of its size can
	// to be called charged, where nobody said how it breathes.
	beyondNatural = 0.20
)

// contradict holds the facts against the engine at p.
func (a *Assay) contradict(p *point) {
	c := &a.contradictions
	if !p.running {
		return
	}
	switch {
	case p.closedLoop == yes && (known(p.trim[0]) || known(p.trim[1])):
		c.closedLoop++
	case p.still && !a.cutsFuel(p) && p.flow.ok && p.flow.v > 1:
		a.contradictMixture(p)
	}
	if b := a.baroAt(p.t); p.pressure.ok && known(b) && p.pressure.v > b+boostKPa && p.pressure.v < 255 {
		c.boosted++
	}
	a.putRight()
}

// contradictMixture tells a diesel's mixture, by lambda or by fuel against air.
func (a *Assay) contradictMixture(p *point) {
	lambda := p.lambda
	if p.fuelAir.ok && p.fuelAir.v > 0.1 && !a.burnsGas() {
		lambda = p.flow.v / p.fuelAir.v
	}
	switch {
	case !known(lambda):
	case lambda > leanLambda:
		a.contradictions.lean++
	default:
		a.contradictions.stoichiometric++
	}
}

func (a *Assay) putRight() {
	c := &a.contradictions
	if f := a.facts.Fuel; f == FuelDiesel && c.closedLoop >= plainSamples {
		c.fuel = true
		a.burn(FuelGasoline)
	} else if (f == FuelGasoline || f == FuelUnspecified) && c.lean >= plainSamples && c.lean > 4*c.stoichiometric && !a.burnsStoichiometric() {
		c.fuel = f == FuelGasoline
		a.burn(FuelDiesel)
	}
	if a.facts.Aspiration == AspirationNatural && c.boosted >= plainSamples {
		c.aspiration = true
		a.facts.Aspiration = AspirationTurbo
		a.nominal = nominalEngine(&a.facts)
	}
}

// burn goes on with another fuel. What was compared with an engine of the other kind is forgotten.
func (a *Assay) burn(f Fuel) {
	a.facts.Fuel = f
	a.nominal = nominalEngine(&a.facts)
	for class := range a.cells {
		for i := range a.cells[class] {
			c := &a.cells[class][i]
			c.air, c.rate = spread{}, spread{}
		}
	}
	a.table = [tableCells]tableCell{}
}

// breathesBeyondNatural: nobody said how the engine breathes, no pressure was recorded in the pulls, and the control
// unit's own full-load air, or the metered, is more than a natural engine of the entered size can take.
func (a *Assay) breathesBeyondNatural() bool {
	if a.facts.Aspiration != AspirationUnspecified || !known(a.facts.DisplacementL) || a.facts.Fuel == FuelDiesel {
		return false
	}
	var table, full mean
	for i := range a.table {
		if c := &a.table[i]; c.ratio.n >= 5 && !a.pressureSeen() {
			table.add(c.ratio.mean, math.Min(c.ratio.n, 60))
		}
	}
	if table.w >= 15 {
		return table.mean > beyondNatural
	}
	for i := range a.cells[fullLoad] {
		// Pressure that was read elsewhere may have been left out in the pulls.
		if c := &a.cells[fullLoad][i]; a.pressureSeen() && 2*c.pseudo <= c.air.n {
			continue
		}
		if s := &a.cells[fullLoad][i].air; s.hasEnough() {
			centre, _ := s.centre()
			full.add(centre, s.slots)
		}
	}
	return full.n >= 2 && full.mean > beyondNatural
}
