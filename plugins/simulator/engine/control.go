// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package engine

import "math"

// maxDelaySteps bounds the dead time between injection and oxygen sensor.
const maxDelaySteps = 512

// cellLoads and cellSpeeds split the map of a control unit that learns in cells.
var (
	cellLoads  = [3]float64{25, 45, 70} // % of absolute load
	cellSpeeds = [2]float64{1400, 2600} // 1/min
)

const cellCount = (len(cellLoads) + 1) * (len(cellSpeeds) + 1)

// learned is the long memory of fuel control of one bank.
type learned struct {
	additive float64 // kg/s of air
	factor   float64
	cells    [cellCount]float64
}

// bank is the fuel control of one bank.
type bank struct {
	long     learned
	short    float64
	integral float64
	rich     bool // state of a switching controller
	applied  float64
	lambda   [maxDelaySteps]float64
	seen     float64 // λ behind dead time and sensor lag
	held     float64 // s since the switching sensor changed side
}

// controlUnit is the engine control unit.
type controlUnit struct {
	e *Engine
	// read is the flow of each meter in g/s as digitised.
	read [2]float64
	// air is the flow in kg/s that fuel is metered for.
	air                      float64
	baro, intakeTemp         float64
	banks                    [2]bank
	delivered                [2]float64
	commanded                float64 // λ
	spark                    float64
	idleShare                float64 // share of the bore for idle
	idleIntegral             float64
	plateNow                 float64
	plateWanted              float64
	boostAsked               float64 // Pa
	fullLoad, cut, closed    bool
	fullSince, runTime       float64
	status                   float64
	purgeDuty, purgeClock    float64
	doubt                    float64 // s for which meter and model have disagreed
	substituted              bool
	learning                 float64
	position                 int
	dieselFuel, dieselDemand float64
	dieselIntegral           float64
	egrOpen                  float64
	peak                     loadTable
	limiter                  bool
	speedSlope, lastRPM      float64 // 1/min per s, 1/min
	lastPlate, tipIn         float64 // 0…1, s
}

func newControlUnit(e *Engine) controlUnit {
	c := controlUnit{e: e, commanded: 1, spark: 1, learning: 1}
	c.baro = e.Air.Pressure
	c.intakeTemp = e.heat.sensor
	c.idleShare = 0.01
	for b := range c.banks {
		c.banks[b].seen = 1
		for i := range c.banks[b].lambda {
			c.banks[b].lambda[i] = 1
		}
	}
	c.purgeClock = 40 * e.random.Float64()
	return c
}

// Learn sets how many times faster than real the learned trims move: a history
// of driving in a short time. 1 is real, 0 freezes them.
func (e *Engine) Learn(times float64) { e.ecu.learning = times }

// Learned is what a control unit remembers from drive to drive.
type Learned struct {
	long         [2]learned
	idle, diesel float64
}

// Learned gives what the control unit has learned up to now.
func (e *Engine) Learned() (l Learned) {
	for b := range e.ecu.banks {
		l.long[b] = e.ecu.banks[b].long
	}
	l.idle, l.diesel = e.ecu.idleIntegral, e.ecu.dieselIntegral
	return l
}

// Adopt takes over what a control unit of the same type has learned.
func (e *Engine) Adopt(l Learned) {
	for b := range e.ecu.banks {
		e.ecu.banks[b].long = l.long[b]
	}
	e.ecu.idleIntegral, e.ecu.dieselIntegral = l.idle, l.diesel
}

// plate decides and moves the throttle plate.
func (c *controlUnit) plate(dt float64, d Drive) float64 {
	e := c.e
	if d.Plate >= 0 {
		c.plateWanted = d.Plate
		c.plateNow = d.Plate
		return d.Plate
	}
	k := &e.Spec.Control
	share := c.idle(dt, d)
	pedal := clamp(d.Pedal, 0, 1)
	wanted := pedal
	if k.Electronic {
		wanted = math.Pow(pedal, k.Progression)
		if e.Spec.Aspiration != Natural {
			// A charged engine opens the plate before it asks for boost.
			wanted = math.Min(1, wanted*1.35)
		}
	}
	c.plateWanted = clamp(plateFor(plateShare(wanted)-plateShare(0)+share), 0, 1)
	limited := math.Min(c.plateWanted, orOne(e.Faults.PlateLimit))
	c.plateNow = approach(c.plateNow, limited, dt, 0.04)
	return c.plateNow
}

// idle is the share of the bore that the idle control opens.
func (c *controlUnit) idle(dt float64, d Drive) float64 {
	e := c.e
	if !d.Running {
		return c.idleShare
	}
	target := c.idleTarget()
	err := (target - d.RPM) / target
	c.speedSlope = approach(c.speedSlope, (d.RPM-c.lastRPM)/dt, dt, 0.06)
	c.lastRPM = d.RPM
	// Coming down from higher speed must not wind the integral down.
	if d.Pedal < 0.01 && !d.Coupled && err > -0.12 && err < 0.6 {
		c.idleIntegral = clamp(c.idleIntegral+dt*0.012*clamp(err, -0.3, 0.3), -0.01, 0.15)
	}
	// The maker's guess of the air for idle, 1.5 g/s per litre, through a choked gap.
	guess := 1.5 * e.Spec.Displacement * (1 + 0.5*c.coldness())
	flux := c.believedBaro() / math.Sqrt(gasConstantAir*c.intakeTemp) * criticalFlow
	base := guess / (flux * e.Spec.ThrottleArea)
	share := base - plateShare(0) + c.idleIntegral
	if d.Pedal < 0.01 && !d.Coupled {
		share += base * (1.8*clamp(err, -0.1, 0.6) + 0.35*clamp(-c.speedSlope/1000, 0, 1.5))
	}
	if d.Pedal < 0.01 {
		// A dashpot keeps some air through the overrun, or oil would be drawn past the rings.
		share += 0.6 * base * clamp((d.RPM-1.1*target)/2000, 0, 1.6)
	}
	c.idleShare = approach(c.idleShare, clamp(share, 0, 0.2), dt, 0.08)
	return c.idleShare
}

func (c *controlUnit) idleTarget() float64 {
	return c.e.Spec.IdleRPM + 420*c.coldness()
}

// coldness is 0 for a warm and 1 for a freezing engine.
func (c *controlUnit) coldness() float64 {
	return clamp((kelvin+70-c.e.State.Coolant)/70, 0, 1.2)
}

// boostDemand is the share of full boost that the pedal asks for.
func (c *controlUnit) boostDemand(d Drive) float64 {
	if d.Plate >= 0 {
		return clamp((d.Plate-0.75)/0.25, 0, 1)
	}
	return clamp((d.Pedal-0.4)/0.5, 0, 1)
}

// step runs one round of the control unit.
func (c *controlUnit) step(dt float64, d Drive) {
	e := c.e
	c.readSlow(dt, d)
	if !d.Running {
		c.delivered = [2]float64{}
		c.status = 0
		c.runTime = 0
		c.air = 0
		return
	}
	c.runTime += dt
	c.estimateAir(dt, d)
	c.purge(dt, d)
	if e.Spec.Fuel == Diesel {
		c.diesel(dt, d)
		return
	}
	c.mode(dt, d)
	c.look(dt, d)
	for b := range e.Spec.Banks {
		c.fuel(dt, d, b)
	}
}

// readSlow reads barometer and temperatures.
func (c *controlUnit) readSlow(dt float64, d Drive) {
	e := c.e
	f := &e.Faults
	c.intakeTemp = e.heat.shownIntake(e.State.Time, e)
	believed := c.intakeTemp
	if believed < kelvin-39 || believed > kelvin+130 {
		believed = kelvin + 20 // a dead thermistor is replaced by a mild day
	}
	c.intakeTemp = believed
	if e.Spec.Control.BaroFromMAP {
		open := e.Spec.GasolineLike() && e.Spec.Aspiration == Natural && c.fullLoad && c.fullSince > 0.8 && d.RPM < 3500
		switch {
		case !d.Running && d.Key && d.RPM < 1:
			c.baro = approach(c.baro, c.mapReading(), dt, 0.5)
		case open:
			c.baro = approach(c.baro, math.Max(c.baro, c.mapReading()+1200), dt, 5)
		}
		return
	}
	c.baro = e.Air.Pressure + e.Spec.BaroOffset + f.BaroBias
	switch f.Baro {
	case SignalStuck:
		c.baro = f.BaroStuck
	case SignalOpen:
		c.baro = 0
	case SignalShort:
		c.baro = 255e3
	}
}

// believedBaro is the barometric pressure that calculations use.
func (c *controlUnit) believedBaro() float64 {
	if c.baro < 45e3 || c.baro > 115e3 {
		return standardPressure
	}
	return c.baro
}

// mapReading is the manifold sensor in Pa.
func (c *controlUnit) mapReading() float64 {
	e := c.e
	f := &e.Faults
	switch f.MAP {
	case SignalStuck:
		return f.MAPStuck
	case SignalOpen:
		return 0
	case SignalShort:
		return 255e3
	}
	s := &e.Spec
	return math.Max(0, e.mapShown*(1+s.MAPGain+f.MAPGain)+s.MAPOffset+f.MAPBias)
}

// estimateAir decides how much air the fuel is for.
func (c *controlUnit) estimateAir(dt float64, d Drive) {
	e := c.e
	s := &e.Spec
	model := c.model(d)
	if s.Meter == NoMeter {
		c.air = approach(c.air, model, dt, 0.03)
		return
	}
	metered := (c.read[0] + c.read[1]) / 1000
	if len(s.Meters) == 1 {
		metered = c.read[0] / 1000
	}
	c.judgeMeter(dt, metered, model, d)
	if c.substituted {
		metered = model
	}
	// What passes the meter fills the manifold first: the maker's constant for it is a nominal one.
	filling := s.ManifoldVolume * 120 / (0.85 * s.Displacement * math.Max(d.RPM, 300))
	c.air = approach(c.air, metered, dt, clamp(filling, 0.03, 0.6))
	// No meter is quick enough for a snap of the plate: the step in air is foreseen from it.
	if opening := (e.State.Plate - c.lastPlate) / dt; opening > 0.4 {
		c.tipIn = 0.15
	}
	c.lastPlate = e.State.Plate
	if c.tipIn > 0 {
		c.tipIn -= dt
		c.air = math.Max(c.air, 0.95*model)
	}
}

// model is the air in kg/s by the maker's idea of the engine: from manifold
// pressure where it is measured for control, else from plate and speed.
func (c *controlUnit) model(d Drive) float64 {
	e := c.e
	s := &e.Spec
	if s.Meter == NoMeter {
		// The maker has mapped the type on a test bench, residual gas included.
		p := c.mapReading()
		ve := s.TypeBreathing.At(d.RPM) * c.mapped(d.RPM, p)
		t := e.heat.charge(s, c.air, c.intakeTemp)
		return ve * s.Displacement * d.RPM / 120 * p / (gasConstantAir * t) * math.Pow(t/303, s.HeatExponent)
	}
	return e.State.EngineFlow * (1 + s.Control.ModelError) * e.Spec.plateBias(e.State.Plate)
}

// mapped is the share of the full-load volumetric efficiency that is left at a manifold pressure in Pa.
func (c *controlUnit) mapped(rpm, p float64) float64 {
	s := &c.e.Spec
	back := c.e.exhaust / s.RatedFlow
	over := (c.believedBaro() + back*back*s.ExhaustDrop) / math.Max(p, 8000)
	rc := s.CompressionRatio
	return (rc - math.Pow(over, 1/1.3)) / (rc - 1) / (1 + s.Overlap*math.Max(0, over-1)) * (1 - s.gasShare()) * s.phasing(rpm, p/c.believedBaro())
}

// plateBias is the error over plate position of a substitute that knows only plate and speed.
func (s *Spec) plateBias(plate float64) float64 {
	return 1 + 0.08*math.Sin(6*plate+10*s.Control.ModelError)
}

// judgeMeter is the control unit's own plausibility check: coarse, as they are.
func (c *controlUnit) judgeMeter(dt, metered, model float64, d Drive) {
	if c.e.Faults.Meter[0].Signal == SignalReplaced {
		c.substituted = true
		return
	}
	const coarse = 0.55 // |ln| before a maker's range check doubts a meter
	doubtful := metered < 0.0002 || metered > 0.6 || math.Abs(math.Log(metered/math.Max(model, 1e-4))) > coarse
	if doubtful && d.RPM > 400 {
		c.doubt = math.Min(c.doubt+dt, 6)
	} else {
		c.doubt = math.Max(0, c.doubt-dt*0.5)
	}
	if c.doubt > 1.5 {
		c.substituted = true
	} else if c.doubt < 0.2 {
		c.substituted = false
	}
}

// purge opens the canister valve in turns.
func (c *controlUnit) purge(dt float64, d Drive) {
	e := c.e
	c.purgeClock += dt
	warm := e.State.Coolant > kelvin+60
	const cycle, closed = 150.0, 60.0 // s
	phase := math.Mod(c.purgeClock, cycle)
	target := 0.0
	if warm && c.closed && phase > closed {
		target = clamp(0.15+e.State.EngineFlow/e.Spec.RatedFlow*3, 0, 0.9)
		if d.Speed < 0.5 {
			target = math.Min(target, 0.2)
		}
	}
	c.purgeDuty = approach(c.purgeDuty, target, dt, 2)
}

// purgeFlow is the gas from the canister in kg/s at a manifold pressure.
func (c *controlUnit) purgeFlow(p float64) float64 {
	s := &c.e.Spec
	if c.purgeDuty < 0.005 || !s.GasolineLike() {
		return 0
	}
	full := s.Control.PurgeShare * 1.5e-3 * s.Displacement * 1000
	return c.purgeDuty * full * Psi(clamp(p/c.e.Air.Pressure, 0, 1)) / criticalFlow
}

// mode decides closed loop, full load and fuel cut.
func (c *controlUnit) mode(dt float64, d Drive) {
	e := c.e
	st, k := &e.State, &e.Spec.Control
	pedal := d.Pedal
	if d.Plate >= 0 {
		pedal = d.Plate
	}
	rich := pedal >= k.FullLoadPedal && d.RPM > 1000
	if rich {
		c.fullSince += dt
	} else {
		c.fullSince = 0
	}
	c.fullLoad = c.fullSince > 0.25
	c.decideCut(d)
	c.limiter = d.RPM > e.Spec.RatedRPM*1.09
	ready := c.runTime > 25 && st.Coolant > kelvin+28
	c.closed = ready && !c.cut && (!c.fullLoad || k.FullLoadLambda >= 0.999)
	c.commanded = c.wantedLambda(ready)
	c.status = c.fuelStatus(ready)
	c.spark = 1
	if d.Pedal < 0.01 && !d.Coupled {
		// Retarded for a torque reserve, and quick to use it.
		target := c.idleTarget()
		c.spark = clamp(0.78+1.1*(target-d.RPM)/target, 0.65, 1)
	}
	st.ClosedLoop, st.FullLoad, st.Cut, st.Substituted = c.closed, c.fullLoad, c.cut, c.substituted
}

// decideCut cuts the fuel on the overrun, and brings it back before the engine stalls.
func (c *controlUnit) decideCut(d Drive) {
	from := c.e.Spec.Control.CutRPM
	switch {
	case from > 0 && d.Pedal < 0.01 && d.Plate < 0 && d.Coupled && c.e.State.Coolant > kelvin+35 && d.RPM > from:
		c.cut = true
	case d.Pedal > 0.01 || d.RPM < from-250 || !d.Coupled:
		c.cut = false
	}
}

// fuelStatus is the byte of PID 03: 1 open loop while cold, 2 closed, 4 open under load
// or without fuel, 8 open for a fault (SAE J1979).
func (c *controlUnit) fuelStatus(ready bool) float64 {
	switch {
	case !ready && !c.cut:
		return 1
	case c.cut || !c.closed:
		return 4
	case c.substituted && c.e.Spec.Control.OpensLoopOnSubstitute:
		return 8
	}
	return 2
}

func (c *controlUnit) wantedLambda(ready bool) float64 {
	k := &c.e.Spec.Control
	switch {
	case c.fullLoad:
		return k.FullLoadLambda
	case !ready:
		return 1 - 0.12*clamp((kelvin+60-c.e.State.Coolant)/80, 0, 1)
	}
	return 1
}

// look lets the oxygen sensors see what was burnt a dead time ago.
func (c *controlUnit) look(dt float64, d Drive) {
	e := c.e
	c.position = (c.position + 1) % maxDelaySteps
	flow := math.Max(e.exhaust, 1e-4)
	// Two and a half engine cycles of speed, and the volume of the manifold.
	delay := 2.5*60/math.Max(d.RPM, 300) + 0.35*e.Spec.Displacement/flow
	steps := int(clamp(delay/dt, 1, maxDelaySteps-1))
	for b := range e.Spec.Banks {
		k := &c.banks[b]
		k.lambda[c.position] = e.State.Lambda[b]
		past := k.lambda[(c.position-steps+maxDelaySteps)%maxDelaySteps]
		falseAir := e.Faults.ExhaustLeak * math.Pow(0.0015*e.Spec.Displacement*1000/flow, 0.6)
		past *= (1 + clamp(falseAir, 0, 0.6)) * (1 + e.Faults.OxygenBias + e.Spec.LambdaBias)
		k.seen = approach(k.seen, clamp(past, 0.6, 2.2), dt, 0.08)
	}
}

// fuel closes the loop of one bank and injects.
func (c *controlUnit) fuel(dt float64, d Drive, b int) {
	e := c.e
	k := &c.banks[b]
	s := &e.Spec
	switch {
	case c.closed && !c.substitutedOpen():
		if s.Control.WideBand {
			c.continuous(dt, k)
		} else {
			c.switching(dt, k, d)
		}
		c.learn(dt, d, k)
	default:
		k.short = approach(k.short, 0, dt, 0.3)
		k.integral = approach(k.integral, 0, dt, 0.3)
	}
	long := c.long(d, k)
	if c.fullLoad && !c.closed {
		long *= s.Control.FullLoadTrim
	}
	k.applied = approach(k.applied, long, dt, 0.3)
	c.delivered[b] = 0
	if c.cut || c.limiter {
		return
	}
	demand := c.air / float64(s.Banks) / (e.stoichECU * c.commanded) * math.Max(0.3, (1+k.short)*(1+k.applied))
	c.delivered[b] = c.deliver(demand, b)
}

func (c *controlUnit) substitutedOpen() bool { return c.status == 8 }

// deliver is what injectors and pump make of a demand in kg/s.
func (c *controlUnit) deliver(demand float64, b int) float64 {
	e := c.e
	f := &e.Faults
	got := demand * e.Spec.InjectorScale[b] * math.Sqrt(orOne(f.FuelPressure)) * orOne(f.InjectorBank[b])
	if f.FuelLimit > 0 {
		limit := f.FuelLimit / float64(e.Spec.Banks)
		// Pressure sags smoothly as the pump's limit comes near.
		got /= math.Pow(1+math.Pow(got/limit, 8), 1.0/8)
	}
	got += f.FuelVapour / float64(e.Spec.Banks)
	return got + c.purgeFuel()/float64(e.Spec.Banks)
}

// purgeFuel is the fuel in purge and crankcase gas in kg/s.
func (c *controlUnit) purgeFuel() float64 {
	e := c.e
	fuel := c.purgeFlow(e.manifold) * e.Spec.Control.PurgeVapour / e.stoich
	if e.Faults.PurgeArea > 0 {
		leak := math.Max(0, OrificeFlow(e.Faults.PurgeArea, e.Air.Pressure, e.Air.Temperature, e.manifold))
		fuel += leak * e.Faults.PurgeVapour / e.stoich
	}
	return fuel
}

// continuous is the controller of a linear sensor.
func (c *controlUnit) continuous(dt float64, k *bank) {
	limit := c.e.Spec.Control.ShortLimit
	err := clamp(k.seen/c.commanded-1, -0.25, 0.25)
	k.integral = clamp(k.integral+dt*0.55*err, -limit, limit)
	k.short = clamp(k.integral+0.12*err, -limit, limit)
}

// switching is the controller of a two-point sensor: ramp and jump.
func (c *controlUnit) switching(dt float64, k *bank, d Drive) {
	limit := c.e.Spec.Control.ShortLimit
	rich := k.seen < 1
	k.held += dt
	if rich != k.rich {
		k.rich = rich
		k.held = 0
	}
	rate := 0.02 + 0.02*clamp(d.RPM/3000, 0, 1)
	if k.held > 1.5 {
		rate *= 2.5 // far from home: hurry
	}
	sign := 1.0
	if rich {
		sign = -1
	}
	k.integral = clamp(k.integral+sign*rate*dt, -limit, limit)
	k.short = clamp(k.integral+sign*0.014, -limit, limit)
}

// cell is the index of the learned cell of the moment.
func (c *controlUnit) cell(d Drive) int {
	load := c.absoluteLoad(d)
	i, j := 0, 0
	for i < len(cellLoads) && load > cellLoads[i] {
		i++
	}
	for j < len(cellSpeeds) && d.RPM > cellSpeeds[j] {
		j++
	}
	return i*(len(cellSpeeds)+1) + j
}

// long is the learned correction of the moment.
func (c *controlUnit) long(d Drive, k *bank) float64 {
	s := &c.e.Spec
	if s.Control.LongTrim == Cells {
		return k.long.cells[c.cell(d)]
	}
	add := k.long.additive / math.Max(c.air/float64(s.Banks), 0.0008/float64(s.Banks))
	return clamp(k.long.factor+add, -1.4*s.Control.LongLimit, 1.4*s.Control.LongLimit)
}

// learn moves what the short trim corrects into the long memory.
func (c *controlUnit) learn(dt float64, d Drive, k *bank) {
	s := &c.e.Spec
	if c.e.State.Coolant < kelvin+68 || c.purgeDuty > 0.05 && c.learning <= 1 || c.learning == 0 || c.substituted {
		return
	}
	rate := c.learning * dt / s.Control.LearnSeconds
	move := rate * k.integral
	limit := s.Control.LongLimit
	switch {
	case s.Control.LongTrim == Cells:
		cell := &k.long.cells[c.cell(d)]
		*cell = clamp(*cell+move, -limit, limit)
	case d.Pedal < 0.01 && !d.Coupled && d.Plate < 0 || c.air < 0.0022*s.Displacement*1000:
		perBank := c.air / float64(s.Banks)
		most := limit * 0.002 * s.Displacement * 1000 / float64(s.Banks)
		k.long.additive = clamp(k.long.additive+move*perBank, -most, most)
	default:
		k.long.factor = clamp(k.long.factor+move, -limit, limit)
	}
	// The part that was learned leaves the short trim.
	k.integral -= move
}

// absoluteLoad is PID 43 in percent, from the air that the control unit believes.
func (c *controlUnit) absoluteLoad(d Drive) float64 {
	if d.RPM < 200 {
		return 0
	}
	// 1.184 kg/m³ is dry air at 25 °C and 101.3 kPa (SAE J1979).
	return 100 * c.air * 120 / (1.184 * c.e.Spec.Displacement * d.RPM)
}
