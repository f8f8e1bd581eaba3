// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package truth

import (
	"math"
	"slices"

	"github.com/airassay/airassay/sdk/j1979"
	"github.com/airassay/airassay/sdk/recording"
)

// What people without a model do. Both thresholds are those of the trade: below 85 %
// of calculated load at full load a meter is suspect; a mean trim beyond 10 % either
// way is the limit that most workshops are taught.
const (
	naiveLoadPercent = 85.0
	naiveTrimPercent = 10.0
	// naiveLoadSamples and naiveTrimSamples are how many samples they want.
	naiveLoadSamples = 4
	naiveTrimSamples = 20
)

// latest follows the last value of each signal of a recording.
type latest struct {
	rec   *recording.Recording
	index map[string]int32
	value []float64
}

func newLatest(rec *recording.Recording) *latest {
	l := &latest{rec: rec, index: map[string]int32{}, value: make([]float64, len(rec.Signals))}
	for i, s := range rec.Signals {
		l.index[s.Path] = int32(i)
		l.value[i] = math.NaN()
	}
	return l
}

func (l *latest) is(s recording.Sample, name string) bool {
	i, ok := l.index[j1979.Prefix+name]
	return ok && s.Signal == i
}

func (l *latest) of(name string) float64 {
	if i, ok := l.index[j1979.Prefix+name]; ok {
		return l.value[i]
	}
	return math.NaN()
}

// NaiveLoad judges by the middle of the calculated load while pedal or plate is down
// and the engine turns at 2000/min or more; where neither was recorded, of the
// highest readings.
func NaiveLoad(rec *recording.Recording) Verdict {
	l := newLatest(rec)
	var down, all []float64
	driver := false
	for _, s := range rec.Samples {
		l.value[s.Signal] = s.Value
		if !l.is(s, "EngineLoad") || !(l.of("EngineSpeed") >= 2000) {
			continue
		}
		all = append(all, s.Value)
		pedal, plate, relative := l.of("AcceleratorPositionD"), l.of("ThrottlePosition"), l.of("RelativeThrottlePosition")
		driver = driver || !math.IsNaN(pedal) || !math.IsNaN(plate) || !math.IsNaN(relative)
		if pedal >= 70 || plate >= 75 || relative >= 65 {
			down = append(down, s.Value)
		}
	}
	if !driver {
		slices.Sort(all)
		down = all[len(all)-min(len(all), naiveLoadSamples):]
	}
	if len(down) < naiveLoadSamples {
		return naive(noFault, false, nil)
	}
	slices.Sort(down)
	load := down[len(down)/2]
	return loadVerdict(load, naiveLoadPercent)
}

func loadVerdict(load, threshold float64) Verdict {
	if load < threshold {
		return naive("CONDITION_METER_READS_LOW", true, &load)
	}
	return naive(noFault, true, &load)
}

// NaiveTrim judges by the mean of short plus long trim of the first bank on a warm engine.
func NaiveTrim(rec *recording.Recording) Verdict {
	l := newLatest(rec)
	sum, n := 0.0, 0.0
	for _, s := range rec.Samples {
		l.value[s.Signal] = s.Value
		if !l.is(s, "ShortTermFuelTrim1") || l.of("CoolantTemperature") < 70 {
			continue
		}
		if x := s.Value + l.of("LongTermFuelTrim1"); !math.IsNaN(x) {
			sum += x
			n++
		}
	}
	if n < naiveTrimSamples {
		return naive(noFault, false, nil)
	}
	return trimVerdict(sum/n, naiveTrimPercent)
}

func trimVerdict(mean, threshold float64) Verdict {
	switch {
	case mean > threshold:
		return naive("CONDITION_METER_READS_LOW", true, &mean)
	case mean < -threshold:
		return naive("CONDITION_METER_READS_HIGH", true, &mean)
	}
	return naive(noFault, true, &mean)
}

// naive is a verdict without doubt.
func naive(top string, conclusive bool, measured *float64) Verdict {
	v := Verdict{Top: top, Probability: 1, P: make([]float64, len(Conditions)), Conclusive: conclusive, Measured: measured, NoThermistor: true}
	v.P[slices.Index(Conditions, top)] = 1
	v.CondemnsMeter = slices.Contains(meterConditions, top)
	v.AccusesMeter = v.CondemnsMeter
	v.Touches, v.TouchesFirst = v.CondemnsMeter, v.CondemnsMeter
	return v
}
