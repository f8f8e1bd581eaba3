// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package truth

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
)

const (
	// calibrationBins hold equally many cases each.
	calibrationBins = 10
	// smallestProbability bounds the loss of a single case.
	smallestProbability = 1e-6
	bootstraps          = 1000
)

// forecast is one case as the scores of probabilities see it.
type forecast struct {
	// p is the probability of each condition; truth is the index of the true one.
	p      []float64
	truth  int
	weight float64
}

// lead is the likeliest condition and its probability.
func (f *forecast) lead() (top int, confidence float64) {
	for i, p := range f.p {
		if p > f.p[top] {
			top = i
		}
	}
	return top, f.p[top]
}

// Brier is the weighted mean of the squared distance between the probabilities and the
// truth, over all conditions: 0 for certainty of the truth, 2 for certainty of an error.
func brier(fs []forecast) float64 {
	return weighted(fs, func(f *forecast) float64 {
		sum := 0.0
		for i, p := range f.p {
			x := p
			if i == f.truth {
				x--
			}
			sum += x * x
		}
		return sum
	})
}

// logLoss is the weighted mean of −ln of the probability given to the truth.
func logLoss(fs []forecast) float64 {
	return weighted(fs, func(f *forecast) float64 { return -math.Log(math.Max(f.p[f.truth], smallestProbability)) })
}

func weighted(fs []forecast, score func(*forecast) float64) float64 {
	sum, weight := 0.0, 0.0
	for i := range fs {
		sum += fs[i].weight * score(&fs[i])
		weight += fs[i].weight
	}
	return sum / weight
}

// mark is the leading answer of one case: how sure it was, and whether it was right.
type mark struct {
	confidence, weight float64
	right              bool
}

func marksOf(fs []forecast) []mark {
	marks := make([]mark, len(fs))
	for i := range fs {
		top, confidence := fs[i].lead()
		marks[i] = mark{confidence, fs[i].weight, top == fs[i].truth}
	}
	slices.SortStableFunc(marks, func(a, b mark) int { return cmp.Compare(a.confidence, b.confidence) })
	return marks
}

// Bin is one bar of the reliability table.
type Bin struct {
	Cases      int     `json:"cases"`
	Confidence float64 `json:"confidence"`
	Right      float64 `json:"right"`
}

// bins splits marks, which are sorted by confidence, into equally many cases each. The
// share of the weight of each bin comes with it.
func bins(marks []mark) (list []Bin, shares []float64) {
	total := 0.0
	for _, m := range marks {
		total += m.weight
	}
	for b := range calibrationBins {
		part := marks[b*len(marks)/calibrationBins : (b+1)*len(marks)/calibrationBins]
		if len(part) == 0 {
			continue
		}
		var weight, confidence, right float64
		for _, m := range part {
			weight += m.weight
			confidence += m.weight * m.confidence
			if m.right {
				right += m.weight
			}
		}
		if weight == 0 {
			continue
		}
		list = append(list, Bin{Cases: len(part), Confidence: confidence / weight, Right: right / weight})
		shares = append(shares, weight/total)
	}
	return list, shares
}

// calibrationError is the mean, over bins of equally many cases, of the distance
// between how sure the leading answer was and how often it was right.
func calibrationError(marks []mark) float64 {
	list, shares := bins(marks)
	sum := 0.0
	for i, b := range list {
		sum += shares[i] * math.Abs(b.Right-b.Confidence)
	}
	return sum
}

// Calibration is the calibration error with its 95 % bootstrap interval, and the error
// that the same number of answers would show by chance if every probability were exact.
type Calibration struct {
	Error  Number `json:"error"`
	Low    Number `json:"low"`
	High   Number `json:"high"`
	Chance Number `json:"chance"`
	Bins   []Bin  `json:"bins"`
}

// Number is written as null where there was nothing to compute it from.
type Number float64

// MarshalJSON writes the number, or null.
func (n Number) MarshalJSON() ([]byte, error) {
	if math.IsNaN(float64(n)) || math.IsInf(float64(n), 0) {
		return []byte("null"), nil
	}
	return strconv.AppendFloat(nil, float64(n), 'g', 6, 64), nil
}

// calibrate is repeatable: the same marks give the same interval.
func calibrate(fs []forecast) Calibration {
	marks := marksOf(fs)
	if len(marks) == 0 {
		none := Number(math.NaN())
		return Calibration{Error: none, Low: none, High: none, Chance: none}
	}
	c := Calibration{Error: Number(calibrationError(marks))}
	c.Bins, _ = bins(marks)
	random := rand.New(rand.NewPCG(uint64(len(marks)), 0x3c6ef372fe94f82b))
	errors := make([]float64, bootstraps)
	counts := make([]int, len(marks))
	drawn := make([]mark, 0, len(marks))
	for b := range errors {
		clear(counts)
		for range marks {
			counts[random.IntN(len(marks))]++
		}
		drawn = drawn[:0]
		for i, n := range counts {
			for range n {
				drawn = append(drawn, marks[i]) // sorted, as marks are
			}
		}
		errors[b] = calibrationError(drawn)
	}
	// Drawing again adds scatter to every bin, so drawn errors lie higher than the one
	// they are drawn from: the interval is shifted back by as much.
	mean := 0.0
	for _, e := range errors {
		mean += e / bootstraps
	}
	shift := float64(c.Error) - mean
	slices.Sort(errors)
	c.Low = Number(math.Max(0, errors[bootstraps*25/1000]+shift))
	c.High = Number(errors[bootstraps*975/1000-1] + shift)
	sum := 0.0
	for range bootstraps {
		drawn = append(drawn[:0], marks...)
		for i := range drawn {
			drawn[i].right = random.Float64() < drawn[i].confidence
		}
		sum += calibrationError(drawn)
	}
	c.Chance = Number(sum / bootstraps)
	return c
}
