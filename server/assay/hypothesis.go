// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import "math"

// hypothesis is one cause of one condition with the magnitudes that it may have.
type hypothesis struct {
	condition Condition
	cause     Cause
	bank      int
	// prior is the probability before anything is measured.
	prior  float64
	states []fault
	// weights of the states; nil for equal.
	weights []float64
	// extra is what raw samples say for it, as a logarithm of a likelihood ratio.
	extra float64
	// vague: the hypothesis predicts no numbers, it only allows them to be anything smooth.
	vague bool
}

// steps returns magnitudes evenly spaced in logarithm from lo to hi.
func steps(lo, hi float64, n int) []float64 {
	xs := make([]float64, n)
	for i := range xs {
		xs[i] = lo * math.Pow(hi/lo, float64(i)/float64(n-1))
	}
	return xs
}

func each(xs []float64, f func(x float64) fault) []fault {
	ss := make([]fault, len(xs))
	for i, x := range xs {
		ss[i] = f(x)
	}
	return ss
}

func both(xs []float64, f func(x float64) fault) []fault {
	ss := each(xs, f)
	for _, x := range xs {
		ss = append(ss, f(-x))
	}
	return ss
}

// Magnitudes of faults worth the name: from what a technician would call mild to
// what still lets the engine run. A smaller error is within what a true sensor may show.
var (
	gainsLow   = steps(0.055, 0.50, 12)
	gainsHigh  = steps(0.055, 0.45, 11)
	ductShares = steps(0.05, 0.40, 11)
	// wrongPartTilts are shares of the gain by which the error grows from the middle of
	// the flow range to rated flow.
	wrongPartTilts = []float64{-0.6, 0, 0.6}
	dirtAtTop      = steps(0.055, 0.42, 10)
	dirtAtIdle     = []float64{0, 0.04, 0.08, 0.12, 0.17, 0.24}
	offsetsGS      = steps(0.25, 3.0, 8)
	leakFlows      = steps(0.10, 1.6, 11) // choked g/s, per litre of displacement
	restrictKPa    = steps(3.0, 22, 9)
	// throttleKPa reaches to a plate that leaves a quarter of the opening.
	throttleKPa = steps(3, 120, 13)
	// exhaustPowers: back-pressure grows with flow squared, its effect on filling a little slower.
	exhaustPowers = []float64{1.4, 2.0}
	exhaustLoss   = steps(0.07, 0.55, 9)
	fuelShares    = steps(0.06, 0.35, 9)
	richShares    = steps(0.06, 0.32, 8)
	pumpShares    = steps(0.08, 0.40, 7)
	// pumpOnsets are shares of rated flow from which a pump falls short.
	pumpOnsets  = []float64{0.08, 0.20, 0.35, 0.55}
	blendShares = []float64{0.09, 0.13, 0.18, 0.24, 0.30, 0.36}
	vapourShare = steps(0.06, 0.40, 7) // of idle flow
	intakeK     = steps(7, 60, 8)
	manifoldKPa = steps(3, 16, 7)
	manifoldPct = []float64{0.05, 0.08, 0.12}
	baroKPa     = steps(3.5, 20, 7)
	sizes       = steps(0.07, 0.45, 9)
	falseLeans  = steps(0.06, 0.30, 5)
	recircs     = steps(0.06, 0.30, 5)
	timings     = []float64{0.08, 0.13, 0.20}
	oneBanks    = steps(0.05, 0.30, 5)
)

// hypotheses lists what may be the matter with this vehicle.
func (a *Assay) hypotheses(m *model) []hypothesis {
	var hs []hypothesis
	for _, p := range priors {
		h := hypothesis{condition: p.condition, cause: p.cause, prior: p.weight}
		if !a.possible(&h, m) {
			continue
		}
		h.states = a.statesOf(&h, m)
		h.vague = h.cause == CauseNotModelled || h.condition == ConditionMeterSignalFault
		hs = append(hs, h)
	}
	if m.twoMeters {
		hs = splitBanks(hs)
	}
	a.weighByFacts(hs)
	a.weighByRaw(hs)
	if a.mayCloseLate() {
		closeLate(hs)
	}
	return normalisePriors(hs)
}

func ofTheMeter(c Condition) bool {
	return c == ConditionMeterReadsLow || c == ConditionMeterReadsHigh || c == ConditionMeterSignalFault
}

// possible leaves out what this vehicle cannot have.
func (a *Assay) possible(h *hypothesis, m *model) bool {
	switch {
	case ofTheMeter(h.condition) && !m.metered || h.condition == ConditionMeterSignalFault && !a.hasMeter():
		return false
	case h.cause == CauseContaminated:
		return m.tech == TechnologyHotWire || m.tech == TechnologyHotFilm || m.tech == TechnologyUnspecified
	case h.cause == CauseChargeAirLost:
		return m.boosted
	case h.cause == CauseFuelBlend:
		return a.facts.Fuel == FuelGasoline || a.facts.Fuel == FuelUnspecified || a.facts.Fuel == FuelEthanol
	case h.condition == ConditionManifoldPressureFault:
		return a.pressureSeen() || a.pressureDead()
	case h.condition == ConditionBarometerFault:
		return a.tracks[sigBaro].seen()
	case h.condition == ConditionVehicleFactsWrong:
		return known(a.facts.DisplacementL)
	case h.cause == CauseOneBank:
		return m.twoBanks || a.facts.Banks >= 2
	}
	return true
}

func (a *Assay) statesOf(h *hypothesis, m *model) []fault {
	switch h.condition {
	case ConditionMeterReadsLow, ConditionMeterReadsHigh:
		return meterStates(h, m)
	case ConditionLeakAfterMeter:
		return leakStates(h, m)
	case ConditionFuelWeak, ConditionFuelRich:
		return fuelStates(h, m)
	case ConditionUnknown:
		return otherStates(h)
	case ConditionIntakeRestricted:
		return each(restrictKPa, func(x float64) fault { return fault{restrict: x} })
	case ConditionThrottleLimited:
		return each(throttleKPa, func(x float64) fault { return fault{throttle: x} })
	case ConditionExhaustRestricted:
		var ss []fault
		for _, x := range exhaustLoss {
			for _, power := range exhaustPowers {
				ss = append(ss, fault{exhaust: x, exhaustPower: power})
			}
		}
		return ss
	case ConditionAirTemperatureFault:
		return both(intakeK, func(x float64) fault { return fault{intake: x} })
	case ConditionManifoldPressureFault:
		ss := append(both(manifoldKPa, func(x float64) fault { return fault{manifold: x} }),
			both(manifoldPct, func(x float64) fault { return fault{manifoldGain: x} })...)
		if m.baroMeasured {
			// Control units without a barometer of their own read the manifold's sensor at rest.
			ss = append(ss, both(manifoldKPa, func(x float64) fault { return fault{manifold: x, barometer: x} })...)
		}
		return ss
	case ConditionBarometerFault:
		return both(baroKPa, func(x float64) fault { return fault{barometer: x} })
	case ConditionVehicleFactsWrong:
		return both(sizes, func(x float64) fault { return fault{displacement: x} })
	}
	return []fault{{}}
}

func meterStates(h *hypothesis, m *model) []fault {
	low := h.condition == ConditionMeterReadsLow
	switch h.cause {
	case CauseContaminated:
		return dirtStates(m)
	case CauseAirBetweenMeterAndThrottle:
		return each(ductShares, func(x float64) fault { return fault{duct: x} })
	case CauseChargeAirLost:
		return each(ductShares, func(x float64) fault {
			return fault{boostLoss: x * m.rated / -leakFlow(m.baro+assumedBoostKPa, m.baro)}
		})
	case CauseOffset:
		return each(offsetsGS, func(x float64) fault {
			x *= math.Max(0.6, m.engine.volumeL/2)
			if low {
				x = -x * 0.6
			}
			return fault{offset: x}
		})
	}
	if h.cause == CauseWrongPartOrHousing {
		return wrongPartStates(low)
	}
	if low {
		return each(gainsLow, func(x float64) fault { return fault{gain: math.Log1p(-x)} })
	}
	return each(gainsHigh, func(x float64) fault { return fault{gain: math.Log1p(x)} })
}

// wrongPartStates: another meter or another housing has another characteristic, so
// its error changes over flow.
func wrongPartStates(low bool) []fault {
	gains, sign := gainsHigh, 1.0
	if low {
		gains, sign = gainsLow, -1
	}
	var ss []fault
	for _, x := range gains {
		g := math.Log1p(sign * x)
		for _, t := range wrongPartTilts {
			ss = append(ss, fault{gain: g, tilt: t * math.Abs(g)})
		}
	}
	return ss
}

// dirtStates are contaminated elements: so much low at rated flow, so much high at idle.
func dirtStates(m *model) []fault {
	var ss []fault
	for _, b := range dirtAtTop {
		mf := m.rated / sq(1/math.Sqrt(1-b)-1)
		idle := 1 / (1 + math.Sqrt(m.idleFlow/mf))
		for _, g := range dirtAtIdle {
			d := math.Sqrt(m.idleFlow) * math.Max(0, math.Sqrt(1+g)-idle)
			if g == 0 {
				d = 0
			}
			ss = append(ss, fault{mf: mf, delta: d})
		}
	}
	return ss
}

func leakStates(h *hypothesis, m *model) []fault {
	scale := math.Max(0.8, m.engine.volumeL)
	flows := leakFlows
	if h.cause == CausePurgeOrCrankcaseFlow {
		flows = leakFlows[:6]
	}
	ss := each(flows, func(x float64) fault { return fault{leak: x * scale} })
	if m.twoBanks {
		for _, x := range flows {
			ss = append(ss, fault{leak: x * scale, leakBank: 1}, fault{leak: x * scale, leakBank: 2})
		}
	}
	return ss
}

func fuelStates(h *hypothesis, m *model) []fault {
	switch h.cause {
	case CauseFuelDeliveryLimit:
		var ss []fault
		for _, x := range pumpShares {
			for _, from := range pumpOnsets {
				ss = append(ss, fault{pump: x, pumpFrom: from})
			}
		}
		return ss
	case CauseFuelBlend:
		return each(blendShares, func(x float64) fault { return fault{fuel: x} })
	case CauseFuelVapour:
		return each(vapourShare, func(x float64) fault { return fault{vapour: x * m.idleFlow} })
	case CauseFuelPressureHigh:
		return each(richShares, func(x float64) fault { return fault{fuel: -x} })
	}
	return each(fuelShares, func(x float64) fault { return fault{fuel: x} })
}

func otherStates(h *hypothesis) []fault {
	switch h.cause {
	case CauseExhaustLeakBeforeOxygenSensor:
		return each(falseLeans, func(x float64) fault { return fault{falseLean: x} })
	case CauseRecirculationLeaks:
		return each(recircs, func(x float64) fault { return fault{recirculated: x} })
	case CauseValveTiming:
		var ss []fault
		for _, x := range timings {
			ss = append(ss, fault{timingLow: -x}, fault{timingHigh: -x}, fault{timingLow: -x, timingHigh: -x}, fault{timingLow: -x, timingHigh: x / 2})
		}
		return ss
	case CauseOneBank:
		return both(oneBanks, func(x float64) fault { return fault{oneBank: x} })
	}
	return []fault{{}}
}

// splitBanks lets each fault of a meter sit on either of two meters.
func splitBanks(hs []hypothesis) []hypothesis {
	var out []hypothesis
	for _, h := range hs {
		if h.condition != ConditionMeterReadsLow && h.condition != ConditionMeterReadsHigh || h.cause != CauseGain {
			out = append(out, h)
			continue
		}
		for bank := 1; bank <= 2; bank++ {
			g := h
			g.bank, g.prior = bank, h.prior*1.2
			g.states = make([]fault, len(h.states))
			for i, s := range h.states {
				s.bank = bank
				g.states[i] = s
			}
			out = append(out, g)
		}
		h.prior *= 0.3
		out = append(out, h)
	}
	return out
}

// Valves that close late cost a fifth of the volumetric efficiency and are the engine's own; one
// petrol engine in nine has them, mostly where nobody says so. Trade judgement.
const (
	lateClosingPrior = 0.11
	lateClosingLoss  = -0.19
)

// mayCloseLate: nobody said how the engine's valves are timed. Charged ones are left out: their
// pressure makes up for it.
func (a *Assay) mayCloseLate() bool {
	return a.facts.Cycle == CycleUnspecified && !a.engine.diesel && !a.engine.boosted && known(a.facts.DisplacementL)
}

// closeLate doubles every state: on an engine with the usual valves, and on one whose close late.
func closeLate(hs []hypothesis) {
	for i := range hs {
		h := &hs[i]
		n := len(h.states)
		states, weights := make([]fault, 0, 2*n), make([]float64, 0, 2*n)
		for k, s := range h.states {
			w := 1 / float64(n)
			if h.weights != nil {
				w = h.weights[k]
			}
			late := s
			late.lateClosing = lateClosingLoss
			states = append(states, s, late)
			weights = append(weights, w*(1-lateClosingPrior), w*lateClosingPrior)
		}
		h.states, h.weights = states, weights
	}
}

// weighByFacts moves the priors by what is known before the drive [DOMAIN 6.4].
func (a *Assay) weighByFacts(hs []hypothesis) {
	for i := range hs {
		h := &hs[i]
		sound := h.condition == ConditionNoFault
		switch {
		case a.facts.Purpose == PurposeRoutine && !sound:
			h.prior *= 0.2
		case a.facts.Purpose == PurposeAfterService && !sound:
			h.prior *= 0.5
		}
		if a.facts.Modified && (h.cause == CauseWrongPartOrHousing || h.cause == CauseAirBetweenMeterAndThrottle) {
			h.prior *= 3
		}
		if known(a.facts.EthanolPercent) && h.cause == CauseFuelBlend {
			h.prior *= 0.3
		}
		if h.cause == CauseGain || h.cause == CauseOffset {
			// The right part number does not clear the part.
			continue
		}
		switch a.facts.outcome(inspectionOf(h.condition, h.cause)) {
		case OutcomeSound:
			h.prior *= 0.05
		case OutcomeFaulty:
			h.prior *= 8
		}
	}
	a.weighByCodes(hs)
}

func normalisePriors(hs []hypothesis) []hypothesis {
	sum := 0.0
	for i := range hs {
		sum += hs[i].prior
	}
	for i := range hs {
		hs[i].prior /= sum
	}
	return hs
}

// Logarithms of likelihood ratios of what raw samples show, for a signal fault
// against anything else. A sound meter shows none of these signs in hours.
const (
	plainSign  = 9.0
	strongSign = 5.0
	weakSign   = 2.5
	noSign     = -4.0
)

// weighByRaw adds what single samples say.
func (a *Assay) weighByRaw(hs []hypothesis) {
	meter := a.meterSigns()
	intake := a.intakeSigns()
	pressureStuck := a.pressureStuck()
	for i := range hs {
		h := &hs[i]
		switch h.condition {
		case ConditionMeterSignalFault:
			h.cause, h.extra = meter.cause, meter.weight
			// Contact that comes and goes leaves the rest of the drive as it is.
			h.vague = meter.cause != CauseIntermittent
		case ConditionAirTemperatureFault:
			if intake.weight > 0 {
				h.cause, h.extra = intake.cause, intake.weight
				h.beBroken()
			}
		case ConditionManifoldPressureFault:
			switch {
			case a.pressureDead():
				h.cause, h.extra, h.states = CauseOpenOrShortCircuit, plainSign, []fault{{}}
			case pressureStuck:
				h.cause, h.extra, h.states = CauseStuck, plainSign, []fault{{}}
			}
		case ConditionThrottleLimited:
			h.extra = a.throttleSign()
		case ConditionBarometerFault:
			// Control units take the barometer from the manifold's sensor before the engine starts.
			if a.baroImpossible > 2 && 2*a.baroImpossible > a.tracks[sigBaro].total && !a.pressureDead() {
				h.cause, h.extra, h.states = CauseOpenOrShortCircuit, plainSign, []fault{{}}
			}
		}
	}
}

// brokenTrueShare is how often a signal whose samples show that it is broken is about right on average: stuck at a
// temperature of the day, or out of contact now and then. Trade judgement.
const brokenTrueShare = 0.5

// beBroken: beside being off by this much or that, the signal may be about right on average.
func (h *hypothesis) beBroken() {
	n := len(h.states)
	h.states = append(h.states, fault{})
	h.weights = make([]float64, n+1)
	for i := range h.weights {
		h.weights[i] = (1 - brokenTrueShare) / float64(n)
	}
	h.weights[n] = brokenTrueShare
}

type sign struct {
	cause  Cause
	weight float64
}

// meterSigns reads from raw samples whether the meter's signal itself is at fault.
func (a *Assay) meterSigns() sign {
	if s, ok := a.goneSign(); ok {
		return s
	}
	w, mv := &a.meterWatch, &a.movement
	drops := float64(w.dropouts) / math.Max(1, float64(w.checked))
	switch {
	case w.frozenUS > 8*second:
		return sign{CauseReplacedByModel, strongSign}
	case a.pressureSeen() && a.loadByValves():
		// A lifted pedal takes the flow away while plate and pressure stay where they are.
		return sign{CauseStuck, noSign}
	case w.dropouts >= 3 && drops > 0.002 || w.episodes >= 3:
		return sign{CauseIntermittent, plainSign}
	case a.meterLiving >= 50 && a.deadShareSeen() > 0.02 && a.meterDeadRunning >= 5 && a.tracks[w.sig].spacing < 0.8:
		return sign{CauseIntermittent, strongSign}
	case w.dropouts+w.episodes >= 2:
		return sign{CauseIntermittent, weakSign}
	case w.dropouts+w.episodes == 1:
		return sign{CauseIntermittent, 0}
	case mv.n >= 40 && mv.sdX() > 0.25 && mv.slope() < 0.35:
		return sign{CauseStuck, weakSign}
	}
	return sign{CauseStuck, noSign}
}

// goneSign: over long stretches the meter shows no flow, or one that does not move with
// the engine.
func (a *Assay) goneSign() (sign, bool) {
	w, mv := &a.meterWatch, &a.movement
	switch {
	case a.meterLiving >= 20 && a.deadShareSeen() > 0.9:
		if a.tracks[sigLoad].seen() && a.tracks[sigLoad].max-a.tracks[sigLoad].min > 15 {
			return sign{CauseReplacedByModel, plainSign}, true
		}
		return sign{CauseOpenOrShortCircuit, plainSign}, true
	case mv.n >= 40 && mv.sdX() > 0.18 && mv.sdY() < 0.25*mv.sdX() && mv.slope() < 0.2:
		if !a.drivenEnough() {
			// At idle a control unit may hold the flow by recirculation, whatever the speed.
			return sign{CauseStuck, weakSign}, true
		}
		return sign{CauseStuck, plainSign}, true
	case w.silent >= 3 && a.meterLiving >= 20:
		return sign{CauseIntermittent, plainSign}, true
	case w.frozenUS > 25*second:
		return sign{CauseReplacedByModel, plainSign}, true
	}
	return sign{}, false
}

// deadShareSeen is the share of the running samples in which the meter was silent.
func (a *Assay) deadShareSeen() float64 {
	return float64(a.meterDeadRunning) / math.Max(1, float64(a.meterLiving))
}

// intakeSigns reads from raw samples whether the intake air temperature's signal is at fault.
func (a *Assay) intakeSigns() sign {
	tr := &a.tracks[sigIAT]
	if !tr.seen() {
		tr = &a.tracks[sigIAT11]
	}
	n := float64(tr.total)
	switch {
	case n >= 3 && float64(a.intakeOpen+a.intakeShort) > 0.5*n:
		return sign{CauseOpenOrShortCircuit, plainSign}
	case a.intakeOpen+a.intakeShort >= 2 || a.intakeJumps >= 2:
		return sign{CauseIntermittent, plainSign}
	case a.intakeStuck():
		return sign{CauseStuck, strongSign - 0.5}
	}
	return sign{CauseBias, 0}
}

// intakeStuck: the value never moved although the engine stood at idle for a while,
// which heats the intake, and drove for minutes, which cools it [DOMAIN 5.4].
func (a *Assay) intakeStuck() bool {
	tr := &a.tracks[sigIAT]
	if !tr.seen() || tr.total < 25 || a.clock == ClockRowOrder || tr.max-tr.min > 0.5 {
		return false
	}
	minutes := float64(a.lastT-tr.firstT) / float64(60*second)
	mixed := a.road.standingS > 40 && a.road.movingS > 100 || a.road.littleAirS > 60 && a.road.muchAirS > 60
	return minutes > 4 && mixed && a.road.airDrawnKg > 1.5 || minutes > 10 && a.road.airDrawnKg > 5
}

// ownBarometer is the barometer in kPa as far as something else than the manifold's sensor tells it.
func (a *Assay) ownBarometer() float64 {
	if b := a.held(sigBaro, a.lastT); b >= lowestBaroKPa && b <= highestBaroKPa {
		return b
	}
	if known(a.facts.AltitudeM) {
		return standardPressure(a.facts.AltitudeM)
	}
	return math.NaN()
}

// nearBaroKPa is how far below the barometer the manifold of an unthrottled engine stands.
const nearBaroKPa = 5.0

func (a *Assay) pressureStuck() bool {
	p := &a.pressureMovement
	if p.n < 40 || p.sdX() < 0.35 {
		return false
	}
	top := math.Max(a.tracks[sigMAP].max, a.tracks[sigMAPHigh].max)
	if b := a.ownBarometer(); known(b) && math.Abs(top-b) < nearBaroKPa && a.lowestRunning > throttledBelow*b && !a.facts.boosted() {
		// Where valves or a diesel's fuel control the load, pressure stays at the barometer, and steps of a kilopascal hide
		// what it still moves. A sensor that is stuck would have to be stuck just there.
		return false
	}
	if a.lowestRunning > throttledBelow*a.baroGuess() && a.facts.Fuel != FuelDiesel && !a.boosted() {
		// Valves may control the load; then pressure still moves by a little.
		return p.sdY() < 0.003
	}
	return p.sdY() < 0.02 && top > 0
}

// Signs of the plate, as logarithms of likelihood ratios. A control unit that holds torque
// back closes the plate of a sound car too, so that a plate that stays half shut is no proof.
const (
	plateShut = 7.0
	// plateDoubtful where the pedal never showed more than some pedals show when they are down.
	plateDoubtful = 2.5
	plateOpen     = -5.0
	// shutBelow and fewPlatePoints: the widest opening that is still called half shut, and
	// from how many points that is said.
	shutBelow      = 0.75
	fewPlatePoints = 4
)

// throttleSign compares the plate with the pedal at full load.
func (a *Assay) throttleSign() float64 {
	switch w := &a.plate; {
	case w.points < fewPlatePoints || a.facts.Fuel == FuelDiesel:
		// A diesel's flap serves its exhaust gas recirculation.
		return 0
	case w.widest < shutBelow && !a.pedalEndSeen():
		return plateDoubtful
	case w.widest < shutBelow:
		return plateShut
	case w.widest > throttleOpen:
		return plateOpen
	}
	return 0
}

// pedalEndSeen: the pedal was down on any car's scale; pedals end between 70 and 100 %.
func (a *Assay) pedalEndSeen() bool {
	for _, s := range [...]signal{sigPedalD, sigPedalE} {
		if a.tracks[s].max >= 85 {
			return true
		}
	}
	return a.tracks[sigPedalRelative].seen()
}
