// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import "math"

// matrix is the lower triangle of a symmetric matrix, row by row.
type matrix struct {
	n int
	a []float64
}

func newMatrix(n int) matrix { return matrix{n: n, a: make([]float64, n*(n+1)/2)} }

func (m matrix) get(i, k int) float64    { return m.a[i*(i+1)/2+k] }
func (m matrix) set(i, k int, x float64) { m.a[i*(i+1)/2+k] = x }

// cholesky replaces a positive definite matrix by its lower factor and returns
// half the logarithm of its determinant.
func (m matrix) cholesky() float64 {
	half := 0.0
	for i := range m.n {
		for k := range i + 1 {
			sum := m.get(i, k)
			for q := range k {
				sum -= m.get(i, q) * m.get(k, q)
			}
			if i == k {
				sum = math.Sqrt(math.Max(sum, 1e-12))
				half += math.Log(sum)
			} else {
				sum /= m.get(k, k)
			}
			m.set(i, k, sum)
		}
	}
	return half
}

// forward solves L z = r.
func (m matrix) forward(r, z []float64) {
	for i := range m.n {
		row := m.a[i*(i+1)/2:]
		sum := r[i]
		for k := range i {
			sum -= row[k] * z[k]
		}
		z[i] = sum / row[i]
	}
}
