// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package engine

import (
	"math"
	"testing"
)

// reference is the 2.0 L engine that the signatures are stated for.
func reference() Spec {
	s := Spec{
		Displacement: 2e-3, Cylinders: 4, Banks: 1, Valves: 4, Meter: HotWire,
		Meters:           []Meter{{Gain: 1, Tau: 0.01}},
		CompressionRatio: 10, RatedRPM: 6000, IdleRPM: 750,
		Breathing: BreathingCurve{Max: 0.93, PeakRPM: 4200, DroopLow: 0.25, DroopHigh: 0.35},
		Overlap:   0.05, Scavenging: 0.25, HeatExponent: 0.4, PickUp: 0.34, PickUpFalloff: 0.5,
		ManifoldVolume: 3e-3, ThrottleArea: 2.4e-3, FilterDrop: 800, DuctDrop: 500, ExhaustDrop: 16000,
		Friction: 1, Accessory: 500, InjectorScale: [2]float64{1, 1}, IntakeTempTau: 8, Thermostat: kelvin + 88,
		Control: Control{WideBand: true, LongTrim: Cells, LongLimit: 0.25, ShortLimit: 0.25, LearnSeconds: 30,
			FullLoadLambda: 0.88, FullLoadPedal: 0.9, Electronic: true, Progression: 1, LearnedBefore: true, CutRPM: 1500},
	}
	s.TypeBreathing = s.Breathing
	s.RatedFlow = 0.1
	return s
}

var referenceDay = Weather{Pressure: 99.5e3, Temperature: kelvin + 30, Humidity: 0.1}

type signature struct {
	r     [4]float64 // 100·ln(metered / implied) at idle, cruise, high load, full load
	trim  [3]float64 // %
	l     float64    // measured over commanded λ at full load
	load  float64    // calculated load over the sound engine's, %
	def   float64    // (baro − shown pressure)/baro at full load, %
	abs   float64    // absolute load at full load, %
	meter float64    // g/s at full load
}

var points = [4]BenchPoint{
	{RPM: 750, Pressure: 33e3, Seconds: 40, Learn: 1},
	{RPM: 2200, Pressure: 45e3, Seconds: 30, Learn: 1},
	{RPM: 2800, Pressure: 80e3, Seconds: 30, Learn: 1},
	{RPM: 5000, Seconds: 6},
}

func measure(spec Spec, faults Faults, fullPressure float64) (results [4]BenchResult) {
	table := NominalFullLoad(reference())
	for i, p := range points {
		e := BenchEngine(spec, faults, referenceDay)
		e.FullLoadTable(table)
		if i == 3 {
			p.Pressure = fullPressure
		}
		results[i] = Run(e, p)
	}
	return results
}

func compare(sound, faulty [4]BenchResult, tempBias float64) (s signature) {
	for i := range points {
		implied := sound[i].Engine * faulty[i].ShownPressure / sound[i].Pressure * sound[i].IntakeTemp / faulty[i].IntakeTemp
		s.r[i] = 100 * math.Log(faulty[i].Indicated/implied)
		if i < 3 {
			s.trim[i] = 100 * faulty[i].Trim
		}
	}
	full := faulty[3]
	s.l = full.Lambda / full.Commanded / (sound[3].Lambda / sound[3].Commanded)
	s.load = 100 * full.CalculatedLoad / sound[3].CalculatedLoad
	s.def = 100 * (referenceDay.Pressure - full.ShownPressure) / referenceDay.Pressure
	s.abs, s.meter = full.AbsoluteLoad, full.Indicated*1000
	return s
}

func TestPrintSignatures(t *testing.T) {
	sound := measure(reference(), Faults{}, 0)
	for i := range sound {
		t.Logf("%+v", sound[i])
	}
	cases := map[string]Faults{
		"H0":   {},
		"H1":   {Meter: [2]MeterFault{{Gain: 0.85}}},
		"H2":   {Meter: [2]MeterFault{{DirtLoss: .119, DirtFlow: 7178}}},
		"H3":   {Meter: [2]MeterFault{{Offset: .4e-3}}},
		"H4":   {Meter: [2]MeterFault{{Gain: 1.12}}},
		"H5":   {ManifoldLeakArea: HoleArea(2)},
		"H6":   {DuctLeakArea: 1.9e-4},
		"H8":   {FilterDrop: 6500 / .72},
		"H9":   {ExhaustDrop: 130e3},
		"H10":  {FuelPressure: .8},
		"H10b": {FuelLimit: 0.0042},
		"H11":  {FuelPressure: 1.2},
		"H12":  {IntakeTempBias: 20},
		"H13":  {MAPBias: 4000},
		"H14":  {PlateLimit: .4},
		"H17":  {EGRLeakArea: 3e-6},
		"H18":  {ExhaustLeak: .15},
	}
	for _, k := range []string{"H0", "H1", "H2", "H3", "H4", "H5", "H6", "H8", "H9", "H10", "H10b", "H11", "H12", "H13", "H17", "H18"} {
		s := compare(sound, measure(reference(), cases[k], 0), 0)
		t.Logf("%-5s 04 %5.1f 43 %5.1f r %6.1f trim %6.1f l %.2f def %.1f m %.1f", k, s.load, s.abs, s.r, s.trim, s.l, s.def, s.meter)
	}
}
