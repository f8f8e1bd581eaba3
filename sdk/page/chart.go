// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package page

import (
	"math"
	"strings"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

const (
	// maxRows keeps a chart with its axis on a screen of 24 lines.
	maxRows = 15
	// columnsPerTick leaves a label of the flow axis room to breathe.
	columnsPerTick = 10
	// leastFlowSpan, in grams per second, keeps the axis sensible where the engine only idled.
	leastFlowSpan = 1.0
	// largestPlotted is far beyond any engine or error; a larger number is listed, not drawn.
	largestPlotted = 1e9
)

// errorChart draws the error over the flow: a point for each error, a bar for
// its 90 % interval, and the line on which a meter reads true. Only what was
// measured is drawn; nothing is joined up between the points.
func (s *sheet) errorChart(errors []*pb.MeterError) {
	points := plottable(errors)
	if len(points) == 0 {
		s.para(2, 2, s.labels.NoMeterErrors)
		return
	}
	rows := rowScale(points)
	margin := s.axisWidth(rows)
	plot := s.width - margin - 1
	columns := columnScale(points, plot)
	grid := s.grid(points, rows, columns, plot)
	s.line(s.fold(strings.Repeat(" ", 2) + s.labels.Error + ", %"))
	for k := rows.high; k >= rows.low; k-- {
		axis := s.glyphs.axis
		if k == 0 {
			axis = s.glyphs.axisZero
		}
		s.line(padLeft(s.rowLabel(rows, k), margin-1) + " " + string(axis) + string(grid[rows.high-k]))
	}
	s.flowAxis(columns, margin, plot)
	s.para(2, 2, s.legend())
}

func (s *sheet) legend() string {
	parts := []string{
		string(s.glyphs.point) + " " + s.labels.Error,
		string(s.glyphs.interval) + " " + s.labels.Interval,
		string(s.glyphs.zero) + " " + s.words.Finding(pb.Finding_FINDING_READS_TRUE),
	}
	return strings.Join(parts, ", ")
}

func plottable(errors []*pb.MeterError) []*pb.MeterError {
	var points []*pb.MeterError
	for _, e := range errors {
		if e.GetFlowGPerS() >= 0 && drawable(e.GetFlowGPerS()) && drawable(e.GetErrorPercent()) &&
			drawable(e.GetLowPercent()) && drawable(e.GetHighPercent()) {
			points = append(points, e)
		}
	}
	return points
}

func drawable(v float64) bool { return math.Abs(v) <= largestPlotted }

// scale maps values to whole steps; zero is always one of them.
type scale struct {
	step      float64
	low, high int // in steps
}

func (s scale) at(value float64) int { return int(math.Round(value / s.step)) }

// rowScale finds the finest step of 1, 2, 3 or 5 percent times a power of ten that
// holds every interval and the zero line.
func rowScale(points []*pb.MeterError) scale {
	low, high := 0.0, 0.0
	for _, p := range points {
		low = min(low, p.GetErrorPercent(), p.GetLowPercent(), p.GetHighPercent())
		high = max(high, p.GetErrorPercent(), p.GetLowPercent(), p.GetHighPercent())
	}
	for decade := 1.0; ; decade *= 10 {
		for _, digit := range []float64{1, 2, 3, 5} {
			s := scale{step: digit * decade}
			s.low, s.high = int(math.Floor(low/s.step)), int(math.Ceil(high/s.step))
			s.low, s.high = min(s.low, -1), max(s.high, 1)
			if s.high-s.low+1 <= maxRows {
				return s
			}
		}
	}
}

// columnScale finds the axis of the flow: ticks are its whole steps.
type flowScale struct {
	step  float64 // grams per second from tick to tick
	ticks int     // number of steps
	plot  int     // columns
}

func columnScale(points []*pb.MeterError, plot int) flowScale {
	highest := leastFlowSpan
	for _, p := range points {
		highest = max(highest, p.GetFlowGPerS())
	}
	most := max(plot/columnsPerTick, 1)
	for decade := 0.1; ; decade *= 10 {
		for _, digit := range []float64{1, 2, 5} {
			step := digit * decade
			if ticks := int(math.Ceil(highest/step - 1e-9)); ticks <= most {
				return flowScale{step: step, ticks: ticks, plot: plot}
			}
		}
	}
}

func (f flowScale) at(flow float64) int {
	return int(math.Round(flow / (f.step * float64(f.ticks)) * float64(f.plot-1)))
}

// grid is the drawing, the highest row first.
func (s *sheet) grid(points []*pb.MeterError, rows scale, columns flowScale, plot int) [][]rune {
	grid := make([][]rune, rows.high-rows.low+1)
	for i := range grid {
		fill := ' '
		if rows.high-i == 0 {
			fill = s.glyphs.zero
		}
		grid[i] = []rune(strings.Repeat(string(fill), plot))
	}
	for _, p := range points {
		column := columns.at(p.GetFlowGPerS())
		from, to := rows.at(p.GetLowPercent()), rows.at(p.GetHighPercent())
		for k := min(from, to); k <= max(from, to); k++ {
			grid[rows.high-k][column] = s.glyphs.interval
		}
	}
	for _, p := range points {
		grid[rows.high-rows.at(p.GetErrorPercent())][columns.at(p.GetFlowGPerS())] = s.glyphs.point
	}
	return grid
}

func (s *sheet) rowLabel(rows scale, k int) string {
	return s.fold(s.words.AxisError(float64(k) * rows.step))
}

// axisWidth is the width of the labels and the space behind them.
func (s *sheet) axisWidth(rows scale) int {
	widest := 0
	for k := rows.low; k <= rows.high; k++ {
		widest = max(widest, cells.StringWidth(s.rowLabel(rows, k)))
	}
	return widest + 3
}

// flowAxis draws the axis, its ticks and their labels; the unit stands in the line below.
func (s *sheet) flowAxis(columns flowScale, margin, plot int) {
	base := []rune(strings.Repeat(string(s.glyphs.base), plot))
	labels := []rune(strings.Repeat(" ", plot))
	free := 0
	for i := 0; i <= columns.ticks; i++ {
		value := float64(i) * columns.step
		column := columns.at(value)
		base[column] = s.glyphs.tick
		label := []rune(s.fold(s.words.AxisFlow(value)))
		start := min(max(column-len(label)/2, free), plot-len(label))
		if start < free {
			continue
		}
		copy(labels[start:], label)
		free = start + len(label) + 1
	}
	s.line(strings.Repeat(" ", margin) + string(s.glyphs.corner) + string(base))
	s.line(strings.Repeat(" ", margin+1) + string(labels))
	s.line(padLeft(s.fold(s.labels.Flow+", g/s"), s.width))
}

// bar draws a probability; the full length is certainty.
func (s *sheet) bar(name string, probability float64, text string) {
	const (
		nameWidth, textWidth = 32, 7
		readable             = 100
		leastBar             = 16
	)
	name, text = s.fold(name), s.fold(text)
	length := min(s.width, readable) - 2 - nameWidth - textWidth
	if length < leastBar || cells.StringWidth(name) >= nameWidth {
		s.dotted(2, name, text)
		return
	}
	drawn := s.barRunes(probability, length)
	s.line("  " + padRight(name, nameWidth) + padRight(drawn, length) + padLeft(text, textWidth))
}

func (s *sheet) barRunes(probability float64, length int) string {
	if !(probability > 0) {
		return ""
	}
	parts := len(s.glyphs.bars)
	units := int(math.Round(math.Min(probability, 1) * float64(length*parts)))
	full := string(s.glyphs.bars[parts-1])
	drawn := strings.Repeat(full, units/parts)
	if rest := units % parts; rest > 0 {
		drawn += string(s.glyphs.bars[rest-1])
	}
	return drawn
}
