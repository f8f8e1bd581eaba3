// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package live

import (
	"fmt"
	"math"
	"strings"
	"sync"
)

// Scatter is a small chart of points. Its methods may be called from any goroutine.
type Scatter struct {
	// Title stands above the chart, X and Y name the axes, with their units.
	Title, X, Y string

	mu     sync.Mutex
	points [][2]float64
}

// maxPoints bounds the memory; more would show nothing more on a terminal.
const maxPoints = 20_000

// Add adds a point; what is not finite or negative is left out.
func (s *Scatter) Add(x, y float64) {
	if !(x >= 0 && y >= 0) || math.IsInf(x, 0) || math.IsInf(y, 0) {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.points) < maxPoints {
		s.points = append(s.points, [2]float64{x, y})
	}
}

// Len counts the points.
func (s *Scatter) Len() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.points)
}

const (
	plotRows = 8
	// leftColumns is room for the numbers of the vertical axis.
	leftColumns = 8
	maxColumns  = 72
	minColumns  = 16
	// fewPoints make no picture.
	fewPoints = 3
)

// Lines draws the chart no wider than columns; nil where there are too few points or too little room. Both axes
// begin at nought.
func (s *Scatter) Lines(columns int) []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	width := min(columns, maxColumns) - leftColumns
	if len(s.points) < fewPoints || width < minColumns {
		return nil
	}
	var right, top float64
	for _, p := range s.points {
		right, top = max(right, p[0]), max(top, p[1])
	}
	right, top = roundUp(right), roundUp(top)
	cells := make([][]int, plotRows)
	for i := range cells {
		cells[i] = make([]int, width)
	}
	for _, p := range s.points {
		row := plotRows - 1 - min(plotRows-1, int(p[1]/top*plotRows))
		cells[row][min(width-1, int(p[0]/right*float64(width)))]++
	}
	return s.render(cells, right, top)
}

func (s *Scatter) render(cells [][]int, right, top float64) []string {
	lines := []string{fmt.Sprintf("  %s (%s over %s)", s.Title, s.Y, s.X)}
	for i, row := range cells {
		label := ""
		switch i {
		case 0:
			label = number(top)
		case plotRows / 2:
			label = number(top / 2)
		}
		var b strings.Builder
		for _, n := range row {
			b.WriteRune(dot(n))
		}
		lines = append(lines, strings.TrimRight(fmt.Sprintf("%*s │%s", leftColumns-2, label, b.String()), " "))
	}
	width := len(cells[0])
	end := number(right)
	return append(lines,
		fmt.Sprintf("%*s └%s", leftColumns-2, "0", strings.Repeat("─", width)),
		fmt.Sprintf("%*s%-*s%s", leftColumns, "", max(0, width-len(end)), "0", end))
}

// dot shows how many points fall on one place.
func dot(n int) rune {
	const many = 4
	switch {
	case n == 0:
		return ' '
	case n < many:
		return '·'
	}
	return '•'
}

func number(x float64) string { return fmt.Sprintf("%.4g", x) }

// roundUp gives the next end of an axis: 1, 1.5, 2, 3, 4, 5, 6 or 8 times a power of ten.
func roundUp(x float64) float64 {
	if x <= 0 {
		return 1
	}
	power := math.Pow(10, math.Floor(math.Log10(x)))
	for _, step := range []float64{1, 1.5, 2, 3, 4, 5, 6, 8} {
		if x <= step*power {
			return step * power
		}
	}
	return 10 * power
}
