// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package engine

import "math"

// diesel injects by pedal, holds idle by fuel, limits smoke by the air that it
// believes, and opens exhaust gas recirculation at part load.
func (c *controlUnit) diesel(dt float64, d Drive) {
	e := c.e
	st, s := &e.State, &e.Spec
	full := s.RatedFlow / (14.5 * 1.35) * clamp(d.RPM/s.RatedRPM, 0.1, 1.05)
	pedal := d.Pedal
	if d.Plate >= 0 {
		pedal = d.Plate
	}
	c.fullLoad = pedal > 0.85 && d.RPM > 1000
	demand := full * math.Pow(clamp(pedal, 0, 1), 1.1)
	err := (c.idleTarget() - d.RPM) / s.IdleRPM
	if d.Pedal < 0.01 && !d.Coupled {
		c.dieselIntegral = clamp(c.dieselIntegral+dt*0.25*clamp(err, -0.5, 0.5), 0, 1)
	}
	idleFuel := s.Displacement * 1000 * 0.55e-3 * clamp(c.dieselIntegral+0.6*err, 0, 1)
	c.cut = d.Pedal < 0.01 && d.Coupled && d.RPM > 1300 && d.Plate < 0
	if !c.cut && d.RPM < s.IdleRPM*1.6 {
		demand = math.Max(demand, idleFuel)
	}
	if c.cut || d.RPM > s.RatedRPM*1.1 {
		demand = 0
	}
	smoke := c.air / (14.5 * 1.18)
	demand = math.Min(demand, smoke)
	c.dieselFuel = demand
	c.dieselDemand = clamp(pedal, 0, 1)
	c.commanded = 1
	if demand > 1e-7 {
		c.commanded = math.Min(1.99, c.air/(demand*14.5))
	}
	for b := range s.Banks {
		c.delivered[b] = c.deliver(demand/float64(s.Banks), b)
	}
	c.status = 0
	c.closed = false
	c.spark = 1
	c.recirculate(dt, d, pedal)
	st.ClosedLoop, st.FullLoad, st.Cut, st.Substituted = false, c.fullLoad, c.cut, c.substituted
}

// recirculate opens the valve where the engine is warm and lightly loaded. A
// diesel holds a target of metered air with it, so a lying meter moves it.
func (c *controlUnit) recirculate(dt float64, d Drive, load float64) {
	e := c.e
	s := &e.Spec
	target := 0.0
	if s.EGRShare > 0 && e.State.Coolant > kelvin+60 && d.RPM < 0.62*s.RatedRPM && !c.cut {
		target = clamp(1.4-2.2*load, 0, 1)
	}
	if target > 0 && s.Fuel == Diesel {
		nominal := s.TypeBreathing.At(d.RPM) * s.Displacement * d.RPM / 120 * 1.15
		wanted := nominal * (1 - s.EGRShare*target)
		target = clamp(c.egrOpen+0.5*(c.air-wanted)/nominal, 0, 1)
	}
	c.egrOpen = approach(c.egrOpen, target, dt, 0.4)
}

// egrArea is the effective area in m² of the recirculation valve.
func (c *controlUnit) egrArea() float64 {
	s := &c.e.Spec
	if s.EGRShare == 0 {
		return 0
	}
	return c.egrOpen * s.EGRShare * 2.2e-4 * s.Displacement * 1000
}
