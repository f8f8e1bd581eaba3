// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package engine

import (
	"math"
	"math/rand/v2"
)

// Drive is what driver and driveline do to the engine during one step.
type Drive struct {
	// Key is on; Running is true from the first firing on.
	Key, Running bool
	// Pedal is the accelerator, 0…1.
	Pedal float64
	// RPM is the speed of the crankshaft.
	RPM float64
	// Speed is that of the vehicle in m/s.
	Speed float64
	// Coupled is true while the clutch is closed in a gear.
	Coupled bool
	// Plate, when not negative, sets the plate directly (0…1): a test bench.
	Plate float64
}

// State is the truth at one instant, for whoever writes the answers down.
type State struct {
	Time float64 // s since the engine was made
	// MeterFlow is what passes all meters, ThrottleFlow what passes the throttle,
	// EngineFlow all fresh air and leakage that the cylinders take; kg/s, moist.
	MeterFlow, ThrottleFlow, EngineFlow float64
	// LeakFlow is what enters behind the throttle, purge included; kg/s.
	LeakFlow float64
	// Indicated is what the meters together show in kg/s, without noise, lag and pulsation.
	Indicated [2]float64
	// ManifoldPressure, PrePressure (before the throttle) and ExhaustPressure are in Pa.
	ManifoldPressure, PrePressure, ExhaustPressure float64
	// InletTemp is the air at the meter, ChargeTemp in the cylinder's inlet port; K.
	InletTemp, ChargeTemp, Coolant float64
	// IntakeTempTrue is the air at the intake temperature sensor in K.
	IntakeTempTrue float64
	// Lambda is the true air ratio in the cylinders of each bank.
	Lambda [2]float64
	// VolumetricEfficiency is that of the moment, of fresh gas.
	VolumetricEfficiency float64
	// FuelFlow is what is injected in kg/s.
	FuelFlow float64
	// Torque is at the clutch in N·m.
	Torque float64
	// ClosedLoop and FullLoad are the control unit's modes.
	ClosedLoop, FullLoad, Cut bool
	// Plate is the opening of the throttle, 0…1.
	Plate float64
	// Substituted is true while the control unit does not believe the air meter.
	Substituted bool
}

// Engine is an engine with its sensors and control unit, in motion.
type Engine struct {
	Spec   Spec
	Faults Faults
	Air    Weather

	State  State
	shown  [NumSignals]float64
	random *rand.Rand

	meters [2]meterState
	ecu    controlUnit
	heat   thermal

	duct      float64 // kg/s through the meters, smoothed by the duct's volume
	exhaust   float64 // kg/s, smoothed by the exhaust's volume
	boost     float64 // pressure ratio of the charger
	egr       float64 // kg/s
	manifold  float64 // Pa
	inert     float64 // share of exhaust gas in the manifold
	mapShown  float64 // Pa, behind the sensor's lag
	density   float64 // kg/m³ of outside air
	dry       float64 // share of dry air
	gas       float64 // J/(kg·K)
	rock      float64 // relative, of a torn duct's area
	stoich    float64
	stoichECU float64
}

// New makes an engine at rest. The coolant starts at coolant K and the bonnet
// at bonnet K; seed decides every random draw of the run.
func New(spec Spec, faults Faults, air Weather, coolant, bonnet float64, seed uint64) *Engine {
	e := &Engine{Spec: spec, Faults: faults, Air: air, random: rand.New(rand.NewPCG(seed, 0x9e3779b97f4a7c15))}
	for i := range e.meters {
		if i < len(spec.Meters) {
			e.meters[i] = meterState{spec: spec.Meters[i], fault: &e.Faults.Meter[i], tech: spec.Meter}
		}
	}
	e.boost = 1
	e.manifold = air.Pressure
	e.mapShown = air.Pressure
	e.density = air.Density()
	e.dry = air.DryShare()
	e.gas = air.gasConstant()
	e.stoich, e.stoichECU = e.Spec.stoichiometric()
	e.heat = newThermal(&e.Spec, air, coolant, bonnet)
	e.ecu = newControlUnit(e)
	e.State.Coolant = coolant
	e.State.Lambda = [2]float64{1, 1}
	e.State.ManifoldPressure, e.State.PrePressure, e.State.ExhaustPressure = air.Pressure, air.Pressure, air.Pressure
	return e
}

// Value is what the control unit shows for a signal now, not yet quantised.
func (e *Engine) Value(s Signal) float64 { return e.shown[s] }

// Step advances by dt seconds; 0.005 to 0.01 is stable for every engine that
// scenario draws.
func (e *Engine) Step(dt float64, d Drive) {
	st := &e.State
	st.Time += dt
	st.Plate = e.ecu.plate(dt, d)
	e.breathe(dt, d)
	e.measure(dt, d)
	e.ecu.step(dt, d)
	e.burn(d)
	e.heat.step(dt, e, d)
	e.show(d)
}

// breathe moves the air: filter, duct, charger, throttle, manifold, cylinders.
func (e *Engine) breathe(dt float64, d Drive) {
	st, s, f := &e.State, &e.Spec, &e.Faults
	relative := e.duct / s.RatedFlow
	load := relative * math.Abs(relative) * (standardPressure / e.Air.Pressure) * (e.Air.Temperature / standardTemperature)
	atMeter := e.Air.Pressure - load*(s.FilterDrop+f.FilterDrop)
	beforeDevice := math.Max(atMeter-load*s.DuctDrop, 0.3*e.Air.Pressure)
	leakIn := 0.0
	if f.DuctLeakArea > 0 {
		suction := math.Max(0, e.Air.Pressure-0.5*(atMeter+beforeDevice))
		// The tear opens and closes a little as the engine rocks.
		e.rock = approach(e.rock, 0.25*e.random.NormFloat64(), dt, 0.3)
		leakIn = f.DuctLeakArea * (1 + clamp(e.rock, -0.4, 0.4)) * math.Sqrt(2*e.density*suction)
	}

	pre := beforeDevice * e.charge(dt, d, beforeDevice)
	preTemp := e.heat.beforeThrottle
	lost := 0.0
	if f.BoostLeakArea > 0 && pre > e.Air.Pressure {
		lost = OrificeFlow(f.BoostLeakArea, pre, preTemp, e.Air.Pressure)
	}

	if !d.Running && d.RPM < 1 {
		e.rest(dt)
		return
	}
	fresh := e.fillManifold(dt, d, pre, preTemp)
	throttle := fresh
	meter := math.Max(0, throttle+lost-leakIn)
	// The duct's volume delays the suction by about 20 ms.
	e.duct = approach(e.duct, meter, dt, 0.02)
	st.MeterFlow, st.ThrottleFlow, st.PrePressure = meter, throttle, pre
}

// rest lets the manifold fill while nothing turns.
func (e *Engine) rest(dt float64) {
	st := &e.State
	e.duct, e.exhaust, e.egr, e.boost, e.inert = 0, 0, 0, 1, 0
	e.manifold = approach(e.manifold, e.Air.Pressure, dt, 0.3)
	st.MeterFlow, st.ThrottleFlow, st.EngineFlow, st.FuelFlow, st.Torque = 0, 0, 0, 0, 0
	st.ManifoldPressure, st.PrePressure, st.ExhaustPressure = e.manifold, e.Air.Pressure, e.Air.Pressure
}

// charge is the pressure ratio between duct and throttle.
func (e *Engine) charge(dt float64, d Drive, inlet float64) float64 {
	s := &e.Spec
	if s.Aspiration == Natural {
		return 1
	}
	demand := e.ecu.boostDemand(d)
	if s.Fuel == Diesel {
		demand = clamp(e.ecu.dieselDemand*1.1, 0, 1)
	}
	// The wastegate holds an absolute pressure, so neither height nor a choked
	// filter costs boost until the shaft is at its limit.
	target := inlet + demand*math.Max(0, s.Charger.MaxRatio*standardPressure-inlet)
	wanted := math.Min(target/inlet, s.Charger.MaxRatio*1.15*standardPressure/e.Air.Pressure)
	e.ecu.boostAsked = wanted * inlet
	if s.Aspiration == Supercharged {
		able := 1 + (s.Charger.MaxRatio-1)*clamp(0.65+0.4*d.RPM/s.RatedRPM, 0, 1.1)
		e.boost = approach(e.boost, math.Min(wanted, able), dt, 0.1)
		return e.boost
	}
	// The turbine's power grows with exhaust flow; below its threshold it makes nothing.
	full := s.RatedFlow * s.Charger.FullRPM / s.RatedRPM
	drive := e.exhaust / full
	able := 1 + (s.Charger.MaxRatio*1.12-1)*clamp(math.Pow(drive, 1.4), 0, 1.05)
	e.boost = approach(e.boost, math.Min(wanted, able), dt, s.Charger.SpoolSeconds/(0.5+drive))
	return e.boost
}

// fillManifold solves one implicit step of manifold pressure and returns the
// flow through the throttle in kg/s.
func (e *Engine) fillManifold(dt float64, d Drive, pre, preTemp float64) float64 {
	st, s, f := &e.State, &e.Spec, &e.Faults
	back := e.exhaust / s.RatedFlow
	clogged := back * back * (s.ExhaustDrop + f.ExhaustDrop) * (standardPressure / e.Air.Pressure)
	exhaust := e.Air.Pressure + clogged
	turbine := 0.0
	if s.Aspiration == Turbo {
		turbine = 0.8 * (e.boost - 1) * e.Air.Pressure
	}
	ve := e.efficiency(d.RPM, exhaust+turbine, clogged)
	charge := e.heat.charge(&e.Spec, st.EngineFlow, preTemp)
	st.ChargeTemp = charge
	ve *= math.Pow(charge/303, s.HeatExponent)
	swallow := ve * s.Displacement * d.RPM / 120 / (e.gas * charge) // kg/(s·Pa)

	area := s.ThrottleArea * plateShare(st.Plate)
	if s.LiftControl {
		swallow = lifted(swallow, area, e.Air.Pressure, preTemp)
	}
	if s.Fuel == Diesel || s.LiftControl {
		area = s.ThrottleArea
	}
	leakArea := f.ManifoldLeakArea + f.PurgeArea
	purge := e.ecu.purgeFlow(e.manifold)
	egrArea := f.EGRLeakArea + e.ecu.egrArea()
	const exhaustTemp, mixTemp = 650.0, 310.0
	scale := dt * e.gas * mixTemp / s.ManifoldVolume

	residual := func(p float64) float64 {
		in := OrificeFlow(area, pre, preTemp, p) + purge
		if leakArea > 0 {
			in += OrificeFlow(leakArea, e.Air.Pressure, e.Air.Temperature, p)
		}
		if egrArea > 0 {
			in += OrificeFlow(egrArea, exhaust+turbine, exhaustTemp, p)
		}
		return p - e.manifold - scale*(in-swallow*p)
	}
	top := math.Max(math.Max(pre, e.manifold), exhaust+turbine) + 10
	p := solveRising(residual, 0.02*e.Air.Pressure, top, e.manifold)

	throttle := OrificeFlow(area, pre, preTemp, p)
	leak := 0.0
	if leakArea > 0 {
		leak = OrificeFlow(leakArea, e.Air.Pressure, e.Air.Temperature, p)
	}
	e.egr = 0
	if egrArea > 0 {
		e.egr = math.Max(0, OrificeFlow(egrArea, exhaust+turbine, exhaustTemp, p))
	}
	total := swallow * p
	mass := p * s.ManifoldVolume / (e.gas * mixTemp)
	e.inert += dt * (e.egr - total*e.inert) / mass
	e.inert = clamp(e.inert, 0, 0.9)
	e.manifold = p
	st.LeakFlow = leak + purge
	st.ManifoldPressure = p
	st.EngineFlow = total * (1 - e.inert)
	st.VolumetricEfficiency = ve
	st.ExhaustPressure = exhaust
	// 60 ms stands for the volume of the pipes.
	e.exhaust = approach(e.exhaust, total*(1+1/e.stoich), dt, 0.06)
	return throttle
}

// plateShare is the open share of the bore for a plate position of 0…1; a
// plate turns through about 80°, and some air always passes its edge.
func plateShare(position float64) float64 {
	const edge = 0.0015
	turn := clamp(position, 0, 1) * 80 * math.Pi / 180
	return edge + (1-edge)*(1-math.Cos(turn))/(1-math.Cos(80*math.Pi/180))
}

// plateFor is the inverse of plateShare.
func plateFor(share float64) float64 {
	const edge = 0.0015
	c := 1 - clamp((share-edge)/(1-edge), 0, 1)*(1-math.Cos(80*math.Pi/180))
	return math.Acos(c) / (80 * math.Pi / 180)
}

// phasing is what variable valve timing leaves of the filling: at part load it
// is retarded or overlapped to save pumping work, at full load it is not.
func (s *Spec) phasing(rpm, fill float64) float64 {
	if s.CamPhasing == 0 {
		return 1
	}
	load := (fill - 0.55) / 0.2
	speed := (rpm/s.RatedRPM - 0.42) / 0.25
	return 1 - s.CamPhasing*math.Exp(-load*load-speed*speed)
}

// lifted turns the area that a throttle would have had into valve lift: the
// cylinders swallow what it would have passed, up to their full filling.
func lifted(swallow, area, pressure, temperature float64) float64 {
	asked := OrificeFlow(area, pressure, temperature, 0) / pressure
	x := asked / swallow
	return swallow * x / math.Pow(1+x*x*x*x, 0.25)
}

// efficiency is the share of the displaced volume that fresh gas at manifold state fills.
func (e *Engine) efficiency(rpm, exhaust, clogged float64) float64 {
	s, f := &e.Spec, &e.Faults
	ve := s.Breathing.At(rpm)
	if f.ValveTiming > 0 {
		x := clamp(rpm/s.RatedRPM, 0, 1.1)
		ve *= 1 - f.ValveTiming*(1-0.95*x)
	}
	const expansion = 1.3 // polytropic exponent of burnt gas
	p := math.Max(e.manifold, 8000)
	over := exhaust / p
	rc := s.CompressionRatio
	ve *= (rc - math.Pow(over, 1/expansion)) / (rc - 1)
	ve *= s.phasing(rpm, p/e.Air.Pressure)
	overlap := s.Overlap * math.Max(0, over-1)
	if f.ValveTiming > 0 {
		overlap *= 1 + 2*f.ValveTiming
	}
	ve /= 1 + overlap
	ve /= 1 + s.Scavenging*clogged/p
	return math.Max(0.05, ve*(1-s.gasShare()))
}

// solveRising finds the root of a strictly rising function by bracketed secant
// steps; guess is tried first. The tolerance of 0.5 Pa is far below sensor noise.
func solveRising(f func(float64) float64, low, high, guess float64) float64 {
	const tolerance, most = 0.5, 30
	fl, fh := f(low), f(high)
	if fl >= 0 {
		return low
	}
	if fh <= 0 {
		return high
	}
	x := clamp(guess, low, high)
	side := 0
	for range most {
		fx := f(x)
		if fx > 0 {
			high, fh = x, fx
			if side == 1 {
				fl /= 2
			}
			side = 1
		} else {
			low, fl = x, fx
			if side == -1 {
				fh /= 2
			}
			side = -1
		}
		next := (low*fh - high*fl) / (fh - fl)
		if math.Abs(next-x) < tolerance || high-low < tolerance {
			return next
		}
		x = next
	}
	return x
}

// measure runs the meters and the manifold sensor.
func (e *Engine) measure(dt float64, d Drive) {
	st, s := &e.State, &e.Spec
	reckoned := e.reckonedDensity()
	atMeter := e.densityAtMeter()
	amplitude := e.pulsation(d)
	n := len(s.Meters)
	for i := range n {
		m := &e.meters[i]
		flow := st.MeterFlow * 1000 / float64(n)
		e.ecu.read[i] = m.step(st.Time, dt, flow, atMeter, reckoned, amplitude, e.random)
		st.Indicated[i] = m.staticReading(flow, atMeter, reckoned) / 1000
	}
	noise := 150 * e.random.NormFloat64() // Pa: pulsation of the manifold
	e.mapShown = approach(e.mapShown, st.ManifoldPressure+noise, dt, 0.012)
}

func (e *Engine) densityAtMeter() float64 {
	return e.density * e.Air.Temperature / e.heat.inlet
}

// reckonedDensity is what a control unit uses to turn volume into mass.
func (e *Engine) reckonedDensity() float64 {
	return e.ecu.baro / (gasConstantAir * math.Max(e.ecu.intakeTemp, 200))
}

// pulsation is the relative amplitude of the flow at the meter: strong with
// few cylinders, at low speed and an open throttle.
func (e *Engine) pulsation(d Drive) float64 {
	st, s := &e.State, &e.Spec
	if len(s.Meters) == 0 || s.Cylinders > 4 || d.RPM < 300 {
		return 0
	}
	open := clamp((st.ManifoldPressure/math.Max(st.PrePressure, 1)-0.82)/0.16, 0, 1)
	x := d.RPM / 1500
	return s.Meters[0].Pulsation * open / (1 + x*x*x)
}

// burn turns fuel and air into torque.
func (e *Engine) burn(d Drive) {
	st, s := &e.State, &e.Spec
	if !d.Running {
		st.Torque = 0
		if d.RPM > 1 {
			st.Torque = -0.2e5 * s.Displacement / (4 * math.Pi)
		}
		return
	}
	const heatPerAir = 2.98e6 // J per kg of air burnt; nearly the same for every fuel here
	air := st.EngineFlow * e.dry
	power := 0.0
	fuel := 0.0
	for b := range s.Banks {
		share := 1 / float64(s.Banks)
		f := e.ecu.delivered[b]
		fuel += f
		lambda := 3.0
		if f > 1e-9 {
			lambda = air * share / (f * e.stoich)
		}
		st.Lambda[b] = clamp(lambda, 0.3, 20)
		burnt := math.Min(air*share/e.stoich, f)
		efficiency := 0.375 * e.ecu.spark * heatShare(lambda, s.Fuel)
		power += burnt * e.stoich * heatPerAir * efficiency
	}
	st.FuelFlow = fuel
	omega := math.Max(d.RPM, 100) * 2 * math.Pi / 60
	warm := clamp((st.Coolant-kelvin)/85, -0.4, 1)
	viscous := s.Friction * (1 + 0.9*(1-warm))
	mean := viscous * (0.72e5 + 0.55e5*math.Pow(d.RPM/6000, 1.5))
	pumping := math.Max(-0.3e5, st.ExhaustPressure-st.ManifoldPressure)
	drag := (mean+pumping)*s.Displacement/(4*math.Pi) + s.Accessory/omega
	st.Torque = power/omega - drag
}

// heatShare is how the conversion falls off rich and lean.
func heatShare(lambda float64, fuel Fuel) float64 {
	if fuel == Diesel {
		return 1.08 * clamp(0.55+0.35*lambda, 0.6, 1)
	}
	switch {
	case lambda > 1.15:
		return clamp(1-2.2*(lambda-1.15), 0, 1)
	case lambda < 0.85:
		return clamp(1-0.9*(0.85-lambda), 0.3, 1)
	}
	return 1
}
