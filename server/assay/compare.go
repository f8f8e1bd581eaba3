// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import (
	"math"
	"slices"
)

const (
	// repeatability is twice the standard deviation of the difference between two drives of
	// one car on one day, in logarithm: a smaller change is none [DOMAIN 3.11, 6.5].
	repeatabilitySD = 0.016
	repeatability   = 2 * repeatabilitySD
	// changedAt is the probability from which a change is called real, so that its 90 %
	// interval leaves out what is none; unchangedAt from which there is none.
	changedAt   = 0.95
	unchangedAt = 0.60
	// restoredAt is the probability of "no fault" after, from which all is well again.
	restoredAt = 0.80
	// unrelatedDrives is how often two drives that somebody compares are not of one vehicle.
	// Trade judgement.
	unrelatedDrives = 0.005
	// persists is how often nothing at all has changed between two such drives: what was done
	// touched what was not the matter. Trade judgement.
	persists = 0.4
	// commonFlow is how far apart, as a ratio, two flows may be that are compared.
	commonFlow = 1.35
	// otherBlendPercent of ethanol, otherWeatherK and otherHeightKPa are differences between
	// two drives that are worth a word. The physics takes the last two into account.
	otherBlendPercent = 10.0
	otherWeatherK     = 15.0
	otherHeightKPa    = 5.0
	// vagueSize is how far a vehicle is from sound when nothing explains it.
	vagueSize = 0.12
)

// Comparison is what changed between two drives of one vehicle. Errors of the meter are
// (indicated − true)/true. NaN stands for what is not known.
type Comparison struct {
	EngineVersion string
	Outcome       ComparisonOutcome
	// Better, Same and Worse are the probabilities that the vehicle is nearer to a sound one
	// than before by more than repeatability, as far, or farther; they sum to 1.
	Better, Same, Worse float64
	// RepeatabilityPct is the change in percent below which it is none.
	RepeatabilityPct float64
	// Before, After and Change are the largest deviation from a sound vehicle, in percent;
	// Change is before less after, so that an improvement is positive.
	Before, After, Change Bounded
	Meter                 []MeterChange
	Concerns              []Concern
	// ConditionsBefore and ConditionsAfter rest on both drives.
	ConditionsBefore, ConditionsAfter []ConditionProbability
	// FindingsBefore and FindingsAfter are those on the air meter.
	FindingsBefore, FindingsAfter []SensorFinding
	Gaps                          []GapItem
}

// Bounded is a value with its 90 % interval.
type Bounded struct{ Value, Low, High float64 }

// MeterChange is the meter's error at one flow in g/s before and after, in percent, and
// after less before in percentage points.
type MeterChange struct {
	Flow                  float64
	Before, After, Change Bounded
}

// Concern is something that stands between two drives.
type Concern struct {
	Kind ComparisonConcern
	// Prevents: because of it nothing can be said.
	Prevents bool
}

// Compare tells what changed from one drive to another of the same vehicle. The assay of
// the drive before must have been made with ReferenceFacts of the one after. Both stay as
// they are.
func Compare(before, after *Assay) *Comparison {
	b, a := *before, *after
	c := &comparer{b: &b, a: &a, out: &Comparison{EngineVersion: EngineVersion, RepeatabilityPct: 100 * repeatability}}
	for _, x := range []*Assay{&b, &a} {
		x.references = nil
		x.finish()
		x.settleFacts()
	}
	nan := math.NaN()
	unknown := Bounded{nan, nan, nan}
	c.out.Before, c.out.After, c.out.Change = unknown, unknown, unknown
	c.compare()
	return c.out
}

type comparer struct {
	b, a   *Assay
	rb, ra *result
	j      *joint
	out    *Comparison
}

func (c *comparer) concern(is bool, k ComparisonConcern, prevents bool) {
	if is {
		c.out.Concerns = append(c.out.Concerns, Concern{k, prevents})
	}
}

func (c *comparer) prevented() bool {
	return slices.ContainsFunc(c.out.Concerns, func(x Concern) bool { return x.Prevents })
}

func (c *comparer) compare() {
	c.concern(len(EngineDifferences(c.b.given, c.a.given)) > 0 || !sameNaN(nominalEngine(&c.b.given), nominalEngine(&c.a.given)), ConcernOtherEngine, true)
	c.circumstances()
	if !c.prevented() {
		c.judge()
	}
	if !c.prevented() {
		c.changes()
	}
	c.decide()
	c.gaps()
}

// circumstances compares what was the same on both drives and what was not.
func (c *comparer) circumstances() {
	c.concern(!c.b.trimsSettled(), ConcernTrimsNotLearnedBefore, false)
	c.concern(!c.a.trimsSettled(), ConcernTrimsNotLearnedAfter, false)
	c.concern(c.otherFuel(), ConcernFuelDiffers, false)
	c.concern(c.a.facts.AirMeter != c.b.facts.AirMeter && c.a.facts.AirMeter != TechnologyUnspecified && c.b.facts.AirMeter != TechnologyUnspecified, ConcernMeterDiffers, false)
	kelvin := math.Abs(c.a.road.intake.value() - c.b.road.intake.value())
	c.concern(kelvin > otherWeatherK, ConcernTemperatureDiffers, false)
	c.concern(math.Abs(c.a.baroGuess()-c.b.baroGuess()) > otherHeightKPa, ConcernAirPressureDiffers, false)
}

func (c *comparer) otherFuel() bool {
	x, y := &c.a.facts, &c.b.facts
	if x.Fuel != y.Fuel && x.Fuel != FuelUnspecified && y.Fuel != FuelUnspecified {
		return true
	}
	return math.Abs(firstKnown(x.EthanolPercent, c.a.held(sigEthanol, c.a.now))-firstKnown(y.EthanolPercent, c.b.held(sigEthanol, c.b.now))) > otherBlendPercent
}

// trimsSettled: the learned trims were not erased shortly before. Then the total trim is
// not yet what it will be, and is no evidence of a repair [DOMAIN 3.8, 5.6].
func (a *Assay) trimsSettled() bool {
	if m := a.held(sigSinceCleared, a.lastT); known(m) {
		return m >= learnedMinutes
	}
	w := &a.tracks[sigWarmups]
	return !w.seen() || w.max >= learnedWarmups
}

// learnedWarmups since trouble codes were cleared, where the minutes were not recorded [DOMAIN 5.6].
const learnedWarmups = 2

// judge infers both drives together, from either end.
func (c *comparer) judge() {
	c.ra, c.j = c.beside(c.a, c.b)
	c.rb, _ = c.beside(c.b, c.a)
	for _, x := range []struct {
		r *result
		k ComparisonConcern
	}{{c.rb, ConcernGateFailedBefore}, {c.ra, ConcernGateFailedAfter}} {
		failed := slices.ContainsFunc(x.r.gateFails, func(f InconclusiveReason) bool { return f != InconclusiveFlowRangeTooSmall })
		c.concern(failed && !x.r.plainSignal(), x.k, true)
	}
	c.concern(len(c.j.p.believed) > 0 && 1-c.related() > 0.5, ConcernLittleInCommon, true)
	flows := c.commonFlows()
	top := 0.0
	for _, f := range flows {
		top = math.Max(top, f)
	}
	full := len(indices(c.ra.fs, featAir, fullLoad)) > 0 && len(indices(c.rb.fs, featAir, fullLoad)) > 0
	c.concern(len(flows) < 2 || !full && top < 3*c.ra.m.idleFlow, ConcernNoCommonFlow, true)
	c.concern(!full, ConcernNoFullLoad, false)
}

// beside judges one drive together with another.
func (c *comparer) beside(a, other *Assay) (*result, *joint) {
	m := a.model()
	fs := c.usable(a, a.features())
	m.trimLevel = trimLevel(fs)
	o := *other
	earlier := o.past(func(k featureKind) bool {
		return k != featRoadSensor && k != featSoakSensor
	})
	earlier.fs = c.usable(other, earlier.fs)
	earlier.m.trimLevel = trimLevel(earlier.fs)
	p := earlier.seenWith(a, m, unrelatedDrives)
	p.persists = persists
	j := a.inferJoint(m, fs, []past{p})
	r := a.judgeBy(m, fs, j.p)
	r.meterFinding()
	return r, j
}

// usable leaves out trims that have not settled, and what hangs on them.
func (c *comparer) usable(a *Assay, fs []feature) []feature {
	if a.trimsSettled() && (a != c.a || !c.otherFuel()) {
		return fs
	}
	return slices.DeleteFunc(fs, func(f feature) bool { return f.kind == featFuel || f.kind == featLambda || f.kind == featBank })
}

// related is the probability that both drives are of one engine.
func (c *comparer) related() float64 {
	sum := 0.0
	for i := range c.j.tuples {
		t := &c.j.tuples[i]
		if c.j.vs[t.v].included != 0 {
			sum += t.weight
		}
	}
	return sum
}

// commonFlows are the levels of the drive after at which there is evidence of both.
func (c *comparer) commonFlows() []float64 {
	var out []float64
	other := c.rb.testedFlows()
	for _, f := range c.ra.testedFlows() {
		if slices.ContainsFunc(other, func(g float64) bool { return math.Abs(math.Log(f/g)) < math.Log(commonFlow) }) {
			out = append(out, f)
		}
	}
	return out
}

// size is how far a state is from a sound vehicle: the largest deviation that it makes in
// what was measured, in logarithm.
func (c *comparer) size(m *model, fs []feature, h *hypothesis, si int) float64 {
	if h.condition == ConditionNoFault {
		return 0
	}
	if h.vague {
		return vagueSize
	}
	x := 0.0
	for i := range fs {
		switch fs[i].kind {
		case featAir, featFuel, featRate, featDeficit:
			x = math.Max(x, math.Abs(m.predict(&h.states[si], &fs[i])))
		}
	}
	return x
}

// changes sums up every combination of what was the matter before and after.
func (c *comparer) changes() {
	j, past := c.j, &c.j.pasts[0]
	size := func(hs []hypothesis) [][]float64 {
		out := make([][]float64, len(hs))
		for hi := range hs {
			for si := range hs[hi].states {
				out[hi] = append(out[hi], c.size(j.m, j.fs, &hs[hi], si))
			}
		}
		return out
	}
	after, before := size(j.p.hs), size(past.hs)
	tuples := slices.DeleteFunc(slices.Clone(j.tuples), func(t tuple) bool { return j.vs[t.v].included == 0 || t.weight < 1e-6 })
	var bs, as, ds []mixture
	total := 0.0
	for i := range tuples {
		t := &tuples[i]
		x := &j.worlds[j.vs[t.v].worlds[t.w]]
		b := 0.0
		if x.which != none {
			b = before[x.hi][x.si]
		}
		a := after[t.hi][t.si]
		bs = append(bs, mixture{t.weight, b, repeatabilitySD})
		as = append(as, mixture{t.weight, a, repeatabilitySD})
		ds = append(ds, mixture{t.weight, b - a, repeatabilitySD})
		total += t.weight
		c.out.Better += t.weight * phi((b-a-repeatability)/repeatabilitySD)
		c.out.Worse += t.weight * phi((a-b-repeatability)/repeatabilitySD)
	}
	c.out.Better /= total
	c.out.Worse /= total
	c.out.Same = math.Max(0, 1-c.out.Better-c.out.Worse)
	c.out.Before, c.out.After, c.out.Change = atLeastNone(bounded(bs)), atLeastNone(bounded(as)), bounded(ds)
	c.out.ConditionsBefore, c.out.ConditionsAfter = c.rb.out.Conditions, c.ra.out.Conditions
	c.out.FindingsBefore, c.out.FindingsAfter = c.rb.out.Sensors, c.ra.out.Sensors
	if c.a.hasMeter() && c.b.hasMeter() && c.ra.m.metered {
		c.meterChanges(tuples)
	}
}

func bounded(ms []mixture) Bounded {
	ms = condensed(ms)
	return Bounded{100 * quantileOf(ms, 0.5), 100 * quantileOf(ms, 0.05), 100 * quantileOf(ms, 0.95)}
}

// condensed merges parts of a mixture that lie within a quarter of a percent.
func condensed(ms []mixture) []mixture {
	const width = 0.0025
	at := map[int]int{}
	var out []mixture
	for _, x := range ms {
		k := int(math.Floor(math.Max(-4, math.Min(4, x.mean)) / width))
		i, there := at[k]
		if !there {
			i = len(out)
			at[k] = i
			out = append(out, mixture{})
		}
		o := &out[i]
		o.w += x.w
		o.mean += x.w * x.mean
		o.sd += x.w * (sq(x.sd) + sq(x.mean))
	}
	for i := range out {
		o := &out[i]
		o.mean /= o.w
		o.sd = math.Sqrt(math.Max(1e-6, o.sd/o.w-sq(o.mean)))
	}
	return out
}

// atLeastNone: a deviation is a size.
func atLeastNone(b Bounded) Bounded {
	return Bounded{math.Max(0, b.Value), math.Max(0, b.Low), math.Max(0, b.High)}
}

// meterVectors of both drives for one covariance, and what their tolerances leave.
type bothMeters struct {
	gainA, shapeA, gainB, shapeB []float64
}

// tolerances of one combination: what the numbers say of the gain and shape of each meter,
// in standard deviations of its tolerance.
type tolerances struct{ gainA, shapeA, gainB, shapeB float64 }

// meterChanges is the meter's error over flow before and after.
func (c *comparer) meterChanges(tuples []tuple) {
	meters := make(map[int32]*bothMeters)
	left := make([]tolerances, len(tuples))
	for i := range tuples {
		t := &tuples[i]
		v := c.j.vs[t.v]
		x := meters[t.v]
		if x == nil {
			ms := c.j.membersWithNuisances(v.form)
			x = new(bothMeters)
			x.gainA, x.shapeA = c.j.meterVectors(v, ms, none)
			x.gainB, x.shapeB = c.j.meterVectors(v, ms, 0)
			meters[t.v] = x
		}
		present, past := v.states[t.hi][t.si], v.pasts[t.w]
		for q := range present {
			z := present[q] + past[q]
			left[i].gainA += x.gainA[q] * z
			left[i].shapeA += x.shapeA[q] * z
			left[i].gainB += x.gainB[q] * z
			left[i].shapeB += x.shapeB[q] * z
		}
	}
	for _, flow := range c.commonFlows() {
		c.meterChange(flow, tuples, left, meters)
	}
}

func (c *comparer) meterChange(flow float64, tuples []tuple, left []tolerances, meters map[int32]*bothMeters) {
	correlation := c.j.m.leftOf(nMeterGain, featAir, featAir).correlation(sameVehicle)
	shape := c.j.m.shape(flow) * meterShapeSD
	prior := sq(meterGainSD) + sq(shape)
	remains := make(map[int32][3]float64, len(meters))
	for v, x := range meters {
		var a, b, d float64
		for q := range x.gainA {
			ua, ub := meterGainSD*x.gainA[q]+shape*x.shapeA[q], meterGainSD*x.gainB[q]+shape*x.shapeB[q]
			a, b, d = a+ua*ua, b+ub*ub, d+sq(ua-ub)
		}
		remains[v] = [3]float64{math.Max(1e-6, prior-a), math.Max(1e-6, prior-b), math.Max(1e-6, 2*(1-correlation)*prior-d)}
	}
	after, before := c.errorsOf(c.j.p.hs, flow), c.errorsOf(c.j.pasts[0].hs, flow)
	var bs, as, ds []mixture
	for i := range tuples {
		t := &tuples[i]
		w, r := &c.j.worlds[c.j.vs[t.v].worlds[t.w]], remains[t.v]
		a, b := after[t.hi][t.si], mixture{}
		if w.which != none {
			b = before[w.hi][w.si]
		}
		ma := a.mean + meterGainSD*left[i].gainA + shape*left[i].shapeA
		mb := b.mean + meterGainSD*left[i].gainB + shape*left[i].shapeB
		as = append(as, mixture{t.weight, ma, math.Sqrt(sq(a.sd) + r[0])})
		bs = append(bs, mixture{t.weight, mb, math.Sqrt(sq(b.sd) + r[1])})
		// The difference of the errors themselves, not of their logarithms.
		sd := math.Sqrt(sq(a.sd) + sq(b.sd) + r[2])
		ds = append(ds, mixture{t.weight, math.Exp(ma) - math.Exp(mb), sd * math.Exp((ma+mb)/2)})
	}
	c.out.Meter = append(c.out.Meter, MeterChange{Flow: flow, Before: percentBounds(bs), After: percentBounds(as), Change: bounded(ds)})
}

func (c *comparer) errorsOf(hs []hypothesis, flow float64) [][]mixture {
	out := make([][]mixture, len(hs))
	for hi := range hs {
		for si := range hs[hi].states {
			out[hi] = append(out[hi], c.errorOf(&hs[hi], si, flow))
		}
	}
	return out
}

// errorOf is the distribution of the meter's error in one state, its own tolerance left out.
func (c *comparer) errorOf(h *hypothesis, si int, flow float64) mixture {
	switch {
	case h.vague && h.condition == ConditionMeterSignalFault:
		return mixture{sd: 1}
	case h.vague:
		return mixture{sd: vagueErrorSD}
	}
	x := mixture{mean: c.j.m.totalMeterError(&h.states[si], flow)}
	if len(h.states) > 1 {
		x.sd = 0.08 * math.Abs(x.mean)
	}
	return x
}

func percentBounds(ms []mixture) Bounded {
	ms = condensed(ms)
	return Bounded{percentOf(quantileOf(ms, 0.5)), percentOf(quantileOf(ms, 0.05)), percentOf(quantileOf(ms, 0.95))}
}

func (c *comparer) decide() {
	o := c.out
	switch {
	case c.prevented():
		o.Outcome = ComparedNotComparable
		o.Better, o.Same, o.Worse = 0, 0, 0
	case o.Better >= changedAt && c.soundAfter():
		o.Outcome = ComparedRestored
	case o.Better >= changedAt:
		o.Outcome = ComparedPartly
	case o.Worse >= changedAt:
		o.Outcome = ComparedWorse
	case o.Same >= unchangedAt:
		o.Outcome = ComparedUnchanged
	default:
		o.Outcome = ComparedNotComparable
		c.concern(true, ConcernTooUncertain, true)
	}
}

// soundAfter: the drive after is firm that nothing is wrong any more.
func (c *comparer) soundAfter() bool {
	if c.ra.byCond[ConditionNoFault] < restoredAt || c.ra.gateFailed() {
		return false
	}
	return !c.a.hasMeter() || slices.ContainsFunc(c.out.FindingsAfter, func(f SensorFinding) bool { return f.Finding == FindingReadsTrue })
}

// gaps are what must be driven for more than was said.
func (c *comparer) gaps() {
	var gs gapList
	gs.add(!c.a.trimsSettled(), GapLearnedTrims, ManoeuvreSteadyCruise)
	if c.ra != nil && (c.out.Outcome == ComparedNotComparable || c.out.Outcome == ComparedPartly) {
		c.ra.missingManoeuvres(&gs)
	}
	c.out.Gaps = gs
}
