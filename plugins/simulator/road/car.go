// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package road puts an engine into a vehicle and a driver behind its wheel.
//
// The driver follows a script of segments (key-on engine-off, idle, cruise,
// full-load pull, overrun ...), well or badly: the assay must find the useful
// stretches by itself, so they have to come about as they do on a road, with
// run-ups, gear changes, slipping clutches and slopes.
//
// A Car is not safe for concurrent use.
package road

import (
	"math"

	"github.com/airassay/airassay/plugins/simulator/engine"
)

// Body is a vehicle without its engine.
type Body struct {
	Mass         float64   // kg, with people
	DragArea     float64   // m², drag coefficient times frontal area
	Rolling      float64   // rolling resistance coefficient
	Wheel        float64   // m, rolling radius
	Gears        []float64 // ratios, first gear first
	Final        float64
	Automatic    bool
	ShiftSeconds float64
	Inertia      float64 // kg·m², engine and flywheel
}

// ratio is engine revolutions per wheel revolution in a gear from 1.
func (b *Body) ratio(gear int) float64 { return b.Gears[gear-1] * b.Final }

// RPMAt is the engine speed in 1/min for a gear and a vehicle speed in m/s.
func (b *Body) RPMAt(gear int, speed float64) float64 {
	return speed / b.Wheel * b.ratio(gear) * 60 / (2 * math.Pi)
}

// SpeedAt is the vehicle speed in m/s for a gear and an engine speed.
func (b *Body) SpeedAt(gear int, rpm float64) float64 {
	return rpm * 2 * math.Pi / 60 * b.Wheel / b.ratio(gear)
}

// Controls is what the driver's hands and feet do.
type Controls struct {
	Key, Crank   bool
	Pedal, Brake float64 // 0…1
	Gear         int     // 0 neutral
	Clutch       bool    // pressed
	Grade        float64 // rise over run, of the road
	HoldSpeed    float64 // m/s; > 0: the slope is whatever keeps this speed (a long hill)
}

// Car is a vehicle in motion.
type Car struct {
	Body   Body
	Engine *engine.Engine

	Time    float64 // s
	Speed   float64 // m/s
	RPM     float64 // 1/min
	Running bool
	// Stalls counts how often the engine died by itself.
	Stalls  int
	Last    Controls
	grade   float64
	cranked float64
	locked  bool
}

// Locked is true while engine and wheels turn together.
func (c *Car) Locked() bool { return c.locked }

// Step advances by dt seconds.
func (c *Car) Step(dt float64, u Controls) {
	c.Time += dt
	c.Last = u
	c.start(dt, u)
	coupled := c.Running && u.Gear > 0 && !u.Clutch
	c.Engine.Step(dt, engine.Drive{
		Key: u.Key, Running: c.Running, Pedal: u.Pedal, RPM: c.RPM, Speed: c.Speed,
		Coupled: coupled && c.locked, Plate: -1,
	})
	c.move(dt, u, coupled)
}

// start cranks and fires.
func (c *Car) start(dt float64, u Controls) {
	const fires = 0.7 // s of cranking
	switch {
	case !u.Key:
		c.Running, c.cranked = false, 0
	case c.Running && c.RPM < 250:
		c.Running, c.cranked = false, 0
		c.Stalls++
	case c.Running:
	case u.Crank:
		c.cranked += dt
		c.RPM = approach(c.RPM, 220, dt, 0.1)
		if c.cranked > fires {
			c.Running = true
			c.RPM = 900
		}
	}
	if !c.Running && !u.Crank {
		c.RPM = approach(c.RPM, 0, dt, 0.3)
		if c.RPM < 5 {
			c.RPM = 0
		}
	}
}

// resistance is the force in N against the vehicle.
func (c *Car) resistance(dt float64, u Controls) float64 {
	const gravity = 9.81
	air := c.Engine.Air.Density()
	force := 0.5*air*c.Body.DragArea*c.Speed*c.Speed + u.Brake*c.Body.Mass*7
	if c.Speed > 0.05 || u.Brake > 0 {
		force += c.Body.Rolling * c.Body.Mass * gravity
	}
	if u.HoldSpeed > 0 {
		c.grade = clamp(c.grade+dt*(0.012*(c.Speed-u.HoldSpeed)), -0.06, 0.25)
		damped := clamp(c.grade+0.08*(c.Speed-u.HoldSpeed), -0.1, 0.4)
		return force + c.Body.Mass*gravity*damped
	}
	c.grade = u.Grade
	return force + c.Body.Mass*gravity*u.Grade
}

func (c *Car) move(dt float64, u Controls, coupled bool) {
	torque := c.Engine.State.Torque
	force := c.resistance(dt, u)
	omega := c.RPM * 2 * math.Pi / 60
	if !coupled {
		c.locked = false
		c.accelerate(dt, -force)
		if c.Running || c.RPM > 300 {
			omega = math.Max(0, omega+dt*torque/c.Body.Inertia)
			c.RPM = omega * 60 / (2 * math.Pi)
		}
		return
	}
	i := c.Body.ratio(u.Gear)
	wheelRPM := c.Body.RPMAt(u.Gear, c.Speed)
	idle := c.Engine.Spec.IdleRPM
	if c.locked && wheelRPM < idle*0.8 {
		c.locked = false
	}
	if !c.locked {
		c.slip(dt, u, force, torque, i, wheelRPM)
		return
	}
	mass := c.Body.Mass + c.Body.Inertia*i*i/(c.Body.Wheel*c.Body.Wheel)
	const driveline = 0.93
	pull := torque * i / c.Body.Wheel
	if torque > 0 {
		pull *= driveline
	}
	c.Speed = math.Max(0, c.Speed+dt*(pull-force)/mass)
	c.RPM = c.Body.RPMAt(u.Gear, c.Speed)
}

// slip couples engine and wheels through a slipping clutch or converter.
func (c *Car) slip(dt float64, u Controls, force, torque, i, wheelRPM float64) {
	idle := c.Engine.Spec.IdleRPM
	most := 75 * c.Engine.Spec.Displacement * 1000 // N·m that the driver lets through
	grip := most * clamp((c.RPM-idle*0.95)/900, 0, 1)
	if wheelRPM > c.RPM {
		grip = -most * clamp((wheelRPM-c.RPM)/300, 0, 1)
	}
	omega := c.RPM * 2 * math.Pi / 60
	omega = math.Max(60, omega+dt*(torque-grip)/c.Body.Inertia)
	c.RPM = omega * 60 / (2 * math.Pi)
	c.accelerate(dt, grip*i/c.Body.Wheel-force)
	if math.Abs(c.RPM-c.Body.RPMAt(u.Gear, c.Speed)) < 60 && c.RPM > idle*0.9 {
		c.locked = true
	}
}

func (c *Car) accelerate(dt, force float64) {
	c.Speed = math.Max(0, c.Speed+dt*force/c.Body.Mass)
}

func clamp(v, low, high float64) float64 { return math.Max(low, math.Min(high, v)) }

func approach(state, target, dt, tau float64) float64 {
	return state + (target-state)*math.Min(1, dt/tau)
}
