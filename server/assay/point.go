// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import (
	"math"
	"slices"
)

// point is the engine at one instant: several signals, each brought to it from
// its own times, with what that cost in certainty. Numbers that are not known are NaN.
type point struct {
	t int64
	// speed is in revolutions per minute, flow in g/s (all meters together),
	// pressure and baro in kPa absolute, temperatures in degrees Celsius.
	speed, flow, pressure reading
	flowA, flowB          reading
	baro                  float64
	intake, coolant       float64
	outside               float64
	road                  float64
	load, loadAbsolute    reading
	fuelAir               reading
	// trim is ln((1+short)(1+long)) of each bank.
	trim       [2]float64
	trimAtEnd  bool
	closedLoop tri
	lambda     float64
	// lambdaSD is what bringing lambda to the instant cost in certainty.
	lambdaSD  float64
	lambdaCmd float64
	purge     float64
	egr       float64
	throttle  float64
	pedal     float64
	// full: full load as far as the air is concerned. demanded: pedal or throttle
	// say that the driver wants all there is. unseen: only speed and flow say so.
	full, demanded, unseen bool
	closedThrottle         bool
	running, rest          bool
	// calm: flow and pressure have settled. still: nothing has moved for seconds.
	calm, still bool
	// airSD is the relative standard deviation of flow over speed × pressure that
	// comes from their not being sampled at one instant.
	airSD float64
	// filling is the share of the flow that fills or empties the manifold.
	filling float64
}

// tri is a yes, a no, or nobody knows.
type tri int8

const (
	unknown tri = iota
	yes
	no
)

func (a *Assay) held(s signal, t int64) float64 {
	tr := &a.tracks[s]
	if !tr.seen() {
		return math.NaN()
	}
	if r := tr.hold(t, signals[s].holdUS); r.ok {
		return r.v
	}
	return math.NaN()
}

func (a *Assay) moving(s signal, t int64) reading {
	tr := &a.tracks[s]
	if !tr.seen() {
		return reading{}
	}
	return tr.interpolate(t, tr.bridges(), signals[s].step)
}

// bridges is how far apart two samples may stand for something to be said of what lies between them. A pedal moves within
// a tenth of a second, pressure and flow follow; where more is missing than the odd sample, the link read something else,
// as one does that spends itself on flow and speed in a pull.
func (tr *track) bridges() int64 {
	return min(max(int64(usualGaps*tr.spacing*float64(second)), pullGapUS), maxBracketUS)
}

func (a *Assay) movingValue(s signal, t int64) float64 {
	if r := a.moving(s, t); r.ok {
		return r.v
	}
	return math.NaN()
}

func firstKnown(xs ...float64) float64 {
	for _, x := range xs {
		if known(x) {
			return x
		}
	}
	return math.NaN()
}

// at brings all signals to the instant t.
func (a *Assay) at(t int64) point {
	p := point{t: t, speed: a.moving(sigSpeedEngine, t), airSD: math.NaN()}
	p.running = p.speed.ok && p.speed.v >= runningRPM
	p.rest = p.speed.ok && p.speed.v < restRPM
	a.readAir(&p)
	a.readTemperatures(&p)
	a.readFuel(&p)
	a.readDriver(&p)
	a.forgetBeforePull(&p)
	a.readLoads(&p)
	a.settle(&p)
	return p
}

func (a *Assay) readAir(p *point) {
	p.flowA, p.flowB = a.moving(sigMAFA, p.t), a.moving(sigMAFB, p.t)
	p.flow = a.moving(sigMAF, p.t)
	if !a.tracks[sigMAF].seen() {
		p.flow = p.flowA
		if p.flowA.ok && a.tracks[sigMAFB].seen() {
			p.flow = reading{v: p.flowA.v + p.flowB.v, sd: math.Hypot(p.flowA.sd, p.flowB.sd), ok: p.flowB.ok}
		}
	}
	p.flow.ok = p.flow.ok && a.flowComplete()
	p.pressure = a.moving(sigMAPHigh, p.t)
	if !p.pressure.ok {
		p.pressure = a.moving(sigMAP, p.t)
	}
	p.baro = a.baroAt(p.t)
}

// flowComplete: the flow of all meters together was recorded. One of two meters says
// nothing of the other's share.
func (a *Assay) flowComplete() bool {
	seen := func(s signal) bool { return a.tracks[s].seen() }
	if seen(sigMAF) || seen(sigMAFA) && seen(sigMAFB) {
		return true
	}
	twoBanks := seen(sigShortTrim2) || seen(sigLongTrim2) || a.facts.Banks >= 2
	return seen(sigMAFA) && !twoBanks
}

// baroAt is the barometric pressure as well as it is known at t, in kPa.
func (a *Assay) baroAt(t int64) float64 {
	b := a.held(sigBaro, t)
	if known(b) && b >= lowestBaroKPa && b <= highestBaroKPa {
		return b
	}
	if x := a.held(sigPressureExterior, t); known(x) {
		return x / 10
	}
	if a.rest.pressure.n > 0 {
		return a.rest.pressure.mean
	}
	if known(a.facts.AltitudeM) {
		return standardPressure(a.facts.AltitudeM)
	}
	return math.NaN()
}

func (a *Assay) readTemperatures(p *point) {
	p.intake = validTemperature(firstKnown(a.held(sigIAT, p.t), a.held(sigIAT11, p.t)))
	p.coolant = validTemperature(a.held(sigCoolant, p.t))
	p.outside = validTemperature(firstKnown(a.facts.AmbientC, a.held(sigExterior, p.t), a.held(sigAmbient, p.t)))
}

// validTemperature drops the values that an open or short circuit shows.
func validTemperature(c float64) float64 {
	if c <= openCircuitC || c >= shortCircuitC {
		return math.NaN()
	}
	return c
}

func (a *Assay) readFuel(p *point) {
	p.trim[0], p.trimAtEnd = a.totalTrim(sigShortTrim1, sigLongTrim1, p.t)
	if a.sameTrimsOnBothBanks() {
		t2, end2 := a.totalTrim(sigShortTrim2, sigLongTrim2, p.t)
		p.trim[1] = t2
		p.trimAtEnd = p.trimAtEnd || end2
	} else {
		p.trim[1] = math.NaN()
	}
	p.lambdaCmd = validLambda(a.held(sigLambdaCommand, p.t))
	a.readLambda(p)
	p.purge = a.held(sigPurge, p.t)
	p.egr = a.held(sigRecirculation, p.t)
	if s := a.held(sigFuelStatus, p.t); known(s) {
		p.closedLoop = no
		if b := int(s); b == fuelClosedLoop || b == fuelClosedLoopFault {
			p.closedLoop = yes
		}
	}
	p.fuelAir = a.fuelAir(p)
}

// forgetBeforePull leaves out what was last read before the pull had settled. Control units leave closed loop and ask for
// another mixture a moment after the pedal goes down, and the exhaust of that needs its time to the sensor, so that what held before says nothing of now; a link that spends itself on
// flow and speed reads such states rarely.
func (a *Assay) forgetBeforePull(p *point) {
	if !p.full {
		return
	}
	before := func(settle int64, ss ...signal) bool {
		return slices.ContainsFunc(ss, func(s signal) bool {
			r := a.tracks[s].hold(p.t, signals[s].holdUS)
			return r.ok && p.t-r.ageUS < a.fullSince+settle
		})
	}
	if before(stateSettleUS, sigFuelStatus) {
		p.closedLoop = unknown
	}
	if before(fillSettleUS, sigLambdaCommand) {
		p.lambdaCmd = math.NaN()
	}
	if before(fillSettleUS, sigLambda1, sigLambda2) {
		p.lambda = math.NaN()
	}
	if before(stateSettleUS, sigShortTrim1, sigLongTrim1) {
		p.trim[0] = math.NaN()
	}
	if before(stateSettleUS, sigShortTrim2, sigLongTrim2) {
		p.trim[1] = math.NaN()
	}
}

// readLambda leaves out a mixture that is on its way to another.
func (a *Assay) readLambda(p *point) {
	p.lambda = math.NaN()
	for _, s := range [...]signal{sigLambda1, sigLambda2} {
		if r := a.moving(s, p.t); r.ok && r.sd < maxLambdaSD {
			p.lambda, p.lambdaSD = validLambda(r.v), r.sd
			return
		}
	}
}

// sameTrimsOnBothBanks: a bank of which only one part of the trim was recorded can
// neither be averaged nor compared with the other.
func (a *Assay) sameTrimsOnBothBanks() bool {
	seen := func(s signal) bool { return a.tracks[s].seen() }
	return seen(sigShortTrim1) == seen(sigShortTrim2) && seen(sigLongTrim1) == seen(sigLongTrim2) || !seen(sigShortTrim1) && !seen(sigLongTrim1)
}

// validLambda drops what is none: a lambda of nought stands for "none" in the field, the end
// of the scale for air.
func validLambda(x float64) float64 {
	if x <= 0.3 || x >= 1.99 {
		return math.NaN()
	}
	return x
}

// totalTrim is ln((1+short)(1+long)); a vehicle that reports only one of them
// leaves the other out.
func (a *Assay) totalTrim(short, long signal, t int64) (trim float64, atEnd bool) {
	s, l := a.held(short, t), a.held(long, t)
	if !known(s) && (!known(l) || a.tracks[short].seen()) {
		return math.NaN(), false
	}
	if !known(l) && a.tracks[long].seen() {
		return math.NaN(), false
	}
	s, l = or(s, 0), or(l, 0)
	if s <= -60 || l <= -60 {
		return math.NaN(), false
	}
	atEnd = math.Abs(s) >= trimEndPercent || math.Abs(l) >= trimEndPercent
	return math.Log1p(s/100) + math.Log1p(l/100), atEnd
}

// fuelAir is the air that the reported fuel needs at lambda 1, in g/s. The
// mixture's lambda multiplies it where it is known.
func (a *Assay) fuelAir(p *point) reading {
	r := a.moving(sigFuelRateMass, p.t)
	if !r.ok {
		r = a.moving(sigFuelRate, p.t)
		k := fuelDensity(a.facts.Fuel) / 3600
		r.v, r.sd = r.v*k, r.sd*k
	}
	k := a.stoichiometric()
	r.v, r.sd = r.v*k, r.sd*k
	return r
}

func (a *Assay) readDriver(p *point) {
	p.road = a.held(sigSpeedRoad, p.t)
	p.throttle = a.throttleOpening(p.t)
	p.pedal = a.pedalTravel(p.t)
	p.closedThrottle = known(p.throttle) && p.throttle < closedThrottle
	pedal := known(p.pedal) && p.pedal >= pedalDown
	open := known(p.throttle) && p.throttle >= throttleOpen
	if known(p.pedal) {
		p.demanded = pedal
	} else {
		p.demanded = open
	}
	a.readFullLoad(p)
}

// readFullLoad concludes from driver and air whether the engine takes all that it can.
func (a *Assay) readFullLoad(p *point) {
	airy := p.pressure.ok && known(p.baro) && a.throttled() && p.pressure.v >= p.baro-fullLoadDeficitKPa
	held := !known(p.pedal) && p.throttle >= plateAtBoost && a.facts.Fuel != FuelDiesel && a.fullBoost(p)
	p.full = p.demanded || airy || held
	switch {
	case held && !p.demanded:
		p.demanded = a.goesOn(p)
	case !known(p.pedal) && !known(p.throttle):
		p.full = airy || a.stillPulling(p) || a.fullWithoutDriver(p)
		if !p.full && a.pullsUnseen(p) {
			p.full, p.unseen = true, true
		}
		p.demanded = p.full && a.goesOn(p)
	}
}

// goesOn: a pull that goes on shows that the driver means it.
func (a *Assay) goesOn(p *point) bool {
	return p.t-a.fullSince >= fullLoadSettleUS && p.speed.v > a.pullStartRPM+minRiseRPM
}

// stillPulling: full load as it was a moment ago, engine speed still rising, and
// pressure falling no faster than a restriction makes it fall; a lifted pedal drops it
// at once.
func (a *Assay) stillPulling(p *point) bool {
	return a.throttled() && p.pressure.ok && known(p.baro) && p.t-a.lastFullT < second &&
		p.speed.v > a.lastFullRPM*0.995 && p.pressure.v > p.baro-restrictedKPa && p.pressure.v > a.lastFullKPa-3
}

// throttled tells whether manifold pressure near the barometer means full load: not
// on a boosted engine, a diesel, or one that controls its load by its valves.
func (a *Assay) throttled() bool {
	return !a.boosted() && a.facts.Fuel != FuelDiesel && a.lowestRunning < throttledBelow*or(a.baroAt(a.now), 100)
}

// fullWithoutDriver recognises full load where neither pedal nor throttle was
// recorded: near the highest boost, or at a calculated load at its stop.
func (a *Assay) fullWithoutDriver(p *point) bool {
	if p.pressure.ok {
		return a.fullBoost(p)
	}
	l := a.held(sigLoad, p.t)
	return a.tracks[sigLoad].seen() && known(l) && l >= 97
}

// pullsUnseen recognises a pull of which nothing but speed and flow was read: a logger on a slow link leaves out the
// driver's signals, which it reads otherwise, while it records one [DOMAIN 5.3]. Speed gains as in a pull, and the engine
// draws most of what it can. It takes a naturally aspirated engine of known size, whose full load needs no pressure.
func (a *Assay) pullsUnseen(p *point) bool {
	switch {
	case a.clock == ClockRowOrder || a.boosted() || a.mayRunLean() || a.nominal.scaleSD > knownSizeSD:
		return false
	case p.pressure.ok && !a.loadByValvesSeen(), !p.flow.ok, p.speed.v < lowestFullLoadRPM, !a.leavesDriverOut(p.t):
		return false
	}
	before := a.moving(sigSpeedEngine, p.t-gainUS)
	if !before.ok || p.speed.v-before.v < leastGainRPM*float64(gainUS)/float64(second) {
		return false
	}
	b := or(p.baro, 99) * (1 - soundDeficit)
	air := a.nominal.air(p.speed.v, b, or(p.baro, 99), or(p.intake, 25)+zeroC)
	return p.flow.v > drawnUnseen*air
}

const (
	// gainUS is the time over which a pull's gain of speed is looked at, and leastGainRPM what it is at least in a high
	// gear, in rpm a second.
	gainUS       = second
	leastGainRPM = 60.0
	// drawnUnseen of what a sound engine takes at full load is drawn in a pull even as a meter sees it that reads low.
	drawnUnseen = 0.5
	// knownSizeSD is the most that the engine's size may be off, as a share: more where only the cylinders are known.
	knownSizeSD = 0.2
	// leftOutGaps times its usual spacing, and leftOutUS at least, is a signal of the driver not read when it is left out;
	// what comes more rarely than rarelyUS anyway tells nothing by not coming.
	leftOutGaps = 2.2
	leftOutUS   = 3 * second
	rarelyUS    = 3 * second
)

// leavesDriverOut: pedal and plate, which are read all the time, are not read around t.
func (a *Assay) leavesDriverOut(t int64) bool {
	regular := false
	for _, s := range driverSignals {
		tr := &a.tracks[s]
		if !tr.seen() || int64(tr.spacing*float64(second)) > rarelyUS {
			continue
		}
		if from, to := tr.around(t, a.now); to-from < max(leftOutUS, int64(leftOutGaps*tr.spacing*float64(second))) {
			return false
		}
		regular = true
	}
	return regular
}

// fullBoost: the manifold stands near the highest boost of the drive.
func (a *Assay) fullBoost(p *point) bool {
	top := math.Max(a.tracks[sigMAP].max, a.tracks[sigMAPHigh].max)
	return a.boosted() && p.pressure.ok && p.pressure.v >= 0.93*top && p.pressure.v > or(p.baro, 100)+20
}

// throttleOpening is a share from 0 (closed) to 1 (fully open).
func (a *Assay) throttleOpening(t int64) float64 {
	if v := a.movingValue(sigThrottleRelative, t); known(v) && a.tracks[sigThrottleRelative].max > 1 {
		return scaleTo(v, 0, math.Max(fullRelativeThrottle, a.tracks[sigThrottleRelative].max))
	}
	v := a.movingValue(sigThrottle, t)
	if !known(v) {
		return math.NaN()
	}
	tr := &a.tracks[sigThrottle]
	return scaleTo(v, math.Min(tr.min, 20), math.Max(fullThrottle, tr.max))
}

// pedalTravel is a share from 0 (released) to 1 (down).
func (a *Assay) pedalTravel(t int64) float64 {
	if v := a.movingValue(sigPedalRelative, t); known(v) {
		return scaleTo(v, 0, 100)
	}
	for _, s := range [...]signal{sigPedalD, sigPedalE} {
		v := a.movingValue(s, t)
		if tr := &a.tracks[s]; known(v) && tr.max > tr.min {
			// Pedal tracks idle between 5 and 20 % and end between 70 and 100 %.
			return scaleTo(v, math.Min(tr.min, 20), math.Max(70, tr.max))
		}
	}
	return math.NaN()
}

func scaleTo(v, lo, hi float64) float64 {
	if hi <= lo {
		return math.NaN()
	}
	return math.Min(1, math.Max(0, (v-lo)/(hi-lo)))
}

func (a *Assay) readLoads(p *point) {
	p.load = a.moving(sigLoad, p.t)
	p.loadAbsolute = a.moving(sigLoadAbsolute, p.t)
}

// settle fills in what depends on the point before: whether things move.
func (a *Assay) settle(p *point) {
	if p.flow.ok && p.flow.v > 0 && p.pressure.ok && p.pressure.v > 0 && p.running {
		p.airSD = math.Sqrt(sq(p.flow.sd/p.flow.v) + sq(p.pressure.sd/p.pressure.v) + sq(p.speed.sd/p.speed.v))
	}
	if a.clock == ClockRowOrder {
		p.calm, p.still = true, true
		return
	}
	s := &a.settling
	dt := float64(p.t-s.t) / float64(second)
	if s.t == 0 || dt > 5 {
		s.primed = false
	}
	level := p.levelOfAir()
	if !s.primed {
		s.fast, s.slow, s.primed = level, level, known(level)
		s.rate = 0
	} else if known(level) && dt > 0 {
		before := s.fast
		s.fast += (level - s.fast) * math.Min(1, dt/0.5)
		s.slow += (level - s.slow) * math.Min(1, dt/2)
		s.rate = (s.fast - before) / dt
	}
	s.t = p.t
	p.calm = s.primed && math.Abs(level-s.fast) < calmChange
	p.still = s.primed && math.Abs(level-s.slow) < stillChange
	p.filling = a.fillingShare(p, s.rate)
}

// levelOfAir is a logarithm that moves with the air the engine takes.
func (p *point) levelOfAir() float64 {
	switch {
	case p.flow.ok && p.flow.v > 0.2:
		return math.Log(p.flow.v)
	case p.pressure.ok && p.pressure.v > 5 && p.running:
		return math.Log(p.pressure.v * p.speed.v)
	case p.running:
		return math.Log(p.speed.v)
	}
	return math.NaN()
}

// fillingShare estimates the share of the metered flow that fills the manifold,
// V/(R·T)·dp/dt over m, from the relative rate of change of the flow [DOMAIN 3.3].
// With the volume as a multiple k of the displacement this is
// rate · k·120/(VE·N), free of the engine's size.
func (a *Assay) fillingShare(p *point, rate float64) float64 {
	if !p.running {
		return 0
	}
	return math.Abs(rate) * manifoldVolumes * 120 / (0.8 * p.speed.v)
}

func sq(x float64) float64 { return x * x }
