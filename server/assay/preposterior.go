// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import "math"

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
	means, all := make([]float64, k*len(d.states)), make([]float64, k*len(d.states))
	for s := range d.states {
		st := &d.states[s]
		f := &fs[st.level]
		mean := means[s*k : (s+1)*k]
		for i := range ps {
			x := 0.0
			if !ps[i].silent {
				x = d.r.m.predict(&st.state, &ps[i].f)
			}
			for q, z := range st.residual {
				x += f.cross[i][q] * z
			}
			mean[i] = x
		}
		st.z = all[s*k : (s+1)*k : (s+1)*k]
		f.chol.forward(mean, st.z)
	}
	return d.average(fs, means, k)
}

// average goes through the outcomes: each is drawn from a state, states in proportion to their probability, at a point
// of a set that fills space evenly.
func (d *decision) average(fs [3]forecast, means []float64, k int) worth {
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
			y[i] = means[s*k+i]
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
