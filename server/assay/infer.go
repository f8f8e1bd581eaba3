// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import "math"

// robustness is the degrees of freedom of the Student t that likelihoods are taken
// from: heavy enough tails that one odd feature does not decide [DOMAIN 6.3].
const robustness = 6.0

// oddOutsidePrior is how often the vehicle's own outside sensor lies: filtered,
// heated by the engine bay, or broken.
const oddOutsidePrior = 0.05

// posterior is what the features say.
type posterior struct {
	hs []hypothesis
	// p is the probability of each hypothesis; state the probability of each of its
	// magnitudes, summing to p.
	p     []float64
	state [][]float64
	// oddOutside is the probability that the vehicle's outside sensor lies.
	oddOutside float64
	// tolerance is, for each hypothesis and state, what remains of the meter's own
	// tolerance: mean and variance of gain and shape.
	tolerance [][]toleranceLeft
	// residual of each feature under the leading state, in its own standard deviations
	// given all others' common uncertainties.
	lead      lead
	evidence  float64
	worstAir  float64
	predicted map[int][]float64
}

type toleranceLeft struct {
	gain, shape          float64
	varGain, varShape    float64
	covar                float64
	quadratic, logWeight float64
}

type lead struct{ h, s int }

// covariance of the features: what they share, and what each has for itself.
func (m *model) covariance(fs []feature, odd bool) (s matrix, j [][nuisanceCount]float64) {
	n := len(fs)
	s = newMatrix(n)
	j = make([][nuisanceCount]float64, n)
	for i := range fs {
		j[i] = m.nuisances(&fs[i])
		if odd && (fs[i].kind == featSoakSensor || fs[i].kind == featRoadSensor) {
			j[i][nSensor] = oddSensorSD
		}
	}
	for i := range n {
		for k := range i + 1 {
			sum := m.shared(&fs[i], &fs[k])
			for q := range nuisanceCount {
				sum += j[i][q] * j[k][q]
			}
			if i == k {
				sum += sq(m.ownSD(&fs[i]))
			}
			s.set(i, k, sum)
		}
	}
	return s, j
}

// Amplitudes of what a cause that nobody modelled may do, as standard deviations: a
// constant and a part that varies smoothly over flow, per kind of feature.
type vagueness struct{ constant, smooth float64 }

func vagueOf(k featureKind) vagueness {
	switch k {
	case featAir:
		return vagueness{0.10, 0.12}
	case featFuel, featRate:
		return vagueness{0.07, 0.08}
	case featLambda, featLoad:
		return vagueness{0.08, 0.05}
	case featDeficit:
		return vagueness{0.03, 0.02}
	case featRestGap, featBaro:
		return vagueness{3, 0}
	case featSoak, featRoad, featSoakSensor, featRoadSensor:
		return vagueness{8, 0}
	case featBank, featMeters:
		return vagueness{0.06, 0}
	case featRestFlow:
		return vagueness{0.6, 0}
	case featTable, featDisplacement:
		return vagueness{0.06, 0}
	}
	return vagueness{}
}

// loosen adds to the covariance what an unmodelled cause may do; scale multiplies
// what it may do to what hangs on the meter.
func loosen(s matrix, fs []feature, scale float64) {
	for i := range fs {
		for k := range i + 1 {
			if fs[i].kind != fs[k].kind {
				continue
			}
			v := vagueOf(fs[i].kind)
			x := sq(v.constant)
			if v.smooth > 0 {
				d := math.Log(fs[i].flow / fs[k].flow)
				x += sq(v.smooth) * math.Exp(-0.5*sq(d/0.9))
			}
			switch fs[i].kind {
			case featAir, featFuel, featRate, featTable, featDisplacement, featMeters:
				x *= sq(scale)
			}
			s.set(i, k, s.get(i, k)+x)
		}
	}
}

// variant is one covariance with what follows from it.
type variant struct {
	chol matrix
	logD float64
	j    [][nuisanceCount]float64
	w    float64
}

func newVariant(s matrix, j [][nuisanceCount]float64, w float64) variant {
	logD := s.cholesky()
	return variant{chol: s, logD: logD, j: j, w: math.Log(w)}
}

// logLikelihood of a residual: Student t over all features together.
func (v *variant) logLikelihood(r, z []float64) (float64, float64) {
	n := float64(len(r))
	v.chol.forward(r, z)
	q := 0.0
	for _, x := range z {
		q += x * x
	}
	return -v.logD - 0.5*(robustness+n)*math.Log1p(q/robustness), q
}

func (a *Assay) infer(m *model, fs []feature) *posterior {
	p := &posterior{hs: a.hypotheses(m)}
	sound, odd := a.variants(m, fs, 0), a.oddSplit(fs)
	vague, broken := a.variants(m, fs, 1), a.variants(m, fs, 6)
	n := len(fs)
	r, z := make([]float64, n), make([]float64, n)
	logs := make([][][2]float64, len(p.hs))
	best := math.Inf(-1)
	for hi := range p.hs {
		h := &p.hs[hi]
		vs := sound
		switch {
		case h.condition == ConditionMeterSignalFault && h.vague:
			vs = broken
		case h.vague:
			vs = vague
		}
		logs[hi] = make([][2]float64, len(h.states))
		p.tolerance = append(p.tolerance, make([]toleranceLeft, len(h.states)))
		for si := range h.states {
			for i := range fs {
				r[i] = fs[i].y - m.predict(&h.states[si], &fs[i])
			}
			base := math.Log(h.prior) + h.extra + logStateWeight(h, si)
			for vi := range vs {
				l, q := vs[vi].logLikelihood(r, z)
				l += base + vs[vi].w
				logs[hi][si][vi] = l
				best = math.Max(best, l)
				if vi == 0 {
					p.tolerance[hi][si] = vs[vi].tolerance(z)
					p.tolerance[hi][si].quadratic = q
				}
			}
			if len(vs) == 1 {
				logs[hi][si][1] = math.Inf(-1)
			}
		}
	}
	p.collect(logs, best, odd)
	return p
}

func logStateWeight(h *hypothesis, si int) float64 {
	if h.weights != nil {
		return math.Log(h.weights[si])
	}
	return -math.Log(float64(len(h.states)))
}

// oddSplit tells whether the outside sensor takes part at all.
func (a *Assay) oddSplit(fs []feature) bool {
	for i := range fs {
		if fs[i].kind == featRoadSensor || fs[i].kind == featSoakSensor {
			return true
		}
	}
	return false
}

func (a *Assay) variants(m *model, fs []feature, vagueness float64) []variant {
	make1 := func(odd bool, w float64) variant {
		s, j := m.covariance(fs, odd)
		if vagueness > 0 {
			loosen(s, fs, vagueness)
		}
		return newVariant(s, j, w)
	}
	if !a.oddSplit(fs) {
		return []variant{make1(false, 1)}
	}
	// Both weights are times the likelihood of how the outside sensor moved.
	move := a.outsideMovement()
	return []variant{make1(false, (1-oddOutsidePrior)*move), make1(true, oddOutsidePrior)}
}

// outsideMovement is the likelihood ratio, a working outside sensor over a lying one,
// of how it moved on the road: outside air does not change by many kelvin within
// minutes while intake air, which it feeds, stays.
func (a *Assay) outsideMovement() float64 {
	r := &a.road
	if r.sensor.n < 30 {
		return 1
	}
	drift := math.Abs(r.ambientLast - r.ambientFirst)
	follow := math.Abs(r.ambientLast - r.ambientFirst - (r.intakeLast - r.intakeFirst))
	if drift < 4 || follow < 4 {
		return 1
	}
	return math.Exp(-math.Min(4, 0.7*(math.Min(drift, follow)-3)))
}

func (p *posterior) collect(logs [][][2]float64, best float64, odd bool) {
	total := 0.0
	for hi := range logs {
		p.state = append(p.state, make([]float64, len(logs[hi])))
		p.p = append(p.p, 0)
		for si, l := range logs[hi] {
			w0, w1 := math.Exp(l[0]-best), 0.0
			if odd {
				w1 = math.Exp(l[1] - best)
			}
			p.state[hi][si] = w0 + w1
			p.p[hi] += w0 + w1
			total += w0 + w1
			p.oddOutside += w1
		}
	}
	top := -1.0
	for hi := range p.p {
		p.p[hi] /= total
		for si := range p.state[hi] {
			p.state[hi][si] /= total
			if p.state[hi][si] > top {
				top, p.lead = p.state[hi][si], lead{hi, si}
			}
		}
	}
	p.oddOutside /= total
	p.evidence = best
}

// tolerance conditions the meter's own tolerance on the residual: z is L⁻¹r.
func (v *variant) tolerance(z []float64) toleranceLeft {
	n := len(z)
	g, s := make([]float64, n), make([]float64, n)
	for i := range v.j {
		g[i], s[i] = v.j[i][nMeterGain], v.j[i][nMeterShape]
	}
	zg, zs := make([]float64, n), make([]float64, n)
	v.chol.forward(g, zg)
	v.chol.forward(s, zs)
	t := toleranceLeft{varGain: 1, varShape: 1}
	for i := range z {
		t.gain += zg[i] * z[i]
		t.shape += zs[i] * z[i]
		t.varGain -= zg[i] * zg[i]
		t.varShape -= zs[i] * zs[i]
		t.covar -= zg[i] * zs[i]
	}
	return t
}
