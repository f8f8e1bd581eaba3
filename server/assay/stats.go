// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import "math"

// mean is a running mean and variance (Welford), with weights.
type mean struct {
	n, w, mean, m2 float64
}

func (m *mean) add(x, w float64) {
	if !known(x) || w <= 0 {
		return
	}
	m.n++
	m.w += w
	d := x - m.mean
	m.mean += d * w / m.w
	m.m2 += w * d * (x - m.mean)
}

// absorb adds what another mean has seen.
func (m *mean) absorb(o *mean) {
	if o.n == 0 {
		return
	}
	w, d := m.w+o.w, o.mean-m.mean
	m.m2 += o.m2 + d*d*m.w*o.w/w
	m.mean += d * o.w / w
	m.n, m.w = m.n+o.n, w
}

func (m *mean) sd() float64 {
	if m.n < 2 || m.w <= 0 {
		return 0
	}
	return math.Sqrt(math.Max(0, m.m2/m.w))
}

// value is the mean, or NaN where nothing was added.
func (m *mean) value() float64 {
	if m.n == 0 {
		return math.NaN()
	}
	return m.mean
}

// pair is a running covariance of two quantities.
type pair struct {
	n, mx, my, sxx, syy, sxy float64
}

func (p *pair) add(x, y float64) {
	p.n++
	dx, dy := x-p.mx, y-p.my
	p.mx += dx / p.n
	p.my += dy / p.n
	p.sxx += dx * (x - p.mx)
	p.syy += dy * (y - p.my)
	p.sxy += dx * (y - p.my)
}

func (p *pair) sdX() float64 { return math.Sqrt(p.sxx / math.Max(p.n, 1)) }
func (p *pair) sdY() float64 { return math.Sqrt(p.syy / math.Max(p.n, 1)) }

// slope of y over x by least squares.
func (p *pair) slope() float64 {
	if p.sxx <= 0 {
		return 0
	}
	return p.sxy / p.sxx
}

const (
	spreadBuckets = 320
	// spreadWidth of a bucket, in logarithm: 1 %.
	spreadWidth = 0.01
	// slotUS is the time within which samples of one quantity are not independent:
	// fuel control and flow wander over about a second.
	slotUS = second
)

// spread is a weighted distribution of a logarithm from −1.6 to +1.6. It gives a
// centre that outliers do not move, in fixed memory.
type spread struct {
	w     [spreadBuckets]float32
	sum   float64
	n     int64
	slots float64
	slotT int64
}

func (s *spread) add(t int64, x, w float64) {
	if !known(x) || w <= 0 {
		return
	}
	i := int(math.Floor(x/spreadWidth)) + spreadBuckets/2
	s.w[min(max(i, 0), spreadBuckets-1)] += float32(w)
	s.sum += w
	s.n++
	if s.slots == 0 || t-s.slotT >= slotUS || t < s.slotT {
		s.slots++
		s.slotT = t
	}
}

// absorb adds what another spread has seen.
func (s *spread) absorb(o *spread) {
	for i := range s.w {
		s.w[i] += o.w[i]
	}
	s.sum, s.n = s.sum+o.sum, s.n+o.n
	s.slots, s.slotT = togetherSlots(s.slots, s.slotT, o.slots, o.slotT)
}

// togetherSlots adds the slots of two levels of flow; neighbours of one pull share the last.
func togetherSlots(n float64, t int64, m float64, u int64) (slots float64, slotT int64) {
	slots = n + m
	if n > 0 && m > 0 && max(t-u, u-t) < slotUS {
		slots--
	}
	return slots, max(t, u)
}

// quantile of the distribution, linear within a bucket.
func (s *spread) quantile(q float64) float64 {
	target, acc := q*s.sum, 0.0
	for i, w := range s.w {
		if f := float64(w); f > 0 && acc+f >= target {
			return (float64(i-spreadBuckets/2) + (target-acc)/f) * spreadWidth
		}
		acc += float64(s.w[i])
	}
	return 0
}

// centre is the mean of what lies between the quartiles' outer fences; width is
// a robust standard deviation.
func (s *spread) centre() (centre, width float64) {
	q1, q3 := s.quantile(0.25), s.quantile(0.75)
	width = math.Max((q3-q1)/1.349, spreadWidth/2)
	lo, hi := q1-1.5*(q3-q1)-spreadWidth, q3+1.5*(q3-q1)+spreadWidth
	var sum, w float64
	for i := range s.w {
		x := (float64(i-spreadBuckets/2) + 0.5) * spreadWidth
		if f := float64(s.w[i]); f > 0 && x >= lo && x <= hi {
			sum += f * x
			w += f
		}
	}
	if w == 0 {
		return s.quantile(0.5), width
	}
	return sum / w, width
}

// phi is the distribution function of the standard normal.
func phi(x float64) float64 { return 0.5 * math.Erfc(-x/math.Sqrt2) }
