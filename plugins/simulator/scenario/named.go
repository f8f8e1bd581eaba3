// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package scenario

import (
	"fmt"

	"github.com/airassay/airassay/plugins/simulator/engine"
	"github.com/airassay/airassay/plugins/simulator/link"
	"github.com/airassay/airassay/plugins/simulator/road"
)

// CaseSeed is the seed of the i-th case of a run (splitmix64).
func CaseSeed(seed uint64, i int) uint64 {
	z := seed*0x9e3779b97f4a7c15 + uint64(i+1)*0xbf58476d1ce4e5b9
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// Names lists the named scenarios.
func Names() []string { return []string{"van-contaminated"} }

// Named makes a named scenario.
func Named(name string) (Case, error) {
	if name != "van-contaminated" {
		return Case{}, fmt.Errorf("scenario %q is not known; expected one of %v", name, Names())
	}
	return van(), nil
}

// van is the Ostwind K2, a delivery van of an invented maker: 2.0 L, four
// cylinders, a hot wire that has collected dust for years, a mild day, and a
// driver who does what the test asks.
func van() Case {
	s := engine.Spec{
		Displacement: 1.998e-3, Cylinders: 4, Banks: 1, Valves: 4, Aspiration: engine.Natural, Fuel: engine.Gasoline, Ethanol: 0.05,
		Meter: engine.HotWire, Meters: []engine.Meter{{Gain: 1.006, Slope: -0.002, Tau: 0.02, Noise: 0.01, Pulsation: 0.5, RestNoise: 0.00005}},
		CompressionRatio: 10.2, RatedRPM: 6000, IdleRPM: 750,
		Breathing: engine.BreathingCurve{Max: 0.915, PeakRPM: 4150, DroopLow: 0.24, DroopHigh: 0.36,
			Bumps: [3]engine.Bump{{RPM: 2700, Width: 500, Height: 0.015}, {RPM: 4800, Width: 600, Height: 0.02}, {RPM: 3500, Width: 450, Height: -0.012}}},
		Overlap: 0.045, Scavenging: 0.25, HeatExponent: 0.4, PickUp: 0.34, PickUpFalloff: 0.5,
		ManifoldVolume: 3.0e-3, ThrottleArea: 2.3e-3, FilterDrop: 1400, DuctDrop: 1000, ExhaustDrop: 17000,
		Friction: 1, Accessory: 550, InjectorScale: [2]float64{1.008, 1},
		IntakeTempLocation: engine.InMeter, IntakeTempTau: 8, IntakeTempBias: 0.4, SelfHeat: 1.2, SoakHeat: 12,
		MAPOffset: 250, MAPGain: -0.003, BaroOffset: -200, AmbientSun: 3, LambdaBias: 0.002, Thermostat: kelvin + 88,
		Control: engine.Control{
			WideBand: true, LongTrim: engine.Cells, LongLimit: 0.25, ShortLimit: 0.25, LearnSeconds: 45,
			FullLoadLambda: 0.88, FullLoadTrim: 0, FullLoadPedal: 0.8, LoadTableScale: 0.008, LoadTableTilt: -0.01,
			ModelError: 0.03, Electronic: true, Progression: 1.2, ThrottleClosed: 14, ThrottleOpen: 88, PedalClosed: 15, PedalOpen: 82,
			AssumedEthanol: 0.05, PurgeShare: 0.05, PurgeVapour: 0.9, LearnedBefore: true, WarmUps: 140, CutRPM: 1450,
		},
	}
	s.TypeBreathing = s.Breathing
	s.TypeBreathing.Max = 0.92
	s.RatedFlow = s.TypeBreathing.At(s.RatedRPM) * s.Displacement * s.RatedRPM / 120 * 1.16
	c := Case{
		Seed: 20260501, Spec: s, Condition: "CONDITION_METER_READS_LOW", Cause: "CAUSE_CONTAMINATED", Severity: Moderate,
		Amount: -16, AmountUnit: "percent", DisplacementFactor: 1, Height: 210,
		Body: road.Body{Mass: 1680, DragArea: 0.92, Rolling: 0.012, Wheel: 0.315, Gears: []float64{3.73, 2.05, 1.36, 1.03, 0.82}, Final: 4.1,
			ShiftSeconds: 0.8, Inertia: 0.2},
		Air:          engine.Weather{Pressure: 99_100, Temperature: kelvin + 18.5, Humidity: 0.55},
		refreshScale: 1, restless: 0.2,
	}
	dirt := &c.Faults.Meter[0]
	dirt.DirtLoss, dirt.DirtFlow, dirt.Lag = 0.11, 9200, 0.05
	c.Link, _ = link.ByName("can_50")
	c.Signals = []engine.Signal{
		engine.FuelStatus, engine.EngineLoad, engine.CoolantTemperature, engine.ShortTermFuelTrim1, engine.LongTermFuelTrim1,
		engine.ManifoldPressure, engine.EngineSpeed, engine.VehicleSpeed, engine.IntakeTemp, engine.MAF, engine.ThrottlePosition,
		engine.RunTime, engine.Lambda1, engine.CommandedPurge, engine.BarometricPressure, engine.ControlModuleVoltage,
		engine.AbsoluteLoad, engine.CommandedLambda, engine.AmbientAirTemperature, engine.PedalD,
	}
	c.Plan = Plan{style: StyleGood, coldSoak: true, hours: 11, coolant: kelvin + 19.5, bonnet: kelvin + 19}
	gear := 2
	c.Plan.script = []road.Segment{
		{Kind: road.KeyOn, Seconds: 10}, {Kind: road.Start}, {Kind: road.Idle, Seconds: 6},
		{Kind: road.Cruise, Speed: kmh(60), Seconds: 50}, {Kind: road.Cruise, Speed: kmh(85), Seconds: 45}, {Kind: road.Cruise, Speed: kmh(100), Seconds: 35},
		{Kind: road.HighLoad, Gear: 3, Speed: c.Body.SpeedAt(3, 2700), Fill: 0.82, Seconds: 12},
		{Kind: road.HighLoad, Gear: 4, Speed: c.Body.SpeedAt(4, 2600), Fill: 0.86, Seconds: 12},
		{Kind: road.Cruise, Speed: kmh(80), Seconds: 22}, {Kind: road.Cruise, Speed: kmh(55), Seconds: 22},
		{Kind: road.Pull, Gear: gear, RPM: 1800, Until: 5800, Pedal: 1}, {Kind: road.Cruise, Speed: kmh(60), Seconds: 8},
		{Kind: road.Pull, Gear: gear, RPM: 1800, Until: 5800, Pedal: 1}, {Kind: road.Cruise, Speed: kmh(60), Seconds: 8},
		{Kind: road.Pull, Gear: gear, RPM: 1800, Until: 5800, Pedal: 1}, {Kind: road.Overrun, RPM: 1450},
		{Kind: road.Stop}, {Kind: road.Idle, Seconds: 70}, {Kind: road.RaisedIdle, RPM: 2500, Seconds: 24}, {Kind: road.Idle, Seconds: 12},
	}
	c.Facts = complete(&c)
	c.Facts.Displacement = new(2.0)
	c.Facts.Humidity, c.Facts.Ethanol = nil, nil
	c.Facts.Purpose = "complaint"
	c.Facts.Complaint = "hesitates when loaded, weak uphill"
	return c
}
