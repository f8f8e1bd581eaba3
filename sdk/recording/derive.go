// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package recording

import (
	"math"
	"slices"
)

// maxUncertaintyUS caps a sample's time uncertainty: an interval beyond twice this is
// a pause of the logger, not the time that a row took.
const maxUncertaintyUS = 5_000_000

// intervalSamples is how many intervals a quantile rests on; beyond it every second
// one is dropped, again and again, so that memory does not grow with the drive.
const intervalSamples = 4096

// intervals collects the times between rows.
type intervals struct {
	us     []int64
	stride int
	seen   int
}

func (v *intervals) add(us int64) {
	v.seen++
	if v.stride > 1 && v.seen%v.stride != 0 {
		return
	}
	if len(v.us) == intervalSamples {
		for i := range intervalSamples / 2 {
			v.us[i] = v.us[2*i]
		}
		v.us = v.us[:intervalSamples/2]
		v.stride = max(v.stride, 1) * 2
	}
	v.us = append(v.us, us)
}

// quantile sorts what was collected; 0 where nothing was.
func (v *intervals) quantile(q float64) int64 {
	if len(v.us) == 0 {
		return 0
	}
	slices.Sort(v.us)
	return v.us[int(q*float64(len(v.us)-1))]
}

// spacing is what one signal's samples show about their times.
type spacing struct {
	alone, together intervals // to the row before, for rows of one value and of several
	own             intervals // between the signal's own stamps
	samples, stamps int
	first, last     int64
}

// declareUncertainty sets TimeUncertaintyUS of every signal; the package comment
// says how.
func (r *Recording) declareUncertainty() {
	if r.Clock == ClockRowOrder {
		return
	}
	all := make([]spacing, len(r.Signals))
	previous := int64(-1)
	for from := 0; from < len(r.Samples); {
		to := from + 1
		now := r.Samples[from].TimeUS
		for to < len(r.Samples) && r.Samples[to].TimeUS == now {
			to++
		}
		if previous >= 0 {
			noteRow(all, r.Samples[from:to], now-previous)
		} else {
			noteRow(all, r.Samples[from:to], 0)
		}
		previous = now
		from = to
	}
	for i := range r.Signals {
		r.Signals[i].TimeUncertaintyUS = all[i].uncertainty(r.Clock)
	}
}

func noteRow(all []spacing, row []Sample, sincePrevious int64) {
	alone := row[0].Signal == row[len(row)-1].Signal
	for i, sample := range row {
		s := &all[sample.Signal]
		s.samples++
		if i > 0 && row[i-1].Signal == sample.Signal {
			continue
		}
		if s.stamps > 0 {
			s.own.add(sample.TimeUS - s.last)
		} else {
			s.first = sample.TimeUS
		}
		s.stamps++
		s.last = sample.TimeUS
		switch {
		case sincePrevious == 0:
		case alone:
			s.alone.add(sincePrevious)
		default:
			s.together.add(sincePrevious)
		}
	}
}

func (s *spacing) uncertainty(clock ClockKind) int64 {
	poll := s.together.quantile(0.05)
	if s.alone.seen > s.together.seen {
		poll = s.alone.quantile(0.5)
	}
	stamp := int64(0)
	if clock == ClockWholeSecond {
		stamp = 1_000_000
		if s.samples > s.stamps && s.samples > 1 {
			poll = (s.last - s.first) / int64(s.samples-1)
			stamp = max(stamp, s.own.quantile(0.5))
		}
	}
	return min(poll/2, maxUncertaintyUS) + min(stamp/2, maxUncertaintyUS)
}

// gridSamples is how many values of a column decide its resolution.
const gridSamples = 4096

// grid finds the smallest step of a column's values.
type grid struct {
	step, zero float64 // of the parameter
	scale      float64 // VSS units in one unit of the file
	seen       int
	last       float64
	changes    int
	decimals   int  // most digits behind the mark
	off        bool // values stand between the parameter's steps
}

// coarseEvidence is how often a value must change before missing digits show that the
// logger rounded: a column that is always 1 tells nothing.
const coarseEvidence = 8

// mostDecimals marks values that were computed rather than measured: 0.1+0.2.
const mostDecimals = 9

func (g *grid) add(value float64, decimals int) {
	if g.seen >= gridSamples {
		return
	}
	if g.seen++; value != g.last {
		g.changes++
		g.last = value
	}
	g.decimals = max(g.decimals, decimals)
	if g.off || g.step == 0 {
		return
	}
	nearest := g.zero + math.Round((value-g.zero)/g.step)*g.step
	// One unit of the last digit, because many loggers cut off instead of rounding;
	// and single precision.
	tolerance := 1.01*g.scale*power10(-decimals) + 1e-6*math.Abs(value)
	g.off = math.Abs(value-nearest) > tolerance
}

// resolution returns the smallest step, 0 where it is not known.
func (g *grid) resolution() float64 {
	if g.seen == 0 || g.decimals > mostDecimals {
		return 0
	}
	written := g.scale * power10(-g.decimals)
	switch {
	case g.off:
		return written
	case g.changes < coarseEvidence && g.step > 0:
		return g.step
	}
	return max(written, g.step)
}

func power10(n int) float64 {
	if n >= 0 && n < len(pow10) {
		return pow10[n]
	}
	if n < 0 && -n < len(pow10) {
		return 1 / pow10[-n]
	}
	return math.Pow(10, float64(n))
}

// sorter puts the samples of equal time into the order of their signals, keeping the
// order of the file within one signal. Counting keeps it linear even where a whole
// file carries one stamp.
type sorter struct {
	counts  []int
	scratch []Sample
}

func bySignal(a, b Sample) int { return int(a.Signal) - int(b.Signal) }

func (s *sorter) sort(group []Sample, signals int) {
	if slices.IsSortedFunc(group, bySignal) {
		return
	}
	if len(group) < signals {
		slices.SortStableFunc(group, bySignal)
		return
	}
	if len(s.counts) < signals+1 {
		s.counts = make([]int, signals+1)
	}
	clear(s.counts)
	for _, x := range group {
		s.counts[x.Signal+1]++
	}
	for i := 1; i < len(s.counts); i++ {
		s.counts[i] += s.counts[i-1]
	}
	if cap(s.scratch) < len(group) {
		s.scratch = make([]Sample, len(group))
	}
	s.scratch = s.scratch[:len(group)]
	for _, x := range group {
		s.scratch[s.counts[x.Signal]] = x
		s.counts[x.Signal]++
	}
	copy(group, s.scratch)
}
