// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package truth

import (
	"math"
	"math/rand/v2"
	"testing"
)

func near(a, b float64) bool { return math.Abs(a-b) < 1e-9 }

// of spreads what is left of a probability over three conditions.
func of(p float64, truth int) forecast {
	return forecast{p: []float64{p, (1 - p) / 2, (1 - p) / 2}, truth: truth, weight: 1}
}

func TestBrierAndLogLossAreNotThoseOfAHandCount(t *testing.T) {
	for _, c := range []struct {
		name           string
		fs             []forecast
		brier, logLoss float64
	}{
		{"certain and right", []forecast{of(1, 0)}, 0, 0},
		{"certain and wrong", []forecast{of(1, 1)}, 2, -math.Log(1e-6)},
		{"no idea", []forecast{{p: []float64{0.25, 0.25, 0.25, 0.25}, truth: 2, weight: 1}}, 0.75, math.Log(4)},
		{"two cases", []forecast{of(0.8, 0), of(0.8, 1)}, (0.04 + 2*0.01 + 0.64 + 0.81 + 0.01) / 2, (-math.Log(0.8) - math.Log(0.1)) / 2},
		{"weighted", []forecast{{p: []float64{1, 0}, truth: 0, weight: 3}, {p: []float64{1, 0}, truth: 1, weight: 1}}, 0.5, -math.Log(1e-6) / 4},
	} {
		if b, l := brier(c.fs), logLoss(c.fs); !near(b, c.brier) || !near(l, c.logLoss) {
			t.Errorf("%s: Brier %v and log loss %v, want %v and %v", c.name, b, l, c.brier, c.logLoss)
		}
	}
}

func TestCalibrationErrorIsNotThatOfAHandCount(t *testing.T) {
	// Ten bins of ten cases. In the first, 0.5 is said and 3 are right; in the others 0.9
	// is said and 9 are right.
	var fs []forecast
	for bin := range 10 {
		p, right := 0.9, 9
		if bin == 0 {
			p, right = 0.5, 3
		}
		for i := range 10 {
			truth := 1
			if i < right {
				truth = 0
			}
			fs = append(fs, of(p, truth))
		}
	}
	c := calibrate(fs)
	if !near(float64(c.Error), 0.02) {
		t.Errorf("calibration error is %v, want 0.2 of a tenth of the cases", c.Error)
	}
	if len(c.Bins) != 10 || c.Bins[0].Cases != 10 || !near(c.Bins[0].Right, 0.3) || !near(c.Bins[9].Confidence, 0.9) {
		t.Errorf("bins are %+v", c.Bins)
	}
	if !(c.Low <= c.Error && c.Error <= c.High) || c.Low == c.High {
		t.Errorf("interval %v to %v, error %v", c.Low, c.High, c.Error)
	}
	if again := calibrate(fs); again.Low != c.Low || again.High != c.High || again.Chance != c.Chance {
		t.Error("the interval is another each time")
	}
}

func TestWeightsDoNotCountInTheCalibrationError(t *testing.T) {
	// Cases that are said at 0.6 and all right are off by 0.4, those at 1 by nothing.
	var fs []forecast
	for range 50 {
		fs = append(fs, forecast{p: []float64{0.6, 0.4}, truth: 0, weight: 1}, forecast{p: []float64{1, 0}, truth: 0, weight: 3})
	}
	if e := calibrationError(marksOf(fs)); !near(e, 0.1) {
		t.Errorf("calibration error is %v, want 0.4 of a quarter of the weight", e)
	}
}

// A judge whose probabilities are exact must be found calibrated, one who exaggerates must not.
func TestExactAndExaggeratedProbabilitiesLookAlike(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	forecasts := func(n int, exaggerate float64) []forecast {
		var fs []forecast
		for range n {
			p := 0.4 + 0.6*random.Float64()
			truth := 1
			if random.Float64() < p {
				truth = 0
			}
			fs = append(fs, of(math.Min(1, p+exaggerate), truth))
		}
		return fs
	}
	exact, over := calibrate(forecasts(4000, 0)), calibrate(forecasts(4000, 0.15))
	if exact.Error > 2*exact.Chance || exact.Low > exact.Chance {
		t.Errorf("exact probabilities: error %v (%v to %v), by chance %v", exact.Error, exact.Low, exact.High, exact.Chance)
	}
	if over.Low < 0.08 || over.Error < 3*over.Chance {
		t.Errorf("exaggerated ones: error %v (%v to %v), by chance %v", over.Error, over.Low, over.High, over.Chance)
	}
	few := calibrate(forecasts(200, 0.15))
	if few.High-few.Low < over.High-over.Low {
		t.Error("the interval of 200 cases is narrower than that of 4000")
	}
}

func TestNothingToScoreIsANumber(t *testing.T) {
	c := calibrate(nil)
	if data, err := c.Error.MarshalJSON(); err != nil || string(data) != "null" {
		t.Errorf("the error of no cases is written %s, %v", data, err)
	}
	if data, err := Number(0.25).MarshalJSON(); err != nil || string(data) != "0.25" {
		t.Errorf("a quarter is written %s, %v", data, err)
	}
}
