// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import "math"

const (
	// dropoutRatio: a sample that is off the mean of its neighbours by more than this share
	// of it, while the engine runs on as before, shows lost contact [DOMAIN 4.2].
	dropoutRatio = 0.5
	// dropoutGapUS is the widest spacing at which a single stray sample can be told
	// from a manoeuvre.
	dropoutGapUS = 1300 * second / 1000
	// deadShare of the flow that the engine must take, below which the meter is silent.
	deadShare = 0.12
	// intakeJumpK within intakeJumpUS is impossible for a thermistor with a time
	// constant of five seconds or more [DOMAIN 5.4].
	intakeJumpK  = 8.0
	intakeJumpUS = second
	// soakWindowUS is how long after the first sample temperatures at rest are read:
	// current and sun warm the sensors afterwards [DOMAIN 5.4].
	soakWindowUS = 20 * second
)

// inspectRaw looks at single samples for what only they show, before they are
// brought to common instants.
func (a *Assay) inspectRaw(e *entry) {
	switch e.sig {
	case sigMAF, sigMAFA:
		a.inspectMeter(e)
	case sigIAT, sigIAT11:
		a.inspectIntake(e)
	case sigMAP:
		if e.v < lowestManifoldKPa {
			a.pressureImpossible++
		}
	case sigBaro:
		if e.v < lowestBaroKPa || e.v > highestBaroKPa {
			a.baroImpossible++
		}
	}
	if e.t-a.firstT <= soakWindowUS {
		a.inspectSoak(e)
	}
}

func (tr *track) latest() (v float64, t int64) {
	if tr.total == 0 {
		return math.NaN(), 0
	}
	i := (tr.total - 1) % trackLen
	return tr.v[i], tr.t[i]
}

func (a *Assay) recentValue(s signal, t int64) float64 {
	v, at := a.tracks[s].latest()
	if t-at > 2*second {
		return math.NaN()
	}
	return v
}

func (a *Assay) inspectMeter(e *entry) {
	w := &a.meterWatch
	// What hangs on time needs a clock.
	timed := a.clock != ClockRowOrder
	if e.sig != w.sig {
		// One meter is watched: the sum or the only one rather than one of two.
		if w.sig == sigMAF {
			return
		}
		*w = watch{sig: e.sig}
	}
	speed := a.recentValue(sigSpeedEngine, e.t)
	pressure := firstKnown(a.recentValue(sigMAPHigh, e.t), a.recentValue(sigMAP, e.t))
	if known(speed) && speed > runningRPM {
		if timed {
			w.still(e.t, e.v, speed, pressure)
		}
		if e.v < silentGS && speed > silentRPM && known(pressure) && pressure > silentKPa && (a.throttled() || a.boosted()) {
			w.silent++
		}
		a.inspectLiving(e, speed, pressure)
	}
	// Recirculation and valve lift change the flow at one pressure and throttle.
	w.silentOnly = a.facts.Fuel == FuelDiesel || !a.throttled() && !a.boosted()
	now := surroundings{
		speed: speed, pressure: pressure, pedal: a.recentValue(sigPedalD, e.t),
		throttle: firstKnown(a.recentValue(sigThrottle, e.t), a.recentValue(sigThrottleRelative, e.t)),
	}
	if !timed {
		return
	}
	fresh := a.freshest()
	w.episode(e.t, e.v, now, fresh)
	i := w.n % 3
	w.v[i], w.t[i], w.guardT[i] = e.v, e.t, fresh
	w.speed[i], w.pressure[i] = speed, pressure
	w.throttle[i], w.pedal[i] = now.throttle, now.pedal
	w.n++
	if w.n >= 3 {
		w.judge(w.n-3, w.n-2, w.n-1)
	}
}

// plateau is a stretch in which the meter's value stood still to the last digit.
type plateau struct {
	v                  float64
	startT, lastT      int64
	minRPM, maxRPM     float64
	minKPa, maxKPa     float64
	samples, pressures int
}

const (
	// plateauUS: a meter resolves a hundredth of a gram, and flow flutters by more than
	// that within a second or two.
	plateauUS = 2500 * second / 1000
	// silentGS in g/s: no running engine above silentRPM takes so little.
	silentGS  = 0.15
	silentRPM = 700.0
	// silentKPa: below, the engine is driven and its intake flutters about nought.
	silentKPa = 32.0
)

// still follows a value for as long as it stands still, and counts the time where the engine
// did not stand still with it.
func (w *watch) still(t int64, v, speed, pressure float64) {
	p := &w.plateau
	if p.samples == 0 || v != p.v || !known(speed) || t-p.lastT > 4*second {
		if moved := p.maxRPM > 1.06*p.minRPM || p.pressures > 1 && p.maxKPa > 1.15*p.minKPa; moved && p.samples >= 4 && p.lastT-p.startT >= plateauUS {
			w.frozenUS += p.lastT - p.startT
		}
		*p = plateau{v: v, startT: t, lastT: t, minRPM: or(speed, 0), maxRPM: or(speed, 0), minKPa: math.Inf(1), maxKPa: math.Inf(-1), samples: 1}
		return
	}
	p.samples++
	p.lastT = t
	p.minRPM, p.maxRPM = math.Min(p.minRPM, speed), math.Max(p.maxRPM, speed)
	if known(pressure) {
		p.pressures++
		p.minKPa, p.maxKPa = math.Min(p.minKPa, pressure), math.Max(p.maxKPa, pressure)
	}
}

// inspectLiving counts the samples in which a running engine must take air, and those in
// which the meter shows nearly none.
func (a *Assay) inspectLiving(e *entry, speed, pressure float64) {
	if known(pressure) && pressure < overrunPressureKPa && speed > overrunRPM {
		return
	}
	floor := 0.15 * a.nominal.volumeL * speed / 800
	if known(pressure) {
		floor = deadShare * a.nominal.air(speed, math.Max(pressure, 15), 100, 310)
	}
	a.meterLiving++
	if e.v < floor && e.v < 0.5*math.Max(floor*4, 0.6) {
		a.meterDeadRunning++
	}
}

// judge compares sample i1 with its neighbours i0 and i2.
func (w *watch) judge(i0, i1, i2 int) {
	i0, i1, i2 = i0%3, i1%3, i2%3
	if w.t[i2]-w.t[i0] > 2*dropoutGapUS || w.v[i0] <= 0.3 || w.v[i2] <= 0.3 {
		return
	}
	steady := steadyTriple(w.speed, i0, i1, i2, 0.05) && steadyTriple(w.pressure, i0, i1, i2, 0.08) &&
		steadyTriple(w.throttle, i0, i1, i2, 0.08) && steadyTriple(w.pedal, i0, i1, i2, 0.08)
	if !steady || math.Abs(math.Log(w.v[i2]/w.v[i0])) > 0.15 {
		return
	}
	w.checked++
	around := (w.v[i0] + w.v[i2]) / 2
	if math.Abs(w.v[i1]-around) > dropoutRatio*around && (!w.silentOnly || w.v[i1] < 0.1*around) && (w.v[i1] < silentGS || w.guarded(i0, i1, i2)) {
		w.dropouts++
	}
}

// guarded: plate, pedal or pressure was read about when sample i1 was. A foot that lifts for half a second looks like lost
// contact to whoever only knows speed.
func (w *watch) guarded(i0, i1, i2 int) bool {
	from, to := (w.t[i0]+w.t[i1])/2, (w.t[i1]+w.t[i2])/2
	return w.guardT[i1] >= from || w.guardT[i2] >= w.t[i1] && w.guardT[i2] <= to
}

// surroundings are what else says at what level the engine runs, as recorded: 1/min, kPa,
// percent. What is not known is NaN.
type surroundings struct{ speed, pressure, throttle, pedal float64 }

// guarded: more than speed says whether the engine keeps its level.
func (s surroundings) guarded() bool {
	return known(s.pressure) || known(s.throttle) || known(s.pedal)
}

func (s surroundings) near(was surroundings) bool {
	return near(s.speed, was.speed, 0.06) && near(s.pressure, was.pressure, 0.10) &&
		near(s.throttle, was.throttle, 0.08) && near(s.pedal, was.pedal, 0.08)
}

// lapse is a stretch in which the meter left a level that the engine kept.
type lapse struct {
	level float64
	surroundings
	// sinceT is when the level was reached, startT when it was left.
	t, sinceT, startT int64
	out, confirmed    bool
}

// freshest is the time of the newest sample that says whether the engine kept its level.
func (a *Assay) freshest() int64 {
	newest := int64(math.MinInt64)
	for _, s := range [...]signal{sigMAP, sigMAPHigh, sigThrottle, sigThrottleRelative, sigPedalD} {
		if tr := &a.tracks[s]; tr.seen() {
			_, t := tr.latest()
			newest = max(newest, t)
		}
	}
	return newest
}

const (
	// lapseOut and lapseBack bound, in logarithm, what counts as leaving a level (a
	// factor of 2.2) and as being back at it (20 %).
	lapseOut  = 0.80
	lapseBack = 0.20
	// lapseHeldUS is how long a level must have been held: after a lifted pedal the flow
	// itself undershoots while the manifold empties.
	lapseHeldUS = 400 * second / 1000
	// lapseLevel in g/s: below, flow itself flutters.
	lapseLevel = 1.2
	// lapseEntryUS: contact is lost from one sample to the next; flow needs longer.
	// lapseLongestUS: after that, nobody knows what the level would be.
	lapseEntryUS   = 600 * second / 1000
	lapseLongestUS = 5 * second
)

// episode follows one sample: contact lost for several samples while speed and
// pressure or throttle stay where they were.
func (w *watch) episode(t int64, v float64, now surroundings, fresh int64) {
	l := &w.lapse
	if !known(now.speed) || now.speed < runningRPM || !now.guarded() {
		*l = lapse{}
		return
	}
	d := math.Log(math.Max(v, 0.02) / math.Max(l.level, 0.02))
	switch {
	case l.level == 0:
	case !now.near(l.surroundings) || t-l.t > lapseLongestUS:
	case !l.out && math.Abs(d) > lapseOut && w.mayLapse(t, v):
		l.out, l.startT = true, t
		return
	case l.out && math.Abs(d) > lapseBack:
		// Only a reading from within the lapse shows that the engine went on as before.
		l.confirmed = l.confirmed || fresh > l.startT
		return
	case l.out && l.confirmed:
		w.episodes++
	}
	since := l.sinceT
	if l.level == 0 || math.Abs(d) > lapseBack || t-l.t > lapseLongestUS {
		since = t
	}
	*l = lapse{level: v, surroundings: now, t: t, sinceT: since}
}

// mayLapse: the level was high enough, was held, and was left from one sample to the next.
func (w *watch) mayLapse(t int64, v float64) bool {
	l := &w.lapse
	return l.level > lapseLevel && (!w.silentOnly || v < 0.1*l.level) && t-l.t <= lapseEntryUS && l.t-l.sinceT >= lapseHeldUS
}

func near(x, was, within float64) bool {
	return !known(x) || !known(was) || math.Abs(x-was) <= within*math.Max(math.Abs(was), 1)
}

func steadyTriple(x [3]float64, i0, i1, i2 int, within float64) bool {
	if !known(x[i0]) || !known(x[i1]) || !known(x[i2]) {
		return true
	}
	scale := math.Max(math.Abs(x[i1]), 1)
	return math.Abs(x[i0]-x[i1]) < within*scale && math.Abs(x[i2]-x[i1]) < within*scale
}

func (a *Assay) inspectIntake(e *entry) {
	switch {
	case e.v <= openCircuitC:
		a.intakeOpen++
		return
	case e.v >= shortCircuitC:
		a.intakeShort++
		return
	}
	v, t := a.tracks[e.sig].latest()
	if known(v) && v > openCircuitC && v < shortCircuitC && e.t-t < intakeJumpUS && math.Abs(e.v-v) > intakeJumpK {
		a.intakeJumps++
	}
}

func (a *Assay) inspectSoak(e *entry) {
	s := &a.soak
	c := validTemperature(e.v)
	switch e.sig {
	case sigIAT, sigIAT11:
		s.intake.add(c, 1)
	case sigCoolant:
		s.coolant.add(c, 1)
	case sigOil:
		s.oil.add(c, 1)
	case sigAmbient:
		s.sensorOutside.add(c, 1)
	case sigExterior:
		s.outside.add(c, 1)
	case sigSpeedEngine:
		s.restSeen = s.restSeen || e.v < restRPM
	case sigRunTime:
		s.runTimeLow = s.runTimeLow || e.v < 30
		s.ranBefore = s.ranBefore || e.v > 120
	}
}
