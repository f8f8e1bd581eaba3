// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import (
	"cmp"
	"math"
	"slices"
)

// Evidence is correlated: a meter that is off by one factor shows in every number that hangs on it,
// and so does an engine that breathes a little better than its kind. Logarithms of likelihood
// ratios of single numbers therefore do not add up to that of all numbers. What one number adds to
// those that are known already does, but it depends on which come first: of two that say the same
// the first takes all. Its share is what it adds on average over many orders. Shares add up to the
// whole exactly, and two numbers that say the same get the same. All are in nats.

// shareOrders is over how many orders the share of a piece of evidence is averaged, half of them the
// other half backwards. With eight a share is within some tenths of the mean over all orders.
const shareOrders = 8

// evidenceShares are, for each state, the shares of each feature in the logarithm of the likelihood
// of all features, the part that the covariance alone decides left out: only differences between
// states mean anything. predicted holds what each state adds to each feature.
func evidenceShares(cov matrix, y []float64, predicted [][]float64) [][]float64 {
	n := len(y)
	shares := make([][]float64, len(predicted))
	for s := range shares {
		shares[s] = make([]float64, n)
	}
	if n == 0 {
		return shares
	}
	chol, r, z := newMatrix(n), make([]float64, n), make([]float64, n)
	order := make([]int, n)
	for k := range shareOrders {
		arrange(order, k)
		for i := range n {
			for q := range i + 1 {
				chol.set(i, q, symmetric(cov, order[i], order[q]))
			}
		}
		chol.cholesky()
		for s := range predicted {
			for i, f := range order {
				r[i] = y[f] - predicted[s][f]
			}
			chol.forward(r, z)
			q, before := 0.0, 0.0
			for i, f := range order {
				q += z[i] * z[i]
				after := logTail(float64(i+1), q)
				shares[s][f] += (after - before) / shareOrders
				before = after
			}
		}
	}
	return shares
}

func symmetric(m matrix, i, k int) float64 {
	if i < k {
		i, k = k, i
	}
	return m.get(i, k)
}

// arrange fills in the k-th order: sorted by the fractions of multiples of an irrational number, which
// spread evenly, and backwards for odd k.
func arrange(order []int, k int) {
	for i := range order {
		order[i] = i
	}
	step := math.Sqrt(float64(2 + 3*(k/2)*(k/2+1)))
	if k < 2 {
		step = 0
	}
	key := func(i int) float64 {
		if step == 0 {
			return float64(i)
		}
		x := float64(i+1) * (step + math.Phi)
		return x - math.Floor(x)
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(key(a), key(b)) })
	if k%2 == 1 {
		slices.Reverse(order)
	}
}

// leadCovariance is the covariance of the features that the leading state was judged with, and how
// far reference drives move what is expected.
func (r *result) leadCovariance() (matrix, []float64) {
	if r.p.learned != nil {
		return r.pressureExpectation()
	}
	cov, _ := r.m.covariance(r.fs, r.p.oddOutside > 0.5)
	if r.contradicted() {
		loosenAir(cov, r.fs)
	}
	return cov, make([]float64, len(r.fs))
}

// explained is a state of the world beside all evidence: what it predicts, and each piece's share in
// what speaks for it.
type explained struct {
	hi, si    int
	predicted []float64
	shares    []float64
}

// explainAll compares no fault, as the first, and the likeliest magnitude of each condition with all features.
func (r *result) explainAll() []explained {
	states := append([]explained{r.likeliestOf(ConditionNoFault)}, r.likeliestStates()...)
	cov, shift := r.leadCovariance()
	y := make([]float64, len(r.fs))
	for i := range r.fs {
		y[i] = r.fs[i].y - shift[i]
	}
	predicted := make([][]float64, len(states))
	for k := range states {
		x := &states[k]
		x.predicted = make([]float64, len(r.fs))
		state := r.stateAt(x.hi, x.si)
		for i := range r.fs {
			x.predicted[i] = r.m.predict(&state, &r.fs[i])
		}
		predicted[k] = x.predicted
	}
	for k, s := range evidenceShares(cov, y, predicted) {
		states[k].shares = s
	}
	return states
}

// stateAt is a state of the posterior, or a sound vehicle for none.
func (r *result) stateAt(hi, si int) fault {
	if hi == none {
		return fault{}
	}
	return r.p.hs[hi].states[si]
}

// likeliestOf is the likeliest state of a condition.
func (r *result) likeliestOf(c Condition) explained {
	best, top := explained{hi: none}, -1.0
	for hi := range r.p.hs {
		if r.p.hs[hi].condition != c {
			continue
		}
		for si, p := range r.p.state[hi] {
			if p > top {
				best.hi, best.si, top = hi, si, p
			}
		}
	}
	return best
}

// likeliestStates are the likeliest states of each condition that predicts numbers and has any probability, the
// likeliest condition first; no fault is left out.
func (r *result) likeliestStates() []explained {
	best := map[Condition]explained{}
	top := map[Condition]float64{}
	for hi := range r.p.hs {
		h := &r.p.hs[hi]
		if h.condition == ConditionNoFault || h.vague {
			continue
		}
		for si, p := range r.p.state[hi] {
			if c := r.conditionOf(hi, si); p > top[c] {
				top[c], best[c] = p, explained{hi: hi, si: si}
			}
		}
	}
	var out []explained
	for _, c := range r.out.Conditions {
		if b, ok := best[c.Condition]; ok {
			out = append(out, b)
		}
	}
	return out
}

// shareLeanings adds to what one feature says alone its shares in what all evidence says.
func (r *result) shareLeanings(ls []Leaning, all []explained, feature int) {
	for k := range ls {
		for x := range all {
			if r.conditionOfState(&all[x]) == ls[k].Condition {
				ls[k].Share = all[x].shares[feature] - all[0].shares[feature]
			}
		}
	}
}
