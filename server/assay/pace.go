// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

// Need is how often the assay wants a signal at a moment of the drive.
type Need struct {
	// Path is the signal's VSS path.
	Path string
	// RateHz is in samples per second; 0 stands for as often as goes.
	RateHz float64
	// Group, above 0, is shared by the signals that are compared with each other at one instant, and so are wanted close
	// together in time.
	Group int
}

// stage is what a drive does now, as far as it decides what is worth polling.
type stage uint8

const (
	stageRest  stage = iota // the engine stands, or nothing has come yet
	stageDrive              // it runs
	stagePull               // it takes nearly all the air that it can
)

// Pace follows a drive as its samples arrive, ahead of the assay's own order, and tells what the assay wants next: what
// moves with the engine fast while it pulls, for that is over in seconds; trims while it runs, for they speak only
// averaged; the mixture in both, since a pull is driven with another; temperatures and pressures of the day rarely, but
// often while the engine stands. It is not safe for concurrent use. Memory does not grow.
type Pace struct {
	signals []signal
	paths   []string
	have    [signalCount]bool
	stage   stage
	speed   float64 // of the engine, the newest
	pulling int64   // when something last said that it pulls; far ahead where a time was wrong
	mark    struct {
		t     int64
		speed float64
	}
}

const (
	// Whoever opens pedal or throttle so far, in percent, or whose engine reports so much of its possible load, is
	// about to give useful samples of a pull. It may err: polling fast costs nothing but detail elsewhere.
	pullPedalPercent, pullLoadPercent = 70, 80
	// pullSpeedRPM is above idle: nobody pulls below.
	pullSpeedRPM = 1000
	// An engine that gains speed so fast, in rpm a second, pulls, whatever else is not reported. It is measured over a
	// quarter of a second, which noise and quantisation do not fill, and not across what is longer than a change of gear.
	pullGainRPM  = 300
	gainOverUS   = second / 4
	gainWithinUS = 3 * second
	// pullHoldUS bridges a change of gear.
	pullHoldUS = 2 * second
	// longAgoUS is before any time of a session.
	longAgoUS = -3600 * second
)

// NewPace follows the signals of a capture, given by their paths in the capture's order.
func NewPace(paths []string) *Pace {
	p := &Pace{signals: make([]signal, len(paths)), paths: paths}
	for i, path := range paths {
		p.signals[i] = signalByPath(path)
		p.have[p.signals[i]] = true
	}
	p.pulling, p.mark.t = longAgoUS, longAgoUS
	return p
}

// Push takes the newest sample of a signal, given by its position, and reports whether other needs hold from now on. It
// allocates nothing.
func (p *Pace) Push(position int, timeUS int64, value float64) (changed bool) {
	if position < 0 || position >= len(p.signals) {
		return false
	}
	switch p.signals[position] {
	case sigSpeedEngine:
		p.speed = value
		p.follow(timeUS)
	case sigThrottle, sigThrottleRelative, sigPedalD, sigPedalE, sigPedalRelative:
		if value >= pullPedalPercent {
			p.pulling = timeUS
		}
	case sigLoad:
		if value >= pullLoadPercent {
			p.pulling = timeUS
		}
	}
	next := stageDrive
	switch {
	case p.speed < runningRPM:
		next = stageRest
	case p.speed >= pullSpeedRPM && max(timeUS-p.pulling, p.pulling-timeUS) < pullHoldUS:
		next = stagePull
	}
	changed = next != p.stage
	p.stage = next
	return changed
}

// follow looks at how fast the engine gains speed.
func (p *Pace) follow(t int64) {
	d := t - p.mark.t
	if d >= 0 && d < gainOverUS {
		return
	}
	if d > 0 && d <= gainWithinUS && (p.speed-p.mark.speed)*float64(second) > pullGainRPM*float64(d) {
		p.pulling = t
	}
	p.mark.t, p.mark.speed = t, p.speed
}

// rates are in samples per second, by stage.
type rates [stagePull + 1]float64

// Rates of the classes of signals. What is compared at one instant must come several times within a settled second while
// driving; trims are averaged over seconds and change by steps of a second or so; heat takes tens of seconds to move.
var (
	ratesInstant  = rates{1, 10, 0}
	ratesFollow   = rates{1, 4, 0.5}
	ratesPedal    = rates{1, 4, 1}
	ratesMixture  = rates{0.2, 2, 2}
	ratesTrim     = rates{0.2, 2, 0.2}
	ratesHeat     = rates{1, 0.5, 0.2}
	ratesOfTheDay = rates{0.5, 0.1, 0.05}
)

// instant is the group of signals that are compared at one instant.
const instant = 1

// Needs tells how often each of the capture's signals is wanted now, in the capture's order; signals that the assay does
// not use are left out.
func (p *Pace) Needs() []Need {
	var needs []Need
	for i, s := range p.signals {
		if s == sigNone {
			continue
		}
		n := Need{Path: p.paths[i]}
		r := p.class(s)
		if r == ratesInstant {
			n.Group = instant
		}
		n.RateHz = r[p.stage]
		needs = append(needs, n)
	}
	return needs
}

// class gives the rates of a signal beside the others that there are: a quantity that comes twice is wanted fast once.
func (p *Pace) class(s signal) rates {
	switch s {
	case sigSpeedEngine, sigMAF, sigMAPHigh:
		return ratesInstant
	case sigMAFA, sigMAFB:
		return either(!p.have[sigMAF], ratesInstant, ratesFollow)
	case sigMAP:
		return either(!p.have[sigMAPHigh], ratesInstant, ratesFollow)
	case sigThrottle, sigPedalD:
		return ratesPedal
	case sigLambda1, sigLambda2, sigLambdaCommand, sigFuelStatus:
		return ratesMixture
	case sigShortTrim1, sigShortTrim2, sigLongTrim1, sigLongTrim2:
		return ratesTrim
	case sigIAT, sigIAT11, sigCoolant, sigSpeedRoad, sigRecirculation, sigPurge:
		return ratesHeat
	}
	return either(signals[s].holdUS > 0, ratesOfTheDay, ratesFollow)
}

func either(first bool, a, b rates) rates {
	if first {
		return a
	}
	return b
}
