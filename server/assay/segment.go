// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import "math"

// Manoeuvre is one stretch with a diagnostic meaning, used or refused.
type Manoeuvre struct {
	Kind           ManoeuvreKind
	StartUS, EndUS int64
	Used           bool
	Reasons        []GateReason
	Samples        int64
	MinRPM, MaxRPM float64
	// AirRatio is ln(metered/sound engine); NaN where it was not measured.
	AirRatio float64
}

// segment is a stretch while it lasts, and its summary afterwards.
type segment struct {
	kind           ManoeuvreKind
	startT, lastT  int64
	samples        int64
	rpm            mean
	minRPM, maxRPM float64
	fell           bool
	air            mean
	blurred        int64
	coolant        mean
	closedLoop     int64
	openLoop       int64
	purge          mean
	used           bool
	reasons        uint32
}

const (
	// minReportSamples: a stretch of fewer points is noise, not something refused.
	minReportSamples = 3
	// maxSegments bounds the list; short refused stretches give way to used ones.
	maxSegments = 48
	// lapseUS is how long a stretch may be interrupted without ending.
	lapseUS = second
)

// gate is what a stretch must pass. Minimum lengths are those of [DOMAIN 5.2],
// shortened to what a technician's drive holds; a shorter one weighs less by itself.
type gate struct {
	minUS      int64
	minSamples int64
	maxRPMSD   float64
	// reportUS is the length from which a refused stretch is worth a line.
	reportUS int64
}

var gates = map[ManoeuvreKind]gate{
	ManoeuvreColdSoak:       {0, 1, math.Inf(1), 0},
	ManoeuvreKeyOnEngineOff: {2 * second, 2, math.Inf(1), second},
	ManoeuvreWarmIdle:       {20 * second, 10, 60, 8 * second},
	ManoeuvreRaisedIdle:     {10 * second, 6, 90, 5 * second},
	ManoeuvreSteadyCruise:   {10 * second, 6, 150, 6 * second},
	ManoeuvreHighLoad:       {4 * second, 4, 400, 3 * second},
	ManoeuvreFullLoadPull:   {2 * second, 8, math.Inf(1), second},
	ManoeuvreOverrun:        {2 * second, 2, math.Inf(1), 4 * second},
	ManoeuvreSnap:           {second / 2, 10, math.Inf(1), second / 2},
}

func (a *Assay) classify(p *point) ManoeuvreKind {
	standing := known(p.road) && p.road < 3
	switch {
	case p.rest:
		return ManoeuvreKeyOnEngineOff
	case !p.running:
		return ManoeuvreUnspecified
	case standing && known(p.throttle) && p.throttle > 0.4:
		return ManoeuvreSnap
	case p.full:
		return ManoeuvreFullLoadPull
	case a.cutsFuel(p):
		return ManoeuvreOverrun
	case p.idles(standing):
		return ManoeuvreWarmIdle
	case standing && p.speed.v > 1800 && p.speed.v < 3300:
		return ManoeuvreRaisedIdle
	case !p.still || standing || p.speed.v < 1000:
		return ManoeuvreUnspecified
	case a.highLoad(p):
		return ManoeuvreHighLoad
	}
	return ManoeuvreSteadyCruise
}

// idles: slow, and standing; where road speed was not recorded, with the throttle as good as closed.
func (p *point) idles(standing bool) bool {
	return p.speed.v < 1250 && (standing || !known(p.road) && (!known(p.throttle) || p.throttle < 0.12))
}

func (a *Assay) highLoad(p *point) bool {
	if p.pressure.ok {
		return p.pressure.v >= 0.68*or(p.baro, 100)
	}
	return p.loadAbsolute.ok && p.loadAbsolute.v >= 50
}

// segmentStep extends the stretch under way, or ends it and starts another.
func (a *Assay) segmentStep(p *point) {
	k := a.classify(p)
	if a.clock == ClockRowOrder {
		a.countWithoutClock(k, p)
		return
	}
	s := &a.segment
	lapse := a.lapse()
	switch {
	case s.kind != ManoeuvreUnspecified && k == s.kind && p.t-s.lastT <= lapse:
		s.extend(p)
		return
	case s.kind != ManoeuvreUnspecified && k != ManoeuvreFullLoadPull && p.t-s.lastT <= lapseUS && s.kind != ManoeuvreFullLoadPull:
		return
	}
	a.endSegment()
	if k != ManoeuvreUnspecified {
		*s = segment{kind: k, startT: p.t, minRPM: p.speed.v, maxRPM: p.speed.v}
		s.extend(p)
	}
}

// lapse is the longest gap between points of one stretch: a second, or what a slow logger takes.
func (a *Assay) lapse() int64 {
	sp := a.tracks[sigSpeedEngine].spacing
	return max(lapseUS, int64(1.6*sp*float64(second)))
}

func (a *Assay) countWithoutClock(k ManoeuvreKind, p *point) {
	if k == ManoeuvreUnspecified {
		return
	}
	s := &a.clockless[k]
	if s.samples == 0 {
		*s = segment{kind: k, startT: p.t, minRPM: p.speed.v, maxRPM: p.speed.v}
	}
	s.extend(p)
}

func (s *segment) extend(p *point) {
	s.lastT = p.t
	s.samples++
	n := p.speed.v
	s.rpm.add(n, 1)
	if n < s.maxRPM*0.93 && s.maxRPM-n > 150 {
		s.fell = true
	}
	s.minRPM, s.maxRPM = math.Min(s.minRPM, n), math.Max(s.maxRPM, n)
	s.coolant.add(p.coolant, 1)
	s.purge.add(p.purge, 1)
	switch p.closedLoop {
	case yes:
		s.closedLoop++
	case no:
		s.openLoop++
	}
	if known(p.airSD) && p.airSD > maxAirSD {
		s.blurred++
	}
}

// pullAir notes the air ratio of the stretch under way.
func (a *Assay) pullAir(x, w float64) {
	if a.segment.kind == ManoeuvreFullLoadPull {
		a.segment.air.add(x, w)
	}
}

func (s *segment) refuse(r GateReason) { s.reasons |= 1 << r }

func (a *Assay) endSegment() {
	s := &a.segment
	if s.kind == ManoeuvreUnspecified {
		return
	}
	a.judgeSegment(s)
	g := gates[s.kind]
	if s.used || s.lastT-s.startT >= g.reportUS && s.samples >= minReportSamples {
		a.keepSegment(s)
	}
	*s = segment{}
}

func (a *Assay) judgeSegment(s *segment) {
	g := gates[s.kind]
	s.used = true
	fail := func(bad bool, r GateReason) {
		if bad {
			s.refuse(r)
			s.used = false
		}
	}
	note := func(weak bool, r GateReason) {
		if weak {
			s.refuse(r)
		}
	}
	fail(s.lastT-s.startT < g.minUS, GateTooShort)
	fail(s.samples < g.minSamples, GateTooFewSamples)
	fail(s.rpm.sd() > g.maxRPMSD, GateNotSteady)
	fail(s.blurred*2 > s.samples, GateNotSimultaneous)
	switch s.kind {
	case ManoeuvreFullLoadPull:
		fail(s.coolant.n > 0 && s.coolant.mean < warmTrimC, GateEngineNotWarm)
		fail(s.maxRPM-s.minRPM < minPullSpanRPM, GateSpeedSpanTooSmall)
		fail(s.fell, GateGearChange)
		fail(s.maxRPM < lowestFullLoadRPM+400, GateEngineSpeedTooLow)
	case ManoeuvreWarmIdle, ManoeuvreRaisedIdle, ManoeuvreSteadyCruise, ManoeuvreHighLoad:
		fail(s.coolant.n > 0 && s.coolant.mean < warmTrimC, GateEngineNotWarm)
		note(s.openLoop > s.closedLoop && a.facts.Fuel != FuelDiesel, GateNotClosedLoop)
		note(s.purge.n > 0 && s.purge.mean > 5 && s.kind == ManoeuvreWarmIdle, GatePurgeOpen)
	}
	if v := a.held(sigVoltage, s.lastT); known(v) && (v < 11.5 || v > 15.6) && s.kind != ManoeuvreKeyOnEngineOff {
		note(true, GateSupplyVoltage)
	}
}

// minPullSpanRPM is how far engine speed must rise in a pull: far enough that the
// shape of the air ratio over flow shows.
const minPullSpanRPM = 1000.0

func (a *Assay) keepSegment(s *segment) {
	if a.kept < maxSegments {
		a.segments[a.kept] = *s
		a.kept++
		return
	}
	worst := -1
	for i := range a.segments {
		o := &a.segments[i]
		if o.used && !s.used {
			continue
		}
		if worst < 0 || segmentWorth(o) < segmentWorth(&a.segments[worst]) {
			worst = i
		}
	}
	if worst >= 0 && segmentWorth(s) > segmentWorth(&a.segments[worst]) {
		copy(a.segments[worst:], a.segments[worst+1:])
		a.segments[maxSegments-1] = *s
	}
}

// segmentWorth ranks stretches for a list that is full: used before refused,
// pulls before the rest, long before short.
func segmentWorth(s *segment) float64 {
	w := math.Min(float64(s.lastT-s.startT)/float64(second), 1000)
	if s.kind == ManoeuvreFullLoadPull {
		w += 2000
	}
	if s.used {
		w += 4000
	}
	return w
}

func (s *segment) report(origin int64) Manoeuvre {
	m := Manoeuvre{
		Kind: s.kind, StartUS: s.startT + origin, EndUS: s.lastT + origin, Used: s.used, Samples: s.samples,
		MinRPM: s.minRPM, MaxRPM: s.maxRPM, AirRatio: s.air.value(),
	}
	for r := GateReason(1); r < 32; r++ {
		if s.reasons&(1<<r) != 0 {
			m.Reasons = append(m.Reasons, r)
		}
	}
	return m
}

// poolPulls lets the pulls of a slow link count together: each is long enough and rises far enough, and only its samples are
// few. It looks at a drive that is over, or as if it were.
func (a *Assay) poolPulls() {
	few := func(s *segment) bool {
		return s.kind == ManoeuvreFullLoadPull && !s.used && s.reasons&^(1<<GateSupplyVoltage) == 1<<GateTooFewSamples && s.samples >= minReportSamples
	}
	samples, pulls := int64(0), 0
	for i := range a.segments[:a.kept] {
		if few(&a.segments[i]) {
			samples += a.segments[i].samples
			pulls++
		}
	}
	if pulls < 2 || samples < gates[ManoeuvreFullLoadPull].minSamples {
		return
	}
	for i := range a.segments[:a.kept] {
		if s := &a.segments[i]; few(s) {
			s.used = true
			s.reasons &^= 1 << GateTooFewSamples
		}
	}
}

// usedCount is how many stretches of a kind passed their gates.
func (a *Assay) usedCount(k ManoeuvreKind) int {
	n := 0
	for i := range a.segments[:a.kept] {
		if a.segments[i].used && a.segments[i].kind == k {
			n++
		}
	}
	return n
}
