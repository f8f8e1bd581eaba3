// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package scenario

import (
	"math"

	"github.com/airassay/airassay/plugins/simulator/engine"
	"github.com/airassay/airassay/plugins/simulator/link"
	"github.com/airassay/airassay/plugins/simulator/road"
)

// TimeStep is that of the integration in s.
const TimeStep = 0.01

// longest is how long a drive may go on, in s.
const longest = 1500.0

// Prepared is a case whose past has been driven: what the maker stored in the
// control unit, and what it has learned since. It is not written to after
// Prepare, so drives of it may be started and driven from several goroutines.
type Prepared struct {
	// Case is what was prepared. It must not be changed.
	Case    *Case
	table   engine.FullLoad
	learned *engine.Learned
}

// Prepare drives what lies before the drive. It takes some tenths of a second.
func (c *Case) Prepare() *Prepared {
	p := &Prepared{Case: c, table: engine.NominalFullLoad(c.Spec)}
	if c.Spec.Control.LearnedBefore && c.Spec.GasolineLike() {
		p.learned = new(c.history(p.table).Learned())
	}
	return p
}

// Drive is a case in motion. It is not safe for concurrent use.
type Drive struct {
	car    *road.Car
	driver *road.Driver
	flat   bool
	broken bool
}

// Start begins a drive. All drives of one case are the same.
func (p *Prepared) Start() *Drive {
	c := p.Case
	e := engine.New(c.Spec, c.Faults, c.Air, c.Plan.coolant, c.Plan.bonnet, c.Seed^0x5851f42d4c957f2d)
	e.FullLoadTable(p.table)
	if p.learned != nil {
		e.Adopt(*p.learned)
	}
	return &Drive{car: &road.Car{Body: c.Body, Engine: e}, driver: road.NewDriver(c.Plan.script, c.restless, c.Seed^0x14057b7ef767814f)}
}

// Step advances by TimeStep.
func (d *Drive) Step() {
	u := d.driver.Next(TimeStep, d.car)
	d.flat = u.Pedal > 0.7
	d.car.Step(TimeStep, u)
	st := &d.car.Engine.State
	if sum := d.car.RPM + d.car.Speed + st.ManifoldPressure + st.MeterFlow + st.Coolant; math.IsNaN(sum) || math.IsInf(sum, 0) {
		d.broken = true
	}
}

// Done is true once the script has been driven, or cannot be driven any further.
func (d *Drive) Done() bool { return d.broken || d.driver.Done() || d.car.Time >= longest }

// Broken is true when the vehicle that was asked for cannot exist: its numbers
// have left all bounds, and the drive is over.
func (d *Drive) Broken() bool { return d.broken }

// Now is the time since the start in s.
func (d *Drive) Now() float64 { return d.car.Time }

// Value is what the control unit shows now, not quantised.
func (d *Drive) Value(s engine.Signal) float64 { return d.car.Engine.Value(s) }

// Substituted is true while the control unit does not believe the air meter and
// meters fuel by a model.
func (d *Drive) Substituted() bool { return d.car.Engine.State.Substituted }

// Recording is a driven case.
type Recording struct {
	Case    *Case
	Samples []link.Sample
	Truth   Truth
	// Seconds is the length of the drive.
	Seconds float64
	// Broken is that of the drive: the vehicle cannot exist.
	Broken bool
}

// Run drives a case and states its truth.
func (c *Case) Run() Recording {
	d := c.Prepare().Start()
	sampler := link.NewSampler(c.Link, c.Signals, c.refreshScale, c.LinkSeed())
	watch := newWatch(c)
	for !d.Done() {
		d.Step()
		sampler.Step(d.Now(), d, d.flat)
		watch.step(TimeStep, d.car)
	}
	r := Recording{Case: c, Samples: sampler.Samples, Seconds: d.Now(), Broken: d.Broken()}
	r.Truth = watch.truth(c, sampler.Samples)
	r.Truth.Stalls = d.car.Stalls
	return r
}

// LinkSeed seeds the link of the case.
func (c *Case) LinkSeed() uint64 { return c.Seed ^ 0x27d4eb2f165667c5 }

// RefreshScale is how many times slower than the quickest control units this one refreshes its values.
func (c *Case) RefreshScale() float64 { return c.refreshScale }

// history drives some minutes before the recording, with a hurried memory, so
// that the learned trims are those of a vehicle that has had its fault for long.
func (c *Case) history(table engine.FullLoad) *engine.Engine {
	e := engine.New(c.Spec, c.Faults, c.Air, kelvin+88, c.Air.Temperature+12, c.Seed^0x9fb21c651e98df25)
	e.FullLoadTable(table)
	e.Learn(8)
	car := &road.Car{Body: c.Body, Engine: e}
	top := c.Spec.RatedRPM
	script := []road.Segment{
		{Kind: road.KeyOn, Seconds: 3}, {Kind: road.Start}, {Kind: road.Idle, Seconds: 55},
		{Kind: road.Cruise, Speed: kmh(52), Seconds: 20}, {Kind: road.Cruise, Speed: kmh(78), Seconds: 20},
		{Kind: road.Cruise, Speed: kmh(100), Seconds: 18},
		{Kind: road.HighLoad, Gear: 3, Speed: c.Body.SpeedAt(3, 0.42*top), Fill: 0.85, Seconds: 14},
		{Kind: road.Stop}, {Kind: road.Idle, Seconds: 15},
	}
	driver := road.NewDriver(script, 0.3, c.Seed)
	for !driver.Done() && car.Time < 420 {
		car.Step(TimeStep, driver.Next(TimeStep, car))
	}
	return e
}
