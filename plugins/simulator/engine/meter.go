// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package engine

import (
	"math"
	"math/rand/v2"
)

// kingOffset and kingScale are A and B of a heated element's law
// E² = A + B·√m in V² and V²/√(g/s): about 1 V at rest and 4.7 V at 200 g/s,
// the span of a five-volt line. They cancel for a clean element.
const (
	kingOffset = 1.0
	kingScale  = 1.5
)

// heatedElement is the flow in g/s that the control unit computes from the
// bridge voltage of an element with dirt on it. Dirt adds surface (dirtLoss)
// and a thermal resistance in series with the boundary layer (dirtFlow).
func heatedElement(flow, dirtLoss, dirtFlow float64) float64 {
	root := math.Sqrt(math.Max(flow, 0))
	convection := root
	if dirtFlow > 0 {
		convection = root / (1 + root/math.Sqrt(dirtFlow))
	}
	voltageSquared := kingOffset + kingScale*(convection+dirtLoss)
	linear := (voltageSquared - kingOffset) / kingScale
	return linear * linear
}

// meterState is one meter at work.
type meterState struct {
	spec      Meter
	fault     *MeterFault
	tech      MeterTechnology
	element   float64 // g/s, after the element's own lag
	rate      float64 // g/s per s, of a flap
	voltage   float64 // noise, coloured
	dropUntil float64 // s
	dropLevel float64
	nextDrop  float64
}

// staticReading is what the meter shows for a steady flow in g/s, without
// noise and pulsation; density is the air's, and reckoned the control unit's
// idea of it, in kg/m³.
func (m *meterState) staticReading(flow, density, reckoned float64) float64 {
	shown := flow
	switch m.tech {
	case HotWire, HotFilm:
		shown = heatedElement(flow, m.fault.DirtLoss, m.fault.DirtFlow)
	case Vane:
		// The flap answers m/√ρ.
		shown = flow * math.Sqrt(reckoned/density)
	case Karman:
		// Vortices count volume.
		shown = flow * reckoned / density
	}
	if flow <= 0.01 {
		return math.Max(0, m.fault.Offset*1000+m.spec.RestNoise*1000)
	}
	const middle = 30.0 // g/s, where slopes pivot
	shown *= m.spec.Gain * math.Pow(flow/middle, m.spec.Slope)
	shown *= orOne(m.fault.Gain)
	if m.fault.Slope != 0 {
		shown *= math.Pow(flow/middle, m.fault.Slope)
	}
	return math.Max(0, shown+m.fault.Offset*1000)
}

// pulsationError is the relative error from reversing or beating flow.
func (m *meterState) pulsationError(amplitude float64) float64 {
	switch {
	case amplitude < 0.05:
		return 0
	case m.tech == HotWire && m.spec.Tau > 0.025:
		// A slow element averages before its curve is straightened.
		return -0.13 * amplitude * amplitude
	case m.tech == HotWire || m.tech == Karman:
		// A fast one straightens first but cannot see the direction.
		over := math.Max(0, amplitude-1)
		return 0.25 * over
	case m.tech == Vane:
		return 0.03 * amplitude * amplitude
	}
	return 0.01 * amplitude
}

// step advances the meter by dt seconds at a flow in g/s and returns the reading in g/s.
func (m *meterState) step(now, dt, flow, density, reckoned, amplitude float64, random *rand.Rand) float64 {
	target := m.staticReading(flow, density, reckoned) * (1 + m.pulsationError(amplitude))
	tau := m.spec.Tau + m.fault.Lag
	if m.tech == Vane {
		// A flap is a damped oscillator: damping ratio 0.6.
		natural := 1 / tau
		m.rate += dt * (natural*natural*(target-m.element) - 2*0.6*natural*m.rate)
		m.element = math.Max(0, m.element+dt*m.rate)
	} else {
		m.element = approach(m.element, target, dt, tau)
	}
	// Turbulence in the housing is relatively stronger at idle.
	noise := m.spec.Noise * (1 + 1.5/(1+flow/5))
	m.voltage = approach(m.voltage, random.NormFloat64()*noise*math.Sqrt(0.04/dt), dt, 0.02)
	shown := m.element * (1 + m.voltage)
	return m.electrical(now, shown, random)
}

// electrical applies the faults of wire and connector.
func (m *meterState) electrical(now, shown float64, random *rand.Rand) float64 {
	switch m.fault.Signal {
	case SignalStuck:
		return m.fault.StuckAt * 1000
	case SignalOpen:
		return 0
	case SignalShort:
		return 655.35
	case SignalIntermittent:
		return m.dropOut(now, shown, random)
	}
	return math.Max(0, shown)
}

func (m *meterState) dropOut(now, shown float64, random *rand.Rand) float64 {
	if now >= m.nextDrop {
		if m.nextDrop > 0 {
			m.dropUntil = now + 0.1 + 1.2*random.Float64()
			m.dropLevel = 0.3 * random.Float64()
			if random.Float64() < 0.5 {
				m.dropLevel = 0
			}
		}
		m.nextDrop = now + 2 + 12*random.ExpFloat64()
	}
	if now < m.dropUntil {
		return shown * m.dropLevel
	}
	return shown
}
