// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay_test

import (
	"math"
	"slices"
	"testing"

	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/assay/assaytest"
)

func proposed(v *assay.Assessment, field string) *assay.FactProposal {
	i := slices.IndexFunc(v.Proposals, func(p assay.FactProposal) bool { return p.Field == field })
	if i < 0 {
		return nil
	}
	return &v.Proposals[i]
}

// judgedBy assesses a drive by other facts than its own.
func judgedBy(t *testing.T, d *assaytest.Drive, change func(*assay.Facts)) *assay.Assessment {
	t.Helper()
	f := d.Facts
	change(&f)
	a := assay.New(f)
	if err := a.Declare(1, d.Clock, d.Defs); err != nil {
		t.Fatal(err)
	}
	for _, s := range d.Samples {
		a.Push(s)
	}
	return a.Assess()
}

func TestProposalsSayWhatTheVehicleSaysAndWhatContradictsIt(t *testing.T) {
	petrol := assaytest.Make(assaytest.Spec{Meter: assay.TechnologyHotFilm})
	twoBanks := assaytest.Make(assaytest.Spec{Meter: assay.TechnologyHotFilm, TwoBanks: true})
	unmetered := assaytest.Make(assaytest.Spec{NoMeter: true})
	diesel := assaytest.Make(assaytest.Spec{Diesel: true, Meter: assay.TechnologyHotFilm})
	saidMAP := []string{assaytest.PathEngineSpeed, assaytest.PathMAP, assaytest.PathShortTrim1}
	for name, tc := range map[string]struct {
		drive  *assaytest.Drive
		change func(*assay.Facts)
		field  string
		want   *assay.FactProposal // nil for none
	}{
		"fuel not entered": {petrol, func(f *assay.Facts) { f.Fuel, f.Said.Fuel = 0, assay.FuelGasoline }, "fuel", &assay.FactProposal{
			Value: float64(assay.FuelGasoline), Entered: math.NaN(), Source: assay.FactFromFuelType,
		}},
		"fuel agrees": {petrol, func(f *assay.Facts) { f.Fuel, f.Said.Fuel = assay.FuelGasoline, assay.FuelGasoline }, "fuel", nil},
		"fuel contradicts": {petrol, func(f *assay.Facts) { f.Fuel, f.Said.Fuel = assay.FuelLpg, assay.FuelGasoline }, "fuel", &assay.FactProposal{
			Value: float64(assay.FuelGasoline), Entered: float64(assay.FuelLpg), Source: assay.FactFromFuelType, Contradicts: true,
		}},
		"an engine for both says petrol": {petrol, func(f *assay.Facts) { f.Fuel, f.Said.Fuel = assay.FuelEthanol, assay.FuelGasoline }, "fuel", &assay.FactProposal{
			Value: float64(assay.FuelGasoline), Entered: float64(assay.FuelEthanol), Source: assay.FactFromFuelType,
		}},
		"the mixture contradicts": {petrol, func(f *assay.Facts) { f.Fuel = assay.FuelDiesel }, "fuel", &assay.FactProposal{
			Value: float64(assay.FuelGasoline), Entered: float64(assay.FuelDiesel), Source: assay.FactFromMixture, Contradicts: true,
		}},
		"boost contradicts": {diesel, func(f *assay.Facts) { f.Aspiration = assay.AspirationNatural }, "aspiration", &assay.FactProposal{
			Value: float64(assay.AspirationTurbo), Entered: float64(assay.AspirationNatural), Source: assay.FactFromBoost, Contradicts: true,
		}},
		"boost not entered": {diesel, func(f *assay.Facts) { f.Aspiration = 0 }, "aspiration", &assay.FactProposal{
			Value: float64(assay.AspirationTurbo), Entered: math.NaN(), Source: assay.FactFromBoost,
		}},
		"boost agrees": {diesel, func(f *assay.Facts) { f.Aspiration = assay.AspirationSupercharged }, "aspiration", nil},
		"two banks": {twoBanks, func(f *assay.Facts) { f.Banks = math.NaN() }, "banks", &assay.FactProposal{
			Value: 2, Entered: math.NaN(), Source: assay.FactFromBanks,
		}},
		"two banks contradict": {twoBanks, func(f *assay.Facts) { f.Banks = 1 }, "banks", &assay.FactProposal{
			Value: 2, Entered: 1, Source: assay.FactFromBanks, Contradicts: true,
		}},
		"one bank by what is supported": {petrol, func(f *assay.Facts) { f.Banks, f.Said = math.NaN(), assay.Said{Asked: true, Signals: saidMAP} }, "banks", &assay.FactProposal{
			Value: 1, Entered: math.NaN(), Source: assay.FactFromBanks,
		}},
		"one bank cannot be told from samples": {petrol, func(f *assay.Facts) { f.Banks = math.NaN() }, "banks", nil},
		"no meter": {unmetered, func(f *assay.Facts) { f.AirMeter, f.Said = 0, assay.Said{Asked: true, Signals: saidMAP} }, "air_meter", &assay.FactProposal{
			Value: float64(assay.TechnologyNone), Entered: math.NaN(), Source: assay.FactFromNoMeterSignal,
		}},
		"no meter asked for": {unmetered, func(f *assay.Facts) { f.AirMeter = 0 }, "air_meter", nil},
		"a meter all the same": {petrol, func(f *assay.Facts) { f.AirMeter = assay.TechnologyNone }, "air_meter", &assay.FactProposal{
			Entered: float64(assay.TechnologyNone), Source: assay.FactFromMeterSignal, Contradicts: true,
		}},
		"height contradicts": {petrol, func(f *assay.Facts) { f.AltitudeM = 3000 }, "altitude_m", &assay.FactProposal{
			Value: 110, Uncertainty: 80, Entered: 3000, Source: assay.FactFromBarometer, Contradicts: true,
		}},
	} {
		t.Run(name, func(t *testing.T) {
			got := proposed(judgedBy(t, tc.drive, tc.change), tc.field)
			switch {
			case got == nil && tc.want == nil:
			case got == nil || tc.want == nil:
				t.Errorf("got %+v, want %+v", got, tc.want)
			default:
				tc.want.Field = tc.field
				same := func(x, y float64) bool { return x == y || math.IsNaN(x) && math.IsNaN(y) }
				if !same(got.Value, tc.want.Value) || !same(got.Entered, tc.want.Entered) || !same(got.Uncertainty, tc.want.Uncertainty) ||
					got.Source != tc.want.Source || got.Contradicts != tc.want.Contradicts {
					t.Errorf("got %+v, want %+v", *got, *tc.want)
				}
			}
		})
	}
}

// What the vehicle says of itself is shown, and changes no probability.
func TestProposalsChangeNothing(t *testing.T) {
	d := assaytest.Make(assaytest.Spec{Meter: assay.TechnologyHotFilm})
	plain := judgedBy(t, d, func(*assay.Facts) {})
	said := judgedBy(t, d, func(f *assay.Facts) {
		f.Said = assay.Said{Fuel: assay.FuelDiesel, Asked: true, Signals: []string{assaytest.PathMAP, assaytest.PathShortTrim2}}
	})
	if len(said.Proposals) <= len(plain.Proposals) {
		t.Errorf("proposals %+v", said.Proposals)
	}
	for i, c := range plain.Conditions {
		if said.Conditions[i].Condition != c.Condition || said.Conditions[i].Probability != c.Probability {
			t.Errorf("condition %d at %v, without at %v", c.Condition, said.Conditions[i].Probability, c.Probability)
		}
	}
}
