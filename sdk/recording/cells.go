// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package recording

import (
	"bytes"
	"math"
	"strings"

	"github.com/airassay/airassay/sdk/j1979"
)

// cellReader turns the cells of one column into values in the VSS unit.
type cellReader struct {
	signal    j1979.Signal
	mark      byte
	convert   conversion
	colons    bool // cells are hh:mm:ss
	low, high float64
}

// newCellReader takes the VSS unit for an empty unit.
func newCellReader(s j1979.Signal, unit string, mark byte) cellReader {
	low, high := s.Limits()
	c := cellReader{signal: s, mark: mark, convert: conversion{1, 0}, low: low, high: high, colons: unit == unitClock}
	if unit != "" && !c.colons {
		c.convert, _, _ = findUnit(s.Unit, unit)
	}
	return c
}

// read returns the value in the VSS unit, or why the cell is not used. A unit that
// stands in the cell itself goes before that of the column.
func (c *cellReader) read(cell []byte) (number, reason) {
	if c.colons {
		us, ok := parseTimeOfDay(cell)
		if !ok {
			return number{}, becauseText
		}
		return c.fit(number{value: float64(us) / 1e6})
	}
	n, ok := parseNumber(cell, c.mark)
	convert := c.convert
	if !ok {
		var why reason
		if n, convert, why = c.withUnit(cell); why != used {
			return number{}, why
		}
	}
	n.value = convert.apply(n.value)
	return c.fit(n)
}

func (c *cellReader) withUnit(cell []byte) (number, conversion, reason) {
	if isMissing(cell) {
		return number{}, conversion{}, becauseMissing
	}
	digits, unit := splitUnit(cell)
	n, ok := parseNumber(digits, c.mark)
	if !ok || len(unit) == 0 || len(unit) > longestUnit {
		return number{}, conversion{}, becauseText
	}
	convert, _, ok := findUnit(c.signal.Unit, string(unit))
	switch {
	case ok:
		return n, convert, used
	case isUnit(string(unit)):
		return number{}, conversion{}, becauseUnit
	}
	return number{}, conversion{}, becauseText
}

func (c *cellReader) fit(n number) (number, reason) {
	switch {
	case !(n.value >= c.low && n.value <= c.high):
		return n, becauseRange
	case c.signal.Unit == "ratio" && n.value == 0:
		return n, becauseZeroLambda
	case c.signal.Code && n.value != math.Trunc(n.value):
		return n, becauseNotWhole
	}
	return n, used
}

// longestUnit bounds what is looked up as a unit, in bytes.
const longestUnit = 24

// splitUnit cuts "12.3 g/s" into number and unit.
func splitUnit(cell []byte) (digits, unit []byte) {
	i := 0
	for i < len(cell) && (cell[i]-'0' <= 9 || strings.IndexByte("+-.,", cell[i]) >= 0) {
		i++
	}
	return cell[:i], bytes.TrimSpace(cell[i:])
}

// isMissing knows what loggers write where there is no value.
func isMissing(cell []byte) bool {
	if len(cell) > 8 {
		return false
	}
	switch string(bytes.ToLower(cell)) {
	case "-", "--", "---", "–", "—", "?", "*", "nan", "n/a", "na", "nil", "null", "none", "no data", "nodata", "#n/a", "inf", "-inf":
		return true
	}
	return false
}
