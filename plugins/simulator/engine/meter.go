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
	lossLevel float64 // share of LostPulses of the moment
	nextLoss  float64 // s
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

// averagedTable is (mean of √|1 + a·sin|)² − 1 over one turn, for amplitudes a
// of 0…2: what an element shows that averages its voltage before the curve of
// King's law is straightened.
const averagedSize = 64

var averagedTable = func() (table [averagedSize + 2]float64) {
	const turn = 512
	for i := range table {
		amplitude := 2 * float64(i) / averagedSize
		sum := 0.0
		for k := range turn {
			sum += math.Sqrt(math.Abs(1 + amplitude*math.Sin(2*math.Pi*(float64(k)+0.5)/turn)))
		}
		mean := sum / turn
		table[i] = mean*mean - 1
	}
	return table
}()

func averaged(amplitude float64) float64 {
	x := clamp(amplitude, 0, 2) / 2 * averagedSize
	i := int(x)
	f := x - float64(i)
	return averagedTable[i]*(1-f) + averagedTable[i+1]*f
}

// rectified is the mean of |1 + a·sin| over one turn, less 1: a fast element
// follows the flow and counts what flows back as well.
func rectified(amplitude float64) float64 {
	if amplitude <= 1 {
		return 0
	}
	return 2/math.Pi*(math.Sqrt(amplitude*amplitude-1)+math.Asin(1/amplitude)) - 1
}

// pulsationError is the relative error from reversing or beating flow.
func (m *meterState) pulsationError(amplitude float64) float64 {
	switch {
	case amplitude < 0.05:
		return 0
	case m.tech == HotWire && m.spec.Tau > 0.025:
		return averaged(amplitude)
	case m.tech == HotWire || m.tech == Karman:
		return rectified(amplitude)
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
		m.swing(dt, target, tau)
	} else {
		m.element = approach(m.element, target, dt, tau)
	}
	// Turbulence in the housing is relatively stronger at idle.
	noise := m.spec.Noise * (1 + 1.5/(1+flow/5))
	m.voltage = approach(m.voltage, random.NormFloat64()*noise*math.Sqrt(0.04/dt), dt, 0.02)
	shown := m.mechanical(now, m.element*(1+m.voltage), random)
	return m.electrical(now, shown, random)
}

// swing moves the flap: a damped oscillator, damping ratio 0.6, that a dirty
// bearing holds until the flow has moved far enough.
func (m *meterState) swing(dt, target, tau float64) {
	if math.Abs(target-m.element) < m.fault.Sticking*m.element {
		m.rate = 0
		return
	}
	natural := 1 / tau
	m.rate += dt * (natural*natural*(target-m.element) - 2*0.6*natural*m.rate)
	m.element = math.Max(0, m.element+dt*m.rate)
}

// mechanical applies the wear of a flap's track and the blindness of a vortex counter.
func (m *meterState) mechanical(now, shown float64, random *rand.Rand) float64 {
	const width = 0.03 // of the worn spot, relative
	worn := m.fault.WornAt * 1000
	switch {
	case m.tech == Vane && worn > 0 && math.Abs(m.element/worn-1) < width && random.Float64() < 0.7:
		return 0 // the wiper has no contact
	case m.tech == Karman && m.fault.LostPulses > 0:
		if now >= m.nextLoss {
			m.lossLevel = float64(random.IntN(3)) / 2
			m.nextLoss = now + 0.3 + 1.2*random.Float64()
		}
		return shown * (1 - m.fault.LostPulses*m.lossLevel)
	}
	return shown
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
