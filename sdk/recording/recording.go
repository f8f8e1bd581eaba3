// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package recording reads and writes recordings of live engine data.
//
// # Our own format
//
// Text, UTF-8, RFC 4180 CSV. The first column is time_s, seconds since the start
// of the recording, not decreasing. Every other column is one signal, headed by
// its VSS path with or without "Vehicle.OBD.", in the VSS unit. A blank cell means
// that the signal was not sampled at this instant. Read knows the format by its
// first column and is strict: whatever does not fit is an Error with file, line
// and column.
//
// # Files of other loggers
//
// A Mapping says which column is which signal, in which unit, and where the clock
// is. Propose writes one by looking at a file; Describe shows it; a user corrects
// and saves it. Read with a Mapping counts every cell and row that it does not use,
// with the reason, in Recording.Skipped.
//
// A file without a usable clock gets ClockRowOrder: its times are the row's index
// times one second. They order the rows and mean nothing else, so that every test
// that needs time must be left out.
//
// # When was a value taken
//
// A row that took seconds to poll is not one instant, whatever its time stamp says.
// Nothing in a file tells how long a row took, but no row can have taken longer
// than the time to the row before it. So the half-width of the interval in which
// a value was taken (Signal.TimeUncertaintyUS) is half of the shortest usual
// interval: of the 5th percentile for signals that come in rows with others, of
// the median for signals that come alone. Clocks of whole seconds add half a
// second, or half the usual step of a stamp that several rows share. Five seconds
// is the cap: beyond it the interval is a pause, not a poll.
//
// The package imports the standard library and sdk/j1979 alone. Functions may be
// called from several goroutines; a Recording must not be changed while it is read.
package recording

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
)

// ClockKind is what the times of a recording rest on.
type ClockKind uint8

// The kinds of clock.
const (
	// ClockUnknown is not stated.
	ClockUnknown ClockKind = iota
	// ClockHardware stamps are made by the interface hardware or the kernel.
	ClockHardware
	// ClockHost stamps are made by the program that polled.
	ClockHost
	// ClockWholeSecond stamps are whole seconds; several rows may share one.
	ClockWholeSecond
	// ClockRowOrder is no clock: only the order of the rows is known.
	ClockRowOrder
)

var clockNames = [...]string{"unknown", "hardware", "host", "whole_second", "row_order"}

// String returns the kind in lower case with underscores.
func (k ClockKind) String() string {
	if int(k) < len(clockNames) {
		return clockNames[k]
	}
	return clockNames[ClockUnknown]
}

// Recording is one drive: signals and their samples.
type Recording struct {
	// Signals are the columns, in the order of the file.
	Signals []Signal
	// Clock is what the times rest on.
	Clock ClockKind
	// Samples are ordered by time, then by signal, then as they stood in the file.
	Samples []Sample
	// Skipped counts what was not used, and why. Always empty for our own format.
	Skipped []Skip
	// Rows is the number of data rows read, used or not.
	Rows int
	// StartUnixUS is the absolute time of TimeUS 0 in microseconds since 1970 UTC;
	// 0 where the file does not tell it beyond doubt.
	StartUnixUS int64
}

// Signal describes one column of a recording.
type Signal struct {
	// Path is the VSS path.
	Path string
	// Unit is the VSS unit of the path.
	Unit string
	// Resolution is the smallest step of the values, in Unit; 0 is unknown.
	Resolution float64
	// TimeUncertaintyUS is the half-width of the interval in which a value was
	// taken, in microseconds; 0 is unknown.
	TimeUncertaintyUS int64
	// RefreshIntervalUS is how often the vehicle refreshes the value, in
	// microseconds; 0 is unknown, and no text format of ours tells it.
	RefreshIntervalUS int64
}

// Sample is one value of one signal at one instant.
type Sample struct {
	// TimeUS is microseconds since the start of the recording.
	TimeUS int64
	// Signal is the index in Recording.Signals.
	Signal int32
	// Value is in the signal's unit; finite.
	Value float64
}

// Skip counts cells or rows of one column that were not used for one reason.
type Skip struct {
	// Header is the column's header as it stands in the file; empty for whole rows.
	Header string
	// Column is the position of the column, from 1; 0 for whole rows.
	Column int
	// Signal is the VSS path that the column carries; empty for ignored columns and rows.
	Signal string
	// Reason says why.
	Reason string
	// Count is how many cells or rows.
	Count int
	// FirstLine is the line of the first one, from 1.
	FirstLine int
}

// Limits of what is read; each has its own error.
const (
	// MaxLineBytes is the longest line: a row of the most columns has room for
	// 250 bytes a cell.
	MaxLineBytes = 1 << 20
	// MaxColumns is the largest number of columns.
	MaxColumns = 4096
	// MaxSamples is the default for the largest number of samples, two days at
	// 100 samples a second, 480 MB in memory.
	MaxSamples = 20_000_000
	// MaxTimeS is the latest time, in seconds after the start: three years.
	MaxTimeS = 100_000_000
)

// Options of reading. The zero value reads our own format.
type Options struct {
	// Mapping says how to read a file of another logger; nil for our own format.
	Mapping *Mapping
	// MaxSamples is the largest number of samples; 0 is the constant MaxSamples.
	MaxSamples int
}

func (o Options) maxSamples() int {
	if o.MaxSamples > 0 {
		return o.MaxSamples
	}
	return MaxSamples
}

// Read reads a recording: our own format, or any with o.Mapping. The name stands in
// errors only. Whatever is wrong with the content is an *Error; the context's error
// and those of r come wrapped.
func Read(ctx context.Context, r io.Reader, name string, o Options) (*Recording, error) {
	if o.Mapping != nil {
		return readMapped(ctx, r, name, o)
	}
	return readOwn(ctx, r, name, o)
}

// Open reads the recording in the file at path.
func Open(ctx context.Context, path string, o Options) (*Recording, error) {
	f, err := OpenFile(path)
	if err != nil {
		return nil, err
	}
	defer func() { _ = f.Close() }() // It was only read: nothing can be lost.
	return Read(ctx, f, filepath.Base(path), o)
}

// OpenFile opens a regular file for reading and says clearly why it cannot be, as an
// *Error. The caller closes it.
func OpenFile(path string) (*os.File, error) {
	name := filepath.Base(path)
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return nil, &Error{File: path, Kind: KindUnreadable, Expected: "an existing file", Hint: "check the path", Err: err}
	case err != nil:
		return nil, &Error{File: path, Kind: KindUnreadable, Expected: "a file that can be read", Hint: "check the permissions of the file and its directories", Err: err}
	case info.IsDir():
		return nil, &Error{File: path, Kind: KindUnreadable, Got: "a directory", Expected: "a file", Hint: "name one file inside " + name}
	case !info.Mode().IsRegular():
		return nil, &Error{File: path, Kind: KindUnreadable, Got: info.Mode().Type().String(), Expected: "a regular file", Hint: "copy the content into a file"}
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, &Error{File: path, Kind: KindUnreadable, Expected: "a file that can be read", Hint: "check the permissions of the file", Err: err}
	}
	return f, nil
}
