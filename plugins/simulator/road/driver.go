// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package road

import (
	"math"
	"math/rand/v2"
)

// Kind is what a segment of a script is for.
type Kind int

// Segments.
const (
	KeyOn      Kind = iota // key on, engine off, for Seconds
	Start                  // crank and run
	Idle                   // stand for Seconds
	RaisedIdle             // stand at RPM for Seconds
	Cruise                 // reach Speed, then hold it for Seconds
	HighLoad               // hold Speed uphill with Fill of the barometer in the manifold, for Seconds
	Pull                   // from RPM in Gear, pedal down to Until
	Overrun                // pedal up in gear down to RPM
	Snap                   // stand, pedal to Pedal for a moment
	Stop                   // brake to a halt
)

// Segment is one part of a drive.
type Segment struct {
	Kind    Kind
	Seconds float64
	Speed   float64 // m/s
	RPM     float64
	Until   float64 // 1/min
	Gear    int
	Pedal   float64 // how far down in a pull or snap, 0…1
	Fill    float64 // manifold over barometric pressure
	Abort   float64 // s after which a pull is given up; 0 never
	ShiftAt float64 // 1/min at which a pull changes gear; 0 never
}

// Driver follows a script.
type Driver struct {
	Script []Segment
	// Restless is how much the foot wanders: 0 not at all, 1 clearly.
	Restless float64
	random   *rand.Rand

	index    int
	phase    int
	since    float64 // s in the phase
	settled  float64
	integral float64
	pedal    float64
	gear     int
	wantGear int
	shifting float64
	wander   float64
	began    float64
}

// NewDriver makes a driver; seed decides the restlessness.
func NewDriver(script []Segment, restless float64, seed uint64) *Driver {
	return &Driver{Script: script, Restless: restless, random: rand.New(rand.NewPCG(seed, 0xd1b54a32d192ed03))}
}

// Done is true after the last segment.
func (d *Driver) Done() bool { return d.index >= len(d.Script) }

// Segment is the current segment, and whether its run-up is over.
func (d *Driver) Segment() (Segment, bool) {
	if d.Done() {
		return Segment{}, false
	}
	return d.Script[d.index], d.phase > 0
}

// Next decides the controls of the next step.
func (d *Driver) Next(dt float64, c *Car) Controls {
	if d.Done() {
		return Controls{}
	}
	d.since += dt
	d.wander += dt * (-d.wander/4 + d.Restless*0.02*d.random.NormFloat64()/math.Sqrt(dt))
	s := &d.Script[d.index]
	u := Controls{Key: true}
	if s.Kind != KeyOn && s.Kind != Start && !c.Running {
		d.gear = 0
		return Controls{Key: true, Crank: true, Clutch: true, Brake: 0.2} // it stalled
	}
	switch s.Kind {
	case KeyOn:
		d.endAfter(s.Seconds)
	case Start:
		d.start(c, &u)
	case Idle:
		d.stand(s, c, &u, 0, dt)
	case RaisedIdle:
		d.stand(s, c, &u, s.RPM, dt)
	case Cruise:
		d.cruise(s, c, &u, dt)
	case HighLoad:
		d.highLoad(s, c, &u, dt)
	case Pull:
		d.pull(s, c, &u, dt)
	case Overrun:
		d.overrun(s, c, &u, dt)
	case Snap:
		d.snap(s, c, &u, dt)
	case Stop:
		d.stop(c, &u)
	}
	return u
}

func (d *Driver) next() {
	d.index++
	d.phase, d.since, d.settled, d.integral, d.began = 0, 0, 0, 0, 0
	d.shifting = 0
}

func (d *Driver) enter(phase int) { d.phase, d.since, d.settled = phase, 0, 0 }

func (d *Driver) endAfter(seconds float64) {
	if d.since >= seconds {
		d.next()
	}
}

func (d *Driver) start(c *Car, u *Controls) {
	u.Crank = !c.Running
	if c.Running && d.since > 3 {
		d.next()
	}
}

// stand idles, or holds a raised speed in neutral.
func (d *Driver) stand(s *Segment, c *Car, u *Controls, rpm, dt float64) {
	if c.Speed > 0.05 && d.phase == 0 {
		d.brake(c, u)
		d.since = 0
		return
	}
	d.phase = 1
	d.gear = 0
	u.Brake = 0.3
	if rpm > 0 {
		err := (rpm - c.RPM) / 1000
		d.integral = clamp(d.integral+dt*0.06*err, 0, 0.3)
		d.pedal = approach(d.pedal, clamp(d.integral+0.03*err+0.01, 0.011, 0.4), dt, 0.15)
		u.Pedal = d.pedal
	}
	d.endAfter(s.Seconds)
}

func (d *Driver) brake(c *Car, u *Controls) {
	u.Brake = 0.35
	u.Gear = d.gear
	if d.gear > 0 && c.Body.RPMAt(d.gear, c.Speed) < 1100 {
		u.Gear, d.gear = 0, 0
	}
	u.Clutch = u.Gear == 0
	d.pedal = 0
}

// choose picks a gear for a speed.
func (d *Driver) choose(c *Car, speed, low float64) int {
	for g := len(c.Body.Gears); g > 1; g-- {
		if c.Body.RPMAt(g, speed) >= low {
			return g
		}
	}
	return 1
}

// drive moves towards a speed in a gear (0: any) and returns whether a shift is under way.
func (d *Driver) drive(c *Car, u *Controls, dt, speed float64, gear int) bool {
	if d.gear == 0 {
		d.gear, d.wantGear = 1, 1
	}
	target := gear
	if target == 0 {
		target = d.choose(c, speed, 1500)
	}
	d.pickGear(c, target)
	if d.shift(c, u, dt) {
		return true
	}
	err := speed - c.Speed
	d.integral = clamp(d.integral+dt*0.012*clamp(err, -2, 2), -0.1, 0.6)
	want := d.integral + 0.06*clamp(err, -5, 5) + 0.03*d.wander
	if err < -2.5 {
		u.Brake = clamp(-0.05*(err+2.5), 0, 0.4)
	}
	d.pedal = approach(d.pedal, clamp(want, 0, 0.7), dt, 0.4)
	u.Pedal = d.pedal
	u.Gear = d.gear
	return false
}

// pickGear goes through the gears one by one on the way to a target.
func (d *Driver) pickGear(c *Car, target int) {
	if d.shifting > 0 || d.since < 0.1 {
		return
	}
	rated := c.Engine.Spec.RatedRPM
	switch {
	case d.gear < target && c.RPM > math.Min(2600, 0.5*rated) && c.Body.RPMAt(d.gear+1, c.Speed) > 1250:
		d.wantGear = d.gear + 1
	case d.gear > target && c.Body.RPMAt(d.gear-1, c.Speed) < 0.72*rated:
		d.wantGear = d.gear - 1
	case d.gear > 1 && c.RPM < 1050 && c.Locked():
		d.wantGear = d.gear - 1
	default:
		return
	}
	if d.wantGear != d.gear {
		d.shifting = c.Body.ShiftSeconds
	}
}

// shift holds the clutch while the gear changes.
func (d *Driver) shift(c *Car, u *Controls, dt float64) bool {
	if d.shifting <= 0 {
		return false
	}
	d.shifting -= dt
	u.Clutch = true
	u.Gear = d.gear
	goal := c.Body.RPMAt(d.wantGear, c.Speed)
	u.Pedal = clamp(0.02+(goal-c.RPM)/6000, 0, 0.25)
	d.pedal = u.Pedal
	if d.shifting <= 0 {
		d.gear = d.wantGear
	}
	return true
}

func (d *Driver) cruise(s *Segment, c *Car, u *Controls, dt float64) {
	shifting := d.drive(c, u, dt, s.Speed, s.Gear)
	gear := s.Gear
	if gear == 0 {
		gear = d.choose(c, s.Speed, 1500)
	}
	if d.phase == 0 {
		if !shifting && math.Abs(c.Speed-s.Speed) < 0.4 && d.gear == gear {
			d.settled += dt
		}
		if d.settled > 2 || d.since > 60 {
			d.enter(1)
		}
		return
	}
	d.endAfter(s.Seconds)
}

// highLoad climbs: the foot holds a manifold pressure and the hill the speed.
func (d *Driver) highLoad(s *Segment, c *Car, u *Controls, dt float64) {
	gear := s.Gear
	if d.phase == 0 {
		shifting := d.drive(c, u, dt, s.Speed, gear)
		if !shifting && d.gear == gear && math.Abs(c.Speed-s.Speed) < 1 || d.since > 50 {
			d.integral = d.pedal
			d.enter(1)
		}
		return
	}
	u.Gear = d.gear
	u.HoldSpeed = s.Speed
	fill := c.Engine.State.ManifoldPressure / c.Engine.Air.Pressure
	err := s.Fill - fill
	d.integral = clamp(d.integral+dt*0.25*err, 0.02, 0.69)
	d.pedal = approach(d.pedal, clamp(d.integral+0.15*err, 0.02, 0.69), dt, 0.3)
	u.Pedal = d.pedal
	d.endAfter(s.Seconds + 4)
}

// pull runs up in a gear, then floors the pedal until the engine is near its rated speed.
func (d *Driver) pull(s *Segment, c *Car, u *Controls, dt float64) {
	speed := c.Body.SpeedAt(s.Gear, s.RPM)
	switch d.phase {
	case 0:
		shifting := d.drive(c, u, dt, speed, s.Gear)
		if !shifting && d.gear == s.Gear && math.Abs(c.Speed-speed) < 0.6 {
			d.settled += dt
		}
		if d.settled > 1 || d.since > 60 {
			d.enter(1)
			d.began = c.Time
		}
	case 1:
		u.Gear = d.gear
		if d.shift(c, u, dt) {
			return
		}
		if s.ShiftAt > 0 && c.RPM > s.ShiftAt && d.gear == s.Gear && d.gear < len(c.Body.Gears) {
			d.wantGear, d.shifting = d.gear+1, c.Body.ShiftSeconds
		}
		d.pedal = approach(d.pedal, s.Pedal*1.03, dt, 0.12)
		u.Pedal = math.Min(d.pedal, s.Pedal)
		u.Gear = d.gear
		if c.RPM >= s.Until || d.since > 16 || s.Abort > 0 && d.since > s.Abort {
			d.enter(2)
		}
	case 2:
		d.pedal = approach(d.pedal, 0, dt, 0.08)
		if d.pedal < 0.01 {
			d.pedal = 0
		}
		u.Pedal = d.pedal
		u.Gear = d.gear
		d.endAfter(2.5)
	}
}

func (d *Driver) overrun(s *Segment, c *Car, u *Controls, dt float64) {
	if d.gear == 0 {
		d.next()
		return
	}
	d.phase = 1
	d.pedal = approach(d.pedal, 0, dt, 0.08)
	if d.pedal < 0.01 {
		d.pedal = 0
	}
	u.Pedal = d.pedal
	u.Gear = d.gear
	if d.since > 3 {
		u.Brake = 0.06
	}
	if c.RPM < s.RPM || d.since > 25 {
		d.next()
	}
}

// snap opens the throttle at once, in neutral and at rest.
func (d *Driver) snap(s *Segment, c *Car, u *Controls, dt float64) {
	if c.Speed > 0.05 && d.phase == 0 {
		d.brake(c, u)
		d.since = 0
		return
	}
	d.phase = 1
	d.gear = 0
	u.Brake = 0.3
	const before, open = 2.0, 0.8
	switch {
	case d.since < before || c.RPM > 0.7*c.Engine.Spec.RatedRPM:
		d.pedal = approach(d.pedal, 0, dt, 0.05)
	case d.since < before+open:
		d.pedal = approach(d.pedal, s.Pedal, dt, 0.08)
	default:
		d.pedal = approach(d.pedal, 0, dt, 0.08)
	}
	if d.pedal < 0.005 {
		d.pedal = 0
	}
	u.Pedal = d.pedal
	d.endAfter(before + open + 4)
}

func (d *Driver) stop(c *Car, u *Controls) {
	d.brake(c, u)
	if c.Speed < 0.05 {
		d.next()
	}
}
