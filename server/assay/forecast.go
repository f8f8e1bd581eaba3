// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import "math"

// measured brings what the drive has measured into the coordinates of each level's covariance.
func (d *decision) measured() {
	r := d.r
	n := len(r.fs)
	x, all := make([]float64, n), make([]float64, n*len(d.states))
	for s := range d.states {
		st := &d.states[s]
		if d.levels[st.level] == nil {
			d.levels[st.level] = r.covarianceOf(st.level)
		}
		for i := range r.fs {
			x[i] = r.fs[i].y - r.shiftOf(i) - r.m.predict(&st.state, &r.fs[i])
		}
		st.residual = all[s*n : (s+1)*n : (s+1)*n]
		d.levels[st.level].chol.forward(x, st.residual)
	}
	d.scale = d.spread()
}

// covarianceOf what was measured at a level of vagueness, narrowed by reference drives.
func (r *result) covarianceOf(level int) *levelCovariance {
	var s matrix
	_, j := r.m.covariance(r.fs, r.p.oddOutside > 0.5)
	for i := range j {
		r.narrow(&j[i], r.fs[i].kind)
	}
	if level == 0 {
		s, _ = r.leadCovariance()
	} else {
		s, _ = r.m.covariance(r.fs, r.p.oddOutside > 0.5)
		loosen(s, r.fs, [...]float64{0, 1, brokenScale}[level])
	}
	s.cholesky()
	return &levelCovariance{chol: s, j: j}
}

// narrow leaves of the nuisances what a believed reference drive leaves.
func (r *result) narrow(j *[nuisanceCount]float64, k featureKind) {
	if r.p.learned == nil {
		return
	}
	for q := range j {
		j[q] *= r.m.leftOf(q, k, k).engine
	}
}

// spread is the scale of the likelihood's mixture that this drive speaks for: how far the widths of prior.go are off on
// this vehicle, at its likeliest state.
func (d *decision) spread() float64 {
	top := 0
	for s := range d.states {
		if d.states[s].p > d.states[top].p {
			top = s
		}
	}
	if len(d.states) == 0 {
		return 1
	}
	n, q := float64(len(d.r.fs)), 0.0
	for _, z := range d.states[top].residual {
		q += z * z
	}
	best := math.Inf(-1)
	for _, x := range logScales {
		best = math.Max(best, x.weight-n*x.scale-q*x.half)
	}
	square, total := 0.0, 0.0
	for i, x := range logScales {
		w := math.Exp(x.weight - n*x.scale - q*x.half - best)
		square += w * sq(scales[i].scale)
		total += w
	}
	return math.Sqrt(square / total)
}

// nearest is the number of the drive whose operating point a promised one repeats most, and how far it does: the
// roughness of the engine at a point returns with it. −1 where none is near.
func (r *result) nearest(p *promised) (at int, alike float64) {
	at = none
	if p.silent {
		return at, 0
	}
	for q := range r.fs {
		if a := alikeness(&p.f, &r.fs[q]); a > alike {
			at, alike = q, a
		}
	}
	return at, alike
}

// alikeness is the correlation of the roughness at two operating points, by the lengths of joint.go.
func alikeness(f, g *feature) float64 {
	if f.kind != g.kind || f.class != g.class {
		return 0
	}
	d := 0.0
	switch f.kind {
	case featAir:
		d = sq(math.Log(f.rpm/g.rpm)/fineSpeedLength) + sq((vacuumOf(f)-vacuumOf(g))/fineVacuumLength)
	case featFuel, featRate, featLambda:
		d = sq(math.Log(f.flow/g.flow) / fineFlowLength)
	}
	return math.Exp(-0.5 * d)
}

// roughness is what a number has for itself without the scatter of its reading.
func roughness(own, sd float64) float64 { return math.Sqrt(math.Max(0, sq(own)-sq(sd))) }

// forecast is the covariance of a test's numbers given the drive, and what of the drive moves their means.
type forecast struct {
	cross [][]float64 // rows of L for the new numbers, over those measured
	chol  matrix
}

func (d *decision) forecast(ps []promised, level int) forecast {
	r, l := d.r, d.levels[level]
	n, k := len(r.fs), len(ps)
	f := forecast{cross: make([][]float64, k), chol: newMatrix(k)}
	v := vaguenessOf(level)
	c := make([]float64, n)
	near, alike := make([]int, k), make([]float64, k)
	for i := range ps {
		p := &ps[i]
		near[i], alike[i] = r.nearest(p)
		rough := roughness(p.own, p.f.sd)
		for q := range r.fs {
			c[q] = r.m.shared(&p.f, &r.fs[q]) + dot(&p.j, &l.j[q]) + vaguely(&p.f, &r.fs[q], v)
			if q == near[i] {
				c[q] += alike[i] * rough * roughness(r.m.ownSD(&r.fs[q]), r.fs[q].sd)
			}
		}
		f.cross[i] = make([]float64, n)
		l.chol.forward(c, f.cross[i])
		for q := range i + 1 {
			x := r.m.shared(&p.f, &ps[q].f) + dot(&p.j, &ps[q].j) + vaguely(&p.f, &ps[q].f, v)
			switch {
			case q == i:
				x += sq(p.own)
			case near[i] != none && near[i] == near[q]:
				x += alike[i] * alike[q] * rough * roughness(ps[q].own, ps[q].f.sd)
			}
			for y := range n {
				x -= f.cross[i][y] * f.cross[q][y]
			}
			f.chol.set(i, q, x)
		}
	}
	f.factor(ps)
	return f
}

// factor is Cholesky's, with each number at least as uncertain as its reading, whatever else is known.
func (f *forecast) factor(ps []promised) {
	l := f.chol
	for i := range l.n {
		for k := range i + 1 {
			x := l.get(i, k)
			for q := range k {
				x -= l.get(i, q) * l.get(k, q)
			}
			if i == k {
				x = math.Sqrt(math.Max(x, sq(math.Max(ps[i].f.sd, 1e-3))))
			} else {
				x /= l.get(k, k)
			}
			l.set(i, k, x)
		}
	}
}

func vaguenessOf(level int) float64 { return [...]float64{0, 1, brokenScale}[level] }

// vaguely is what a cause that nobody modelled adds to the covariance of two numbers.
func vaguely(f, g *feature, scale float64) float64 {
	if scale == 0 || f.kind != g.kind {
		return 0
	}
	v := vagueOf(f.kind)
	x := sq(v.constant)
	if v.smooth > 0 {
		x += sq(v.smooth) * math.Exp(-0.5*sq(math.Log(f.flow/g.flow)/smoothLength))
	}
	switch f.kind {
	case featAir, featFuel, featRate:
		x *= sq(scale)
	}
	return x
}

func dot(a, b *[nuisanceCount]float64) float64 {
	x := 0.0
	for q := range nuisanceCount {
		x += a[q] * b[q]
	}
	return x
}
