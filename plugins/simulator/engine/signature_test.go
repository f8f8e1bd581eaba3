// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package engine

import (
	"math"
	"math/rand/v2"
	"testing"
)

// reference is the 2.0 L engine that the signatures are stated for.
func reference() Spec {
	s := Spec{
		Displacement: 2e-3, Cylinders: 4, Banks: 1, Valves: 4, Meter: HotWire,
		Meters:           []Meter{{Gain: 1, Tau: 0.01}},
		CompressionRatio: 10, RatedRPM: 6000, IdleRPM: 750,
		Breathing: BreathingCurve{Max: 0.96, PeakRPM: 4300, DroopLow: 0.25, DroopHigh: 0.35},
		Overlap:   0.05, Scavenging: 0.25, HeatExponent: 0.4, PickUp: 0.34, PickUpFalloff: 0.5,
		ManifoldVolume: 3e-3, ThrottleArea: 2.4e-3, FilterDrop: 1300, DuctDrop: 800, ExhaustDrop: 16000,
		Friction: 1, Accessory: 500, InjectorScale: [2]float64{1, 1}, IntakeTempTau: 8, Thermostat: kelvin + 88,
		Control: Control{WideBand: true, LongTrim: Cells, LongLimit: 0.25, ShortLimit: 0.25, LearnSeconds: 30,
			FullLoadLambda: 0.88, FullLoadPedal: 0.9, Electronic: true, Progression: 1, LearnedBefore: true, CutRPM: 1500},
	}
	s.TypeBreathing = s.Breathing
	s.RatedFlow = 0.1
	return s
}

var referenceDay = Weather{Pressure: 99.5e3, Temperature: kelvin + 30}

// signature is one row of the table of signatures.
type signature struct {
	r         [4]float64 // 100·ln(metered over implied) at idle, cruise, high load, full load
	trim      [3]float64 // %
	lambda    float64    // measured over commanded λ at full load
	load      float64    // calculated load over the sound engine's, %
	deficit   float64    // (barometer − shown pressure)/barometer at full load, %
	tolerance float64    // on r and trim, in points
}

var points = [4]BenchPoint{
	{RPM: 750, Pressure: 33e3, Seconds: 25, Learn: 1},
	{RPM: 2200, Pressure: 45e3, Seconds: 20, Learn: 1},
	{RPM: 2800, Pressure: 80e3, Seconds: 20, Learn: 1},
	{RPM: 5000, Seconds: 5},
}

func measure(faults Faults) (results [4]BenchResult) {
	table := NominalFullLoad(reference())
	for i, p := range points {
		e := BenchEngine(reference(), faults, referenceDay)
		e.FullLoadTable(table)
		if faults.PlateLimit > 0 && i == 3 {
			p.Pressure = 90e3
		}
		results[i] = Run(e, p)
	}
	return results
}

// compare takes the engine's own volumetric efficiency as known, as the table does.
func compare(sound, faulty [4]BenchResult) (s signature) {
	for i := range points {
		implied := sound[i].Engine * faulty[i].ShownPressure / sound[i].Pressure * sound[i].IntakeTemp / faulty[i].IntakeTemp
		s.r[i] = 100 * math.Log(faulty[i].Indicated/implied)
		if i < 3 {
			s.trim[i] = 100 * faulty[i].Trim
		}
	}
	full := faulty[3]
	s.lambda = full.Lambda / full.Commanded
	s.load = 100 * full.CalculatedLoad / sound[3].CalculatedLoad
	s.deficit = 100 * (referenceDay.Pressure - full.ShownPressure) / referenceDay.Pressure
	return s
}

func TestFaultsLeaveTheSignaturesOfTheirPhysics(t *testing.T) {
	sound := measure(Faults{})
	near(t, "idle flow in g/s", 1000*sound[0].Engine, 2.94, 0.25)
	near(t, "cruise flow in g/s", 1000*sound[1].Engine, 14.8, 0.8)
	near(t, "high load flow in g/s", 1000*sound[2].Engine, 37.3, 1.5)
	near(t, "full load flow in g/s", 1000*sound[3].Engine, 85, 2.5)
	near(t, "absolute load at full load", sound[3].AbsoluteLoad, 86, 2.5)
	free := math.NaN()
	for name, c := range map[string]struct {
		faults Faults
		want   signature
	}{
		"reads true":        {Faults{}, signature{lambda: 1, load: 100, deficit: 2}},
		"gain low":          {Faults{Meter: [2]MeterFault{{Gain: 0.85}}}, signature{[4]float64{-16, -16, -16, -16}, [3]float64{18, 18, 18}, 1.18, 85, 2, 1}},
		"contaminated":      {Faults{Meter: [2]MeterFault{{DirtLoss: 0.119, DirtFlow: 7178}}}, signature{[4]float64{10, -2, -10, -18}, [3]float64{-9, 3, 10}, 1.19, 84, 2, 1.2}},
		"dirt without loss": {Faults{Meter: [2]MeterFault{{DirtFlow: 7178}}}, signature{[4]float64{-4, -9, -14, -21}, [3]float64{4, 9, 15}, 1.23, 81, 2, 1.2}},
		"offset":            {Faults{Meter: [2]MeterFault{{Offset: 0.4e-3}}}, signature{[4]float64{13, 3, 1, 0}, [3]float64{-12, -3, -1}, 1, 100, 2, 1.2}},
		"gain high":         {Faults{Meter: [2]MeterFault{{Gain: 1.12}}}, signature{[4]float64{11, 11, 11, 11}, [3]float64{-11, -11, -11}, 0.89, 112, 2, 1}},
		"manifold leak":     {Faults{ManifoldLeakArea: HoleArea(2)}, signature{[4]float64{-22, -4, -1, 0}, [3]float64{25, 4, 1}, 1, 100, 2, 2}},
		"larger leak":       {Faults{ManifoldLeakArea: HoleArea(3)}, signature{[4]float64{-59, -9, -3, 0}, [3]float64{free, 10, 3}, 1, 100, 2, 3}},
		"unfiltered air":    {Faults{FilterDrop: -700}, signature{[4]float64{}, [3]float64{}, 1, 100.5, 1.4, 0.5}},
		"stuck at 20 g/s":   {Faults{Meter: [2]MeterFault{{Signal: SignalStuck, StuckAt: 0.020}}}, signature{[4]float64{192, 30, -62, -145}, [3]float64{free, free, free}, free, free, 2, 4}},
		"duct leak":         {Faults{DuctLeakArea: 1.8e-4}, signature{[4]float64{-11, -11, -11, -11}, [3]float64{11, 11, 11}, 1.11, 90, 2, 1.5}},
		"clogged filter":    {Faults{FilterDrop: 10300}, signature{[4]float64{}, [3]float64{}, 1, 93, 8.5, 1}},
		"clogged exhaust":   {Faults{ExhaustDrop: 185e3}, signature{[4]float64{0, -1, -8, -29}, [3]float64{}, 1, 75, 1.5, 4}},
		"low pressure":      {Faults{FuelPressure: 0.8}, signature{[4]float64{}, [3]float64{12, 12, 12}, 1.12, 100, 2, 1}},
		"pump limit":        {Faults{FuelLimit: 0.0052}, signature{[4]float64{}, [3]float64{0, 0, free}, 1.26, 100, 2, 1}},
		"high pressure":     {Faults{FuelPressure: 1.2}, signature{[4]float64{}, [3]float64{-9, -9, -9}, 0.91, 100, 2, 1}},
		"air temperature":   {Faults{IntakeTempBias: 20}, signature{[4]float64{6, 6, 6, 6}, [3]float64{}, 1, 100, 2, 1}},
		"pressure sensor":   {Faults{MAPBias: 4000}, signature{[4]float64{-11, -8, -5, -4}, [3]float64{}, 1, 100, -2, 1}},
		"throttle plate":    {Faults{PlateLimit: 0.9}, signature{[4]float64{0, 0, 0, free}, [3]float64{}, free, 92, 9.5, 1.5}},
		"exhaust gas":       {Faults{EGRLeakArea: 1.75e-6}, signature{[4]float64{-11, free, free, 0}, [3]float64{}, 1, 100, 2, 1.5}},
		"exhaust leak":      {Faults{ExhaustLeak: 0.15}, signature{[4]float64{}, [3]float64{15, free, free}, 1, 100, 2, 2.5}},
	} {
		t.Run(name, func(t *testing.T) {
			got := compare(sound, measure(c.faults))
			w := c.want
			tolerance := math.Max(w.tolerance, 0.5)
			for i := range got.r {
				maybe(t, "r", got.r[i], w.r[i], tolerance)
			}
			for i := range got.trim {
				maybe(t, "trim", got.trim[i], w.trim[i], tolerance)
			}
			maybe(t, "lambda", got.lambda, w.lambda, 0.025)
			maybe(t, "calculated load", got.load, w.load, 1.5+0.4*tolerance)
			maybe(t, "deficit", got.deficit, w.deficit, 0.8)
		})
	}
}

// Where the trim that was learned at high load is applied at full load as well, a flat fault vanishes from λ there,
// and what remains of the others is their shape.
func TestLearnedTrimAtFullLoadLeavesTheShapeOnly(t *testing.T) {
	for name, c := range map[string]struct {
		faults Faults
		lambda float64
	}{
		"gain low":          {Faults{Meter: [2]MeterFault{{Gain: 0.85}}}, 1},
		"contaminated":      {Faults{Meter: [2]MeterFault{{DirtLoss: 0.119, DirtFlow: 7178}}}, 1.08},
		"dirt without loss": {Faults{Meter: [2]MeterFault{{DirtFlow: 7178}}}, 1.07},
		"gain high":         {Faults{Meter: [2]MeterFault{{Gain: 1.12}}}, 1},
		"duct leak":         {Faults{DuctLeakArea: 1.8e-4}, 1},
		"low pressure":      {Faults{FuelPressure: 0.8}, 1},
		"high pressure":     {Faults{FuelPressure: 1.2}, 1},
	} {
		spec := reference()
		spec.Control.LongTrim, spec.Control.FullLoadTrim = AdditiveAndFactor, 1
		e := BenchEngine(spec, c.faults, referenceDay)
		e.FullLoadTable(NominalFullLoad(spec))
		Run(e, BenchPoint{RPM: 2800, Pressure: 80e3, Seconds: 60, Learn: 20})
		full := Run(e, BenchPoint{RPM: 5000, Seconds: 6})
		near(t, name+": λ over the commanded one", full.Lambda/full.Commanded, c.lambda, 0.015)
	}
}

// An engine without a meter meters its fuel by temperature, and so shows in its trims what one with a meter does not.
func TestAirTemperatureMovesTheTrimsOnlyWhereThereIsNoMeter(t *testing.T) {
	spec := reference()
	spec.Meter, spec.Meters = NoMeter, nil
	spec.HeatExponent = 0 // plain density, as the table of signatures has it
	warm := Faults{IntakeTempBias: 20}
	for i, p := range points[:3] {
		p.Seconds = 40
		moved := 100 * ((1+Bench(spec, warm, referenceDay, p).Trim)/(1+Bench(spec, Faults{}, referenceDay, p).Trim) - 1)
		// The ports heat the charge, most at idle, which takes a part of the bias away.
		near(t, "trim", moved, []float64{5, 6, 6.2}[i], 0.6)
	}
	moved := Bench(spec, warm, referenceDay, points[3]).Lambda / Bench(spec, Faults{}, referenceDay, points[3]).Lambda
	near(t, "λ", moved, 1.065, 0.008)
}

func maybe(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !math.IsNaN(want) {
		near(t, what, got, want, tolerance)
	}
}

func TestLoadDefinitionsOfTheStandard(t *testing.T) {
	e := BenchEngine(reference(), Faults{}, referenceDay)
	e.ecu.air = 0.118
	near(t, "absolute load", e.ecu.absoluteLoad(Drive{RPM: 5500}), 108.72, 0.06)
	e.Spec.Control = Control{}
	for i := range e.ecu.peak.flow {
		e.ecu.peak.flow[i] = 0.150
	}
	e.ecu.baro, e.heat.ambientSensor = 83.5e3, kelvin+10
	near(t, "calculated load at height", e.ecu.calculatedLoad(Drive{RPM: 5500}), 93.0, 0.1)
	e.ecu.baro, e.heat.ambientSensor = 100.5e3, kelvin+35
	near(t, "norm factor on a hot day", 100*118.0/150/e.ecu.calculatedLoad(Drive{RPM: 5500}), 0.9756, 0.0003)
	e.Spec.Control.LoadTorque = true
	if got := e.ecu.calculatedLoad(Drive{RPM: 5500}); got > 79 {
		t.Errorf("as a share of torque the load is %.1f %%, want less than as a share of air", got)
	}
	e.ecu.air = 0.1 * 0.150 * 0.9756
	near(t, "share of torque without torque", e.ecu.calculatedLoad(Drive{RPM: 5500}), 0, 1e-9)
}

func TestCylindersTakeWhatSpeedAndDensitySay(t *testing.T) {
	got := Bench(reference(), Faults{}, Weather{Pressure: 101e3, Temperature: kelvin + 20}, BenchPoint{RPM: 2500, Pressure: 98e3, Seconds: 15})
	// 39.91 g/s for 0.85, 2.0 L, 2500/min, 98 kPa and 303 K.
	want := 0.03991 * got.Efficiency / 0.85 * got.Pressure / 98e3 * 303 / got.ChargeTemp
	near(t, "air in g/s", 1000*got.Engine, 1000*want, 0.02)
}

func TestTotalTrimIsTheReciprocalOfTheMetersError(t *testing.T) {
	for _, e := range []float64{-0.2, -0.1, 0.1, 0.2} {
		spec := reference()
		spec.Control.LongLimit, spec.Control.ShortLimit = 0.4, 0.4
		at := points[1]
		at.Seconds = 60
		got := Bench(spec, Faults{Meter: [2]MeterFault{{Gain: 1 + e}}}, referenceDay, at).Trim
		near(t, "total trim in %", 100*got, -100*e/(1+e), 0.2)
	}
}

// wander is a drive of random speed and pedal.
func wander(e *Engine, seed uint64, seconds float64, each func(dt float64, d Drive)) {
	random := rand.New(rand.NewPCG(seed, 3))
	rpm, pedal := 2000.0, 0.3
	const dt = 0.01
	for t := 0.0; t < seconds; t += dt {
		if random.Float64() < 0.01 {
			pedal = math.Max(0, random.Float64()*1.4-0.3)
		}
		rpm = clamp(rpm+dt*(3000*math.Min(pedal, 1)-900)+20*random.NormFloat64(), 700, 6000)
		d := Drive{Key: true, Running: true, RPM: rpm, Pedal: math.Min(pedal, 1), Speed: rpm / 150, Coupled: true, Plate: -1}
		e.Step(dt, d)
		each(dt, d)
	}
}

func TestNoAirIsLostBetweenThrottleAndCylinders(t *testing.T) {
	for name, faults := range map[string]Faults{
		"sound": {}, "leak": {ManifoldLeakArea: HoleArea(3)}, "exhaust gas": {EGRLeakArea: 4e-6},
	} {
		e := New(reference(), faults, referenceDay, kelvin+90, kelvin+35, 4)
		began := e.manifold
		var in, out float64
		wander(e, 5, 60, func(dt float64, _ Drive) {
			st := &e.State
			in += dt * (st.ThrottleFlow + st.LeakFlow + e.egr)
			out += dt * st.EngineFlow / (1 - e.inert)
		})
		const mixTemp = 310
		stored := (e.manifold - began) * e.Spec.ManifoldVolume / (e.gas * mixTemp)
		near(t, name+": kept over what passed", (in-out-stored)/in, 0, 1e-3)
	}
}

func TestEverythingShownStaysFiniteOnAWildDrive(t *testing.T) {
	for seed := range uint64(6) {
		spec := reference()
		if seed%2 == 1 {
			spec.Aspiration = Turbo
			spec.Charger = Charger{MaxRatio: 1.9, FullRPM: 2000, SpoolSeconds: 0.4, Efficiency: 0.7, Cooler: 0.7}
		}
		spec.LiftControl = seed == 2
		e := New(spec, Faults{BoostLeakArea: float64(seed) * 1e-5}, referenceDay, kelvin+20, kelvin+20, seed)
		wander(e, seed, 40, func(float64, Drive) {
			for s := range NumSignals {
				if v := e.Value(s); math.IsNaN(v) || math.IsInf(v, 0) {
					t.Fatalf("seed %d at %.2f s: %s is %v", seed, e.State.Time, s.Define().Path, v)
				}
			}
		})
	}
}

func TestLiftControlLeavesTheManifoldAtTheBarometer(t *testing.T) {
	spec := reference()
	spec.LiftControl = true
	air := func(plate float64) float64 {
		e := BenchEngine(spec, Faults{}, referenceDay)
		for range 500 {
			e.Step(0.01, Drive{Key: true, Running: true, RPM: 2000, Coupled: true, Plate: plate, Pedal: plate, Speed: 20})
		}
		near(t, "manifold over barometer", e.State.ManifoldPressure/referenceDay.Pressure, 0.99, 0.015)
		return e.State.EngineFlow
	}
	near(t, "air at a small lift over air at full lift", air(0.12)/air(1), 0.34, 0.1)
}

func TestChargeAirLostIsMetered(t *testing.T) {
	spec := reference()
	spec.Aspiration = Turbo
	spec.RatedFlow = 0.16
	spec.Charger = Charger{MaxRatio: 1.8, FullRPM: 2000, SpoolSeconds: 0.4, Efficiency: 0.7, Cooler: 0.7}
	leaky := Faults{BoostLeakArea: 5e-5}
	full := BenchPoint{RPM: 4500, Seconds: 6}
	sound, lost := Bench(spec, Faults{}, referenceDay, full), Bench(spec, leaky, referenceDay, full)
	if share := lost.Indicated/lost.Engine - 1; share < 0.08 || share > 0.3 {
		t.Errorf("meter shows %.1f %% more than the engine takes at full boost, want 8 to 30", 100*share)
	}
	near(t, "sound", sound.Indicated/sound.Engine, 1, 0.005)
	part := BenchPoint{RPM: 2200, Pressure: 45e3, Seconds: 15}
	near(t, "without boost", Bench(spec, leaky, referenceDay, part).Trim, 0, 0.012)
}

func BenchmarkEngine(b *testing.B) {
	e := New(reference(), Faults{}, referenceDay, kelvin+90, kelvin+35, 4)
	d := Drive{Key: true, Running: true, RPM: 2500, Pedal: 0.3, Speed: 20, Coupled: true, Plate: -1}
	b.ReportAllocs()
	for b.Loop() {
		e.Step(0.01, d)
	}
	b.ReportMetric(0.01*float64(b.N)/b.Elapsed().Seconds(), "simulated-s/s")
}
