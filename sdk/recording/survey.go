// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package recording

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"math"
	"slices"

	"github.com/airassay/airassay/sdk/j1979"
)

// survey is one look through a whole file, with what its columns hold.
type survey struct {
	layout      layout
	file        string
	columns     []columnStats
	rows        int
	ragged      int
	firstRagged int
}

// track follows a column as if it were a clock.
type track struct {
	count, changes int
	first, last    float64 // seconds, or the plain number
	back           int     // line of the first step back, 0 for none
	fraction       bool
	steps          intervals // in millionths
}

func (t *track) add(v float64, line int, wrap float64) {
	t.fraction = t.fraction || v != math.Trunc(v)
	if t.count == 0 {
		t.first = v
	} else {
		if wrap > 0 && v < t.last-wrap/2 {
			v += wrap * math.Ceil((t.last-wrap/2-v)/wrap)
		}
		if v < t.last && t.back == 0 {
			t.back = line
		}
		if v > t.last {
			t.changes++
			t.steps.add(int64(min((v-t.last)*1e6, math.MaxInt64/2)))
		}
	}
	t.count++
	t.last = v
}

// columnStats is what one column holds.
type columnStats struct {
	filled, numbers, times, texts int
	points, commas, grouped       int // cells with a mark; commas that may group thousands
	groupedPoints                 int
	example                       string // a cell with a comma
	low, high                     float64
	values                        []float64 // a part of them, evenly over the file
	stride, seen                  int
	units                         map[string]int // folded units in cells
	plain, timeOfDay, dateTime    track
}

const wrapDay = 86400

func (c *columnStats) add(cell []byte, line int) {
	cell = bytes.TrimSpace(cell)
	if len(cell) == 0 {
		return
	}
	c.filled++
	if v, ok := c.number(cell); ok {
		c.value(v)
		c.plain.add(v, line, 0)
		return
	}
	if bytes.IndexByte(cell, ':') >= 0 {
		c.time(cell, line)
		return
	}
	digits, unit := splitUnit(cell)
	if v, ok := c.number(digits); ok && len(unit) <= longestUnit && isUnit(string(unit)) {
		c.value(v)
		c.unit(foldUnit(string(unit)))
		return
	}
	c.texts++
}

func (c *columnStats) time(cell []byte, line int) {
	if us, ok := parseTimeOfDay(cell); ok {
		c.times++
		c.timeOfDay.add(float64(us)/1e6, line, wrapDay)
		return
	}
	if s, ok := parseDateTime(cell); ok {
		c.times++
		c.dateTime.add(float64(s.us)/1e6, line, 0)
		return
	}
	c.texts++
}

// number parses with either mark and notes which one stands there.
func (c *columnStats) number(cell []byte) (float64, bool) {
	n, ok := parseNumber(cell, '.')
	if ok {
		if bytes.IndexByte(cell, '.') >= 0 {
			c.points++
			if isGrouped(cell, '.') {
				c.groupedPoints++
				c.example = string(cell[:min(len(cell), 16)])
			}
		}
		return n.value, true
	}
	if n, ok = parseNumber(cell, ','); ok {
		c.commas++
		if isGrouped(cell, ',') {
			c.grouped++
			c.example = string(cell[:min(len(cell), 16)])
		}
	}
	return n.value, ok
}

// isGrouped tells whether the mark may group thousands: one to three digits before
// it, not a lone zero, and exactly three behind.
func isGrouped(cell []byte, mark byte) bool {
	at := bytes.IndexByte(cell, mark)
	lead := bytes.TrimLeft(cell[:max(at, 0)], "+-")
	return at >= 0 && len(cell)-at-1 == 3 && len(lead) >= 1 && len(lead) <= 3 && lead[0] != '0'
}

const surveyValues = 4096

func (c *columnStats) value(v float64) {
	if c.numbers == 0 {
		c.low, c.high = v, v
	}
	c.numbers++
	c.low, c.high = min(c.low, v), max(c.high, v)
	c.seen++
	if c.stride > 1 && c.seen%c.stride != 0 {
		return
	}
	if len(c.values) == surveyValues {
		for i := range surveyValues / 2 {
			c.values[i] = c.values[2*i]
		}
		c.values = c.values[:surveyValues/2]
		c.stride = max(c.stride, 1) * 2
	}
	c.values = append(c.values, v)
}

const mostUnits = 16

func (c *columnStats) unit(folded string) {
	if c.units == nil {
		c.units = map[string]int{}
	}
	if _, known := c.units[folded]; known || len(c.units) < mostUnits {
		c.units[folded]++
	}
}

func (c *columnStats) median() float64 {
	if len(c.values) == 0 {
		return 0
	}
	sorted := slices.Clone(c.values)
	slices.Sort(sorted)
	return sorted[len(sorted)/2]
}

// cellUnit returns our name of the unit that the cells themselves carry, where one
// stands in nearly all of them.
func (c *columnStats) cellUnit(s j1979.Signal) string {
	for unit, n := range c.units {
		if _, name, ok := findUnit(s.Unit, unit); ok && 10*n >= 9*c.numbers {
			return name
		}
	}
	return ""
}

// oddCells is how many cells may be odd in a file of any length before they say
// something about their column.
const oddCells = 2

// outside returns the share of values that the signal cannot have. A lambda of zero
// is left out: it is how ECUs say that they have none.
func (c *columnStats) outside(r *cellReader) float64 {
	out, all := 0, 0
	for _, v := range c.values {
		_, why := r.fit(number{value: r.convert.apply(v)})
		if why == becauseZeroLambda {
			continue
		}
		all++
		if why != used {
			out++
		}
	}
	switch {
	case all == 0:
		return 1
	case out <= oddCells && out < all:
		return 0
	}
	return float64(out) / float64(all)
}

func (s *survey) grouped() (n int) {
	for i := range s.columns {
		n += s.columns[i].grouped
	}
	return n
}

// read looks at every row.
func (s *survey) read(ctx context.Context, r io.Reader) error {
	in, err := decode(r, s.file, s.layout.encoding)
	if err != nil {
		return err
	}
	if len(s.layout.header) > MaxColumns {
		return &Error{File: s.file, Line: s.layout.headerLine, Kind: KindTooManyColumns, Got: fmt.Sprintf("%d columns", len(s.layout.header)), Expected: "at most 4096", Hint: "split the file"}
	}
	rec := newRecords(in, s.file, s.layout.separator, false)
	rec.anyBytes = s.layout.ascii && s.layout.encoding == EncodingUTF8
	for rec.line < s.layout.dataLine-1 {
		if err := rec.readLine(); err != nil {
			return err
		}
	}
	s.columns = make([]columnStats, len(s.layout.header))
	for {
		if s.rows%contextRows == 0 && ctx.Err() != nil {
			return fmt.Errorf("reading %s: %w", s.file, context.Cause(ctx))
		}
		err := rec.next()
		if err == io.EOF {
			break
		}
		if err != nil {
			return err
		}
		s.row(rec)
	}
	if rec.sawBytes {
		s.layout.encoding = EncodingWindows1252
	}
	return nil
}

func (s *survey) row(rec *records) {
	s.rows++
	cells := rec.cells
	for len(cells) > len(s.columns) && len(bytes.TrimSpace(cells[len(cells)-1])) == 0 {
		cells = cells[:len(cells)-1]
	}
	if len(cells) != len(s.columns) {
		if s.ragged == 0 {
			s.firstRagged = rec.line
		}
		s.ragged++
		return
	}
	for i, cell := range cells {
		s.columns[i].add(cell, rec.line)
	}
}
