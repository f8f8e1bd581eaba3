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
	"strings"

	"github.com/airassay/airassay/sdk/j1979"
)

// reason is why a cell or a row of another logger's file is not used.
type reason uint8

const (
	used reason = iota
	becauseBlank
	becauseMissing
	becauseText
	becauseUnit
	becauseRange
	becauseZeroLambda
	becauseNotWhole
	becauseIgnored
	becauseUnmapped
	becauseNoTime
	becauseRagged
	reasonCount
)

var reasonTexts = [reasonCount]string{
	becauseMissing:    "marked as missing",
	becauseText:       "not a number",
	becauseUnit:       "a unit that does not fit the signal",
	becauseRange:      "out of range",
	becauseZeroLambda: "out of range: zero is not a lambda",
	becauseNotWhole:   "out of range: half a code means nothing",
	becauseIgnored:    "ignored",
	becauseUnmapped:   "not in the mapping",
	becauseNoTime:     "row without a time",
	becauseRagged:     "row does not fit the header",
}

// tally counts what is not used, by reason.
type tally [reasonCount]struct{ count, line int }

func (t *tally) add(r reason, line int) {
	if t[r].count == 0 {
		t[r].line = line
	}
	t[r].count++
}

// foreignColumn is one column of another logger's file.
type foreignColumn struct {
	header string
	index  int // of columns in the builder; −1 for a column that is not used
	clock  bool
	ignore string
	cell   cellReader
	tally  tally
}

type foreignReader struct {
	*records
	builder
	mapping *Mapping
	all     []foreignColumn // by position
	clock   int             // position of the clock, −1 for none
	ticker  ticker
	rowsOff tally
}

func readMapped(ctx context.Context, r io.Reader, name string, o Options) (*Recording, error) {
	m := o.Mapping
	if err := m.Check("mapping"); err != nil {
		return nil, err
	}
	text, err := decode(r, name, m.Encoding)
	if err != nil {
		return nil, err
	}
	f := foreignReader{records: newRecords(text, name, m.Separator[0], false), mapping: m, clock: -1, ticker: ticker{format: m.Clock.Format}}
	f.builder = builder{rec: &Recording{}, limit: o.maxSamples()}
	if err := f.header(); err != nil {
		return nil, err
	}
	for rows := 0; ; rows++ {
		if rows%contextRows == 0 && ctx.Err() != nil {
			return nil, fmt.Errorf("reading %s: %w", name, context.Cause(ctx))
		}
		if err := f.records.next(); err == io.EOF {
			break
		} else if err != nil {
			return nil, err
		}
		if err := f.readRow(); err != nil {
			return nil, err
		}
	}
	return f.result()
}

// header skips to the header's line and finds the mapping's columns in it.
func (f *foreignReader) header() error {
	for f.line < f.mapping.HeaderLine-1 {
		if err := f.records.readLine(); err == io.EOF {
			return f.noHeader()
		} else if err != nil {
			return err
		}
	}
	err := f.records.next()
	if err == io.EOF || err == nil && f.line != f.mapping.HeaderLine {
		return f.noHeader()
	}
	if err != nil {
		return err
	}
	cells := f.cells
	for len(cells) > 1 && len(bytes.TrimSpace(cells[len(cells)-1])) == 0 {
		cells = cells[:len(cells)-1]
	}
	f.all = make([]foreignColumn, len(cells))
	for i, cell := range cells {
		f.all[i] = foreignColumn{header: string(bytes.TrimSpace(cell)), index: -1}
	}
	if err := f.placeColumns(); err != nil {
		return err
	}
	for f.line < f.mapping.DataLine-1 {
		if err := f.records.readLine(); err == io.EOF {
			break
		} else if err != nil {
			return err
		}
	}
	return nil
}

func (f *foreignReader) noHeader() error {
	if f.line == 0 {
		return &Error{File: f.file, Kind: KindEmpty, Expected: "a table with a header", Hint: "choose another file"}
	}
	return &Error{File: f.file, Line: f.mapping.HeaderLine, Kind: KindNoHeader, Got: fmt.Sprintf("a file of %d lines, or a blank line there", f.line), Expected: fmt.Sprintf("the header in line %d", f.mapping.HeaderLine), Hint: "correct header_line in the mapping"}
}

// placeColumns keeps the order of the file, so that signals are numbered by column.
func (f *foreignReader) placeColumns() error {
	at := make([]int, len(f.mapping.Columns))
	for i, c := range f.mapping.Columns {
		place, err := f.find(c.Header, c.Column, c.Ignore != "")
		if err != nil {
			return err
		}
		at[i] = place
		if c.Ignore != "" && place >= 0 {
			f.all[place].ignore = c.Ignore
		}
	}
	order := make([]int, len(at))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return at[a] - at[b] })
	for _, i := range order {
		if err := f.place(at[i], f.mapping.Columns[i]); err != nil {
			return err
		}
	}
	if f.mapping.Clock.Format == ClockRows {
		return nil
	}
	place, err := f.find(f.mapping.Clock.Header, f.mapping.Clock.Column, false)
	if err != nil {
		return err
	}
	f.clock = place
	f.all[place].clock = true
	return nil
}

func (f *foreignReader) place(at int, c ColumnMapping) error {
	if c.Signal == "" {
		return nil
	}
	if f.all[at].index >= 0 {
		return &Error{File: f.file, Line: f.line, Column: at + 1, Header: c.Header, Kind: KindMapping, Got: "two signals for one column", Expected: "one", Hint: "correct the mapping"}
	}
	signal, _ := j1979.ByPath(c.Signal)
	mark := f.mapping.Decimal
	if c.Decimal != "" {
		mark = c.Decimal
	}
	reader := newCellReader(signal, c.Unit, mark[0])
	f.all[at].index = len(f.columns)
	f.all[at].cell = reader
	f.columns = append(f.columns, newColumn(at, c.Header, signal, math.Abs(reader.convert.scale)))
	return nil
}

// find returns the position of a header, −1 for an optional one that is missing.
func (f *foreignReader) find(header string, column int, optional bool) (int, error) {
	if column > 0 {
		if column <= len(f.all) && f.all[column-1].header == header {
			return column - 1, nil
		}
		if optional {
			return -1, nil
		}
		return 0, f.missing(header, fmt.Sprintf("the header %s in column %d", quoted(header), column))
	}
	at := -1
	for i := range f.all {
		if f.all[i].header != header {
			continue
		}
		if at >= 0 && !optional {
			return 0, &Error{File: f.file, Line: f.line, Column: i + 1, Header: header, Kind: KindDuplicateColumn, Got: fmt.Sprintf("the same header in columns %d and %d", at+1, i+1), Expected: "one", Hint: "name the position with column in the mapping"}
		}
		at = i
	}
	if at < 0 && !optional {
		return 0, f.missing(header, "a column headed "+quoted(header))
	}
	return at, nil
}

func (f *foreignReader) missing(header, expected string) error {
	var found []string
	for i := range min(len(f.all), 12) {
		found = append(found, quoted(f.all[i].header))
	}
	if len(f.all) > len(found) {
		found = append(found, "…")
	}
	return &Error{File: f.file, Line: f.line, Header: header, Kind: KindMissingColumn, Got: "the headers " + strings.Join(found, ", "), Expected: expected, Hint: "correct the mapping, or propose a new one for this file"}
}

func (f *foreignReader) readRow() error {
	f.rec.Rows++
	if !f.fits() {
		f.rowsOff.add(becauseRagged, f.line)
		return nil
	}
	us, ok, err := f.time()
	if err != nil {
		return err
	}
	if !ok {
		f.rowsOff.add(becauseNoTime, f.line)
		return nil
	}
	f.builder.row(us)
	for i := range f.all {
		if err := f.value(i); err != nil {
			return err
		}
	}
	return nil
}

// fits allows blank cells behind the last header: many loggers end rows with a
// separator.
func (f *foreignReader) fits() bool {
	if len(f.cells) < len(f.all) {
		return false
	}
	for _, extra := range f.cells[len(f.all):] {
		if len(bytes.TrimSpace(extra)) > 0 {
			return false
		}
	}
	return true
}

func (f *foreignReader) time() (us int64, ok bool, err error) {
	if f.clock < 0 {
		return int64(f.rec.Rows-1) * 1e6, true, nil
	}
	s, ok := parseStamp(f.cells[f.clock], f.mapping.Clock.Format)
	if !ok {
		return 0, false, nil
	}
	us, back := f.ticker.next(s)
	if !back && us <= MaxTimeS*1e6 {
		return us, true, nil
	}
	e := f.fault(f.clock+1, KindTimeBackwards, fmt.Sprintf("%s, %v s before the row above", quoted(f.cells[f.clock]), float64(f.ticker.last-us)/1e6), "a time that is not before the row above", "split the file where a new drive begins, or set the clock to row_order in the mapping")
	if !back {
		e = f.fault(f.clock+1, KindTime, fmt.Sprintf("%s, more than three years after the first row", quoted(f.cells[f.clock])), "one drive", "correct the clock in the mapping")
	}
	e.Header = f.all[f.clock].header
	return 0, false, e
}

func (f *foreignReader) value(at int) error {
	c, cell := &f.all[at], bytes.TrimSpace(f.cells[at])
	if len(cell) == 0 {
		return nil
	}
	if c.index < 0 {
		switch {
		case c.clock:
		case c.ignore != "":
			c.tally.add(becauseIgnored, f.line)
		default:
			c.tally.add(becauseUnmapped, f.line)
		}
		return nil
	}
	n, why := c.cell.read(cell)
	if why != used {
		c.tally.add(why, f.line)
		return nil
	}
	if len(f.rec.Samples) >= f.limit {
		return f.fault(at+1, KindTooManySamples, fmt.Sprintf("more than %d", f.limit), "a recording of at most that many", "split the file")
	}
	f.columns[c.index].grid.add(n.value, n.decimals)
	f.builder.add(c.index, n.value)
	return nil
}

func (f *foreignReader) result() (*Recording, error) {
	off := f.rowsOff[becauseRagged]
	switch {
	case f.rec.Rows == 0:
		return nil, &Error{File: f.file, Kind: KindHeaderOnly, Expected: "data rows below the header", Hint: "record again; the recording was stopped before its first row"}
	case 2*off.count > f.rec.Rows:
		return nil, &Error{File: f.file, Line: off.line, Kind: KindRagged, Got: fmt.Sprintf("%d of %d rows with another number of cells", off.count, f.rec.Rows), Expected: fmt.Sprintf("%d cells as in the header", len(f.all)), Hint: "check separator and decimal mark in the mapping"}
	}
	f.rec.Skipped = f.skips()
	if len(f.rec.Samples) == 0 {
		return nil, f.noSamples()
	}
	rec := f.builder.done(f.ticker.kind())
	rec.StartUnixUS = f.ticker.start()
	return rec, nil
}

func (f *foreignReader) noSamples() error {
	e := &Error{File: f.file, Kind: KindNoSamples, Expected: "at least one cell with a value that can be used", Hint: "check units, decimal mark and clock in the mapping"}
	for _, s := range f.rec.Skipped {
		if s.Reason == reasonTexts[becauseUnmapped] || s.Column > 0 && s.Signal == "" {
			continue
		}
		e.Line, e.Column, e.Header = s.FirstLine, s.Column, s.Header
		e.Got = fmt.Sprintf("%d times %q", s.Count, s.Reason)
		break
	}
	return e
}

// skips lists rows first, then columns as they stand.
func (f *foreignReader) skips() []Skip {
	var out []Skip
	list := func(t *tally, s Skip) {
		for r, n := range t {
			if n.count == 0 {
				continue
			}
			s.Reason, s.Count, s.FirstLine = reasonTexts[r], n.count, n.line
			out = append(out, s)
		}
	}
	list(&f.rowsOff, Skip{})
	for i := range f.all {
		c := &f.all[i]
		s := Skip{Header: c.header, Column: i + 1}
		if c.index >= 0 {
			s.Signal = f.columns[c.index].signal.Path
		}
		from := len(out)
		list(&c.tally, s)
		for k := from; c.ignore != "" && k < len(out); k++ {
			out[k].Reason += ": " + c.ignore
		}
	}
	return out
}
