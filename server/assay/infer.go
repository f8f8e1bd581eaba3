// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import "math"

// scales are how far the widths of prior.go may be off on one vehicle, all of them together, and
// how often: the likelihood is a mixture of normal distributions over them. The narrowest is fitted,
// the only constant that is (DEVELOPERS.md says how): sound development cases scatter by about 0.8 of
// what prior.go says. The wide ones are the heavy tail by which one odd vehicle does not decide
// [DOMAIN 6.3]. No scale is narrower, however smooth the features of one drive are: that a trim does
// not move tells nothing of how far the mixture of a sound car may be off.
var scales = [...]struct{ scale, weight float64 }{{0.8, 0.75}, {1.1, 0.15}, {1.6, 0.06}, {2.4, 0.03}, {3.6, 0.01}}

// logTail is the logarithm of the likelihood of n features whose squared distance from what is
// predicted, in standard deviations, is q; the determinant of their covariance is left out. A joint
// inference asks for it a million times.
func logTail(n, q float64) float64 {
	best, at := math.Inf(-1), 0
	var ls [len(scales)]float64
	for i := range logScales {
		x := &logScales[i]
		ls[i] = x.weight - n*x.scale - q*x.half
		if ls[i] > best {
			best, at = ls[i], i
		}
	}
	sum := 1.0
	for i, l := range ls {
		if i != at && l > best-negligible {
			sum += math.Exp(l - best)
		}
	}
	if sum == 1 {
		return best
	}
	return best + math.Log(sum)
}

// negligible is the logarithm of the share below which a part of a sum is left out: a hundred-thousandth.
const negligible = 11.5

// logScales are the logarithms of scales, and half over the square of the scale.
var logScales = func() (logs [len(scales)]struct{ scale, weight, half float64 }) {
	for i, x := range scales {
		logs[i].scale, logs[i].weight, logs[i].half = math.Log(x.scale), math.Log(x.weight), 0.5/sq(x.scale)
	}
	return logs
}()

// brokenScale is how much wilder than an unmodelled cause a broken signal may be. It
// holds only where the signal's own samples show that it is broken; numbers that
// merely fit nothing are no sign of that.
const brokenScale = 6.0

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
	// oddPressure is the probability that metered air and manifold pressure do not
	// belong together in a way that none of the faults explains.
	oddPressure float64
	// tolerance is, for each hypothesis and state, what remains of the meter's own
	// tolerance: mean and variance of gain and shape.
	tolerance [][]toleranceLeft
	// lead is the likeliest state of all.
	lead lead
	// learned is what reference drives teach; nil without any, and where none was believed.
	learned *learned
	// believed is the probability that each usable reference is of this engine and was sound.
	believed []float64
}

// toleranceLeft is the meter's own tolerance in standard deviations of its prior.
type toleranceLeft struct {
	gain, shape, varGain, varShape, covar float64
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

// vagueness is what a cause that nobody modelled may do to one kind of feature, as standard
// deviations in that feature's unit: a constant and a part that varies smoothly over flow.
type vagueness struct{ constant, smooth float64 }

// smoothLength is over how much of the logarithm of flow the smooth part keeps its value.
const smoothLength = 0.9

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
				x += sq(v.smooth) * math.Exp(-0.5*sq(d/smoothLength))
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
	chol                    matrix
	logD                    float64
	w                       float64
	oddOutside, oddPressure bool
	// gain and shape are L⁻¹ of what the meter's own tolerance moves.
	gain, shape []float64
}

func newVariant(s matrix, j [][nuisanceCount]float64, w float64) variant {
	v := variant{logD: s.cholesky(), chol: s, w: math.Log(w)}
	n := s.n
	g, h := make([]float64, n), make([]float64, n)
	for i := range j {
		g[i], h[i] = j[i][nMeterGain], j[i][nMeterShape]
	}
	v.gain, v.shape = make([]float64, n), make([]float64, n)
	s.forward(g, v.gain)
	s.forward(h, v.shape)
	return v
}

// maxVariants of one covariance: the outside sensor and the pressure, each believed or not.
const maxVariants = 4

// logLikelihood of a residual, over all features together.
func (v *variant) logLikelihood(r, z []float64) float64 {
	v.chol.forward(r, z)
	q := 0.0
	for _, x := range z {
		q += x * x
	}
	return logTail(float64(len(r)), q) - v.logD
}

func (a *Assay) infer(m *model, fs []feature) *posterior {
	if pasts := a.pasts(m); len(pasts) > 0 {
		return a.inferJoint(m, fs, pasts).p
	}
	p := &posterior{hs: a.visibleHypotheses(m, fs)}
	sound, vague, broken := a.variants(m, fs, 0), a.variants(m, fs, 1), a.variants(m, fs, brokenScale)
	r, z := make([]float64, len(fs)), make([]float64, len(fs))
	used := make([][]variant, len(p.hs))
	logs := make([][][maxVariants]float64, len(p.hs))
	best := math.Inf(-1)
	for hi := range p.hs {
		h := &p.hs[hi]
		vs := sound
		switch {
		case h.condition == ConditionMeterSignalFault && h.vague && h.extra > 0:
			vs = broken
		case h.vague:
			vs = vague
		}
		used[hi] = vs
		logs[hi] = make([][maxVariants]float64, len(h.states))
		p.tolerance = append(p.tolerance, make([]toleranceLeft, len(h.states)))
		for si := range h.states {
			for i := range fs {
				r[i] = fs[i].y - m.predict(&h.states[si], &fs[i])
			}
			base := math.Log(h.prior) + h.extra + logStateWeight(h, si)
			lead := math.Inf(-1)
			for vi := range vs {
				l := vs[vi].logLikelihood(r, z) + base + vs[vi].w
				logs[hi][si][vi] = l
				if l > lead {
					lead = l
					p.tolerance[hi][si] = vs[vi].tolerance(z)
				}
			}
			best = math.Max(best, lead)
		}
	}
	p.collect(logs, best, used)
	return p
}

// unseenShare is what remains of the weight of a state that nothing recorded could show.
const unseenShare = 0.05

// visibleHypotheses are those of the vehicle, each state weighed by how likely the drive would show
// it: "no fault" means none that would have shown.
func (a *Assay) visibleHypotheses(m *model, fs []feature) []hypothesis {
	hs := a.hypotheses(m)
	chol, _ := m.covariance(fs, false)
	chol.cholesky()
	d, z := make([]float64, len(fs)), make([]float64, len(fs))
	for i := range hs {
		hs[i].weighStates(func(s *fault) float64 {
			for k := range fs {
				d[k] = m.predict(s, &fs[k])
			}
			chol.forward(d, z)
			return squared(z)
		})
	}
	return hs
}

// weighStates multiplies the weight of each state by the probability that the drive shows it; distance is
// the squared distance of its features from a sound vehicle's, in standard deviations. What stands in raw
// samples needs no numbers.
func (h *hypothesis) weighStates(distance func(s *fault) float64) {
	if h.condition == ConditionNoFault || h.vague || h.extra != 0 {
		return
	}
	weights := make([]float64, len(h.states))
	for si := range h.states {
		only := h.states[si]
		only.lateClosing = 0
		shown := 1 - math.Exp(-0.5*distance(&only)/sq(scales[0].scale))
		weights[si] = math.Exp(logStateWeight(h, si)) * math.Max(unseenShare, shown)
	}
	h.weights = weights
}

func squared(xs []float64) float64 {
	sum := 0.0
	for _, x := range xs {
		sum += x * x
	}
	return sum
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

// oddPressurePrior is how often flow and pressure disagree for reasons outside the
// list of faults: an engine that breathes like no textbook, values that were not
// sampled together, a sensor of another engine.
const oddPressurePrior = 0.03

// oddPressureScale is how wild the air ratio may then be, in amplitudes of an
// unmodelled cause.
const oddPressureScale = 2.5

func (a *Assay) variants(m *model, fs []feature, vagueness float64) []variant {
	var out []variant
	add := func(oddOutside, oddPressure bool, w float64) {
		s, j := m.covariance(fs, oddOutside)
		if vagueness > 0 {
			loosen(s, fs, vagueness)
		}
		if oddPressure {
			loosenAir(s, fs)
		}
		v := newVariant(s, j, w)
		v.oddOutside, v.oddPressure = oddOutside, oddPressure
		out = append(out, v)
	}
	outside, pressure := a.oddSplit(fs), len(indices(fs, featAir, partLoad)) > 0 && vagueness == 0
	// The weight of a believed outside sensor is times the likelihood of how it moved.
	move := a.outsideMovement()
	for _, o := range []bool{false, true} {
		for _, p := range []bool{false, true} {
			if o && !outside || p && !pressure {
				continue
			}
			w := 1.0
			if outside {
				w *= pick(o, oddOutsidePrior, (1-oddOutsidePrior)*move)
			}
			if pressure {
				w *= pick(p, oddPressurePrior, 1-oddPressurePrior)
			}
			add(o, p, w)
		}
	}
	return out
}

func pick(is bool, yes, no float64) float64 {
	if is {
		return yes
	}
	return no
}

// loosenAir lets the air ratio be anything smooth, and leaves the rest alone.
func loosenAir(s matrix, fs []feature) {
	v := vagueOf(featAir)
	for i := range fs {
		for k := range i + 1 {
			if fs[i].kind != featAir || fs[k].kind != featAir {
				continue
			}
			d := math.Log(fs[i].flow / fs[k].flow)
			x := sq(v.constant) + sq(v.smooth)*math.Exp(-0.5*sq(d/smoothLength))
			s.set(i, k, s.get(i, k)+sq(oddPressureScale)*x)
		}
	}
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

func (p *posterior) collect(logs [][][maxVariants]float64, best float64, used [][]variant) {
	total := 0.0
	for hi := range logs {
		p.state = append(p.state, make([]float64, len(logs[hi])))
		p.p = append(p.p, 0)
		for si := range logs[hi] {
			for vi := range used[hi] {
				w := math.Exp(logs[hi][si][vi] - best)
				p.state[hi][si] += w
				p.p[hi] += w
				total += w
				if used[hi][vi].oddOutside {
					p.oddOutside += w
				}
				if used[hi][vi].oddPressure {
					p.oddPressure += w
				}
			}
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
	p.oddPressure /= total
}

// tolerance conditions the meter's own tolerance on the residual: z is L⁻¹r.
func (v *variant) tolerance(z []float64) toleranceLeft {
	t := toleranceLeft{varGain: 1, varShape: 1}
	for i := range z {
		t.gain += v.gain[i] * z[i]
		t.shape += v.shape[i] * z[i]
		t.varGain -= v.gain[i] * v.gain[i]
		t.varShape -= v.shape[i] * v.shape[i]
		t.covar -= v.gain[i] * v.shape[i]
	}
	return t
}
