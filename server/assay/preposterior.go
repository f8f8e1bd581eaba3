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
	outcomes = 64
	// mostOutcomes are there, one for each cause that gets less than one.
	mostOutcomes = 128
	// statesWeighed bounds the states that take part, and restWeighed what may be left out of them together.
	statesWeighed = 128
	restWeighed   = 0.01
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

// average goes through the outcomes: each is drawn from a state, at a point of a set that fills space evenly.
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
	logs := make([]float64, len(d.states))
	for o, draw := range d.draws() {
		s := draw.state
		c := &fs[d.states[s].level].chol
		for i := range k {
			y[i] = means[s*k+i]
			for q := range i + 1 {
				y[i] += d.scale * c.get(i, q) * evenNormal(o%mostOutcomes, q)
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
		t.take(draw.weight)
	}
	return t.worth()
}

// drawn is an outcome's state, and what it counts for.
type drawn struct {
	state  int
	weight float64
}

// draws picks the states of the outcomes. Each cause gets outcomes by the root of its probability, so that a rare one that
// costs much is not left to a single point, and they count for its probability together.
func (d *decision) draws() []drawn {
	if d.drawn != nil {
		return d.drawn
	}
	roots := 0.0
	for g := range d.groups {
		roots += math.Sqrt(d.groups[g].p)
	}
	first := 0
	for first < len(d.states) {
		g, end := d.states[first].group, first
		for end < len(d.states) && d.states[end].group == g {
			end++
		}
		p := d.groups[g].p
		n := max(1, int(outcomes*math.Sqrt(p)/roots))
		s, cum := first, d.states[first].p
		for k := range n {
			for u := (float64(k) + 0.5) / float64(n) * p; u > cum && s < end-1; {
				s++
				cum += d.states[s].p
			}
			d.drawn = append(d.drawn, drawn{s, p / float64(n)})
		}
		first = end
	}
	return d.drawn
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
// numbers that are badly approached by fractions, turned by the inverse of the normal distribution. Every stretch of
// neighbouring points is even by itself.
func evenNormal(o, q int) float64 { return evenNormals[o][q] }

var evenNormals = func() (table [mostOutcomes][mostPromises]float64) {
	steps := [mostPromises]float64{math.Phi, math.Sqrt2, math.Sqrt(3), math.Sqrt(5), math.Sqrt(7), math.Sqrt(11)}
	for q, step := range steps {
		for o := range mostOutcomes {
			x := 0.5 + step*float64(o+1)
			x -= math.Floor(x)
			table[o][q] = math.Sqrt2 * math.Erfinv(2*math.Min(math.Max(x, 1e-3), 1-1e-3)-1)
		}
	}
	return table
}()
