// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package recording

import (
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Kind is the machine-readable part of an Error; errors.Is(err, KindEmpty) works.
type Kind string

// Error makes every Kind a target for errors.Is.
func (k Kind) Error() string { return string(k) }

// What can be wrong with a recording, a mapping or a path.
const (
	KindUnreadable      Kind = "the file cannot be read"
	KindEmpty           Kind = "the file is empty"
	KindHeaderOnly      Kind = "there is a header and no data row"
	KindNoSamples       Kind = "there is no sample"
	KindNotOurs         Kind = "this is not our recording format"
	KindNoHeader        Kind = "no header row is found"
	KindEncoding        Kind = "the encoding is wrong"
	KindBinary          Kind = "there is a byte that no text holds"
	KindLineTooLong     Kind = "the line is too long"
	KindQuoting         Kind = "the quoting is wrong"
	KindRagged          Kind = "the row does not fit the header"
	KindTooManyColumns  Kind = "there are too many columns"
	KindTooManySamples  Kind = "there are too many samples"
	KindUnknownSignal   Kind = "the signal is unknown"
	KindDuplicateColumn Kind = "two columns are the same"
	KindNoSignals       Kind = "there is no signal column"
	KindTime            Kind = "the time is wrong"
	KindTimeBackwards   Kind = "the time runs backwards"
	KindNumber          Kind = "the value is not a number"
	KindRange           Kind = "the value is out of range"
	KindMissingColumn   Kind = "a column of the mapping is missing"
	KindMapping         Kind = "the mapping is wrong"
	KindNotWritable     Kind = "our format cannot carry this recording"
)

// Error says what is wrong, where, what was expected and what to do.
type Error struct {
	// File is the name that the caller gave.
	File string
	// Line is the line of the file, from 1; 0 for the file as a whole.
	Line int
	// Column is the position of the cell in its row, from 1; 0 for the row as a
	// whole. In a mapping file it is the position of the byte in its line.
	Column int
	// Header is the header of that column, where there is one.
	Header string
	// Kind says what is wrong.
	Kind Kind
	// Got is what was found, shortened; may be empty.
	Got string
	// Expected is what should have been there.
	Expected string
	// Hint says what to do.
	Hint string
	// Err is the cause, where there is one.
	Err error
}

// Error returns one sentence: file:line:column: what: got …; expected …; hint.
func (e *Error) Error() string {
	var b strings.Builder
	b.WriteString(e.File)
	if e.Line > 0 {
		fmt.Fprintf(&b, ":%d", e.Line)
	}
	if e.Column > 0 {
		fmt.Fprintf(&b, ":%d", e.Column)
	}
	b.WriteString(": ")
	if e.Header != "" {
		fmt.Fprintf(&b, "column %s: ", shorten(e.Header))
	}
	b.WriteString(string(e.Kind))
	if e.Got != "" {
		b.WriteString(": got " + e.Got)
	}
	if e.Expected != "" {
		b.WriteString("; expected " + e.Expected)
	}
	if e.Hint != "" {
		b.WriteString("; " + e.Hint)
	}
	if e.Err != nil {
		b.WriteString(": " + e.Err.Error())
	}
	return b.String()
}

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.Err }

// Is makes errors.Is work with a Kind.
func (e *Error) Is(target error) bool {
	k, ok := target.(Kind)
	return ok && k == e.Kind
}

// shownBytes is how much of a cell an error repeats.
const shownBytes = 48

// quoted shows cell content: quoted, escaped and shortened.
func quoted[T ~string | ~[]byte](cell T) string {
	if len(cell) <= shownBytes {
		return strconv.Quote(string(cell))
	}
	cut := shownBytes
	for cut > shownBytes-utf8.UTFMax && !utf8.RuneStart(cell[cut]) {
		cut--
	}
	return strconv.Quote(string(cell[:cut])) + "…"
}

// shorten keeps a header printable within an error.
func shorten(header string) string {
	if q := quoted(header); len(q) != len(header)+2 {
		return q
	}
	return header
}
