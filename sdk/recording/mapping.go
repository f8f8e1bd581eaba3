// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package recording

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"github.com/airassay/airassay/sdk/j1979"
	"github.com/airassay/airassay/sdk/recording/internal/nearest"
	"github.com/airassay/airassay/sdk/recording/internal/strictjson"
)

// MappingVersion is the version of the mapping file that this package reads and
// writes.
const MappingVersion = 1

// Mapping says how to read a file of another logger. As a file it is JSON with the
// keys named in the tags; an unknown key is refused.
//
//	{"mapping_version": 1, "encoding": "utf-8", "separator": ";", "decimal": ",",
//	 "header_line": 1,
//	 "clock": {"header": "RUNTIME", "format": "hh:mm:ss"},
//	 "columns": [
//	  {"header": "AIR (kg/h)", "signal": "Vehicle.OBD.MAF", "unit": "kg/h"},
//	  {"header": "CABIN", "ignore": "no signal of ours"}]}
type Mapping struct {
	// Version is MappingVersion.
	Version int `json:"mapping_version"`
	// Encoding is utf-8, utf-16le, utf-16be or windows-1252.
	Encoding Encoding `json:"encoding"`
	// Separator stands between cells: a comma, a semicolon, a tab or a bar.
	Separator string `json:"separator"`
	// Decimal is the decimal mark: a point or a comma.
	Decimal string `json:"decimal"`
	// HeaderLine is the line of the header, from 1. What stands above is not read.
	HeaderLine int `json:"header_line"`
	// DataLine is the line of the first row, where it is not the one after the header.
	DataLine int `json:"data_line,omitempty"`
	// Clock says where the time of a row stands.
	Clock ClockMapping `json:"clock"`
	// Columns says what the columns are. A column that is not named is not used, and
	// counted.
	Columns []ColumnMapping `json:"columns"`
}

// ClockMapping says where the time of a row stands.
type ClockMapping struct {
	// Header is the header of the clock's column; empty for row_order.
	Header string `json:"header,omitempty"`
	// Column is its position from 1, needed only where two columns have that header or
	// it is blank.
	Column int `json:"column,omitempty"`
	// Format is how the time is written.
	Format ClockFormat `json:"format"`
}

// ColumnMapping says what one column is: a signal in a unit, or ignored for a reason.
type ColumnMapping struct {
	// Header is the column's header without spaces around it.
	Header string `json:"header"`
	// Column is its position from 1, needed only where two columns have that header.
	Column int `json:"column,omitempty"`
	// Signal is the VSS path.
	Signal string `json:"signal,omitempty"`
	// Unit is the unit of the cells; empty for the VSS unit. Signals in seconds may
	// be hh:mm:ss.
	Unit string `json:"unit,omitempty"`
	// Decimal is the decimal mark of this column where it differs from the file's.
	Decimal string `json:"decimal,omitempty"`
	// Ignore is why the column is not used.
	Ignore string `json:"ignore,omitempty"`
}

// separators that a file may have.
var separators = []string{",", ";", "\t", "|"}

// Check tells what is wrong with the mapping, as an *Error of KindMapping. The name
// stands in the error.
func (m *Mapping) Check(name string) error {
	bad := func(what, got, expected string) error {
		return &Error{File: name, Kind: KindMapping, Got: what + " " + got, Expected: expected, Hint: "correct the mapping"}
	}
	switch {
	case m.Version != MappingVersion:
		return bad("mapping_version", strconv.Itoa(m.Version), strconv.Itoa(MappingVersion))
	case !slices.Contains(encodings, string(m.Encoding)):
		return bad("encoding", quoted(string(m.Encoding)), strings.Join(encodings, ", "))
	case !slices.Contains(separators, m.Separator):
		return bad("separator", quoted(m.Separator), `one of "," ";" "\t" "|"`)
	case !isDecimal(m.Decimal):
		return bad("decimal", quoted(m.Decimal), `"." or ","`)
	case m.HeaderLine < 1 || m.HeaderLine > mostHeaderLine:
		return bad("header_line", strconv.Itoa(m.HeaderLine), fmt.Sprintf("a line from 1 to %d", mostHeaderLine))
	case m.DataLine != 0 && (m.DataLine <= m.HeaderLine || m.DataLine > 2*mostHeaderLine):
		return bad("data_line", strconv.Itoa(m.DataLine), "a line soon after the header")
	case !slices.Contains(clockFormats, string(m.Clock.Format)):
		return bad("clock format", quoted(string(m.Clock.Format)), strings.Join(clockFormats, ", "))
	case (m.Clock.Format == ClockRows) != (m.Clock.Header == "" && m.Clock.Column == 0):
		return bad("clock header", quoted(m.Clock.Header), "the header of the clock's column, or none with row_order")
	case m.Clock.Column < 0 || m.Clock.Column > MaxColumns:
		return bad("clock column", strconv.Itoa(m.Clock.Column), "a position from 1")
	case len(m.Columns) > MaxColumns:
		return bad("columns", strconv.Itoa(len(m.Columns)), fmt.Sprintf("at most %d", MaxColumns))
	}
	return m.checkColumns(bad)
}

// mostHeaderLine bounds what may stand above a header.
const mostHeaderLine = 10_000

func isDecimal(mark string) bool { return mark == "." || mark == "," }

func (m *Mapping) checkColumns(bad func(what, got, expected string) error) error {
	signals, places := map[string]bool{}, map[string]bool{}
	for i, c := range m.Columns {
		what := fmt.Sprintf("column %d of the mapping (%s):", i+1, shorten(c.Header))
		place := fmt.Sprint(c.Column, " ", c.Header)
		switch s, known := j1979.ByPath(c.Signal); {
		case c.Column < 0 || c.Column > MaxColumns:
			return bad(what, "column "+strconv.Itoa(c.Column), "a position from 1")
		case places[place]:
			return bad(what, "the same column twice", "each column once")
		case (c.Signal == "") == (c.Ignore == ""):
			return bad(what, "not exactly one of signal and ignore", "a signal, or ignore with the reason")
		case c.Ignore != "" && (c.Unit != "" || c.Decimal != ""):
			return bad(what, "a unit or decimal mark for an ignored column", "neither")
		case c.Ignore != "":
		case !known:
			return bad(what, "the signal "+quoted(c.Signal), "a full VSS path of the vocabulary; "+suggestion(c.Signal))
		case signals[c.Signal]:
			return bad(what, "the signal "+c.Signal+" again", "each signal once")
		case c.Decimal != "" && !isDecimal(c.Decimal):
			return bad(what, "the decimal mark "+quoted(c.Decimal), `"." or ","`)
		case !unitFits(s, c.Unit):
			return bad(what, "the unit "+quoted(c.Unit), fmt.Sprintf("for %s one of: %s", s.Short(), strings.Join(unitChoices(s.Unit), ", ")))
		}
		places[place] = true
		if c.Signal != "" {
			signals[c.Signal] = true
		}
	}
	if len(signals) == 0 {
		return bad("columns", "without a signal", "at least one column with a signal")
	}
	return nil
}

func unitFits(s j1979.Signal, unit string) bool {
	if unit == "" || unit == unitClock && s.Unit == "s" {
		return true
	}
	_, _, ok := findUnit(s.Unit, unit)
	return ok
}

// WriteMapping writes the mapping as JSON that ReadMapping reads back.
func WriteMapping(w io.Writer, m *Mapping) error {
	if err := m.Check("mapping"); err != nil {
		return err
	}
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(m); err != nil {
		return fmt.Errorf("writing a mapping: %w", err)
	}
	return nil
}

// ReadMapping reads a mapping file of at most 1 MiB. Whatever is wrong is an *Error of
// KindMapping with line and column; the name stands in it.
func ReadMapping(r io.Reader, name string) (*Mapping, error) {
	data, err := io.ReadAll(io.LimitReader(r, strictjson.MaxBytes+1))
	if err != nil {
		return nil, (&records{file: name}).unreadable(err)
	}
	root, err := strictjson.Parse(data)
	if syntax, ok := errors.AsType[*strictjson.Error](err); ok {
		return nil, &Error{File: name, Line: syntax.Line, Column: syntax.Column, Kind: KindMapping, Got: syntax.What, Expected: "one JSON object", Hint: "correct the mapping"}
	}
	m := &Mapping{}
	d := mappingReader{name: name}
	d.object(root, map[string]func(*strictjson.Node){
		"mapping_version": d.number(&m.Version),
		"encoding":        text(&d, &m.Encoding),
		"separator":       text(&d, &m.Separator),
		"decimal":         text(&d, &m.Decimal),
		"header_line":     d.number(&m.HeaderLine),
		"data_line":       d.number(&m.DataLine),
		"clock":           d.clock(&m.Clock),
		"columns":         d.columns(&m.Columns),
	})
	if d.err != nil {
		return nil, d.err
	}
	return m, m.Check(name)
}

// mappingReader walks the tree; the first error stays.
type mappingReader struct {
	name string
	err  error
}

func (d *mappingReader) fault(line, column int, got, expected, hint string) {
	if d.err == nil {
		d.err = &Error{File: d.name, Line: line, Column: column, Kind: KindMapping, Got: got, Expected: expected, Hint: hint}
	}
}

func (d *mappingReader) want(n *strictjson.Node, kind strictjson.Kind) bool {
	if n.Kind != kind {
		d.fault(n.Line, n.Column, n.Kind.String(), kind.String(), "correct the mapping")
	}
	return n.Kind == kind
}

func (d *mappingReader) object(n *strictjson.Node, keys map[string]func(*strictjson.Node)) {
	if !d.want(n, strictjson.Object) {
		return
	}
	for _, m := range n.Members {
		if read, ok := keys[m.Key]; ok {
			read(m.Value)
			continue
		}
		var known []string
		for k := range keys {
			known = append(known, k)
		}
		slices.Sort(known)
		hint := "remove the key"
		if near := nearest.Word(m.Key, known); near != "" {
			hint = "did you mean " + near + "?"
		}
		d.fault(m.Line, m.Column, "the unknown key "+quoted(m.Key), "one of "+strings.Join(known, ", "), hint)
	}
}

func (d *mappingReader) number(to *int) func(*strictjson.Node) {
	return func(n *strictjson.Node) {
		if !d.want(n, strictjson.Number) {
			return
		}
		v, err := strconv.Atoi(n.Text)
		if err != nil {
			d.fault(n.Line, n.Column, quoted(n.Text), "a whole number", "correct the mapping")
		}
		*to = v
	}
}

func text[T ~string](d *mappingReader, to *T) func(*strictjson.Node) {
	return func(n *strictjson.Node) {
		if d.want(n, strictjson.String) {
			*to = T(n.Text)
		}
	}
}

func (d *mappingReader) clock(to *ClockMapping) func(*strictjson.Node) {
	return func(n *strictjson.Node) {
		d.object(n, map[string]func(*strictjson.Node){
			"header": text(d, &to.Header), "column": d.number(&to.Column), "format": text(d, &to.Format),
		})
	}
}

func (d *mappingReader) columns(to *[]ColumnMapping) func(*strictjson.Node) {
	return func(n *strictjson.Node) {
		if !d.want(n, strictjson.Array) {
			return
		}
		for _, item := range n.Items {
			var c ColumnMapping
			d.object(item, map[string]func(*strictjson.Node){
				"header": text(d, &c.Header), "column": d.number(&c.Column), "signal": text(d, &c.Signal),
				"unit": text(d, &c.Unit), "decimal": text(d, &c.Decimal), "ignore": text(d, &c.Ignore),
			})
			*to = append(*to, c)
		}
	}
}
