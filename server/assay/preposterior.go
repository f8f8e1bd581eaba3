// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import (
	"cmp"
	"math"
	"slices"
)

// What a test is worth is known before it is made: under each state of the world the physics predicts its numbers,
// the covariance of this drive predicts how far they scatter given what was measured already, and each outcome moves
// the probabilities and with them the action of least regret. The mean fall of the least regret over all outcomes is
// the test's worth. It cannot be negative: who learns something need not act on it.

const (
	// outcomes of a test are averaged over: with these the worth is within about a tenth of its value.
	outcomes = 96
	// statesWeighed bounds the states that take part, and restWeighed what may be left out of them together.
	statesWeighed = 192
	restWeighed   = 0.002
	// mostPromises of one test enter.
	mostPromises = 6
)

// weighedState is one state of the world in a decision.
type weighedState struct {
	p     float64
	group int
	level int
	state fault
	// mean of the numbers of the test at hand, in the coordinates of their own covariance given the drive.
	z []float64
	// residual is L⁻¹ of what the drive measured less what the state predicts.
	residual []float64
}

// causeGroup is a cause as the decision sees it.
type causeGroup struct {
	condition Condition
	cause     Cause
	p         float64
	regret    []float64
	sees      Inspection
}

// decision is what there is to decide, and between which states.
type decision struct {
	r      *result
	groups []causeGroup
	states []weighedState
	levels [3]*levelCovariance
	// now is the least regret without another test, and the action that has it.
	now    float64
	chosen int
	scale  float64
}

// levelCovariance is the covariance of what was measured, for states that predict numbers and for those that do not.
type levelCovariance struct {
	chol matrix
	j    [][nuisanceCount]float64
}

// decide prepares the decision from the posterior.
func (r *result) decide() *decision {
	d := &decision{r: r, scale: 1}
	d.gatherStates()
	d.actions()
	p := make([]float64, len(d.groups))
	for g := range d.groups {
		p[g] = d.groups[g].p
	}
	d.now, d.chosen = d.least(p)
	d.measured()
	return d
}

// gatherStates keeps the likeliest states, so many that little is left out.
func (d *decision) gatherStates() {
	r := d.r
	index := map[[2]int]int{}
	for hi := range r.p.hs {
		h := &r.p.hs[hi]
		level := 0
		switch {
		case h.condition == ConditionMeterSignalFault && h.vague && h.extra > 0:
			level = 2
		case h.vague:
			level = 1
		}
		for si, p := range r.p.state[hi] {
			if p < 1e-6 {
				continue
			}
			c := r.conditionOf(hi, si)
			key := [2]int{int(c), int(h.cause)}
			g, ok := index[key]
			if !ok {
				g = len(d.groups)
				index[key] = g
				d.groups = append(d.groups, causeGroup{condition: c, cause: h.cause, sees: inspectionOf(c, h.cause)})
			}
			d.states = append(d.states, weighedState{p: p, group: g, level: level, state: h.states[si]})
		}
	}
	slices.SortStableFunc(d.states, func(x, y weighedState) int { return cmp.Compare(y.p, x.p) })
	kept, n := 0.0, 0
	for n < len(d.states) && n < statesWeighed && kept < 1-restWeighed {
		kept += d.states[n].p
		n++
	}
	d.states = d.states[:n]
	for i := range d.states {
		d.states[i].p /= kept
		d.groups[d.states[i].group].p += d.states[i].p
	}
	// Neighbours in the order of causes are drawn from in turn.
	slices.SortStableFunc(d.states, func(x, y weighedState) int { return cmp.Compare(x.group, y.group) })
}

// actions states the regret of everything that may be done, for each cause: leave alone, clean, replace, or look for
// one cause. Who looks in the wrong place has lost the time of it. No action is masked by probabilities, or the
// least regret would jump where it must not; what may never be done is left out.
func (d *decision) actions() {
	r := d.r
	targets := []Inspection{InspectUnspecified}
	for g := range d.groups {
		if i := d.groups[g].sees; !slices.Contains(targets, i) {
			targets = append(targets, i)
		}
	}
	cleanable := r.cleanable()
	for g := range d.groups {
		x := &d.groups[g]
		st := stateOf(x.condition, x.cause)
		if st == isDirty && !cleanable {
			st = isFailed
		}
		x.regret = append(x.regret, regrets[st][doLeave])
		if cleanable {
			x.regret = append(x.regret, regrets[st][doClean])
		}
		if r.a.hasMeter() {
			x.regret = append(x.regret, regrets[st][doReplace])
		}
		for _, i := range targets {
			lost := 0.0
			if st == isOther && i != x.sees {
				lost = regretPerMinute * lookOf(x.sees).minutes
				if i != InspectUnspecified {
					lost = regretPerMinute * lookOf(i).minutes
				}
			}
			x.regret = append(x.regret, regrets[st][doInspect]+lost)
		}
	}
}

// least regret over all actions for probabilities of the groups, and the action.
func (d *decision) least(p []float64) (regret float64, action int) {
	regret = math.Inf(1)
	if len(d.groups) == 0 {
		return 0, 0
	}
	for a := range d.groups[0].regret {
		if e := d.expected(p, a); e < regret {
			regret, action = e, a
		}
	}
	return regret, action
}

func (d *decision) expected(p []float64, action int) float64 {
	e := 0.0
	for g := range d.groups {
		e += p[g] * d.groups[g].regret[action]
	}
	return e
}

// measured brings what the drive has measured into the coordinates of each level's covariance.
func (d *decision) measured() {
	r := d.r
	n := len(r.fs)
	x := make([]float64, n)
	for s := range d.states {
		st := &d.states[s]
		if d.levels[st.level] == nil {
			d.levels[st.level] = r.covarianceOf(st.level)
		}
		for i := range r.fs {
			x[i] = r.fs[i].y - r.shiftOf(i) - r.m.predict(&st.state, &r.fs[i])
		}
		st.residual = make([]float64, n)
		d.levels[st.level].chol.forward(x, st.residual)
	}
	d.scale = d.spread()
}

// covarianceOf what was measured at a level of vagueness, narrowed by reference drives.
func (r *result) covarianceOf(level int) *levelCovariance {
	var s matrix
	_, j := r.m.covariance(r.fs, r.p.oddOutside > 0.5)
	for i := range j {
		r.narrow(&j[i], r.fs[i].kind)
	}
	if level == 0 {
		s, _ = r.leadCovariance()
	} else {
		s, _ = r.m.covariance(r.fs, r.p.oddOutside > 0.5)
		loosen(s, r.fs, [...]float64{0, 1, brokenScale}[level])
	}
	s.cholesky()
	return &levelCovariance{chol: s, j: j}
}

// narrow leaves of the nuisances what a believed reference drive leaves.
func (r *result) narrow(j *[nuisanceCount]float64, k featureKind) {
	if r.p.learned == nil {
		return
	}
	for q := range j {
		j[q] *= r.m.leftOf(q, k, k).engine
	}
}

// spread is the scale of the likelihood's mixture that this drive speaks for: how far the widths of prior.go are off on
// this vehicle, at its likeliest state.
func (d *decision) spread() float64 {
	top := 0
	for s := range d.states {
		if d.states[s].p > d.states[top].p {
			top = s
		}
	}
	if len(d.states) == 0 {
		return 1
	}
	n, q := float64(len(d.r.fs)), 0.0
	for _, z := range d.states[top].residual {
		q += z * z
	}
	best := math.Inf(-1)
	for _, x := range logScales {
		best = math.Max(best, x.weight-n*x.scale-q*x.half)
	}
	square, total := 0.0, 0.0
	for i, x := range logScales {
		w := math.Exp(x.weight - n*x.scale - q*x.half - best)
		square += w * sq(scales[i].scale)
		total += w
	}
	return math.Sqrt(square / total)
}

// nearest is the number of the drive whose operating point a promised one repeats most, and how far it does: the
// roughness of the engine at a point returns with it. −1 where none is near.
func (r *result) nearest(p *promised) (at int, alike float64) {
	at = none
	if p.silent {
		return at, 0
	}
	for q := range r.fs {
		if a := alikeness(&p.f, &r.fs[q]); a > alike {
			at, alike = q, a
		}
	}
	return at, alike
}

// alikeness is the correlation of the roughness at two operating points, by the lengths of joint.go.
func alikeness(f, g *feature) float64 {
	if f.kind != g.kind || f.class != g.class {
		return 0
	}
	d := 0.0
	switch f.kind {
	case featAir:
		d = sq(math.Log(f.rpm/g.rpm)/fineSpeedLength) + sq((vacuumOf(f)-vacuumOf(g))/fineVacuumLength)
	case featFuel, featRate, featLambda:
		d = sq(math.Log(f.flow/g.flow) / fineFlowLength)
	}
	return math.Exp(-0.5 * d)
}

// roughness is what a number has for itself without the scatter of its reading.
func roughness(own, sd float64) float64 { return math.Sqrt(math.Max(0, sq(own)-sq(sd))) }

// forecast is the covariance of a test's numbers given the drive, and what of the drive moves their means.
type forecast struct {
	cross [][]float64 // rows of L for the new numbers, over those measured
	chol  matrix
}

func (d *decision) forecast(ps []promised, level int) forecast {
	r, l := d.r, d.levels[level]
	n, k := len(r.fs), len(ps)
	f := forecast{cross: make([][]float64, k), chol: newMatrix(k)}
	v := vaguenessOf(level)
	c := make([]float64, n)
	near, alike := make([]int, k), make([]float64, k)
	for i := range ps {
		p := &ps[i]
		near[i], alike[i] = r.nearest(p)
		rough := roughness(p.own, p.f.sd)
		for q := range r.fs {
			c[q] = r.m.shared(&p.f, &r.fs[q]) + dot(&p.j, &l.j[q]) + vaguely(&p.f, &r.fs[q], v)
			if q == near[i] {
				c[q] += alike[i] * rough * roughness(r.m.ownSD(&r.fs[q]), r.fs[q].sd)
			}
		}
		f.cross[i] = make([]float64, n)
		l.chol.forward(c, f.cross[i])
		for q := range i + 1 {
			x := r.m.shared(&p.f, &ps[q].f) + dot(&p.j, &ps[q].j) + vaguely(&p.f, &ps[q].f, v)
			switch {
			case q == i:
				x += sq(p.own)
			case near[i] != none && near[i] == near[q]:
				x += alike[i] * alike[q] * rough * roughness(ps[q].own, ps[q].f.sd)
			}
			for y := range n {
				x -= f.cross[i][y] * f.cross[q][y]
			}
			f.chol.set(i, q, x)
		}
	}
	f.factor(ps)
	return f
}

// factor is Cholesky's, with each number at least as uncertain as its reading, whatever else is known.
func (f *forecast) factor(ps []promised) {
	l := f.chol
	for i := range l.n {
		for k := range i + 1 {
			x := l.get(i, k)
			for q := range k {
				x -= l.get(i, q) * l.get(k, q)
			}
			if i == k {
				x = math.Sqrt(math.Max(x, sq(math.Max(ps[i].f.sd, 1e-3))))
			} else {
				x /= l.get(k, k)
			}
			l.set(i, k, x)
		}
	}
}

func vaguenessOf(level int) float64 { return [...]float64{0, 1, brokenScale}[level] }

// vaguely is what a cause that nobody modelled adds to the covariance of two numbers.
func vaguely(f, g *feature, scale float64) float64 {
	if scale == 0 || f.kind != g.kind {
		return 0
	}
	v := vagueOf(f.kind)
	x := sq(v.constant)
	if v.smooth > 0 {
		x += sq(v.smooth) * math.Exp(-0.5*sq(math.Log(f.flow/g.flow)/smoothLength))
	}
	switch f.kind {
	case featAir, featFuel, featRate:
		x *= sq(scale)
	}
	return x
}

func dot(a, b *[nuisanceCount]float64) float64 {
	x := 0.0
	for q := range nuisanceCount {
		x += a[q] * b[q]
	}
	return x
}

// worth of a test.
type worth struct {
	reduction float64
	apart     []AmbiguousCause
}

// worthOf a test that gives numbers.
func (d *decision) worthOf(t *testRun) worth {
	ps := t.promises[:min(len(t.promises), mostPromises)]
	for i := range ps {
		d.r.narrow(&ps[i].j, ps[i].f.kind)
	}
	var fs [3]forecast
	for level, l := range d.levels {
		if l != nil {
			fs[level] = d.forecast(ps, level)
		}
	}
	k := len(ps)
	mean := make([]float64, k)
	means := make([][]float64, len(d.states))
	for s := range d.states {
		st := &d.states[s]
		f := &fs[st.level]
		means[s] = make([]float64, k)
		for i := range ps {
			x := 0.0
			if !ps[i].silent {
				x = d.r.m.predict(&st.state, &ps[i].f)
			}
			for q, z := range st.residual {
				x += f.cross[i][q] * z
			}
			means[s][i] = x
		}
		copy(mean, means[s])
		st.z = make([]float64, k)
		f.chol.forward(mean, st.z)
	}
	return d.average(fs, means, k)
}

// average goes through the outcomes: each is drawn from a state, states in proportion to their probability, at a point
// of a set that fills space evenly.
func (d *decision) average(fs [3]forecast, means [][]float64, k int) worth {
	t := newTally(d)
	y := make([]float64, k)
	var seen [3][]float64
	var logD [3]float64
	for level := range fs {
		if d.levels[level] == nil {
			continue
		}
		seen[level] = make([]float64, k)
		for i := range k {
			logD[level] += math.Log(fs[level].chol.get(i, i))
		}
	}
	s, cum := 0, d.states[0].p
	logs := make([]float64, len(d.states))
	for o := range outcomes {
		for u := (float64(o) + 0.5) / outcomes; u > cum && s < len(d.states)-1; {
			s++
			cum += d.states[s].p
		}
		c := &fs[d.states[s].level].chol
		for i := range k {
			y[i] = means[s][i]
			for q := range i + 1 {
				y[i] += d.scale * c.get(i, q) * evenNormal(o, q)
			}
		}
		for level := range fs {
			if seen[level] != nil {
				fs[level].chol.forward(y, seen[level])
			}
		}
		best := math.Inf(-1)
		for x := range d.states {
			st := &d.states[x]
			q := 0.0
			for i, z := range seen[st.level] {
				q += sq(z - st.z[i])
			}
			logs[x] = -0.5*q/sq(d.scale) - logD[st.level]
			best = math.Max(best, logs[x])
		}
		t.reset()
		for x := range d.states {
			if l := logs[x] - best; l > -negligible {
				t.add(d.states[x].group, d.states[x].p*math.Exp(l))
			}
		}
		t.take(1.0 / outcomes)
	}
	return t.worth()
}

// worthOfLook is that of an inspection: it finds its fault or it does not.
func (d *decision) worthOfLook(i Inspection, l look) worth {
	t := newTally(d)
	for _, found := range []bool{true, false} {
		total := 0.0
		t.reset()
		for g := range d.groups {
			hit := 1 - l.specificity
			if d.groups[g].shows(i) {
				hit = l.sensitivity
			}
			w := d.groups[g].p * pick(found, hit, 1-hit)
			t.add(g, w)
			total += w
		}
		if total > 0 {
			t.take(total)
		}
	}
	return t.worth()
}

// shows: the inspection sees the cause itself. A right part number does not clear a part.
func (g *causeGroup) shows(i Inspection) bool {
	return g.sees == i && g.cause != CauseGain && g.cause != CauseOffset
}

// tally sums up what outcomes do to regret and to each pair of causes.
type tally struct {
	d         *decision
	p         []float64
	reduction float64
	together  []float64
	taken     float64
}

func newTally(d *decision) *tally {
	n := len(d.groups)
	return &tally{d: d, p: make([]float64, n), together: make([]float64, n*n)}
}

func (t *tally) reset() { clear(t.p) }

func (t *tally) add(group int, w float64) { t.p[group] += w }

// take counts an outcome with its weight; the weights of all outcomes sum to 1.
func (t *tally) take(weight float64) {
	total := 0.0
	for _, x := range t.p {
		total += x
	}
	for g := range t.p {
		t.p[g] /= total
	}
	least, _ := t.d.least(t.p)
	t.reduction += weight * math.Max(0, t.d.expected(t.p, t.d.chosen)-least)
	t.taken += weight
	n := len(t.p)
	for g := range n {
		for h := range g {
			t.together[g*n+h] += weight * t.p[g] * t.p[h]
		}
	}
}

// apartFrom is the probability product from which two causes are worth telling apart.
const apartFrom = 1e-3

// worth names the two causes whose confusion falls most: the product of their probabilities falls to nought where every
// outcome leaves only one of them.
func (t *tally) worth() worth {
	w := worth{reduction: t.reduction}
	n := len(t.p)
	best, a, b := apartFrom, -1, -1
	for g := range n {
		for h := range g {
			if fall := t.d.groups[g].p*t.d.groups[h].p - t.together[g*n+h]; fall > best {
				best, a, b = fall, g, h
			}
		}
	}
	if a < 0 {
		return w
	}
	if t.d.groups[b].p > t.d.groups[a].p {
		a, b = b, a
	}
	for _, g := range []int{a, b} {
		x := &t.d.groups[g]
		w.apart = append(w.apart, AmbiguousCause{Condition: x.condition, Cause: x.cause, Probability: x.p})
	}
	return w
}

// evenNormal is coordinate q of point o of a set that fills the normal distribution evenly: fractions of multiples of
// the powers of the root of x⁷ = x+1, turned by the inverse of the normal distribution.
func evenNormal(o, q int) float64 { return evenNormals[o][q] }

var evenNormals = func() (table [outcomes][mostPromises]float64) {
	const root = 1.1127756842787055 // of x⁷ = x+1
	for q := range mostPromises {
		step := math.Pow(root, -float64(q+1))
		for o := range outcomes {
			x := 0.5 + step*float64(o+1)
			x -= math.Floor(x)
			table[o][q] = math.Sqrt2 * math.Erfinv(2*math.Min(math.Max(x, 1e-3), 1-1e-3)-1)
		}
	}
	return table
}()
