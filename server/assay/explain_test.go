// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import (
	"math"
	"testing"
)

// flat is a covariance in which everything shares one part and has one of its own.
func flat(n int, shared, own float64) matrix {
	m := newMatrix(n)
	for i := range n {
		for k := range i + 1 {
			x := shared * shared
			if i == k {
				x += own * own
			}
			m.set(i, k, x)
		}
	}
	return m
}

// Eight numbers that say the same are not eight proofs, and none of them is the one that counts.
func TestCorrelatedEvidenceIsCountedAsIndependent(t *testing.T) {
	const n = 8
	y, nothing, fault := make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range n {
		y[i], fault[i] = -0.15, -0.15
	}
	shares := evidenceShares(flat(n, 0.06, 0.01), y, [][]float64{nothing, fault})
	total, naive := 0.0, 0.0
	least, most := math.Inf(1), math.Inf(-1)
	alone := logTail(1, 0) - logTail(1, sq(0.15)/(sq(0.06)+sq(0.01)))
	for i := range n {
		x := shares[1][i] - shares[0][i]
		total += x
		naive += alone
		least, most = math.Min(least, x), math.Max(most, x)
	}
	if naive < 4*total {
		t.Errorf("all together say %.2f, one by one %.2f: the test tests nothing", total, naive)
	}
	if least < 0.3*total/n || most > 3*total/n {
		t.Errorf("numbers that say the same have shares from %.3f to %.3f of %.2f", least, most, total)
	}
}

// Shares of whatever was measured add up to what all of it says.
func TestSharesDoNotAddUp(t *testing.T) {
	const n = 11
	cov := newMatrix(n)
	y, h := make([]float64, n), make([]float64, n)
	for i := range n {
		y[i], h[i] = 0.05*math.Sin(float64(3*i+1)), -0.1+0.02*float64(i)
		for k := range i + 1 {
			cov.set(i, k, 0.0016*math.Exp(-0.3*sq(float64(i-k))))
		}
		cov.set(i, i, cov.get(i, i)+0.0004)
	}
	shares := evidenceShares(cov, y, [][]float64{make([]float64, n), h})
	got := 0.0
	for i := range n {
		got += shares[1][i] - shares[0][i]
	}
	l := newMatrix(n)
	copy(l.a, cov.a)
	l.cholesky()
	square := func(h []float64) float64 {
		r, z, q := make([]float64, n), make([]float64, n), 0.0
		for i := range n {
			r[i] = y[i]
			if h != nil {
				r[i] -= h[i]
			}
		}
		l.forward(r, z)
		for _, x := range z {
			q += x * x
		}
		return q
	}
	if want := logTail(n, square(h)) - logTail(n, square(nil)); math.Abs(got-want) > 1e-9*math.Max(1, math.Abs(want)) {
		t.Errorf("shares add up to %v, all evidence says %v", got, want)
	}
}

// twoStates is a decision between a sound meter and one that failed, with nothing measured yet.
func twoStates(p float64) *decision {
	a := New(NoFacts())
	a.settleFacts()
	r := &result{a: a, m: a.model(), p: &posterior{}}
	d := &decision{r: r, scale: 1, groups: []causeGroup{
		{condition: ConditionNoFault, cause: CauseNone, p: 1 - p, regret: []float64{0, 1.2}},
		{condition: ConditionMeterReadsLow, cause: CauseGain, p: p, regret: []float64{1, 0}},
	}}
	d.states = []weighedState{{p: 1 - p}, {p: p, group: 1, state: fault{gain: math.Log(0.9)}}}
	d.levels[0] = &levelCovariance{chol: newMatrix(0)}
	d.now, d.chosen = d.least([]float64{1 - p, p})
	return d
}

// The worth of a test of one number, two states and two actions can be integrated by hand.
func TestWorthOfATestIsMiscounted(t *testing.T) {
	for _, p := range []float64{0.1, 0.3, 0.6} {
		for _, sd := range []float64{0.02, 0.05, 0.2} {
			d := twoStates(p)
			f := feature{kind: featFuel, flow: 30, rpm: 3000, pressure: 95, baro: 99, tempK: 300, coolantC: 90, sd: 0.001}
			run := testRun{promises: []promised{{f: f, own: sd}}}
			got := d.worthOf(&run).reduction
			want := 0.0
			shift := -math.Log(0.9) // The control unit adds what the meter does not see.
			for x := -1.5; x < 1.5; x += 1e-4 {
				density := func(m float64) float64 {
					return math.Exp(-0.5*sq((x-m)/sd)) / (sd * math.Sqrt(2*math.Pi))
				}
				sound, low := (1-p)*density(0), p*density(shift)
				now := [2]float64{low, 1.2 * sound}[d.chosen]
				want += 1e-4 * (now - math.Min(low, 1.2*sound))
			}
			if math.Abs(got-want) > 0.10*want+0.006 {
				t.Errorf("p %v sd %v: worth %.4f, integrated %.4f", p, sd, got, want)
			}
		}
	}
}

// An inspection that cannot err is worth all of the regret; one that tosses a coin nothing.
func TestWorthOfAnInspectionIsMiscounted(t *testing.T) {
	d := twoStates(0.3)
	d.groups[1].cause, d.groups[1].sees = CauseWrongPartOrHousing, InspectMeterPartNumber
	if got := d.worthOfLook(InspectMeterPartNumber, look{5, 1, 1}).reduction; math.Abs(got-d.now) > 1e-12 {
		t.Errorf("a perfect look is worth %v of %v", got, d.now)
	}
	if got := d.worthOfLook(InspectMeterPartNumber, look{5, 0.5, 0.5}).reduction; got > 1e-12 {
		t.Errorf("a coin is worth %v", got)
	}
}
