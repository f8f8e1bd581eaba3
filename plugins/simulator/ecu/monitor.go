// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package ecu

import (
	"math"
	"math/rand/v2"
	"slices"

	"github.com/airassay/airassay/plugins/simulator/engine"
	"github.com/airassay/airassay/plugins/simulator/scenario"
)

// Trouble codes that the engine's control unit may set (SAE J2012).
const (
	codeMeterRange     = 0x0101
	codeMeterLow       = 0x0102
	codeMeterHigh      = 0x0103
	codeMeterBLow      = 0x010C
	codeMeterBHigh     = 0x010D
	codePressureAgree  = 0x0069
	codePressureLow    = 0x0107
	codePressureHigh   = 0x0108
	codeIntakeLow      = 0x0112 // shorted: reads hot
	codeIntakeHigh     = 0x0113 // open: reads cold
	codeLean1          = 0x0171
	codeRich1          = 0x0172
	codeLean2          = 0x0174
	codeRich2          = 0x0175
	codeUnderboost     = 0x0299
	codeThrottleRange  = 0x2119
	codeBarometerLow   = 0x2228
	codeBarometerHigh  = 0x2229
	runningRPM         = 400.0 // 1/min, above which an engine runs by itself
	circuitSeconds     = 3.0   // s, how long a line is out of range before makers believe it
	trimSeconds        = 20.0  // s, of the mean of the total trim
	lowMeter           = 0.3   // g/s, below any running engine
	highMeter          = 600.0 // g/s, above any engine here
	lowPressure        = 5.0   // kPa, below any manifold
	highPressure       = 250.0 // kPa, above any charge here
	lowBarometer       = 50.0  // kPa, above every road
	highBarometer      = 115.0 // kPa, below every mine
	pressureAgreement  = 12.0  // kPa, between two sensors of the same air at rest
	coldestIntake      = -39.5 // Celsius, an open line
	hottestIntake      = 140.0 // Celsius, a shorted line
	boostShortfall     = 25.0  // kPa
	boostFrom          = 20.0  // kPa, commanded over the barometer
	throttleShortfall  = 15.0  // percent of the way
	warmCoolant        = 70.0  // Celsius
	closedLoop         = 2.0   // value of parameter 03
	trimLimitLow       = 22.0  // percent, the least of the makers' limits drawn
	trimLimitSpread    = 6.0   // percent
	trimAfterSeconds   = 10.0
	rangeSeconds       = 2.0
	boostSeconds       = 4.0
	throttleSeconds    = 1.5
	correlationSeconds = 2.0
)

// monitor is one thing that a control unit watches.
type monitor struct {
	code uint16
	// once says that the lamp comes on the first time; else it takes two drives.
	once bool
	// after is how long in s it must be faulty.
	after  float64
	faulty func(*reading) bool
	held   float64 // s for which it has been
}

// reading is what a control unit knows at one moment.
type reading struct {
	*scenario.Drive

	spec *engine.Spec
	trim [2]float64 // mean total trim of each bank in percent
	most float64    // percent, from which a trim is a fault
}

func (r *reading) running() bool { return r.Value(engine.EngineSpeed) > runningRPM }

// record is a trouble code in memory.
type record struct {
	code                          uint16
	pending, confirmed, permanent bool
	// seen says that it was found on this drive.
	seen bool
	// frame is what the control unit read when the code was stored, by parameter.
	frame map[byte][]byte
}

// watch is a control unit's memory of trouble, and what fills it.
type watch struct {
	monitors []monitor
	reading  reading
	records  []*record
	// again says that what is found now was found on the drive before too.
	again    bool
	complete bool // the readiness monitors
	distance float64
	running  float64 // s of this drive
}

func newWatch(p *scenario.Prepared) *watch {
	c := p.Case
	random := rand.New(rand.NewPCG(c.Seed, 0xbf58476d1ce4e5b9))
	w := &watch{monitors: monitorsOf(&c.Spec)}
	w.reading = reading{spec: &c.Spec, most: trimLimitLow + trimLimitSpread*random.Float64()}
	return w
}

// monitorsOf lists what the control unit of an engine watches.
func monitorsOf(s *engine.Spec) []monitor {
	below := func(signal engine.Signal, limit float64) func(*reading) bool {
		return func(r *reading) bool { return r.running() && r.Value(signal) < limit }
	}
	above := func(signal engine.Signal, limit float64) func(*reading) bool {
		return func(r *reading) bool { return r.running() && r.Value(signal) > limit }
	}
	list := []monitor{
		{code: codePressureLow, once: true, after: circuitSeconds, faulty: below(engine.ManifoldPressure, lowPressure)},
		{code: codePressureHigh, once: true, after: circuitSeconds, faulty: above(engine.ManifoldPressure, highPressure)},
		{code: codeIntakeHigh, once: true, after: circuitSeconds, faulty: below(engine.IntakeTemp, coldestIntake)},
		{code: codeIntakeLow, once: true, after: circuitSeconds, faulty: above(engine.IntakeTemp, hottestIntake)},
	}
	if s.Meter != engine.NoMeter {
		list = append(list,
			monitor{code: codeMeterLow, once: true, after: circuitSeconds, faulty: below(engine.MAFA, lowMeter)},
			monitor{code: codeMeterHigh, once: true, after: circuitSeconds, faulty: above(engine.MAFA, highMeter)},
			monitor{code: codeMeterRange, after: rangeSeconds, faulty: meterDisbelieved})
	}
	if len(s.Meters) > 1 {
		list = append(list,
			monitor{code: codeMeterBLow, once: true, after: circuitSeconds, faulty: below(engine.MAFB, lowMeter)},
			monitor{code: codeMeterBHigh, once: true, after: circuitSeconds, faulty: above(engine.MAFB, highMeter)})
	}
	if !s.Control.BaroFromMAP {
		list = append(list,
			monitor{code: codeBarometerLow, once: true, after: circuitSeconds, faulty: below(engine.BarometricPressure, lowBarometer)},
			monitor{code: codeBarometerHigh, once: true, after: circuitSeconds, faulty: above(engine.BarometricPressure, highBarometer)},
			monitor{code: codePressureAgree, after: correlationSeconds, faulty: pressuresDisagree})
	}
	if s.GasolineLike() {
		list = append(list, trimMonitors(s.Banks)...)
	}
	if s.Aspiration == engine.Turbo {
		list = append(list, monitor{code: codeUnderboost, after: boostSeconds, faulty: boostMissing})
	}
	if s.Control.Electronic {
		list = append(list, monitor{code: codeThrottleRange, once: true, after: throttleSeconds, faulty: throttleShort})
	}
	return list
}

func trimMonitors(banks int) (list []monitor) {
	for b, codes := range [][2]uint16{{codeLean1, codeRich1}, {codeLean2, codeRich2}}[:banks] {
		list = append(list,
			monitor{code: codes[0], after: trimAfterSeconds, faulty: func(r *reading) bool { return r.trim[b] > r.most }},
			monitor{code: codes[1], after: trimAfterSeconds, faulty: func(r *reading) bool { return r.trim[b] < -r.most }})
	}
	return list
}

// meterDisbelieved is the control unit's own plausibility check; what is out of the line's range is another code's.
func meterDisbelieved(r *reading) bool {
	flow := r.Value(engine.MAFA)
	return r.running() && r.Substituted() && flow >= lowMeter && flow <= highMeter
}

func pressuresDisagree(r *reading) bool {
	return r.Value(engine.EngineSpeed) < 1 && math.Abs(r.Value(engine.ManifoldPressure)-r.Value(engine.BarometricPressure)) > pressureAgreement
}

func boostMissing(r *reading) bool {
	commanded := r.Value(engine.BoostCommanded)
	return r.running() && commanded > r.Value(engine.BarometricPressure)+boostFrom && r.Value(engine.BoostActual) < commanded-boostShortfall
}

func throttleShort(r *reading) bool {
	k := &r.spec.Control
	way := 100 * (r.Value(engine.ThrottlePosition) - k.ThrottleClosed) / (k.ThrottleOpen - k.ThrottleClosed)
	return r.running() && r.Value(engine.ThrottleActuator)-way > throttleShortfall
}

// step watches for dt seconds.
func (w *watch) step(dt float64, d *scenario.Drive, v *Vehicle) {
	r := &w.reading
	r.Drive = d
	w.trims(dt)
	if r.running() {
		w.running += dt
	}
	if w.lamp() {
		w.distance += d.Value(engine.VehicleSpeed) / 3600 * dt
	}
	for i := range w.monitors {
		m := &w.monitors[i]
		if !m.faulty(r) {
			m.held = max(0, m.held-dt)
			continue
		}
		if m.held += dt; m.held >= m.after {
			w.found(m, v)
			m.held = m.after
		}
	}
}

// trims takes the mean of the total trims while they mean something.
func (w *watch) trims(dt float64) {
	r := &w.reading
	if r.Value(engine.FuelStatus) != closedLoop || r.Value(engine.CoolantTemperature) < warmCoolant {
		return
	}
	for b, s := range [2][2]engine.Signal{{engine.ShortTermFuelTrim1, engine.LongTermFuelTrim1}, {engine.ShortTermFuelTrim2, engine.LongTermFuelTrim2}} {
		total := (1+r.Value(s[0])/100)*(1+r.Value(s[1])/100) - 1
		r.trim[b] += (100*total - r.trim[b]) * dt / trimSeconds
	}
}

// found stores a code, with a freeze frame the first time.
func (w *watch) found(m *monitor, v *Vehicle) {
	i := slices.IndexFunc(w.records, func(r *record) bool { return r.code == m.code })
	if i < 0 {
		i = len(w.records)
		w.records = append(w.records, &record{code: m.code, frame: v.freeze()})
	}
	r := w.records[i]
	r.seen, r.pending = true, true
	r.confirmed = r.confirmed || m.once || w.again
}

// rest ends a drive: what was confirmed by it becomes permanent, what was not found is pending no longer.
func (w *watch) rest() {
	for _, r := range w.records {
		r.permanent = r.permanent || r.confirmed
		r.pending = r.seen
		r.seen = false
	}
	for i := range w.monitors {
		w.monitors[i].held = 0
	}
	w.again, w.complete, w.running = false, true, 0
	w.reading.trim = [2]float64{}
}

func (w *watch) lamp() bool {
	return slices.ContainsFunc(w.records, func(r *record) bool { return r.confirmed })
}

func (w *watch) codes(which func(*record) bool) (list []uint16) {
	for _, r := range w.records {
		if which(r) {
			list = append(list, r.code)
		}
	}
	return list
}

func isConfirmed(r *record) bool { return r.confirmed }
func isPending(r *record) bool   { return r.pending }
func isPermanent(r *record) bool { return r.permanent }

// frozen is the record whose freeze frame service 02 shows: the first that was stored.
func (w *watch) frozen() *record {
	if len(w.records) == 0 {
		return nil
	}
	return w.records[0]
}

// freeze keeps what the control unit reads now.
func (v *Vehicle) freeze() map[byte][]byte {
	frame := map[byte][]byte{}
	for _, l := range v.latches {
		if l.status == nil {
			frame[l.pid] = l.data(v)
		}
	}
	return frame
}

// yesterday drives the scenario to its end, for what the control unit remembers of it.
// The fault was there on the day before too.
func (v *Vehicle) yesterday() {
	v.watch.again = true
	for v.drive = v.prepared.Start(); !v.drive.Done(); {
		v.step()
	}
	v.watch.rest()
}
