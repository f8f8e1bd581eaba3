// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package engine

import "math"

// Aspiration is how the engine is charged.
type Aspiration int

// Ways of charging.
const (
	Natural Aspiration = iota
	Turbo
	Supercharged
)

// String is the word of the vehicle facts file.
func (a Aspiration) String() string { return [...]string{"natural", "turbo", "supercharged"}[a] }

// Fuel is what the engine burns.
type Fuel int

// Fuels.
const (
	Gasoline Fuel = iota
	Diesel
	EthanolBlend
	LPG
	CNG
)

// String is the word of the vehicle facts file.
func (f Fuel) String() string {
	return [...]string{"gasoline", "diesel", "ethanol", "lpg", "cng"}[f]
}

// MeterTechnology is how an air meter works.
type MeterTechnology int

// Air meters.
const (
	NoMeter MeterTechnology = iota
	Vane
	HotWire
	HotFilm
	Karman
)

// String is the word of the vehicle facts file.
func (m MeterTechnology) String() string {
	return [...]string{"none", "vane", "hot_wire", "hot_film", "karman"}[m]
}

// SensorLocation is where the intake air temperature sensor sits.
type SensorLocation int

// Places of the intake air temperature sensor.
const (
	InMeter SensorLocation = iota
	Separate
	AfterCooler
)

// String is the word of the vehicle facts file.
func (l SensorLocation) String() string {
	return [...]string{"in_meter", "separate", "after_cooler"}[l]
}

// Bump is a resonance of the intake: a bell over engine speed.
type Bump struct {
	RPM, Width, Height float64
}

// BreathingCurve is volumetric efficiency at full load over engine speed,
// for cylinder gas at 303 K and a free exhaust.
type BreathingCurve struct {
	// Max is the top of the smooth part.
	Max float64
	// PeakRPM is where the top is.
	PeakRPM float64
	// DroopLow and DroopHigh bend the parabola below and above the top.
	DroopLow, DroopHigh float64
	// Bumps are tuned resonances.
	Bumps [3]Bump
}

// At is the volumetric efficiency at a speed in 1/min.
func (c BreathingCurve) At(rpm float64) float64 {
	x := rpm/c.PeakRPM - 1
	droop := c.DroopLow
	if x > 0 {
		droop = c.DroopHigh
	}
	ve := c.Max * (1 - droop*x*x)
	for _, b := range c.Bumps {
		if b.Width > 0 {
			d := (rpm - b.RPM) / b.Width
			ve += c.Max * b.Height * math.Exp(-d*d)
		}
	}
	return math.Max(ve, 0.3)
}

// Charger describes a compressor and its cooler.
type Charger struct {
	// MaxRatio is the pressure ratio asked for at full load.
	MaxRatio float64
	// FullRPM is the engine speed from which the full ratio is reached.
	FullRPM float64
	// SpoolSeconds is the time constant of the shaft.
	SpoolSeconds float64
	// Efficiency is the isentropic efficiency.
	Efficiency float64
	// Cooler is the effectiveness of the charge-air cooler, 0 for none.
	Cooler float64
}

// Meter describes one air meter as built.
type Meter struct {
	// Gain and Slope are its production scatter: indicated = true·Gain·(m/m_ref)^Slope.
	Gain, Slope float64
	// Tau is its time constant in s.
	Tau float64
	// Noise is its relative noise (1σ, white over 10 ms).
	Noise float64
	// Pulsation is the relative amplitude of the flow that it sees at low speed and full load.
	Pulsation float64
	// RestNoise is the flow shown with the engine at rest in kg/s.
	RestNoise float64
}

// LongTrimKind is how a control unit stores what it learned.
type LongTrimKind int

// Structures of the learned trim.
const (
	// AdditiveAndFactor has one additive term (idle) and one factor (part load).
	AdditiveAndFactor LongTrimKind = iota
	// Cells has a value per cell of load and speed.
	Cells
)

// Control describes a control unit.
type Control struct {
	// WideBand is true for a linear lambda sensor before the catalyst.
	WideBand bool
	// LongTrim is the structure of the learned trim, LongLimit its limit, ShortLimit that of the short one.
	LongTrim              LongTrimKind
	LongLimit, ShortLimit float64
	// LearnSeconds is the time constant of learning.
	LearnSeconds float64
	// FullLoadLambda is commanded at full load; 1 keeps closed loop.
	FullLoadLambda float64
	// FullLoadTrim is the share of the learned trim applied at full load, 0…1.
	FullLoadTrim float64
	// FullLoadPedal is the pedal from which full load is commanded.
	FullLoadPedal float64
	// LoadTorque makes calculated load a torque ratio instead of an airflow ratio.
	LoadTorque bool
	// LoadTableScale and LoadTableTilt are the production scatter of the stored full-load table.
	LoadTableScale, LoadTableTilt float64
	// LoadFromIntake uses intake instead of ambient temperature in calculated load.
	LoadFromIntake bool
	// BaroFromMAP has no barometer: it learns it from the manifold sensor at rest and at full load.
	BaroFromMAP bool
	// ModelError is the error of the substitute for the air meter.
	ModelError float64
	// ShowsFixedSubstitute makes a replaced meter show one of three fixed values instead of a model,
	// and OpensLoopOnSubstitute gives up lambda control with it.
	ShowsFixedSubstitute, OpensLoopOnSubstitute bool
	// WarmUps is the number of warm-ups since codes were cleared.
	WarmUps float64
	// Electronic is true for a throttle without a cable; Progression bends pedal to plate.
	Electronic  bool
	Progression float64
	// ThrottleClosed and ThrottleOpen are the absolute readings of the plate, PedalClosed and PedalOpen of the pedal, in percent.
	ThrottleClosed, ThrottleOpen, PedalClosed, PedalOpen float64
	// AssumedEthanol is the blend that the calibration expects; FlexFuel measures it.
	AssumedEthanol float64
	FlexFuel       bool
	// PurgeShare is the flow of the canister purge at full duty relative to idle air, PurgeVapour the fuel in it (λ of the purge gas is 1 at 1).
	PurgeShare, PurgeVapour float64
	// LearnedBefore is false when the trims were erased shortly before the test.
	LearnedBefore bool
	// CutRPM is the engine speed above which overrun cuts the fuel; 0 never.
	CutRPM float64
}

// Spec is one engine with its sensors, as it really is.
type Spec struct {
	Displacement     float64 // m³, all cylinders
	Cylinders        int
	Banks            int
	Valves           int
	Aspiration       Aspiration
	Fuel             Fuel
	Ethanol          float64 // in the tank, share by volume
	Atkinson         bool
	Meter            MeterTechnology
	Meters           []Meter // one or two; empty without meter
	CompressionRatio float64
	RatedRPM         float64
	IdleRPM          float64

	Breathing     BreathingCurve // this engine
	TypeBreathing BreathingCurve // what the maker's calibration believes

	Overlap       float64 // loss by backflow in the overlap per (exhaust/manifold pressure − 1)
	Scavenging    float64 // loss per exhaust back-pressure relative to manifold pressure
	CamPhasing    float64 // loss of filling at part load by variable timing, relative, at most
	LiftControl   bool    // load is set by valve lift, with an open throttle
	HeatExponent  float64 // rise of volumetric efficiency with charge temperature
	PickUp        float64 // heat pick-up of the charge at 1 g/s per litre
	PickUpFalloff float64 // its exponent over flow

	ManifoldVolume float64 // m³
	ThrottleArea   float64 // effective, m², fully open

	FilterDrop, DuctDrop, ExhaustDrop float64 // Pa at RatedFlow
	RatedFlow                         float64 // kg/s, nominal at rated speed

	Charger Charger

	EGRShare  float64 // of cylinder gas at part load when commanded; 0 without
	Friction  float64 // factor on friction
	Accessory float64 // W

	InjectorScale [2]float64 // delivered over expected, each bank

	IntakeTempLocation SensorLocation
	IntakeTempTau      float64 // s, in moving air
	IntakeTempBias     float64 // K, production
	SelfHeat           float64 // K in still air
	SoakHeat           float64 // K above outside that the bonnet reaches at idle
	MAPOffset, MAPGain float64 // Pa, relative, production
	BaroOffset         float64 // Pa, production
	AmbientSun         float64 // K that sun and engine add at standstill
	AmbientBias        float64 // K, of an outside sensor that nobody trusts
	LambdaBias         float64 // relative, production
	Thermostat         float64 // K

	Control Control
}

// GasolineLike tells whether the engine is throttled and lambda controlled.
func (s *Spec) GasolineLike() bool { return s.Fuel != Diesel }

// stoichiometric is the air demand of what is in the tank, and of what the control unit assumes.
func (s *Spec) stoichiometric() (actual, assumed float64) {
	switch s.Fuel {
	case Diesel:
		return 14.5, 14.5
	case LPG:
		return 15.6, 15.6
	case CNG:
		return 17.0, 17.0
	}
	actual = StoichiometricRatio(s.Ethanol)
	if s.Control.FlexFuel {
		return actual, actual
	}
	return actual, StoichiometricRatio(s.Control.AssumedEthanol)
}

// gasShare is the share of cylinder volume that a gaseous fuel takes from the air at λ 1.
func (s *Spec) gasShare() float64 {
	switch s.Fuel {
	case LPG:
		return 0.04
	case CNG:
		return 0.09
	}
	return 0
}
