// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import (
	"math"
	"slices"
)

// Proposals say what the vehicle itself tells of the facts. Where the samples leave no doubt the verdict is put right by
// contradict.go; a proposal itself changes nothing. What was entered and agrees is not repeated, but for the
// displacement, whose two values are worth a look side by side.

const (
	// sizesDiffer is the share of the displacement, in logarithm, from which two cannot be the same engine's: makers
	// round to a tenth of a litre.
	sizesDiffer = 0.05
	// altitudeSD in metres: weather moves the barometer by 0.8 kPa (one standard deviation), and its resolution of 1 kPa
	// adds 0.3.
	altitudeSD = 80.0
	// altitudeDiffers in metres is beyond any weather: the lowest and highest pressures of a year.
	altitudeDiffers = 400.0
)

func (r *result) proposals() {
	r.proposeDisplacement()
	r.proposeFuel()
	r.proposeAspiration()
	r.proposeBanks()
	r.proposeMeter()
	r.proposeAltitude()
}

func (r *result) propose(p FactProposal) { r.out.Proposals = append(r.out.Proposals, p) }

// code is the number of a code that was entered; NaN where none was.
func code[C ~int32](c C) float64 {
	if c == 0 {
		return math.NaN()
	}
	return float64(c)
}

func (r *result) proposeDisplacement() {
	v, ok := r.a.controlUnitDisplacement()
	if !ok {
		return
	}
	entered := r.a.given.DisplacementL
	r.propose(FactProposal{
		Field: "displacement_l", Value: v, Uncertainty: 0.015 * v, Entered: entered, Source: FactFromAbsoluteLoad,
		Contradicts: math.Abs(math.Log(entered/v)) > sizesDiffer,
	})
}

func (r *result) proposeFuel() {
	a := r.a
	p := FactProposal{Field: "fuel", Value: float64(a.given.Said.Fuel), Entered: code(a.given.Fuel), Source: FactFromFuelType}
	switch {
	case a.facts.Fuel != a.given.Fuel: // the samples leave no doubt
		p.Value, p.Contradicts = float64(a.facts.Fuel), a.contradictions.fuel
		if a.facts.Fuel != a.given.Said.Fuel {
			p.Source = FactFromMixture
		}
	case a.given.Said.Fuel == FuelUnspecified || a.given.Said.Fuel == a.given.Fuel:
		return
	default:
		p.Contradicts = a.given.Fuel != FuelUnspecified && !bothFlexible(a.given.Fuel, a.given.Said.Fuel)
	}
	r.propose(p)
}

// bothFlexible: an engine that takes either says one of them, whichever is in the tank.
func bothFlexible(x, y Fuel) bool {
	flexible := func(f Fuel) bool { return f == FuelGasoline || f == FuelEthanol }
	return flexible(x) && flexible(y)
}

func (r *result) proposeAspiration() {
	entered := r.a.given.Aspiration
	if r.a.contradictions.boosted < plainSamples || entered == AspirationTurbo || entered == AspirationSupercharged {
		return
	}
	r.propose(FactProposal{
		Field: "aspiration", Value: float64(AspirationTurbo), Entered: code(entered), Source: FactFromBoost, Contradicts: entered == AspirationNatural,
	})
}

func (r *result) proposeBanks() {
	a := r.a
	banks := math.NaN()
	switch second := r.m.twoBanks || a.saidToHave(sigShortTrim2, sigLongTrim2); {
	case second:
		banks = 2
	case a.saidToHave(sigShortTrim1, sigLongTrim1):
		banks = 1
	}
	entered := a.given.Banks
	if !known(banks) || entered == banks || banks == 2 && entered > 2 {
		return
	}
	// Trims of one bank may serve two.
	r.propose(FactProposal{Field: "banks", Value: banks, Entered: entered, Source: FactFromBanks, Contradicts: banks == 2 && known(entered)})
}

// saidToHave: the control units say that they have one of the signals.
func (a *Assay) saidToHave(which ...signal) bool {
	return slices.ContainsFunc(which, func(s signal) bool { return slices.Contains(a.given.Said.Signals, signals[s].path) })
}

func (r *result) proposeMeter() {
	a := r.a
	entered := a.given.AirMeter
	switch fitted := a.hasMeter() || a.saidToHave(sigMAF, sigMAFA, sigMAFB); {
	case fitted && entered == TechnologyNone:
		r.propose(FactProposal{Field: "air_meter", Entered: code(entered), Source: FactFromMeterSignal, Contradicts: true})
	case !fitted && entered != TechnologyNone && a.given.Said.Asked && a.saidToHave(sigMAP, sigMAPHigh):
		// One that the vehicle does not show would be of no use to a verdict, but may be there.
		r.propose(FactProposal{Field: "air_meter", Value: float64(TechnologyNone), Entered: code(entered), Source: FactFromNoMeterSignal})
	}
}

func (r *result) proposeAltitude() {
	a := r.a
	baro := a.held(sigBaro, a.lastT)
	if !known(baro) || baro < lowestBaroKPa || baro > highestBaroKPa || r.byCond[ConditionBarometerFault] > 0.3 {
		return
	}
	altitude := altitudeOf(baro)
	differs := math.Abs(a.given.AltitudeM-altitude) > altitudeDiffers
	if known(a.given.AltitudeM) && !differs {
		return
	}
	r.propose(FactProposal{
		Field: "altitude_m", Value: 10 * math.Round(altitude/10), Uncertainty: altitudeSD, Entered: a.given.AltitudeM, Source: FactFromBarometer,
		Contradicts: differs,
	})
}

// altitudeOf is the height in metres at which the standard atmosphere has a pressure in kPa.
func altitudeOf(kPa float64) float64 { return (1 - math.Pow(kPa/101.325, 1/5.25588)) / 2.25577e-5 }
