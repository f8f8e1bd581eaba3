// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import "math"

const (
	// Flow is divided in steps of cellRatio from cellFloor g/s upward.
	cellFloor = 0.8
	cellRatio = 1.35
	cellCount = 22
)

const (
	partLoad = iota
	fullLoad
	loadClasses
)

// cell gathers what was seen at one level of flow.
type cell struct {
	flow, rpm, pressure, baro, intake, coolant mean
	// air is ln(metered / sound engine), fuel the total trim, rate ln(air implied
	// by the fuel rate / metered air).
	// purged is the total trim while vapour was drawn from the tank.
	air, fuel, rate, purged spread
	bank                    mean
	meters                  mean
	trimsAtEnd              float64
	// At full load only.
	lambda, deficit, load mean
	// assumedLambda is lambda where the commanded one was not read in time, against what is usual.
	assumedLambda mean
	// mixtureSlots is in how many different seconds either was read, mixtureT when the last began.
	mixtureSlots float64
	mixtureT     int64
	// open counts the points, settled, at which nothing says that the mixture is regulated.
	open float64
	// settled is the manifold's pressure in kPa where nothing told the barometer.
	settled mean
	// unseen counts the air ratios of pulls of which the driver's part was not read, pseudo those against the barometer.
	unseen, pseudo int64
}

// absorb adds what was seen at another level of flow.
func (c *cell) absorb(o *cell) {
	for _, m := range [...][2]*mean{
		{&c.flow, &o.flow}, {&c.rpm, &o.rpm}, {&c.pressure, &o.pressure}, {&c.baro, &o.baro}, {&c.intake, &o.intake}, {&c.coolant, &o.coolant},
		{&c.bank, &o.bank}, {&c.meters, &o.meters}, {&c.lambda, &o.lambda}, {&c.deficit, &o.deficit}, {&c.load, &o.load},
		{&c.assumedLambda, &o.assumedLambda}, {&c.settled, &o.settled},
	} {
		m[0].absorb(m[1])
	}
	for _, s := range [...][2]*spread{{&c.air, &o.air}, {&c.fuel, &o.fuel}, {&c.rate, &o.rate}, {&c.purged, &o.purged}} {
		s[0].absorb(s[1])
	}
	c.mixtureSlots, c.mixtureT = togetherSlots(c.mixtureSlots, c.mixtureT, o.mixtureSlots, o.mixtureT)
	c.trimsAtEnd += o.trimsAtEnd
	c.open += o.open
	c.unseen += o.unseen
	c.pseudo += o.pseudo
}

// plate is how wide the throttle opened while the pedal was down and had been for a moment.
type plate struct {
	points int64
	widest float64
}

// rest gathers what stands still when the engine does.
type rest struct {
	sinceT   int64
	standing bool
	flow     mean
	pressure mean
	gap      mean
}

// soak holds the first temperatures of the recording.
type soak struct {
	intake, coolant, oil, outside   mean
	sensorOutside                   mean
	restSeen, ranBefore, runTimeLow bool
}

// road compares intake air and outside air while the vehicle moves.
type road struct {
	lastT                     int64
	movingS, standingS        float64
	standLastT                int64
	thermometer, sensor       mean
	intake                    mean
	ambientFirst, ambientLast float64
	intakeFirst, intakeLast   float64
	airDrawnKg                float64
	// littleAirS and muchAirS are the seconds at the flow of an idling and of a pulling engine.
	littleAirS, muchAirS float64
	flowDrawnT           int64
}

// watch counts what a sensor's raw samples give away.
type watch struct {
	sig               signal
	dropouts, checked int64
	v                 [3]float64
	t                 [3]int64
	speed, pressure   [3]float64
	throttle, pedal   [3]float64
	// guardT is when plate, pedal or pressure had last been read.
	guardT [3]int64
	n      int
	lapse  lapse
	// silent counts values that no running engine can have. frozenUS is how long the value
	// stood still to the last digit while the engine did not.
	silent   int64
	frozenUS int64
	plateau  plateau
	// silentOnly: only a value near nought counts as lost contact.
	silentOnly bool
	episodes   int64
}

// gather takes one point into the memory of the drive.
func (a *Assay) gather(p *point) {
	switch {
	case p.rest:
		a.gatherRest(p)
		return
	case !p.running:
		a.rest.standing = false
		return
	}
	a.rest.standing = false
	a.ran = true
	a.contradict(p)
	if !p.demanded {
		a.demandSince = p.t
	}
	if !p.full {
		a.fullSince, a.pullStartRPM = p.t, p.speed.v
	} else {
		a.lastFullT, a.lastFullRPM, a.lastFullKPa = p.t, p.speed.v, p.pressure.v
	}
	if known(p.coolant) {
		a.warmest = math.Max(or(a.warmest, p.coolant), p.coolant)
	}
	if p.pressure.ok && p.pressure.v > 8 && p.calm {
		a.lowestRunning = math.Min(a.lowestRunning, p.pressure.v)
	}
	a.gatherMovement(p)
	a.gatherRoad(p)
	a.gatherProvenance(p)
	c := a.cellFor(p)
	if c == nil {
		return
	}
	a.gatherAir(c, p)
	a.gatherFuel(c, p)
	if p.full {
		a.gatherFullLoad(c, p)
	}
}

func (a *Assay) gatherRest(p *point) {
	r := &a.rest
	if !r.standing {
		r.standing, r.sinceT = true, p.t
	}
	// The manifold needs about a second to fill when the engine stops; a key that
	// was just turned on shows the same.
	if a.clock != ClockRowOrder && p.t-r.sinceT < 3*second/2 && a.ran {
		return
	}
	if p.flow.ok {
		r.flow.add(p.flow.v, 1)
	}
	if p.pressure.ok && p.pressure.v > 45 {
		r.pressure.add(p.pressure.v, 1)
		if b := a.held(sigBaro, p.t); b >= lowestBaroKPa && b <= highestBaroKPa {
			r.gap.add(p.pressure.v-b, 1)
		}
	}
}

// meteredFlow is the flow that a point's cell is chosen by: the meter's, or the
// sound engine's where there is no meter.
func (a *Assay) meteredFlow(p *point) float64 {
	if p.flow.ok && p.flow.v > 0.3 {
		return p.flow.v
	}
	if p.pressure.ok && p.running && (!a.hasMeter() || !a.flowComplete()) {
		return a.soundAir(p)
	}
	return math.NaN()
}

func (a *Assay) hasMeter() bool {
	return a.tracks[sigMAF].seen() || a.tracks[sigMAFA].seen() || a.tracks[sigMAFB].seen()
}

// soundAir is what a sound engine of the nominal size takes at the point, in g/s.
func (a *Assay) soundAir(p *point) float64 {
	baro := or(p.baro, 100)
	intake := or(p.intake, or(p.outside, 20)+8)
	flow := p.flow.v
	if !p.flow.ok {
		flow = 5 * a.nominal.volumeL
	}
	t := a.nominal.chargeTemperature(intake, p.coolant, flow, p.pressure.v, baro)
	return a.nominal.air(p.speed.v, p.pressure.v, baro, t)
}

func (a *Assay) cellFor(p *point) *cell {
	m := a.meteredFlow(p)
	if !known(m) || m < cellFloor {
		return nil
	}
	i := min(int(math.Log(m/cellFloor)/math.Log(cellRatio)), cellCount-1)
	class := partLoad
	if p.full {
		class = fullLoad
	}
	return &a.cells[class][i]
}

func (c *cell) context(p *point, flow, w float64) {
	c.flow.add(flow, w)
	c.rpm.add(p.speed.v, w)
	if p.pressure.ok {
		c.pressure.add(p.pressure.v, w)
	}
	c.baro.add(p.baro, w)
	c.intake.add(p.intake, w)
	c.coolant.add(p.coolant, w)
}

// usableForAir tells whether flow and pressure at p may be compared.
func (a *Assay) usableForAir(p *point) bool {
	if !p.flow.ok || !p.pressure.ok || p.flow.v < 0.3 || p.pressure.v < 8 {
		return false
	}
	if p.egr > maxRecirculation || a.facts.Fuel == FuelDiesel && !p.demanded && !known(p.egr) {
		return false
	}
	if !p.full && a.loadByValves() {
		return false
	}
	if p.pressure.v < lowestPressureShare*or(p.baro, 100) || a.cutsFuel(p) {
		return false
	}
	if p.speed.v < lowestSpeedForAir || (p.full && p.speed.v < lowestFullLoadRPM) {
		return false
	}
	if !known(p.airSD) || p.airSD > maxAirSD {
		a.notSimultaneous++
		return false
	}
	return p.filling < maxFilling && (p.calm || p.full)
}

// loadByValves: the engine controls its load by its valves, as far as is known, and its
// pressure tells nothing of the air at part load.
func (a *Assay) loadByValves() bool {
	return !a.throttled() && !a.boosted() && a.facts.Fuel != FuelDiesel
}

func (a *Assay) gatherAir(c *cell, p *point) {
	if p.flow.ok && p.pressure.ok {
		a.comparable++
	}
	pressure := *p
	replaced := !p.pressure.ok && p.full && p.demanded && !a.boosted() && (p.unseen || !a.pressureSeen())
	if replaced {
		// At full load the manifold stands near the barometer: that replaces a
		// pressure that was not recorded.
		b := or(p.baro, 99)
		pressure.pressure = reading{v: b * (1 - soundDeficit), sd: 0.02 * b, ok: true}
		pressure.airSD = 0.03
	}
	if !a.usableForAir(&pressure) {
		return
	}
	sd := math.Hypot(pressure.airSD, airNoiseFloor)
	w := sq(airNoiseFloor / sd)
	c.context(&pressure, p.flow.v, w)
	x := math.Log(p.flow.v / a.soundAir(&pressure))
	c.air.add(p.t, x, w)
	if p.full {
		a.pullAir(x, w)
	}
	if p.unseen {
		c.unseen++
	}
	if replaced {
		c.pseudo++
	}
	if p.flowA.ok && p.flowB.ok && p.flowB.v > 0.3 {
		c.meters.add(math.Log(p.flowA.v/p.flowB.v), w)
	}
	a.tested = math.Max(a.tested, p.flow.v)
}

func (a *Assay) pressureSeen() bool {
	return a.tracks[sigMAP].seen() && !a.pressureDead() || a.tracks[sigMAPHigh].seen()
}

// pressureDead: the manifold pressure's line is open, as most of its values show.
func (a *Assay) pressureDead() bool {
	return a.pressureImpossible > 2 && 2*a.pressureImpossible > a.tracks[sigMAP].total
}

func (a *Assay) gatherFuel(c *cell, p *point) {
	flow := a.meteredFlow(p)
	a.gatherRate(c, p, flow)
	a.gatherTrim(c, p, flow)
}

func (a *Assay) gatherTrim(c *cell, p *point, flow float64) {
	warm := !known(p.coolant) || p.coolant >= warmTrimC
	if a.inClosedLoop(p) && warm && (p.still || p.calm && p.full) && (known(p.trim[0]) || known(p.trim[1])) {
		t := averageKnown(p.trim[0], p.trim[1])
		if p.purge > purgeOpen {
			c.purged.add(p.t, t, 1)
			c.context(p, flow, 0.05)
			return
		}
		c.fuel.add(p.t, t, 1)
		if p.trimAtEnd {
			c.trimsAtEnd++
		}
		if known(p.trim[0]) && known(p.trim[1]) {
			c.bank.add(p.trim[0]-p.trim[1], 1)
		}
		c.context(p, flow, 0.25)
	}
}

func (a *Assay) gatherRate(c *cell, p *point, flow float64) {
	if !p.fuelAir.ok || p.fuelAir.v <= 0.3 || !p.flow.ok || !p.calm || a.cutsFuel(p) || a.burnsGas() {
		return
	}
	lambda := p.lambda
	if !known(lambda) || p.lambdaSD > settledLambdaSD {
		lambda = 1
		if p.full || a.mayRunLean() {
			return
		}
	}
	c.rate.add(p.t, math.Log(p.fuelAir.v*lambda/p.flow.v), 1)
	c.context(p, flow, 0.1)
}

// burnsGas: such a car may report the petrol that it would have burnt, or the gas by either's
// density; nobody knows.
func (a *Assay) burnsGas() bool { return a.facts.Fuel == FuelLpg || a.facts.Fuel == FuelCng }

// mayRunLean: a diesel, or what may be one.
func (a *Assay) mayRunLean() bool {
	return a.facts.Fuel == FuelDiesel || a.facts.Fuel == FuelUnspecified && !a.burnsStoichiometric()
}

// burnsStoichiometric: a signal was recorded that only engines have which regulate to lambda 1.
func (a *Assay) burnsStoichiometric() bool {
	for _, s := range [...]signal{sigShortTrim1, sigLongTrim1, sigShortTrim2, sigLongTrim2} {
		if a.tracks[s].seen() {
			return true
		}
	}
	return false
}

func averageKnown(a, b float64) float64 {
	switch {
	case !known(a):
		return b
	case !known(b):
		return a
	}
	return (a + b) / 2
}

// inClosedLoop uses the fuel system status, and where that was not recorded
// what closed loop looks like: not full load, not overrun, not cold.
func (a *Assay) inClosedLoop(p *point) bool {
	if a.facts.Fuel == FuelDiesel || a.cutsFuel(p) {
		return false
	}
	if p.closedLoop != unknown {
		return p.closedLoop == yes
	}
	if known(p.lambdaCmd) && math.Abs(p.lambdaCmd-1) > 0.04 {
		return false
	}
	return !p.full
}

func (a *Assay) cutsFuel(p *point) bool {
	if p.fuelAir.ok && p.fuelAir.v < 0.3 {
		return true
	}
	if p.speed.v < overrunRPM {
		return false
	}
	if p.pressure.ok && p.pressure.v < overrunPressureKPa && !p.full {
		return !known(p.throttle) || p.throttle < 0.15
	}
	return p.closedThrottle && p.road > 5
}

func (a *Assay) gatherFullLoad(c *cell, p *point) {
	if p.speed.v < lowestFullLoadRPM || !p.demanded && (known(p.pedal) || known(p.throttle)) && !p.pressure.ok {
		return
	}
	if p.closedLoop != yes && p.t-a.fullSince >= stateSettleUS {
		c.open++
	}
	a.gatherFullLoadLambda(c, p)
	a.gatherDeficit(c, p)
	if p.demanded && known(p.throttle) && known(p.pedal) && p.t-a.fullSince >= fullLoadSettleUS {
		a.plate.points++
		a.plate.widest = math.Max(a.plate.widest, p.throttle)
	}
	if p.load.ok && p.load.sd < 3 && p.demanded && p.load.v > lowestFullLoadPercent {
		c.load.add(p.load.v, 1)
	}
}

// gatherDeficit compares the settled manifold with the barometer, where there is one.
func (a *Assay) gatherDeficit(c *cell, p *point) {
	switch {
	case !p.demanded || p.t-a.fullSince < fillSettleUS || !p.pressure.ok || p.pressure.sd >= 3:
	case known(p.baro):
		c.deficit.add((p.baro-p.pressure.v)/p.baro, 1)
	default:
		c.settled.add(p.pressure.v, 1)
	}
}

func (a *Assay) gatherFullLoadLambda(c *cell, p *point) {
	if !known(p.lambda) || p.t-a.fullSince < fullLoadSettleUS || p.closedLoop == yes {
		return
	}
	if p.demanded && p.t-a.demandSince < fullLoadSettleUS {
		// Near the barometer already, but another mixture is asked for since the pedal went down.
		return
	}
	c.context(p, a.meteredFlow(p), 0.1)
	if c.mixtureSlots == 0 || p.t-c.mixtureT >= slotUS {
		c.mixtureSlots++
		c.mixtureT = p.t
	}
	w := sq(settledLambdaSD / math.Max(p.lambdaSD, settledLambdaSD))
	if known(p.lambdaCmd) {
		c.lambda.add(math.Log(p.lambda/p.lambdaCmd), w)
		return
	}
	c.assumedLambda.add(math.Log(p.lambda/assumedFullLoadLambda), w)
}

// gatherProvenance asks what the control unit computes its loads from [DOMAIN 2.4].
func (a *Assay) gatherProvenance(p *point) {
	if !p.flow.ok || p.flow.v < 1 {
		return
	}
	if p.loadAbsolute.ok && p.loadAbsolute.v > 20 && p.calm && rel(p.loadAbsolute) < 0.03 && rel(p.flow) < 0.03 {
		v := math.Log(120 * p.flow.v / (standardDensity * p.loadAbsolute.v / 100 * p.speed.v))
		a.displacement.add(p.t, v-math.Log(nominalLitre), 1)
		a.displacementOverLoad.add(math.Log(p.loadAbsolute.v), v)
	}
	if p.load.ok && p.load.v > 25 && p.load.v < 98 && p.still && rel(p.load) < 0.03 && rel(p.flow) < 0.03 && p.speed.v > 900 {
		a.gatherTable(p)
	}
}

func rel(r reading) float64 { return r.sd / math.Max(r.v, 1e-9) }

// gatherTable collects the full-load volumetric efficiency that the control unit's
// own calculated load implies: a gain error of the meter cancels [DOMAIN 2.4(2)].
func (a *Assay) gatherTable(p *point) {
	ambient := or(or(p.outside, p.intake-8), 20)
	f := or(p.baro, 99) / 101.325 * math.Sqrt(298/(ambient+zeroC))
	peak := p.flow.v / (p.load.v / 100 * f)
	ve := peak * 120 * gasConstant * 298.15 / (a.nominal.volumeL * p.speed.v * 101.325)
	expected := a.nominal.volumetricEfficiency(p.speed.v, 98, 100)
	i := min(int(p.speed.v/tableStepRPM), tableCells-1)
	a.table[i].ratio.add(math.Log(ve/expected), 1)
	a.table[i].rpm.add(p.speed.v, 1)
	// Proportional to air or to torque: in one band of speed, the intercept tells.
	a.table[i].line.add(p.flow.v/p.speed.v, p.load.v)
}

const (
	tableStepRPM = 400.0
	tableCells   = 18
	nominalLitre = 2.0
)

type tableCell struct {
	ratio mean
	rpm   mean
	line  pair
}

// gatherMovement asks whether the meter moves with the engine.
func (a *Assay) gatherMovement(p *point) {
	if !p.flow.ok || !p.running || p.flow.v < 0 {
		return
	}
	ref := math.Log(p.speed.v)
	switch {
	case p.pressure.ok && p.pressure.v > 8:
		ref += math.Log(p.pressure.v)
	case p.unseen || a.pressureSeen():
		// What else moves with it was not read here.
		return
	case known(p.throttle):
		ref += math.Log(0.1 + p.throttle)
	case a.tracks[sigThrottle].seen() || a.tracks[sigThrottleRelative].seen():
		return
	}
	a.movement.add(ref, math.Log(math.Max(p.flow.v, 0.05)))
	if p.pressure.ok {
		a.pressureMovement.add(math.Log(p.speed.v)+math.Log(math.Max(p.flow.v, 0.05)), math.Log(math.Max(p.pressure.v, 1)))
	}
}

func (a *Assay) gatherRoad(p *point) {
	r := &a.road
	if p.road < 3 && p.t-r.standLastT < 2*second {
		r.standingS += float64(p.t-r.standLastT) / float64(second)
	}
	r.standLastT = p.t
	dt := float64(p.t-r.flowDrawnT) / float64(second)
	if p.flow.ok && dt > 0 && dt < 5 {
		r.airDrawnKg += p.flow.v * dt / 1000
		switch litre := p.flow.v / a.nominal.volumeL; {
		case litre < idleGSPerLitre:
			r.littleAirS += dt
		case litre > drivingGSPerLitre:
			r.muchAirS += dt
		}
	}
	r.flowDrawnT = p.t
	if p.t-r.lastT < second && r.lastT != 0 || a.clock == ClockRowOrder {
		return
	}
	step := math.Min(5, float64(p.t-r.lastT)/float64(second))
	r.lastT = p.t
	if !known(p.intake) || p.road < roadKmh || !known(p.road) {
		return
	}
	r.movingS += step
	if r.movingS < roadSettleS {
		return
	}
	r.intake.add(p.intake, step)
	if r.intake.n == 1 {
		r.intakeFirst = p.intake
	}
	r.intakeLast = p.intake
	if o := firstKnown(a.facts.AmbientC, a.held(sigExterior, p.t)); known(o) {
		r.thermometer.add(p.intake-o, step)
	}
	if o := validTemperature(a.held(sigAmbient, p.t)); known(o) {
		r.sensor.add(p.intake-o, step)
		if r.sensor.n == 1 {
			r.ambientFirst = o
		}
		r.ambientLast = o
	}
}
