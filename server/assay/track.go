// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import "math"

// trackLen is how many samples of one signal are kept: the 2.5 s horizon of
// point.go at 100 samples a second, the fastest that vehicles refresh a value.
const trackLen = 256

// track keeps the recent samples of one signal and a few figures of all of them.
type track struct {
	t   [trackLen]int64
	v   [trackLen]float64
	unc [trackLen]int32
	// total counts all samples; the newest is at (total−1) mod trackLen.
	total int64
	// cursor is the absolute index of the last sample that a look-up found.
	cursor int64

	min, max float64
	firstT   int64
	// spacing is a running mean of the time between samples, in seconds.
	spacing float64
}

func (tr *track) push(t int64, v float64, unc int64) {
	if tr.total == 0 {
		tr.min, tr.max, tr.firstT = v, v, t
	} else {
		tr.min, tr.max = math.Min(tr.min, v), math.Max(tr.max, v)
		last := (tr.total - 1) % trackLen
		// A pause says nothing of how often the signal comes.
		dt := float64(min(t-tr.t[last], maxBracketUS)) / float64(second)
		tr.spacing += (dt - tr.spacing) / math.Min(float64(tr.total), 200)
	}
	i := tr.total % trackLen
	tr.t[i], tr.v[i], tr.unc[i] = t, v, int32(min(unc, math.MaxInt32))
	tr.total++
}

func (tr *track) seen() bool { return tr.total > 0 }

func (tr *track) oldest() int64 { return max(0, tr.total-trackLen) }

// seek returns the absolute index of the newest sample that is not after t, or
// −1. Look-ups come in rising time, so the cursor makes it constant on average.
func (tr *track) seek(t int64) int64 {
	lo := tr.oldest()
	c := max(tr.cursor, lo)
	if tr.total == 0 || tr.t[c%trackLen] > t {
		c = lo
		if tr.total == 0 || tr.t[c%trackLen] > t {
			return -1
		}
	}
	for c+1 < tr.total && tr.t[(c+1)%trackLen] <= t {
		c++
	}
	tr.cursor = c
	return c
}

// around gives the times of the last sample up to t and of the next, or now where none has come.
func (tr *track) around(t, now int64) (from, to int64) {
	c := tr.seek(t)
	if c < 0 {
		return tr.firstT, tr.firstT
	}
	from = tr.t[c%trackLen]
	if c+1 < tr.total {
		return from, tr.t[(c+1)%trackLen]
	}
	return from, now
}

// reading is a value brought to an instant.
type reading struct {
	v float64
	// sd is what bringing it there cost in certainty, as a standard deviation in
	// the unit of the signal; resolution included.
	sd float64
	// ageUS is the distance to the nearest sample that was used.
	ageUS int64
	ok    bool
}

// hold returns the last value at t if it is not older than holdUS.
func (tr *track) hold(t, holdUS int64) reading {
	c := tr.seek(t)
	if c < 0 {
		return reading{}
	}
	i := c % trackLen
	age := t - tr.t[i]
	return reading{v: tr.v[i], ageUS: age, ok: age <= holdUS}
}

// interpolate returns the value at t on the line between its neighbours, with
// what the gap and the sampling time's own uncertainty leave open.
func (tr *track) interpolate(t int64, maxGapUS int64, step float64) reading {
	c := tr.seek(t)
	if c < 0 {
		return reading{}
	}
	i := c % trackLen
	v1, t1 := tr.v[i], tr.t[i]
	r := reading{v: v1, ageUS: t - t1}
	slope := 0.0
	if c > tr.oldest() {
		p := (c - 1) % trackLen
		slope = slopeBetween(tr.t[p], tr.v[p], t1, v1)
	}
	switch {
	case c+1 < tr.total:
		n := (c + 1) % trackLen
		gap := tr.t[n] - t1
		next := slopeBetween(t1, v1, tr.t[n], tr.v[n])
		if t == t1 {
			slope = math.Max(slope, next)
		} else {
			slope = next
			if gap > maxGapUS {
				return reading{}
			}
			w := float64(t-t1) / float64(gap)
			r.v = v1 + w*(tr.v[n]-v1)
			r.ageUS = min(t-t1, tr.t[n]-t)
			r.sd = interpolationError(tr.v[n]-v1, w, gap)
		}
	case r.ageUS > maxGapUS/4:
		return reading{}
	default:
		// Without a later neighbour the value may have moved on since.
		r.sd = slope * float64(r.ageUS) / float64(second)
	}
	u := slope * float64(tr.unc[i]) / float64(second) / math.Sqrt(3)
	r.sd = math.Sqrt(r.sd*r.sd + u*u + step*step/12)
	r.ok = true
	return r
}

func slopeBetween(ta int64, va float64, tb int64, vb float64) float64 {
	if tb <= ta {
		return 0
	}
	return math.Abs(vb-va) / (float64(tb-ta) / float64(second))
}

// interpolationError is the standard deviation of the distance between a path
// that moved by dv over a gap and the straight line, at share w of the gap. Over
// a second or more nothing is known of the path but its ends: it may have
// jumped anywhere (uniform: dv/√12 at worst, in the middle). Over a shorter gap
// an engine's inertia makes the path straighter in proportion.
func interpolationError(dv, w float64, gap int64) float64 {
	g := math.Min(1, float64(gap)/float64(second))
	return math.Abs(dv) / math.Sqrt(12) * 4 * w * (1 - w) * g
}
