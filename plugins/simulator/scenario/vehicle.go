// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package scenario draws vehicles, days, faults, drives and links, runs them
// and states the truth: labelled cases for whoever judges recordings.
//
// Everything follows from one seed. The spread of the draws is meant to be
// honest: engines differ from the typical engine of their kind by more than
// meters do, and the maker's own tables are a little wrong too.
package scenario

import (
	"math"
	"math/rand/v2"

	"github.com/airassay/airassay/plugins/simulator/engine"
	"github.com/airassay/airassay/plugins/simulator/road"
)

const kelvin = 273.15

// dice draws.
type dice struct{ *rand.Rand }

func (d dice) between(low, high float64) float64 { return low + (high-low)*d.Float64() }
func (d dice) chance(p float64) bool             { return d.Float64() < p }

// normal is a bell cut at three sigma.
func (d dice) normal(mean, sigma float64) float64 {
	return mean + sigma*math.Max(-3, math.Min(3, d.NormFloat64()))
}

// sign is -1 or 1.
func (d dice) sign() float64 {
	if d.chance(0.5) {
		return -1
	}
	return 1
}

// weighted picks an index by weight.
func (d dice) weighted(weights ...float64) int {
	sum := 0.0
	for _, w := range weights {
		sum += w
	}
	x := d.Float64() * sum
	for i, w := range weights {
		if x < w {
			return i
		}
		x -= w
	}
	return len(weights) - 1
}

// clamp holds a value in its bounds; what is no number becomes the lower one.
func clamp(v, low, high float64) float64 {
	switch {
	case !(v > low):
		return low
	case v > high:
		return high
	}
	return v
}

// demands are what a fault needs of the vehicle it is put into.
type demands struct {
	meter, gasoline, charged, natural, twoBanks, heated, ownBaro bool
	aspiration                                                   string // wished for, where the fault allows it
}

// drawSpec draws an engine with its sensors and control unit.
func drawSpec(d dice, want demands) engine.Spec {
	s := engine.Spec{}
	drawBasics(d, &s, want)
	drawBreathing(d, &s)
	drawIntake(d, &s)
	drawMeters(d, &s, want)
	drawSensors(d, &s)
	drawControl(d, &s, want)
	return s
}

func drawBasics(d dice, s *engine.Spec, want demands) {
	s.Fuel = [...]engine.Fuel{engine.Gasoline, engine.Diesel, engine.EthanolBlend, engine.LPG, engine.CNG}[d.weighted(0.8, 0.1, 0.04, 0.04, 0.02)]
	if want.gasoline && s.Fuel == engine.Diesel {
		s.Fuel = engine.Gasoline
	}
	want = drawAspiration(d, s, want)
	litres := clamp(math.Exp(d.normal(math.Log(2.0), 0.38)), 1.0, 4.4)
	if s.Aspiration != engine.Natural {
		litres = clamp(litres*0.9, 1.0, 3.5)
	}
	if want.twoBanks {
		litres = math.Max(litres, d.between(2.4, 4.2))
	}
	s.Displacement = math.Round(litres*1000) / 1e6
	s.Cylinders = cylindersFor(d, litres)
	if want.twoBanks && s.Cylinders < 6 {
		s.Cylinders = 6
	}
	s.Banks = 1
	if s.Cylinders == 8 || s.Cylinders == 6 && (want.twoBanks || d.chance(0.75)) {
		s.Banks = 2
	}
	s.Valves = 4
	if d.chance(0.17) {
		s.Valves = 2
	}
	s.Atkinson = s.Aspiration == engine.Natural && s.Fuel == engine.Gasoline && d.chance(0.06)
	drawSpeedsAndCompression(d, s)
	switch s.Fuel {
	case engine.Gasoline:
		s.Ethanol = [...]float64{0, 0.05, 0.1}[d.weighted(0.25, 0.4, 0.35)]
	case engine.EthanolBlend:
		s.Ethanol = d.between(0.5, 0.85)
	}
}

// drawAspiration draws what charges the engine, and returns the demands with the named
// aspiration taken in.
func drawAspiration(d dice, s *engine.Spec, want demands) demands {
	s.Aspiration = [...]engine.Aspiration{engine.Natural, engine.Turbo, engine.Supercharged}[d.weighted(0.6, 0.33, 0.07)]
	switch want.aspiration {
	case "natural":
		want.natural = !want.charged
	case "turbo":
		s.Aspiration = engine.Turbo
	case "supercharged":
		s.Aspiration = engine.Supercharged
	}
	switch {
	case s.Fuel == engine.Diesel && !want.natural:
		s.Aspiration = engine.Turbo
	case want.charged && s.Aspiration == engine.Natural:
		s.Aspiration = engine.Turbo
	case want.natural:
		s.Aspiration = engine.Natural
	}
	if want.natural && s.Fuel == engine.Diesel {
		s.Fuel = engine.Gasoline
	}
	return want
}

func drawSpeedsAndCompression(d dice, s *engine.Spec) {
	s.CompressionRatio = d.between(9, 11.5)
	s.RatedRPM = math.Round(d.between(5000, 7000)/50) * 50
	s.IdleRPM = math.Round(d.between(630, 860)/10) * 10
	if s.Valves == 2 {
		s.RatedRPM = math.Round(d.between(4500, 5600)/50) * 50
	}
	if s.Aspiration != engine.Natural {
		s.CompressionRatio--
		s.RatedRPM = math.Round(d.between(4800, 6200)/50) * 50
	}
	if s.Fuel == engine.Diesel {
		s.CompressionRatio = d.between(15.5, 18.5)
		s.RatedRPM = math.Round(d.between(3600, 4300)/50) * 50
	}
	if s.Atkinson {
		s.CompressionRatio = d.between(12, 13.5)
	}
}

func cylindersFor(d dice, litres float64) int {
	switch {
	case litres < 1.35:
		return 3 + d.IntN(2)
	case litres < 2.45:
		return 4
	case litres < 2.75:
		return 4 + d.IntN(3)
	case litres < 3.7:
		return 6
	}
	return 8
}

// drawBreathing draws the type's curve and this engine's small difference from it.
func drawBreathing(d dice, s *engine.Spec) {
	typical, peak := 0.905, 0.68
	switch {
	case s.Atkinson:
		typical = 0.75
	case s.Fuel == engine.Diesel:
		typical, peak = 0.86, 0.55
	case s.Valves == 2:
		typical, peak = 0.835, 0.62
	case d.chance(0.2):
		typical, peak = 0.955, 0.76
	}
	curve := engine.BreathingCurve{
		Max:       typical * d.normal(1, 0.055),
		PeakRPM:   s.RatedRPM * d.normal(peak, 0.07),
		DroopLow:  d.between(0.08, 0.28),
		DroopHigh: d.between(0.15, 0.4),
	}
	for i := range curve.Bumps {
		if d.chance(0.6) {
			curve.Bumps[i] = engine.Bump{RPM: s.RatedRPM * d.between(0.25, 1), Width: d.between(300, 900), Height: d.normal(0, 0.022)}
		}
	}
	s.TypeBreathing = curve
	s.Breathing = curve
	s.Breathing.Max *= d.normal(1, 0.014)
	s.Breathing.PeakRPM *= d.normal(1, 0.012)
	s.Overlap = d.between(0.01, 0.06)
	if s.Fuel == engine.Diesel {
		s.Overlap = 0.01
	}
	s.Scavenging = d.between(0.18, 0.36)
	if s.Fuel != engine.Diesel && s.Valves == 4 && d.chance(0.45) {
		s.CamPhasing = d.between(0.02, 0.16)
	}
	s.LiftControl = s.Fuel == engine.Gasoline && s.Valves == 4 && s.Aspiration == engine.Natural && d.chance(0.035)
	s.HeatExponent = d.between(0.3, 0.5)
	s.PickUp = d.normal(0.34, 0.05)
	s.PickUpFalloff = d.normal(0.5, 0.06)
	s.Friction = d.normal(1, 0.1)
	s.Accessory = d.between(350, 900)
}

func drawIntake(d dice, s *engine.Spec) {
	litres := s.Displacement * 1000
	if s.Aspiration != engine.Natural {
		s.Charger = engine.Charger{
			MaxRatio: d.between(1.4, 2.1), FullRPM: d.between(1700, 2600), SpoolSeconds: d.between(0.25, 0.7),
			Efficiency: d.between(0.62, 0.74), Cooler: d.between(0.6, 0.85),
		}
		if s.Aspiration == engine.Supercharged {
			s.Charger.MaxRatio = d.between(1.3, 1.7)
			s.Charger.Efficiency = d.between(0.5, 0.65)
			if d.chance(0.3) {
				s.Charger.Cooler = 0
			}
		}
	}
	ratio := math.Max(1, s.Charger.MaxRatio)
	density := 1.16 * math.Pow(ratio, 0.9)
	s.RatedFlow = s.TypeBreathing.At(s.RatedRPM) * s.Displacement * s.RatedRPM / 120 * density
	s.FilterDrop = d.between(600, 2000)
	s.DuctDrop = d.between(600, 1800)
	s.ExhaustDrop = d.between(9000, 26000)
	drop := d.between(400, 1400)
	s.ThrottleArea = s.RatedFlow / math.Sqrt(2*density*drop)
	s.ManifoldVolume = s.Displacement * d.between(1.1, 2.0)
	if s.Fuel == engine.Diesel {
		s.EGRShare = d.between(0.15, 0.4)
	} else if s.Aspiration == engine.Natural && litres > 1.5 && d.chance(0.18) {
		s.EGRShare = d.between(0.03, 0.1)
	}
}

func drawMeters(d dice, s *engine.Spec, want demands) {
	kinds := [...]engine.MeterTechnology{engine.HotWire, engine.HotFilm, engine.Karman, engine.Vane, engine.NoMeter}
	weights := []float64{0.42, 0.42, 0.05, 0.05, 0.06}
	if want.meter {
		weights[4] = 0
	}
	if want.heated {
		weights = []float64{0.6, 0.4, 0, 0, 0}
	}
	if s.Fuel == engine.Diesel {
		weights = []float64{0.1, 0.9, 0, 0, 0}
	}
	s.Meter = kinds[d.weighted(weights...)]
	if s.Meter == engine.NoMeter {
		return
	}
	count := 1
	if s.Banks == 2 && s.Meter != engine.Vane && d.chance(0.25) {
		count = 2
	}
	for range count {
		s.Meters = append(s.Meters, drawMeter(d, s))
	}
}

func drawMeter(d dice, s *engine.Spec) engine.Meter {
	m := engine.Meter{Gain: d.normal(1, 0.016), Slope: d.normal(0, 0.006), Tau: d.between(0.008, 0.03),
		Noise: d.between(0.006, 0.016), Pulsation: d.between(0.2, 1.2), RestNoise: d.between(0, 0.00008)}
	switch s.Meter {
	case engine.HotWire:
		m.Tau = d.between(0.012, 0.07)
	case engine.Vane:
		m.Gain = d.normal(1, 0.025)
		m.Slope = d.normal(0, 0.01)
		m.Tau = d.between(0.04, 0.1)
	case engine.Karman:
		m.Gain = d.normal(1, 0.018)
	}
	return m
}

func drawSensors(d dice, s *engine.Spec) {
	s.IntakeTempLocation = [...]engine.SensorLocation{engine.InMeter, engine.Separate, engine.AfterCooler}[d.weighted(0.62, 0.28, 0.1)]
	if s.Aspiration != engine.Natural {
		s.IntakeTempLocation = [...]engine.SensorLocation{engine.InMeter, engine.Separate, engine.AfterCooler}[d.weighted(0.5, 0.1, 0.4)]
	}
	if s.Meter == engine.NoMeter && s.IntakeTempLocation == engine.InMeter {
		s.IntakeTempLocation = engine.Separate
	}
	if s.Meter == engine.Karman || s.Meter == engine.Vane {
		s.IntakeTempLocation = engine.InMeter // density is needed where the volume is counted
	}
	s.IntakeTempTau = d.between(5, 15)
	s.IntakeTempBias = d.normal(0, 0.8)
	s.SelfHeat = d.between(0.3, 2.5)
	s.SoakHeat = d.between(6, 24)
	s.MAPOffset = d.normal(0, 500)
	s.MAPGain = d.normal(0, 0.007)
	s.BaroOffset = d.normal(0, 450)
	s.AmbientSun = d.between(0, 9)
	if d.chance(0.04) {
		s.AmbientBias = d.sign() * d.between(8, 22)
	}
	s.LambdaBias = d.normal(0, 0.006)
	s.Thermostat = kelvin + d.between(85, 94)
	for b := range s.InjectorScale {
		s.InjectorScale[b] = d.normal(1, 0.02)
	}
	if s.Banks == 2 {
		common := d.normal(1, 0.018)
		for b := range s.InjectorScale {
			s.InjectorScale[b] = common * d.normal(1, 0.01)
		}
	}
}

func drawControl(d dice, s *engine.Spec, want demands) {
	k := &s.Control
	k.WideBand = d.chance(0.6)
	if s.Aspiration != engine.Natural {
		k.WideBand = d.chance(0.85)
	}
	k.LongTrim = engine.LongTrimKind(d.IntN(2))
	k.LongLimit = d.between(0.2, 0.26)
	k.ShortLimit = d.between(0.2, 0.26)
	k.LearnSeconds = d.between(25, 90)
	k.FullLoadLambda = d.between(0.82, 0.93)
	if d.chance(0.15) {
		k.FullLoadLambda = 1
	}
	k.FullLoadTrim = [...]float64{0, 1, d.Float64()}[d.weighted(0.35, 0.4, 0.25)]
	k.FullLoadPedal = d.between(0.74, 0.9)
	k.LoadTorque = d.chance(0.12)
	k.LoadTableScale = d.normal(0.01, 0.03)
	k.LoadTableTilt = d.normal(0, 0.03)
	k.LoadFromIntake = d.chance(0.2)
	k.BaroFromMAP = s.GasolineLike() && !want.ownBaro && d.chance(0.25)
	if s.Meter == engine.Vane || s.Meter == engine.Karman {
		k.BaroFromMAP = false
	}
	k.ModelError = d.normal(0, 0.06)
	k.ShowsFixedSubstitute = d.chance(0.45)
	k.OpensLoopOnSubstitute = d.chance(0.55)
	k.Electronic = d.chance(0.8) && s.Meter != engine.Vane
	k.Progression = d.between(1, 1.5)
	k.ThrottleClosed = d.between(8, 18)
	k.ThrottleOpen = d.between(76, 100)
	k.PedalClosed = d.between(0, 18)
	k.PedalOpen = d.between(74, 100)
	k.AssumedEthanol = [...]float64{0, 0.05, 0.1}[d.weighted(0.3, 0.4, 0.3)]
	k.FlexFuel = s.Fuel == engine.EthanolBlend
	k.PurgeShare = d.between(0.03, 0.12)
	k.PurgeVapour = d.between(0.2, 2.2)
	k.LearnedBefore = !d.chance(0.07)
	k.WarmUps = math.Round(d.between(15, 250))
	if !k.LearnedBefore {
		k.WarmUps = float64(d.IntN(2))
	}
	k.CutRPM = d.between(1250, 1700)
}

// drawBody draws a vehicle that suits the engine.
func drawBody(d dice, s *engine.Spec) road.Body {
	litres := s.Displacement * 1000
	b := road.Body{
		Mass:     clamp(d.normal(950+260*litres, 110), 900, 2600),
		DragArea: d.between(0.58, 0.95), Rolling: d.between(0.010, 0.015), Wheel: d.between(0.28, 0.34),
		Automatic: d.chance(0.3), ShiftSeconds: d.between(0.5, 1.1), Inertia: 0.06 + 0.07*litres,
	}
	top := d.between(0.7, 0.86)
	spread := d.between(4.2, 4.9)
	count := 5 + d.IntN(2)
	for g := range count {
		x := float64(g) / float64(count-1)
		b.Gears = append(b.Gears, top*math.Pow(spread, math.Pow(1-x, 1.15)))
	}
	// About 34 km/h per 1000/min in top gear, more for a diesel.
	perThousand := d.between(31, 38) / 3.6
	if s.Fuel == engine.Diesel {
		perThousand *= 1.3
	}
	b.Final = 1000 * 2 * math.Pi / 60 * b.Wheel / perThousand / top
	if b.Automatic {
		b.ShiftSeconds = d.between(0.35, 0.6)
	}
	return b
}
