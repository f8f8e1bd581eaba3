// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import (
	"cmp"
	"math"
	"slices"
)

const (
	// leaderAt, unknownAt: when a verdict is firm (DESIGN §4).
	leaderAt  = 0.60
	unknownAt = 0.20
	// trueWithinPercent is how narrow the meter's error must be known, at the highest
	// flow tested, before "reads true" may be said.
	trueWithinPercent = 11.0
	// condemnAt is what a firm word against the meter needs: at the regrets of advice.go
	// replacing beats inspecting only above 0.83 [DOMAIN 6.5], and a word that is firm
	// is acted on.
	condemnAt = 0.90
	// cleanAt is the same for a cleaning, which harms less.
	cleanAt = 0.80
	// fullRatio of highest over lowest flow that separates shapes over flow; without
	// full load at least cruise against idle is needed [DOMAIN 5.7].
	fullRatio = 3.5
)

// result gathers what the findings and the advice are drawn from.
type result struct {
	a      *Assay
	m      *model
	fs     []feature
	p      *posterior
	out    *Assessment
	top    float64
	byCond [ConditionUnknown + 1]float64
	errors []MeterError
	// meter is the result that the meter's finding is taken from: this one, or one
	// without the displacement as entered.
	meter     *result
	gateFails []InconclusiveReason
	// place is where the evidence of each feature stands in the assessment.
	place []int
}

// conclude is called on a copy that has taken in everything.
func (a *Assay) conclude() *Assessment {
	a.settleFacts()
	m := a.model()
	fs := a.features()
	m.trimLevel = trimLevel(fs)
	r := a.judge(m, fs)
	if r.byCond[ConditionVehicleFactsWrong] >= factsDoubtedAt {
		r.judgeMeterWithoutSize()
	}
	r.sensors()
	r.ambiguities()
	r.distrust()
	r.evidence()
	r.manoeuvres()
	r.decideConclusive()
	r.nextTests()
	r.advise()
	if r.gateFailed() {
		// A curve beside "cannot be judged" would read as one that was measured.
		r.out.MeterErrors = nil
	}
	r.gaps()
	r.useAndProposals()
	r.referenceUse()
	return r.out
}

// factsDoubtedAt is the probability of wrong facts from which the meter is judged
// without them: a wrong displacement would excuse a meter that is off.
const factsDoubtedAt = 0.30

func (a *Assay) judge(m *model, fs []feature) *result { return a.judgeBy(m, fs, a.infer(m, fs)) }

// judgeBy draws the findings on the meter from probabilities.
func (a *Assay) judgeBy(m *model, fs []feature, p *posterior) *result {
	r := &result{a: a, m: m, fs: fs, out: &Assessment{EngineVersion: EngineVersion}}
	r.meter = r
	r.p = p
	r.top = a.topFlow(fs)
	r.conditions()
	r.meterErrors()
	r.gates()
	return r
}

// judgeMeterWithoutSize judges the meter as if the displacement had not been entered:
// by what the control unit computes with, or by shape alone.
func (r *result) judgeMeterWithoutSize() {
	b := *r.a
	b.facts.DisplacementL = math.NaN()
	b.settleFacts()
	if _, ok := b.controlUnitDisplacement(); !ok {
		b.engine.scaleSD = unknownSizeSD
	}
	m := b.model()
	fs := b.features()
	m.trimLevel = trimLevel(fs)
	r.meter = b.judge(m, fs)
	r.errors, r.out.MeterErrors = r.meter.errors, r.meter.out.MeterErrors
}

// settleFacts completes the facts by what the samples themselves say.
func (a *Assay) settleFacts() {
	a.engine = a.nominal
	if v, ok := a.controlUnitDisplacement(); ok && !known(a.facts.DisplacementL) {
		a.engine.volumeL, a.engine.scaleSD = v, math.Hypot(veScale(&a.facts), 0.015)
	}
	a.engine.boosted = a.boosted()
}

func (a *Assay) model() *model {
	e := a.engine
	b := a.baroGuess()
	m := &model{
		engine: e, metered: a.metered(), tech: a.facts.AirMeter,
		boosted: e.boosted, baro: b, applied: 0.5,
		twoMeters: a.tracks[sigMAFA].seen() && a.tracks[sigMAFB].seen(),
		twoBanks:  a.tracks[sigShortTrim2].seen() || a.tracks[sigLongTrim2].seen(),
	}
	m.hiddenTrim = a.hiddenTrim()
	m.bothTrims = a.sameTrimsOnBothBanks()
	m.baroMeasured = a.tracks[sigBaro].seen()
	m.baroSD = a.baroSD()
	m.driverSeen = a.driverSeen()
	m.rated = a.ratedFlow()
	// A warm engine idles on 1.2 to 1.9 g/s a litre [DOMAIN 2.3].
	m.idleFlow = 1.5 * e.volumeL
	if e.scaleSD > 0.3 {
		m.idleFlow = math.Max(1.5, m.rated/28)
	}
	return m
}

// metered tells whether the control unit meters its air, as far as is known: a meter
// that was not recorded may still be there.
func (a *Assay) metered() bool {
	switch {
	case a.facts.AirMeter == TechnologyNone:
		return false
	case a.hasMeter() || a.facts.AirMeter != TechnologyUnspecified:
		return true
	}
	return !a.pressureSeen() || a.distinctSignals() < recordedEnough
}

// hiddenTrim is what the part of the trims that was not recorded may hide.
func (a *Assay) hiddenTrim() float64 {
	switch short, long := a.trimsSeen(); {
	case !long:
		return hiddenLearnedSD
	case !short:
		return hiddenShortSD
	}
	return 0
}

func (a *Assay) trimsSeen() (short, long bool) {
	return a.tracks[sigShortTrim1].seen() || a.tracks[sigShortTrim2].seen(), a.tracks[sigLongTrim1].seen() || a.tracks[sigLongTrim2].seen()
}

// halfOfTrims: one of the two was recorded. A leak that the car has learned stands in the other, and the one alone looks as if
// nothing were wrong; without either, nothing does.
func (a *Assay) halfOfTrims() bool {
	short, long := a.trimsSeen()
	return short != long && a.facts.Fuel != FuelDiesel
}

func trimLevel(fs []feature) float64 {
	level, flow := 0.0, 0.0
	for i := range fs {
		if fs[i].kind == featFuel && fs[i].flow > flow {
			level, flow = math.Abs(fs[i].y), fs[i].flow
		}
	}
	return level
}

// topFlow is the highest metered flow with evidence behind it.
func (a *Assay) topFlow(fs []feature) float64 {
	top := 0.0
	for i := range fs {
		switch fs[i].kind {
		case featAir, featFuel, featRate, featLambda, featLoad:
			if known(fs[i].flow) {
				top = math.Max(top, fs[i].flow)
			}
		}
	}
	return top
}

// totalMeterError is ln(metered / air that the engine takes, a manifold leak left out).
func (m *model) totalMeterError(s *fault, flow float64) float64 {
	t := *s
	t.leak = 0
	e := m.meterError(&t, flow, 300)
	f := feature{flow: flow, pressure: m.baro, baro: m.baro}
	if t.boostLoss != 0 {
		f.pressure = m.baro + 50
	}
	return e - m.unmetered(&t, &f, flow)
}

// conditions sums causes to conditions. A meter that is off is called low or
// high by its error at the highest flow tested.
func (r *result) conditions() {
	causes := map[Condition]map[[2]int]float64{}
	put := func(c Condition, cause Cause, bank int, p float64) {
		if causes[c] == nil {
			causes[c] = map[[2]int]float64{}
		}
		causes[c][[2]int{int(cause), bank}] += p
		r.byCond[c] += p
	}
	for hi := range r.p.hs {
		h := &r.p.hs[hi]
		if h.condition != ConditionMeterReadsLow && h.condition != ConditionMeterReadsHigh {
			put(h.condition, h.cause, h.bank, r.p.p[hi])
			continue
		}
		for si := range h.states {
			c := ConditionMeterReadsLow
			if r.m.totalMeterError(&h.states[si], math.Max(r.top, r.m.idleFlow)) > 0 {
				c = ConditionMeterReadsHigh
			}
			put(c, h.cause, h.bank, r.p.state[hi][si])
		}
	}
	if none := causes[ConditionNoFault]; none != nil {
		// Unfiltered air leaves no trace in the data: its share is its prior's.
		p := none[[2]int{int(CauseNone), 0}]
		none[[2]int{int(CauseUnfilteredAir), 0}] = p * unfilteredShare
		none[[2]int{int(CauseNone), 0}] = p * (1 - unfilteredShare)
	}
	for c := ConditionNoFault; c <= ConditionUnknown; c++ {
		cp := ConditionProbability{Condition: c, Probability: r.byCond[c]}
		for k, p := range causes[c] {
			cp.Causes = append(cp.Causes, CauseProbability{Cause: Cause(k[0]), Bank: k[1], Probability: p})
		}
		slices.SortFunc(cp.Causes, func(x, y CauseProbability) int {
			return cmp.Or(cmp.Compare(y.Probability, x.Probability), cmp.Compare(x.Cause, y.Cause), cmp.Compare(x.Bank, y.Bank))
		})
		r.out.Conditions = append(r.out.Conditions, cp)
	}
	slices.SortStableFunc(r.out.Conditions, func(x, y ConditionProbability) int {
		return cmp.Compare(y.Probability, x.Probability)
	})
}

// unfilteredShare is how often a car without any measurable fault draws air past
// its filter; trade judgement.
const unfilteredShare = 0.03

// mixture is one normal part of the distribution of the meter's error.
type mixture struct{ w, mean, sd float64 }

// vagueErrorSD is how far off a meter may be, in logarithm, when the explanation
// is none of those that the assay knows.
const vagueErrorSD = 0.12

// errorAt is the distribution of ln(indicated/true) at a flow.
func (r *result) errorAt(flow float64) []mixture {
	var parts []mixture
	sh := r.m.shape(flow) * meterShapeSD
	for hi := range r.p.hs {
		h := &r.p.hs[hi]
		for si := range h.states {
			w := r.p.state[hi][si]
			if w < 1e-5 {
				continue
			}
			t := &r.p.tolerance[hi][si]
			x := mixture{w: w, mean: r.m.totalMeterError(&h.states[si], flow)}
			x.mean += t.gain*meterGainSD + t.shape*sh
			x.sd = math.Sqrt(math.Max(1e-6, t.varGain*sq(meterGainSD)+t.varShape*sq(sh)+2*t.covar*meterGainSD*sh))
			if h.vague {
				x.mean, x.sd = 0, vagueErrorSD
				if h.condition == ConditionMeterSignalFault {
					x.sd = 1
				}
			} else if len(h.states) > 1 {
				x.sd = math.Hypot(x.sd, 0.08*math.Abs(x.mean))
			}
			parts = append(parts, x)
		}
	}
	return parts
}

func quantileOf(parts []mixture, q float64) float64 {
	lo, hi := -4.0, 4.0
	for range 36 { // to a ten-billionth
		mid := (lo + hi) / 2
		sum, w := 0.0, 0.0
		for _, x := range parts {
			sum += x.w * phi((mid-x.mean)/x.sd)
			w += x.w
		}
		if sum < q*w {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

func percentOf(logRatio float64) float64 { return 100 * math.Expm1(logRatio) }

// maxErrorPoints bounds the table of the meter's error over flow.
const maxErrorPoints = 10

func (r *result) meterErrors() {
	if !r.a.hasMeter() || !r.m.metered || len(r.fs) == 0 {
		return
	}
	flows := r.testedFlows()
	for _, f := range flows {
		parts := r.errorAt(f)
		r.errors = append(r.errors, MeterError{
			Flow: f, Percent: percentOf(quantileOf(parts, 0.5)),
			LowPct: percentOf(quantileOf(parts, 0.05)), HighPct: percentOf(quantileOf(parts, 0.95)),
		})
	}
	r.out.MeterErrors = r.errors
	if r.m.twoMeters {
		r.out.MeterErrors = r.errorsByBank(flows)
	}
}

// errorsByBank gives each of two meters its own curve: a fault that sits on one
// meter doubles there.
func (r *result) errorsByBank(flows []float64) []MeterError {
	var out []MeterError
	for bank := 1; bank <= 2; bank++ {
		for _, f := range flows {
			var parts []mixture
			for hi := range r.p.hs {
				h := &r.p.hs[hi]
				for si := range h.states {
					s := h.states[si]
					w := r.p.state[hi][si]
					if s.bank != 0 && s.bank != bank {
						s.gain = 0
					}
					s.bank = 0
					if w >= 1e-5 {
						parts = append(parts, mixture{w: w, mean: r.m.totalMeterError(&s, f), sd: 0.02})
					}
				}
			}
			out = append(out, MeterError{
				Bank: bank, Flow: f / 2, Percent: percentOf(quantileOf(parts, 0.5)),
				LowPct: percentOf(quantileOf(parts, 0.05)), HighPct: percentOf(quantileOf(parts, 0.95)),
			})
		}
	}
	return out
}

// testedFlows are the levels of flow with evidence, thinned, rising.
func (r *result) testedFlows() []float64 {
	var xs []float64
	for i := range r.fs {
		switch r.fs[i].kind {
		case featAir, featFuel, featRate, featLambda:
			if known(r.fs[i].flow) {
				xs = append(xs, r.fs[i].flow)
			}
		}
	}
	slices.Sort(xs)
	var out []float64
	for i, x := range xs {
		if len(out) == 0 || x > out[len(out)-1]*1.25 || i == len(xs)-1 && x > out[len(out)-1]*1.05 {
			out = append(out, x)
		}
	}
	for len(out) > maxErrorPoints {
		out = slices.Delete(out, 1, 2)
	}
	return out
}

// gates checks what must hold before anything firm is said [DOMAIN 5.7].
func (r *result) gates() {
	a := r.a
	add := func(bad bool, reason InconclusiveReason) {
		if bad {
			r.gateFails = append(r.gateFails, reason)
		}
	}
	cold := known(a.warmest) && a.warmest < warmEngineC
	noData := len(r.fs) == 0 || !a.ran || !a.pressureSeen() && !a.hasMeter()
	add(cold || noData, InconclusiveGateFailed)
	add(!noData && (!r.rangeEnough() || !a.drivenEnough() && !r.besideReference()), InconclusiveFlowRangeTooSmall)
	blurred := a.comparable > 20 && float64(a.notSimultaneous) > 0.5*float64(a.comparable)
	add(blurred, InconclusiveNotSimultaneous)
	add(a.pullSpread() > maxPullSpread, InconclusiveNotRepeatable)
}

// maxPullSpread is the standard deviation of the air ratio between pulls, in
// logarithm, above which pulls contradict each other [DOMAIN 5.5].
const maxPullSpread = 0.035

// pullSpread is the standard deviation between the means of the used pulls.
func (a *Assay) pullSpread() float64 {
	var s mean
	for i := range a.segments[:a.kept] {
		g := &a.segments[i]
		if g.used && g.kind == ManoeuvreFullLoadPull && g.air.n >= 3 {
			s.add(g.air.mean, 1)
		}
	}
	if s.n < 2 {
		return 0
	}
	return s.sd() * math.Sqrt(s.n/(s.n-1))
}

// rangeEnough: full load, or cruise against idle, with evidence at both ends.
func (r *result) rangeEnough() bool {
	lo, hi := math.Inf(1), 0.0
	full := false
	for i := range r.fs {
		switch r.fs[i].kind {
		case featAir, featFuel, featRate:
			lo, hi = math.Min(lo, r.fs[i].flow), math.Max(hi, r.fs[i].flow)
			full = full || r.fs[i].class == fullLoad
		case featLambda, featLoad, featDeficit:
			full = true
			hi = math.Max(hi, r.fs[i].flow)
		}
	}
	if full && hi > 2*lo {
		return true
	}
	return hi >= fullRatio*lo && hi >= 3*r.m.idleFlow
}

// A steady cruise stands for itself from longCruiseUS, with longCruisePoints: a value a
// second for a quarter of a minute.
const (
	longCruiseUS     = 15 * second
	longCruisePoints = 15
)

// drivenEnough: a pull that counted, or a steady cruise. Town driving alone shows neither
// what is complained of nor a level at which trims and flow have settled. Rows without a
// clock have no stretches; there the range of flow must do.
func (a *Assay) drivenEnough() bool {
	if a.clock == ClockRowOrder {
		return true
	}
	for i := range a.segments[:a.kept] {
		switch s := &a.segments[i]; {
		case !s.used:
		case s.kind == ManoeuvreFullLoadPull:
			return true
		case s.kind == ManoeuvreSteadyCruise || s.kind == ManoeuvreHighLoad:
			if s.lastT-s.startT >= longCruiseUS && s.samples >= longCruisePoints {
				return true
			}
		}
	}
	return false
}

// besideReference: an earlier drive that is believed showed what a sound sensor reads at the same speeds and pressures,
// wherever they were driven.
func (r *result) besideReference() bool {
	for _, b := range r.p.believed {
		if b >= believedFrom {
			return true
		}
	}
	return false
}

// withoutFullLoad: a complaint was not answered where most of what is complained of
// shows; then "no fault" is not said firmly.
func (r *result) withoutFullLoad() bool {
	if r.a.facts.Purpose == PurposeRoutine {
		return false
	}
	for i := range r.fs {
		if r.fs[i].class == fullLoad && known(r.fs[i].flow) {
			return false
		}
	}
	return true
}

func (r *result) gateFailed() bool { return len(r.gateFails) > 0 && !r.plainSignal() }

// plainSignal: the meter's own samples show the fault plainly, whatever was driven.
func (r *result) plainSignal() bool {
	return r.byCond[ConditionMeterSignalFault] >= leaderAt && r.a.meterSigns().weight >= plainSign ||
		r.byCond[ConditionAirTemperatureFault] >= leaderAt && r.a.intakeSigns().weight >= plainSign
}

func (r *result) sensors() {
	r.meter.meterFinding()
	if r.meter != r {
		r.out.Sensors = append(r.out.Sensors, r.meter.out.Sensors...)
	}
	r.intakeFinding()
}

// recordedEnough is how many different signals a logger asked for when the
// absence of an air meter among them means that there is none.
const recordedEnough = 15

func (r *result) meterFinding() {
	a := r.a
	f := SensorFinding{Sensor: SensorAirMeter}
	if !r.m.metered || !a.hasMeter() {
		f.Finding, f.Probability = FindingInconclusive, 0.5
		switch {
		case a.facts.AirMeter == TechnologyNone:
			f.Finding, f.Probability = FindingNotFitted, 0.99
		case a.facts.AirMeter == TechnologyUnspecified && a.pressureSeen() && a.distinctSignals() >= recordedEnough:
			f.Finding, f.Probability = FindingNotFitted, 0.9
		}
		r.out.Sensors = append(r.out.Sensors, f)
		return
	}
	banks := []int{0}
	if r.m.twoMeters {
		banks = []int{1, 2}
	}
	for _, b := range banks {
		r.out.Sensors = append(r.out.Sensors, r.meterFindingOf(b))
	}
}

func (r *result) meterFindingOf(bank int) SensorFinding {
	low, high, signalFault := r.meterMass(bank)
	unknown := r.byCond[ConditionUnknown]
	sound := math.Max(0, 1-low-high-signalFault-unknown)
	f := SensorFinding{Sensor: SensorAirMeter, Bank: bank}
	best := math.Max(math.Max(low, high), math.Max(sound, signalFault))
	f.Probability = best
	switch best {
	case sound:
		f.Finding = FindingReadsTrue
		if !r.errorKnown() {
			f.Finding = FindingInconclusive
		}
	case low:
		f.Finding = FindingReadsLow
	case high:
		f.Finding = FindingReadsHigh
	default:
		f.Finding = FindingSignalFault
	}
	if best < leaderAt || r.gateFailed() || r.contradicted() && f.Finding != FindingSignalFault || unknown > unknownAt && f.Finding != FindingReadsTrue {
		f.Finding = FindingInconclusive
	}
	return f
}

// meterMass is the probability that the meter of a bank is low, high, or its signal at fault.
func (r *result) meterMass(bank int) (low, high, signalFault float64) {
	for _, c := range r.out.Conditions {
		for _, k := range c.Causes {
			if bank != 0 && k.Bank != 0 && k.Bank != bank {
				continue
			}
			switch c.Condition {
			case ConditionMeterReadsLow:
				low += k.Probability
			case ConditionMeterReadsHigh:
				high += k.Probability
			case ConditionMeterSignalFault:
				signalFault += k.Probability
			}
		}
	}
	return low, high, signalFault
}

// errorKnown: the interval of the error at the highest flow is narrow and around nought.
func (r *result) errorKnown() bool {
	if len(r.errors) == 0 {
		return false
	}
	e := r.errors[len(r.errors)-1]
	return e.LowPct > -trueWithinPercent && e.HighPct < trueWithinPercent
}

func (a *Assay) distinctSignals() int {
	n := len(a.unused)
	for s := range a.tracks {
		if a.tracks[s].seen() {
			n++
		}
	}
	return n
}

func (r *result) intakeFinding() {
	a := r.a
	f := SensorFinding{Sensor: SensorIntakeAirTemperature, Finding: FindingInconclusive}
	p := r.byCond[ConditionAirTemperatureFault]
	f.Probability = math.Max(p, 1-p)
	if !a.tracks[sigIAT].seen() && !a.tracks[sigIAT11].seen() {
		f.Probability = 0.5
		r.out.Sensors = append(r.out.Sensors, f)
		return
	}
	signs := a.intakeSigns()
	switch {
	case p >= leaderAt && signs.weight >= plainSign:
		f.Finding = FindingSignalFault
	case p >= leaderAt && signs.cause == CauseStuck && !r.hasIntakeReference():
		f.Finding = FindingInconclusive
	case p >= leaderAt:
		f.Finding = FindingReadsLow
		if r.intakeBias() > 0 {
			f.Finding = FindingReadsHigh
		}
	case p < 0.15 && r.hasIntakeReference():
		f.Finding = FindingReadsTrue
	}
	r.out.Sensors = append(r.out.Sensors, f)
}

// intakeBias is the posterior mean of the intake air temperature's error in K.
func (r *result) intakeBias() float64 {
	sum := 0.0
	for hi := range r.p.hs {
		for si := range r.p.hs[hi].states {
			sum += r.p.state[hi][si] * r.p.hs[hi].states[si].intake
		}
	}
	return sum
}

// hasIntakeReference: something trustworthy was there to compare intake air with.
func (r *result) hasIntakeReference() bool {
	for i := range r.fs {
		switch r.fs[i].kind {
		case featSoak, featRoad:
			return true
		case featSoakSensor, featRoadSensor:
			if r.p.oddOutside < 0.2 {
				return true
			}
		}
	}
	return false
}

// sameDistance is the statistical distance below which two causes predict the same.
const sameDistance = 2.0

// sameShare is the same as a share of how far the cause is from no fault at all: two
// small faults are not alike for being small.
const sameShare = 0.3

// size is the statistical distance of a state from a sound vehicle.
func (r *result) size(v *variant, hi, si int) float64 {
	d, z := make([]float64, len(r.fs)), make([]float64, len(r.fs))
	for i := range r.fs {
		d[i] = r.m.predict(&r.p.hs[hi].states[si], &r.fs[i])
	}
	v.chol.forward(d, z)
	q := 0.0
	for _, x := range z {
		q += x * x
	}
	return math.Sqrt(q)
}

// ambiguities groups causes whose likeliest magnitudes predict the same features.
func (r *result) ambiguities() {
	type member struct {
		hi, si int
		p      float64
	}
	var ms []member
	for hi := range r.p.hs {
		h := &r.p.hs[hi]
		if h.vague || h.condition == ConditionNoFault || r.p.p[hi] < 0.02 {
			continue
		}
		best := 0
		for si := range h.states {
			if r.p.state[hi][si] > r.p.state[hi][best] {
				best = si
			}
		}
		ms = append(ms, member{hi, best, r.p.p[hi]})
	}
	slices.SortStableFunc(ms, func(x, y member) int { return cmp.Compare(y.p, x.p) })
	v := r.baseVariant()
	used := make([]bool, len(ms))
	size := make([]float64, len(ms))
	for i := range ms {
		size[i] = r.size(v, ms[i].hi, ms[i].si)
	}
	for i := range ms {
		if used[i] {
			continue
		}
		var g Ambiguity
		for k := i; k < len(ms); k++ {
			if used[k] || k > i && !r.accuseEachOther(ms[i].hi, ms[k].hi) &&
				r.distance(v, ms[i].hi, ms[i].si, ms[k].hi) > math.Min(sameDistance, sameShare*size[i]) {
				continue
			}
			used[k] = true
			h := &r.p.hs[ms[k].hi]
			g.Causes = append(g.Causes, AmbiguousCause{Condition: r.conditionOf(ms[k].hi, ms[k].si), Cause: h.cause, Probability: ms[k].p})
			g.Probability += ms[k].p
			if in := inspectionOf(h.condition, h.cause); in != InspectUnspecified && !slices.Contains(g.Inspections, in) {
				g.Inspections = append(g.Inspections, in)
			}
		}
		if len(g.Causes) > 1 && g.Probability >= 0.10 {
			slices.SortStableFunc(g.Inspections, func(x, y Inspection) int { return cmp.Compare(effort(x), effort(y)) })
			r.out.Ambiguities = append(r.out.Ambiguities, g)
		}
	}
	if p := r.byCond[ConditionNoFault]; p >= leaderAt {
		r.out.Ambiguities = append(r.out.Ambiguities, Ambiguity{
			Causes: []AmbiguousCause{
				{ConditionNoFault, CauseNone, p * (1 - unfilteredShare)},
				{ConditionNoFault, CauseUnfilteredAir, p * unfilteredShare},
			},
			Probability: p, Inspections: []Inspection{InspectDustBehindFilter},
		})
	}
	slices.SortStableFunc(r.out.Ambiguities, func(x, y Ambiguity) int { return cmp.Compare(y.Probability, x.Probability) })
}

// accuseEachOther: two explanations of which only the sum or the difference was
// measured. Without the meter's own signal a meter that is off and fuel that is off are
// one to the trims; without a height two pressure sensors that disagree at rest are.
func (r *result) accuseEachOther(hi, other int) bool {
	is := func(i int, cs ...Condition) bool { return slices.Contains(cs, r.p.hs[i].condition) }
	if !r.a.hasMeter() {
		cs := []Condition{ConditionFuelWeak, ConditionFuelRich, ConditionMeterReadsLow, ConditionMeterReadsHigh}
		if is(hi, cs...) && is(other, cs...) {
			return true
		}
	}
	height := slices.ContainsFunc(r.fs, func(f feature) bool { return f.kind == featBaro })
	pressures := []Condition{ConditionManifoldPressureFault, ConditionBarometerFault}
	return !height && is(hi, pressures...) && is(other, pressures...)
}

func (r *result) conditionOf(hi, si int) Condition {
	h := &r.p.hs[hi]
	if h.condition != ConditionMeterReadsLow && h.condition != ConditionMeterReadsHigh {
		return h.condition
	}
	if r.m.totalMeterError(&h.states[si], math.Max(r.top, r.m.idleFlow)) > 0 {
		return ConditionMeterReadsHigh
	}
	return ConditionMeterReadsLow
}

// distance is the smallest statistical distance from a state to any magnitude of
// another cause.
func (r *result) distance(v *variant, hi, si, other int) float64 {
	if len(r.fs) == 0 {
		return math.Inf(1)
	}
	d, z := make([]float64, len(r.fs)), make([]float64, len(r.fs))
	best := math.Inf(1)
	extra := math.Abs(r.p.hs[hi].extra - r.p.hs[other].extra)
	for k := range r.p.hs[other].states {
		for i := range r.fs {
			d[i] = r.m.predict(&r.p.hs[hi].states[si], &r.fs[i]) - r.m.predict(&r.p.hs[other].states[k], &r.fs[i])
		}
		v.chol.forward(d, z)
		q := 0.0
		for _, x := range z {
			q += x * x
		}
		best = math.Min(best, math.Sqrt(q))
	}
	return best + extra
}

// bestAmbiguity is the probability of the likeliest ambiguity that is one matter
// for the person at the car.
func (r *result) bestAmbiguity() float64 {
	best := 0.0
	for _, g := range r.out.Ambiguities {
		best = math.Max(best, g.Probability)
	}
	return best
}

// condemnation is the probability that the meter itself, or what cannot be told
// from it, is at fault.
func (r *result) condemnation() float64 {
	return r.byCond[ConditionMeterReadsLow] + r.byCond[ConditionMeterReadsHigh] + r.byCond[ConditionMeterSignalFault]
}

// contradicted: metered air and pressure disagree beyond every explanation. What is
// then said of the meter rests on the trims alone.
func (r *result) contradicted() bool { return r.p.oddPressure > 0.5 }

func (r *result) decideConclusive() {
	reasons := slices.Clone(r.gateFails)
	if sensorOf(r.out.Conditions[0].Condition) == SensorAirMeter && !r.a.hasMeter() {
		// Nobody is condemned unheard.
		reasons = append(reasons, InconclusiveGateFailed)
	}
	if r.plainSignal() {
		reasons = nil
	}
	if r.out.Conditions[0].Probability < leaderAt && r.bestAmbiguity() < leaderAt {
		reasons = append(reasons, InconclusiveNoLeader)
	}
	if sensorOf(r.out.Conditions[0].Condition) == SensorAirMeter && r.condemnation() < condemnAt {
		reasons = append(reasons, InconclusiveNoLeader)
	}
	if r.contradicted() {
		reasons = append(reasons, InconclusiveContradiction)
	}
	if r.byCond[ConditionUnknown] > unknownAt {
		reasons = append(reasons, InconclusiveUnknownTooProbable)
	}
	if r.out.Conditions[0].Condition == ConditionNoFault && r.a.hasMeter() && !r.errorKnown() {
		reasons = append(reasons, InconclusiveNoLeader)
	}
	if r.out.Conditions[0].Condition == ConditionNoFault && r.withoutFullLoad() {
		reasons = append(reasons, InconclusiveFlowRangeTooSmall)
	}
	if r.out.Conditions[0].Condition == ConditionNoFault && r.a.halfOfTrims() {
		reasons = append(reasons, InconclusiveHalfOfTrims)
	}
	if !r.adviceClear() {
		reasons = append(reasons, InconclusiveNoCheapestAdvice)
	}
	slices.Sort(reasons)
	r.out.Reasons = slices.Compact(reasons)
	r.out.Conclusive = len(r.out.Reasons) == 0
}

func (r *result) manoeuvres() {
	for i := range r.a.segments[:r.a.kept] {
		r.out.Manoeuvres = append(r.out.Manoeuvres, r.a.segments[i].report(r.a.origin))
	}
	for k := range r.a.clockless {
		s := &r.a.clockless[k]
		if s.samples > 0 {
			s.refuse(GateNoClock)
			r.out.Manoeuvres = append(r.out.Manoeuvres, s.report(r.a.origin))
		}
	}
	slices.SortStableFunc(r.out.Manoeuvres, func(x, y Manoeuvre) int {
		return cmp.Or(cmp.Compare(x.StartUS, y.StartUS), cmp.Compare(x.Kind, y.Kind))
	})
}

func (r *result) useAndProposals() {
	a := r.a
	u := &r.out.Use
	*u = SampleUse{
		Used: a.used, Late: a.late, OutOfRange: a.outOfRange, Unused: a.idle, UnusedSignals: a.unused,
		Clock: a.clock, HighestFlow: math.NaN(), TypicalSpacingUS: int64(a.tracks[sigSpeedEngine].spacing * float64(second)),
		HoleCount: a.holes.count, HoleUS: a.holes.durationUS, LongestHoles: slices.Clone(a.holes.longest[:a.holes.kept]),
	}
	if a.used > 0 {
		u.DurationUS = a.lastT - a.firstT
	}
	if r.a.hasMeter() && r.top > 0 {
		u.HighestFlow = r.top
	}
	r.proposals()
	r.out.Codes = a.codeUses()
}
