// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package engine

import "math"

// thermal holds every temperature that moves.
type thermal struct {
	inlet          float64 // K, at the meter
	beforeThrottle float64 // K
	sensor         float64 // K, of the intake thermistor
	ambientSensor  float64 // K, behind the control unit's filter
	oil            float64 // K
	cooler         float64 // K, of the charge-air cooler's metal
	wall           float64 // K, of ports and manifold
	jump           float64 // s, end of a drop-out of the thermistor
	nextJump       float64
	jumpTo         float64
}

func newThermal(s *Spec, air Weather, coolant, bonnet float64) thermal {
	t := thermal{inlet: bonnet, beforeThrottle: bonnet, sensor: bonnet + s.IntakeTempBias,
		oil: coolant, cooler: bonnet, wall: coolant, ambientSensor: air.Temperature}
	if coolant-air.Temperature > 25 {
		t.ambientSensor += s.AmbientSun
	}
	return t
}

// charge is the temperature in K of the gas that the cylinders draw: the
// ports are a heat exchanger whose effectiveness falls as flow rises.
func (t *thermal) charge(s *Spec, flow, before float64) float64 {
	perLitre := math.Max(flow/s.Displacement, 0.3) // kg/(s·m³) is g/(s·L)
	k := 1 - math.Exp(-s.PickUp*math.Pow(perLitre, -s.PickUpFalloff))
	return before + k*(t.wall-before)
}

func (t *thermal) step(dt float64, e *Engine, d Drive) {
	st, s := &e.State, &e.Spec
	t.coolant(dt, e, d)
	outside := e.Air.Temperature
	hot := clamp((st.Coolant-outside)/70, 0, 1.6)
	// Ram air clears the bonnet: half the soak is left at about 8 m/s.
	bonnet := outside + hot*(2+s.SoakHeat/(1+d.Speed/8))
	t.inlet = approach(t.inlet, bonnet, dt, 75)
	t.wall = approach(t.wall, st.Coolant, dt, 20)
	perLitre := math.Max(e.duct/s.Displacement, 0.2)
	warmed := t.inlet + hot*2.5/(1+perLitre/4)
	t.beforeThrottle = t.compressed(dt, e, d, warmed)
	t.intakeSensor(dt, e, d, perLitre)
	st.InletTemp = t.inlet
	t.oil = approach(t.oil, st.Coolant+8*clamp(d.RPM/3000, 0, 1.5), dt, 150)
	t.ambient(dt, e, d, hot)
}

// compressed is the temperature behind charger and cooler.
func (t *thermal) compressed(dt float64, e *Engine, d Drive, before float64) float64 {
	s := &e.Spec
	if s.Aspiration == Natural {
		return before
	}
	const exponent = (gammaAir - 1) / gammaAir
	hot := before * (1 + (math.Pow(e.boost, exponent)-1)/s.Charger.Efficiency)
	if s.Charger.Cooler == 0 {
		return hot
	}
	metal := e.Air.Temperature + (hot-e.Air.Temperature)*0.35/(1+d.Speed/10)
	t.cooler = approach(t.cooler, math.Max(metal, e.Air.Temperature), dt, 25)
	return hot + s.Charger.Cooler*(t.cooler-hot)
}

func (t *thermal) intakeSensor(dt float64, e *Engine, d Drive, perLitre float64) {
	st, s := &e.State, &e.Spec
	where := t.inlet
	switch s.IntakeTempLocation {
	case Separate:
		where = t.inlet + 0.6*(t.wall-t.inlet)*0.06/(1+perLitre/3)
	case AfterCooler:
		where = t.beforeThrottle + (t.wall-t.beforeThrottle)*0.05/(1+perLitre/5)
	}
	st.IntakeTempTrue = where
	selfHeat := 0.0
	if d.Key {
		selfHeat = s.SelfHeat / (1 + perLitre*3)
	}
	tau := s.IntakeTempTau * clamp(math.Sqrt(8/(perLitre+0.2)), 0.7, 3)
	t.sensor = approach(t.sensor, where+selfHeat+s.IntakeTempBias, dt, tau)
}

// ambient is what the control unit makes of its outside sensor: it believes
// falls at once and rises only while air flows past.
func (t *thermal) ambient(dt float64, e *Engine, d Drive, hot float64) {
	raw := e.Air.Temperature + e.Spec.AmbientSun*hot/(1+d.Speed/4)
	tau := 120.0
	if raw > t.ambientSensor && d.Speed < 8 {
		tau = 900
	}
	t.ambientSensor = approach(t.ambientSensor, raw, dt, tau)
}

func (t *thermal) coolant(dt float64, e *Engine, d Drive) {
	st, s := &e.State, &e.Spec
	litres := s.Displacement * 1000
	const (
		toCoolant  = 0.26   // share of the fuel's heat
		perAir     = 2.98e6 // J of fuel heat per kg of air burnt
		opening    = 8.0    // K over which the thermostat opens
		perLitreJK = 17e3   // J/K, heat capacity of metal and coolant per litre
	)
	heat := toCoolant * st.EngineFlow * perAir
	if st.Cut {
		heat = 0
	}
	open := clamp((st.Coolant-s.Thermostat)/opening, 0, 1)
	root := math.Sqrt(d.Speed)
	conductance := litres * (6 + 1.5*root + open*(60+110*root)) // W/K
	st.Coolant += dt * (heat - conductance*(st.Coolant-e.Air.Temperature)) / (perLitreJK * (litres + 1.2))
	st.Coolant = math.Max(st.Coolant, e.Air.Temperature)
}

// shownIntake is the thermistor as the control unit reads it in K.
func (t *thermal) shownIntake(now float64, e *Engine) float64 {
	f := &e.Faults
	value := t.sensor + f.IntakeTempBias
	switch f.IntakeTemp {
	case SignalStuck:
		return f.IntakeTempStuck
	case SignalOpen:
		return kelvin - 40
	case SignalShort:
		return kelvin + 150
	case SignalIntermittent:
		if now >= t.nextJump {
			if t.nextJump > 0 {
				t.jump = now + 0.3 + 4*e.random.Float64()
				t.jumpTo = kelvin - 40
				if e.random.Float64() < 0.3 {
					t.jumpTo = value - 15 - 20*e.random.Float64()
				}
			}
			t.nextJump = now + 4 + 20*e.random.ExpFloat64()
		}
		if now < t.jump {
			return t.jumpTo
		}
	}
	return value
}
