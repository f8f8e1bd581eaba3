// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import (
	"math"
	"slices"
)

// kinship is what two drives have in common.
type kinship uint8

const (
	sameEngine kinship = iota // another vehicle with the same engine
	sameVehicle
)

// left is the share of a common uncertainty's standard deviation that remains once
// another drive has shown it: in another vehicle with the same engine, and in the same
// vehicle on another day. 1 is nothing in common.
type left struct{ engine, vehicle float64 }

const (
	// Volumetric efficiency's level is known to 2 % from another vehicle of the same
	// engine [DOMAIN 6.3], and to 1.2 % from the vehicle itself: 1.6 % between two drives
	// [DOMAIN 3.11] less what meter and pressure sensor repeat.
	levelLeftEngine, levelLeftVehicle = 0.020, 0.012
	// Its shape over speed and vacuum: the papers halve it where it was learned
	// [DOMAIN 6.3]; on one vehicle only wear and adaptation are left, trade judgement.
	shapeLeftEngine, shapeLeftVehicle = 0.50, 0.35
	// An oddity of the engine or of what its control unit says of fuel is a fact of its
	// design: it returns at the same flow, to 5 % of the air on one vehicle and twice that on another.
	oddLeftEngine, oddLeftVehicle = 0.24, 0.12
	// fineShare is the part of what a number has for itself (ownSD) that belongs to the
	// operating point and not to the reading, so that it returns where the point does: within
	// fineSpeedLength in the logarithm of speed, fineVacuumLength in 1−p/baro and
	// fineFlowLength in the logarithm of flow. Trade judgement.
	fineShare                                         = 0.7
	fineSpeedLength, fineVacuumLength, fineFlowLength = 0.15, 0.08, 0.20
)

// leftOf a common uncertainty. What is not named has nothing in common: the weather, what
// was read at rest. Trade judgement where no section is named.
func (m *model) leftOf(nuisance int, f, g featureKind) left {
	if f == featRate && g == featRate && nuisance == nMixtureIdle {
		// The same injector model where injections are short.
		nuisance = nRateShape
	}
	switch nuisance {
	case nVEScale:
		sd := math.Max(m.engine.scaleSD, 2*levelLeftEngine)
		return left{levelLeftEngine / sd, levelLeftVehicle / sd}
	case nVETilt, nVEVacuum, nVEVacuumCurve, nPeak, nBoost, nHeating, nTable:
		return left{shapeLeftEngine, shapeLeftVehicle}
	case nManifold, nBarometer, nThermistor, nLambda:
		// The same sensors: their errors drift, they do not jump.
		return left{1, 0.5}
	case nMeterGain, nMeterShape:
		// Mostly the same element, and a tolerance is made in the factory; it may have been
		// replaced since.
		return left{1, 0.6}
	case nMixture, nMixtureIdle:
		// The same injectors; the fuel in the tank is another one.
		return left{0.9, 0.7}
	case nRate:
		// The same injector model in the control unit; injectors scatter by about 3 %.
		return left{0.6, 0.4}
	case nRateShape:
		return left{0.35, 0.25}
	case nApplied:
		// A property of the control unit's program.
		return left{0.3, 0.3}
	}
	return left{1, 1}
}

func (l left) correlation(k kinship) float64 {
	x := l.engine
	if k == sameVehicle {
		x = math.Min(l.engine, l.vehicle)
	}
	return math.Sqrt(1 - sq(x))
}

// past is an earlier drive: what it measured, and what may have been the matter then.
type past struct {
	m       *model
	fs      []feature
	hs      []hypothesis
	vehicle int
	// unrelated is how probable it is, before anything is compared, that the drive says
	// nothing of this engine.
	unrelated float64
	// persists is how probable it is that the present is in the very state of this drive.
	persists float64
}

// world says what was the matter on the earlier drives.
type world struct {
	form
	// which earlier drive was not sound, with the state of which hypothesis; −1 for none.
	which, hi, si int
	log           float64
}

// form is what decides the covariance of a world.
type form struct {
	// included are the earlier drives that are believed to be of this engine, as bits.
	included uint32
	// vague is the earlier drive that nothing explains, −1 for none.
	vague int
	level float64
}

const none = -1

// jointVariant is one covariance of all drives of a form together, factored. The
// earlier drives come first, so that what remains of the factor is the present drive's
// covariance given them.
type jointVariant struct {
	form
	level                              float64 // of the present drive
	chol                               matrix
	past                               int // number of the earlier drives' features
	logPast, logPresent, logW          float64
	oddOutside, oddPressure, oddEngine bool
	gain, shape                        []float64
	sound                              []float64     // L⁻¹ of what the earlier drives measured
	states                             [][][]float64 // L⁻¹ of the present's residuals, by hypothesis and state
	worlds                             []int         // those of this form
	pasts                              [][]float64   // L⁻¹ of the earlier residuals, by world in worlds
	squares                            []float64     // of the earlier drives' part of them
}

// joint is the inference over the present drive and earlier ones.
type joint struct {
	a      *Assay
	m      *model
	fs     []feature
	pasts  []past
	p      *posterior
	worlds []world
	vs     []*jointVariant
	// residuals of the present by hypothesis and state; predicted by world, what the world adds
	// to the numbers of the drive that was not sound.
	residuals [][][]float64
	predicted [][]float64
	// tuples are what is left after the improbable was dropped, weights summing to 1.
	tuples []tuple
}

// tuple is one state of the present with one world and one covariance.
type tuple struct {
	v, w   int32 // variant, and world within it
	hi, si int32
	weight float64
}

// oddEngineShare is the part of oddPressurePrior that stays with the engine: one that
// breathes like no textbook does so on every drive. Trade judgement.
const oddEngineShare = 2.0 / 3

// prunedBelow is the logarithm of a weight, against the largest, below which nothing is kept.
const prunedBelow = -16.0

func (a *Assay) inferJoint(m *model, fs []feature, pasts []past) *joint {
	j := &joint{a: a, m: m, fs: fs, pasts: pasts, p: &posterior{hs: a.hypotheses(m)}}
	j.imagineWorlds()
	j.predictAll()
	j.build()
	j.weighByVisibility()
	j.weigh()
	return j
}

// weighByVisibility does what visibleHypotheses does, by what the earlier drives leave uncertain: beside
// one of the same engine a fault shows that would not show alone.
func (j *joint) weighByVisibility() {
	v := j.plainest()
	n := v.past + len(j.fs)
	r := make([]float64, n)
	for hi := range j.p.hs {
		h := &j.p.hs[hi]
		h.weighStates(func(s *fault) float64 {
			clear(r)
			for i := range j.fs {
				r[v.past+i] = j.m.predict(s, &j.fs[i])
			}
			return squared(forwardFrom(v.chol, r, v.past))
		})
	}
}

// plainest is the covariance with which every earlier drive is believed and nothing is odd.
func (j *joint) plainest() *jointVariant {
	all := uint32(1)<<len(j.pasts) - 1
	i := slices.IndexFunc(j.vs, func(v *jointVariant) bool {
		return v.included == all && v.vague == none && v.level == 0 && !v.oddOutside && !v.oddPressure && !v.oddEngine
	})
	return j.vs[i]
}

// imagineWorlds lists what may have been the matter on the earlier drives: nothing;
// one fault on one of them; one of them not of this engine; none of them of this engine.
func (j *joint) imagineWorlds() {
	all := uint32(1)<<len(j.pasts) - 1
	soundAll, unrelatedAll := 0.0, 0.0
	sound := make([]float64, len(j.pasts))
	alone := make([]float64, len(j.pasts))
	for i := range j.pasts {
		p := &j.pasts[i]
		for hi := range p.hs {
			if p.hs[hi].condition == ConditionNoFault {
				sound[i] = math.Log(p.hs[hi].prior*(1-p.unrelated)) + p.hs[hi].extra
			}
		}
		alone[i] = math.Log(p.unrelated) + p.alone()
		soundAll += sound[i]
		unrelatedAll += alone[i]
	}
	j.worlds = []world{{form: form{included: all, vague: none}, which: none, log: soundAll}, {form: form{vague: none}, which: none, log: unrelatedAll}}
	for i := range j.pasts {
		p := &j.pasts[i]
		if len(j.pasts) > 1 {
			j.worlds = append(j.worlds, world{form: form{included: all &^ (1 << i), vague: none}, which: none, log: soundAll - sound[i] + alone[i]})
		}
		for hi := range p.hs {
			h := &p.hs[hi]
			// The facts are shared: where they are wrong, they are wrong on every drive.
			if h.condition == ConditionNoFault || h.condition == ConditionVehicleFactsWrong {
				continue
			}
			f := form{included: all, vague: none}
			if h.vague {
				f.vague, f.level = i, 1
				if h.condition == ConditionMeterSignalFault && h.extra > 0 {
					f.level = brokenScale
				}
			}
			for si := range h.states {
				if h.states[si].lateClosing != 0 {
					continue // The present's state brings it.
				}
				log := soundAll - sound[i] + math.Log(h.prior*(1-p.unrelated)) + h.extra + logStateWeight(h, si)
				j.worlds = append(j.worlds, world{form: f, which: i, hi: hi, si: si, log: log})
			}
		}
	}
}

// predictAll asks the physics once for every state, whatever the covariance.
func (j *joint) predictAll() {
	j.residuals = make([][][]float64, len(j.p.hs))
	for hi := range j.p.hs {
		h := &j.p.hs[hi]
		for si := range h.states {
			r := make([]float64, len(j.fs))
			for i := range j.fs {
				r[i] = j.fs[i].y - j.m.predict(&h.states[si], &j.fs[i])
			}
			j.residuals[hi] = append(j.residuals[hi], r)
		}
	}
	j.predicted = make([][]float64, len(j.worlds))
	for w := range j.worlds {
		x := &j.worlds[w]
		if x.which == none {
			continue
		}
		p := &j.pasts[x.which]
		for i := range p.fs {
			j.predicted[w] = append(j.predicted[w], p.m.predict(&p.hs[x.hi].states[x.si], &p.fs[i]))
		}
	}
}

// alone is the logarithm of the likelihood of the drive's numbers by themselves.
func (p *past) alone() float64 {
	best, r, z := math.Inf(-1), make([]float64, len(p.fs)), make([]float64, len(p.fs))
	for _, odd := range []bool{false, true} {
		s, _ := p.m.covariance(p.fs, false)
		w := math.Log(1 - oddPressurePrior)
		if odd {
			loosenAir(s, p.fs)
			w = math.Log(oddPressurePrior)
		}
		v := variant{logD: s.cholesky(), chol: s}
		for _, late := range p.valves() {
			for i := range p.fs {
				r[i] = p.fs[i].y - p.m.predict(&late.fault, &p.fs[i])
			}
			best = math.Max(best, w+late.log+v.logLikelihood(r, z))
		}
	}
	return best
}

type valves struct {
	fault
	log float64
}

// valves are the sound engines that the earlier drive may be of.
func (p *past) valves() []valves {
	var out []valves
	for hi := range p.hs {
		h := &p.hs[hi]
		if h.condition != ConditionNoFault {
			continue
		}
		for si := range h.states {
			out = append(out, valves{h.states[si], logStateWeight(h, si)})
		}
	}
	return out
}

// build factors every covariance that some world and some hypothesis need.
func (j *joint) build() {
	byForm := map[form][]int{}
	var order []form
	for w := range j.worlds {
		f := j.worlds[w].form
		if byForm[f] == nil {
			order = append(order, f)
		}
		byForm[f] = append(byForm[f], w)
	}
	levels := []float64{0, 1}
	for hi := range j.p.hs {
		if j.levelOf(hi) == brokenScale {
			levels = append(levels, brokenScale)
			break
		}
	}
	for _, f := range order {
		for _, level := range levels {
			j.variantsOf(f, level, byForm[f])
		}
	}
}

func (j *joint) levelOf(hi int) float64 {
	h := &j.p.hs[hi]
	switch {
	case h.condition == ConditionMeterSignalFault && h.vague && h.extra > 0:
		return brokenScale
	case h.vague:
		return 1
	}
	return 0
}

func (j *joint) variantsOf(f form, level float64, worlds []int) {
	outside := j.a.oddSplit(j.fs)
	pressure := len(indices(j.fs, featAir, partLoad)) > 0
	move := j.a.outsideMovement()
	type pressureWorld struct {
		engine, present bool
		w               float64
	}
	ps := []pressureWorld{{w: 1}}
	switch {
	case !pressure:
	case f.included == 0 && level == 0:
		ps = []pressureWorld{{w: 1 - oddPressurePrior}, {present: true, w: oddPressurePrior}}
	case f.included == 0:
	case level == 0:
		ps = []pressureWorld{
			{w: 1 - oddPressurePrior},
			{engine: true, w: oddPressurePrior * oddEngineShare},
			{present: true, w: oddPressurePrior * (1 - oddEngineShare)},
		}
	default:
		ps = []pressureWorld{{w: 1 - oddPressurePrior*oddEngineShare}, {engine: true, w: oddPressurePrior * oddEngineShare}}
	}
	for _, o := range []bool{false, true} {
		if o && !outside {
			continue
		}
		for _, p := range ps {
			w := p.w
			if outside {
				w *= pick(o, oddOutsidePrior, (1-oddOutsidePrior)*move)
			}
			v := &jointVariant{form: f, level: level, logW: math.Log(w), oddOutside: o, oddPressure: p.present, oddEngine: p.engine, worlds: worlds}
			j.factor(v)
			j.vs = append(j.vs, v)
		}
	}
}

// member is one feature of one drive in a joint distribution; drive is none for the present.
type member struct {
	drive int
	f     *feature
	m     *model
	j     *[nuisanceCount]float64
}

func (j *joint) members(f form) []member {
	var ms []member
	for d := range j.pasts {
		if f.included&(1<<d) == 0 {
			continue
		}
		for i := range j.pasts[d].fs {
			ms = append(ms, member{drive: d, f: &j.pasts[d].fs[i], m: j.pasts[d].m})
		}
	}
	for i := range j.fs {
		ms = append(ms, member{drive: none, f: &j.fs[i], m: j.m})
	}
	return ms
}

func (j *joint) membersWithNuisances(f form) []member {
	ms := j.members(f)
	for k := range ms {
		x := ms[k].m.nuisances(ms[k].f)
		ms[k].j = &x
	}
	return ms
}

func (j *joint) kin(d, e int) kinship {
	vehicle := func(d int) int {
		if d == none {
			return 0
		}
		return j.pasts[d].vehicle
	}
	if vehicle(d) == vehicle(e) {
		return sameVehicle
	}
	return sameEngine
}

// factor fills in the covariance of all drives of a form and everything that follows from it.
func (j *joint) factor(v *jointVariant) {
	ms := j.members(v.form)
	n := len(ms)
	s := newMatrix(n)
	at := 0
	block := func(m *model, fs []feature, outside, odd bool, level float64) {
		c, js := m.covariance(fs, outside)
		if level > 0 {
			loosen(c, fs, level)
		}
		if odd {
			loosenAir(c, fs)
		}
		for i := range fs {
			ms[at+i].j = &js[i]
			for k := range i + 1 {
				x := c.get(i, k)
				if i != k {
					x += fine(&ms[at+i], &ms[at+k])
				}
				if v.oddEngine && fs[i].kind == featRate && fs[k].kind == featRate {
					x += sq(oddPressureScale) * smoothDeviation(&fs[i], &fs[k])
				}
				s.set(at+i, at+k, x)
			}
		}
		at += len(fs)
	}
	for d := range j.pasts {
		if v.included&(1<<d) == 0 {
			continue
		}
		level := 0.0
		if v.vague == d {
			level = v.form.level
		}
		block(j.pasts[d].m, j.pasts[d].fs, false, v.oddEngine, level)
	}
	v.past = at
	block(j.m, j.fs, v.oddOutside, v.oddEngine || v.oddPressure, v.level)
	for i := range ms {
		for k := range i {
			if ms[i].drive != ms[k].drive {
				s.set(i, k, j.across(v, &ms[i], &ms[k]))
			}
		}
	}
	s.cholesky()
	v.chol = s
	for i := range n {
		l := math.Log(s.get(i, i))
		if i < v.past {
			v.logPast += l
		} else {
			v.logPresent += l
		}
	}
	j.solve(v, ms)
}

// across is the covariance of two features of two drives.
func (j *joint) across(v *jointVariant, x, y *member) float64 {
	k := j.kin(x.drive, y.drive)
	sum := 0.0
	for q := range nuisanceCount {
		if p := x.j[q] * y.j[q]; p != 0 {
			sum += p * j.m.leftOf(q, x.f.kind, y.f.kind).correlation(k)
		}
	}
	shape := left{shapeLeftEngine, shapeLeftVehicle}.correlation(k)
	sum += shape * (j.m.shared(x.f, y.f) + fine(x, y))
	if v.oddEngine && x.f.kind == y.f.kind && (x.f.kind == featAir || x.f.kind == featRate) {
		sum += left{oddLeftEngine, oddLeftVehicle}.correlation(k) * sq(oddPressureScale) * smoothDeviation(x.f, y.f)
	}
	return sum
}

// fine is the covariance of what two numbers have each for itself, where they belong to
// the same operating point.
func fine(x, y *member) float64 {
	if x.f.kind != y.f.kind || x.f.class != y.f.class {
		return 0
	}
	var d float64
	switch x.f.kind {
	case featAir:
		d = sq(math.Log(x.f.rpm/y.f.rpm)/fineSpeedLength) + sq((vacuumOf(x.f)-vacuumOf(y.f))/fineVacuumLength)
	case featFuel, featRate:
		d = sq(math.Log(x.f.flow/y.f.flow) / fineFlowLength)
	default:
		return 0
	}
	// The readings' own scatter is not the point's.
	own := func(m *member) float64 { return math.Sqrt(math.Max(0, sq(m.m.ownSD(m.f))-sq(m.f.sd))) }
	return fineShare * own(x) * own(y) * math.Exp(-0.5*d)
}

// smoothDeviation is the covariance of an unmodelled deviation at two flows.
func smoothDeviation(f, g *feature) float64 {
	v := vagueOf(f.kind)
	d := math.Log(f.flow / g.flow)
	return sq(v.constant) + sq(v.smooth)*math.Exp(-0.5*sq(d/smoothLength))
}

// solve brings all residuals into the coordinates of the factor.
func (j *joint) solve(v *jointVariant, ms []member) {
	n := len(ms)
	v.gain, v.shape = j.meterVectors(v, ms, none)
	r := make([]float64, n)
	for i := range v.past {
		r[i] = ms[i].f.y
	}
	v.sound = make([]float64, n)
	v.chol.forward(r, v.sound)
	j.solvePasts(v, ms)
	v.states = make([][][]float64, len(j.p.hs))
	for hi := range j.p.hs {
		if j.levelOf(hi) != v.level {
			continue
		}
		h := &j.p.hs[hi]
		v.states[hi] = make([][]float64, len(h.states))
		for si := range h.states {
			clear(r)
			from := v.past
			if common, is := h.states[si].ofTheEngine(); is {
				from = 0
				for i := range v.past {
					r[i] = -ms[i].m.predict(&common, ms[i].f)
				}
			}
			copy(r[v.past:], j.residuals[hi][si])
			v.states[hi][si] = forwardFrom(v.chol, r, from)
		}
	}
}

// solvePasts does it for the worlds, and leaves out those that the earlier drives
// themselves rule out.
func (j *joint) solvePasts(v *jointVariant, ms []member) {
	r := make([]float64, len(ms))
	worlds, best := v.worlds, math.Inf(-1)
	v.worlds, v.pasts = nil, nil
	var logs []float64
	for _, w := range worlds {
		x, z := &j.worlds[w], v.sound
		if x.which != none && v.past > 0 {
			k := 0
			for i := range v.past {
				r[i] = ms[i].f.y
				if ms[i].drive == x.which {
					r[i] -= j.predicted[w][k]
					k++
				}
			}
			z = make([]float64, len(ms))
			v.chol.forward(r, z)
		}
		square := 0.0
		for _, y := range z[:v.past] {
			square += y * y
		}
		log := x.log - v.logPast + logTail(float64(v.past), square)
		best = math.Max(best, log)
		v.worlds, v.pasts, v.squares, logs = append(v.worlds, w), append(v.pasts, z), append(v.squares, square), append(logs, log)
	}
	kept := 0
	for i := range logs {
		if logs[i] >= best+prunedBelow {
			v.worlds[kept], v.pasts[kept], v.squares[kept] = v.worlds[i], v.pasts[i], v.squares[i]
			kept++
		}
	}
	v.worlds, v.pasts, v.squares = v.worlds[:kept], v.pasts[:kept], v.squares[:kept]
}

// forwardFrom solves L z = r where r is nought before from.
func forwardFrom(l matrix, r []float64, from int) []float64 {
	z := make([]float64, len(r))
	for i := from; i < len(r); i++ {
		row := l.a[i*(i+1)/2:]
		sum := r[i]
		for k := from; k < i; k++ {
			sum -= row[k] * z[k]
		}
		z[i] = sum / row[i]
	}
	return z
}

// ofTheEngine is what of a state holds on every drive of one engine: the facts, which are wrong on
// all where they are wrong, and its own valves.
func (s *fault) ofTheEngine() (common fault, is bool) {
	return fault{displacement: s.displacement, lateClosing: s.lateClosing}, s.displacement != 0 || s.lateClosing != 0
}

// meterVectors are L⁻¹ of what the own tolerance of the meter of one drive moves: its
// gain and its shape.
func (j *joint) meterVectors(v *jointVariant, ms []member, drive int) (gain, shape []float64) {
	n := len(ms)
	g, h := make([]float64, n), make([]float64, n)
	for i := range n {
		c := 1.0
		if ms[i].drive != drive {
			c = j.m.leftOf(nMeterGain, featAir, featAir).correlation(j.kin(ms[i].drive, drive))
		}
		g[i], h[i] = c*ms[i].j[nMeterGain], c*ms[i].j[nMeterShape]
	}
	gain, shape = make([]float64, n), make([]float64, n)
	v.chol.forward(g, gain)
	v.chol.forward(h, shape)
	return gain, shape
}

// logLikelihood of a state of the present together with a world, over all drives at once, so
// that where the earlier ones surprise, what they teach is worth less. before is the square of
// the earlier ones' residuals where the state of the present does not touch them.
func (v *jointVariant) logLikelihood(present, past []float64, before float64, shared bool) float64 {
	q := before
	if shared {
		q = 0
		for i := range v.past {
			q += sq(present[i] + past[i])
		}
	}
	past = past[:len(present)]
	for i := v.past; i < len(present); i++ {
		x := present[i] + past[i]
		q += x * x
	}
	return logTail(float64(len(present)), q) - v.logPast - v.logPresent
}

// weigh sums up every combination.
func (j *joint) weigh() {
	p := j.p
	best := math.Inf(-1)
	lead := make([][]float64, len(p.hs))
	base := make([][]float64, len(p.hs))
	for hi := range p.hs {
		h := &p.hs[hi]
		p.p = append(p.p, 0)
		p.state = append(p.state, make([]float64, len(h.states)))
		p.tolerance = append(p.tolerance, make([]toleranceLeft, len(h.states)))
		lead[hi], base[hi] = make([]float64, len(h.states)), make([]float64, len(h.states))
		for si := range h.states {
			lead[hi][si], base[hi][si] = math.Inf(-1), math.Log(h.prior)+h.extra+logStateWeight(h, si)
		}
	}
	var all []tuple
	for vi, v := range j.vs {
		for wi, w := range v.worlds {
			for hi := range v.states {
				for si, z := range v.states[hi] {
					_, shared := p.hs[hi].states[si].ofTheEngine()
					l := v.logLikelihood(z, v.pasts[wi], v.squares[wi], shared) + j.prior(&j.worlds[w], hi, si, base[hi][si]) + v.logW + j.worlds[w].log
					if l < best+prunedBelow {
						continue
					}
					best = math.Max(best, l)
					all = append(all, tuple{v: int32(vi), w: int32(wi), hi: int32(hi), si: int32(si), weight: l})
					if l > lead[hi][si] {
						lead[hi][si] = l
						p.tolerance[hi][si] = v.toleranceOf(z, v.pasts[wi])
					}
				}
			}
		}
	}
	total := 0.0
	for i := range all {
		if all[i].weight < best+prunedBelow {
			continue
		}
		t := all[i]
		t.weight = math.Exp(t.weight - best)
		total += t.weight
		j.tuples = append(j.tuples, t)
	}
	j.sum(total)
}

// prior is the logarithm of the weight of a state of the present in a world, base that of
// the state alone: with the probability persists it is the state of the drive before.
func (j *joint) prior(w *world, hi, si int, base float64) float64 {
	if len(j.pasts) != 1 || j.pasts[0].persists == 0 || w.included == 0 {
		return base
	}
	p := &j.pasts[0]
	if !j.same(p, w, hi, si) {
		return base + math.Log1p(-p.persists)
	}
	alone := base - j.p.hs[hi].extra
	return base + math.Log1p(-p.persists+p.persists/math.Exp(alone))
}

// same: the present's state is the one that the world says of the drive before.
func (j *joint) same(p *past, w *world, hi, si int) bool {
	h := &j.p.hs[hi]
	if w.which == none {
		return h.condition == ConditionNoFault
	}
	g := &p.hs[w.hi]
	return h.condition == g.condition && h.cause == g.cause && h.bank == g.bank && len(h.states) == len(g.states) && w.si == si
}

func (v *jointVariant) toleranceOf(present, past []float64) toleranceLeft {
	z := make([]float64, len(present))
	for i := range z {
		z[i] = present[i] + past[i]
	}
	only := variant{gain: v.gain, shape: v.shape}
	return only.tolerance(z)
}

func (j *joint) sum(total float64) {
	p := j.p
	p.believed = make([]float64, len(j.pasts))
	for i := range j.tuples {
		t := &j.tuples[i]
		t.weight /= total
		v := j.vs[t.v]
		p.state[t.hi][t.si] += t.weight
		p.p[t.hi] += t.weight
		if v.oddOutside {
			p.oddOutside += t.weight
		}
		if v.oddPressure {
			p.oddPressure += t.weight
		}
		x := &j.worlds[v.worlds[t.w]]
		for d := range j.pasts {
			if x.included&(1<<d) != 0 && x.which != d {
				p.believed[d] += t.weight
			}
		}
	}
	top := -1.0
	for hi := range p.state {
		for si, x := range p.state[hi] {
			if x > top {
				top, p.lead = x, lead{hi, si}
			}
		}
	}
	j.learn()
}

// learned is what the earlier drives teach of a sound vehicle on this one.
type learned struct {
	// shift is how far they move what is expected of each feature, sd what is then left
	// of its uncertainty.
	shift, sd []float64
	// chol is the factor of the features' covariance given them.
	chol matrix
	// flow is the highest at which flow and pressure were compared, before and after the
	// relative uncertainty of a sound engine's volumetric efficiency there without and with them.
	flow, before, after float64
}

// learn keeps the likeliest covariance in which all earlier drives were sound.
func (j *joint) learn() {
	weight := make([]float64, len(j.vs))
	for i := range j.tuples {
		weight[j.tuples[i].v] += j.tuples[i].weight
	}
	var lead *jointVariant
	all := uint32(1)<<len(j.pasts) - 1
	best := -1.0
	for i, v := range j.vs {
		if v.included == all && v.vague == none && v.level == 0 && !v.oddOutside && weight[i] > best {
			best, lead = weight[i], v
		}
	}
	for _, b := range j.p.believed {
		if b < doubtedBelow {
			return
		}
	}
	if lead == nil {
		return
	}
	n := len(j.fs)
	k := &learned{shift: make([]float64, n), sd: make([]float64, n), chol: newMatrix(n), flow: math.NaN()}
	top := none
	for i := range n {
		row := lead.past + i
		for q := range lead.past {
			k.shift[i] += lead.chol.get(row, q) * lead.sound[q]
		}
		sum := 0.0
		for q := range i + 1 {
			x := lead.chol.get(row, lead.past+q)
			k.chol.set(i, q, x)
			sum += sq(x)
		}
		k.sd[i] = math.Sqrt(sum)
		if f := &j.fs[i]; f.kind == featAir && !(f.flow < k.flow) {
			top, k.flow = i, f.flow
		}
	}
	if top != none {
		k.before, k.after = j.volumetric(lead, top)
	}
	j.p.learned = k
}

// volumetric is the relative standard uncertainty of a sound engine's volumetric efficiency
// where feature i of the present was measured, without and with the earlier drives.
func (j *joint) volumetric(v *jointVariant, i int) (before, after float64) {
	ms := j.membersWithNuisances(v.form)
	at := &ms[v.past+i]
	breathing := func(m *member) float64 {
		sum, shape := j.m.shared(at.f, m.f), 1.0
		if m.drive != none {
			shape = left{shapeLeftEngine, shapeLeftVehicle}.correlation(j.kin(m.drive, none))
		}
		sum *= shape
		for _, q := range [...]int{nVEScale, nVETilt, nPeak, nVEVacuum, nVEVacuumCurve, nBoost} {
			p := at.j[q] * m.j[q]
			if m.drive != none && p != 0 {
				p *= j.m.leftOf(q, at.f.kind, m.f.kind).correlation(j.kin(m.drive, none))
			}
			sum += p
		}
		if v.oddEngine && m.f.kind == featAir {
			c := 1.0
			if m.drive != none {
				c = left{oddLeftEngine, oddLeftVehicle}.correlation(j.kin(m.drive, none))
			}
			sum += c * sq(oddPressureScale) * smoothDeviation(at.f, m.f)
		}
		return sum
	}
	all := breathing(at)
	r, z := make([]float64, len(ms)), make([]float64, len(ms))
	for k := range v.past {
		r[k] = breathing(&ms[k])
	}
	v.chol.forward(r, z)
	remains := all
	for k := range v.past {
		remains -= sq(z[k])
	}
	return math.Sqrt(all), math.Sqrt(math.Max(0, remains))
}
