// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package recording

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"strconv"

	"github.com/airassay/airassay/sdk/j1979"
)

// Write writes a recording in our own format. Samples of one time share rows.
//
// Read gives back the same signals and samples. What the text cannot hold is refused
// as an *Error of KindNotWritable rather than lost in silence: a clock that is only
// the order of rows, stamps of whole seconds with a fraction, times before the start,
// signals or values outside the vocabulary, and samples out of order. Four things are
// not in the text: Rows and Skipped start anew, StartUnixUS is gone, hardware stamps
// come back as host stamps, and resolution and time uncertainty are derived again
// from the samples.
func Write(w io.Writer, r *Recording) error {
	if err := r.writable(); err != nil {
		return err
	}
	out := bufio.NewWriterSize(w, readBytes)
	line := append([]byte(nil), timeHeader...)
	for _, s := range r.Signals {
		line = append(line, ',')
		line = append(line, shortName(s.Path)...)
	}
	out.Write(append(line, '\n'))
	row := writtenRow{signals: len(r.Signals), whole: r.Clock == ClockWholeSecond}
	for from := 0; from < len(r.Samples); {
		to := row.end(r.Samples, from)
		line = row.append(line[:0], r.Samples[from:to])
		if _, err := out.Write(line); err != nil {
			return fmt.Errorf("writing a recording: %w", err)
		}
		from = to
	}
	if err := out.Flush(); err != nil {
		return fmt.Errorf("writing a recording: %w", err)
	}
	return nil
}

func shortName(path string) string {
	s, _ := j1979.ByPath(path)
	return s.Short()
}

type writtenRow struct {
	signals int
	whole   bool
}

// end returns where the row ends that starts at from: at another time, or before a
// signal that the row already has.
func (w writtenRow) end(samples []Sample, from int) int {
	to := from + 1
	for to < len(samples) && samples[to].TimeUS == samples[from].TimeUS && samples[to].Signal > samples[to-1].Signal {
		to++
	}
	return to
}

func (w writtenRow) append(line []byte, row []Sample) []byte {
	line = appendTime(line, row[0].TimeUS, w.whole)
	at := int32(-1)
	for _, s := range row {
		for ; at < s.Signal; at++ {
			line = append(line, ',')
		}
		line = strconv.AppendFloat(line, s.Value, 'f', -1, 64)
	}
	for ; at < int32(w.signals)-1; at++ {
		line = append(line, ',')
	}
	return append(line, '\n')
}

// appendTime writes milliseconds, or microseconds where there are any. Whole seconds
// are written without a fraction, which is how Read knows them.
func appendTime(line []byte, us int64, whole bool) []byte {
	line = strconv.AppendInt(line, us/1e6, 10)
	if whole {
		return line
	}
	digits, part := 6, us%1e6
	if part%1000 == 0 {
		digits, part = 3, part/1000
	}
	line = append(line, '.')
	for scale := int64(power10(digits - 1)); scale > 0; scale /= 10 {
		line = append(line, byte('0'+part/scale%10))
	}
	return line
}

func formatSeconds(us int64) string { return string(appendTime(nil, us, us%1e6 == 0)) }

func (r *Recording) writable() error {
	if r.Clock == ClockRowOrder {
		return notWritable("times that are only the order of rows", "a recording with a clock", "keep the original file and its mapping")
	}
	if len(r.Signals) == 0 || len(r.Signals) >= MaxColumns {
		return notWritable(fmt.Sprintf("%d signals", len(r.Signals)), fmt.Sprintf("1 to %d signals", MaxColumns-1), "leave out what is not needed")
	}
	if len(r.Samples) == 0 {
		return notWritable("no samples", "at least one", "record again")
	}
	vocabulary := make([]j1979.Signal, len(r.Signals))
	seen := make(map[string]bool, len(r.Signals))
	for i, s := range r.Signals {
		known, ok := j1979.ByPath(s.Path)
		if !ok || known.Unit != s.Unit || seen[s.Path] {
			return notWritable(fmt.Sprintf("the signal %s in %q", s.Path, s.Unit), "each signal of the vocabulary once, by its full path and in its VSS unit", suggestion(s.Path))
		}
		seen[s.Path] = true
		vocabulary[i] = known
	}
	return r.samplesWritable(vocabulary)
}

func (r *Recording) samplesWritable(vocabulary []j1979.Signal) error {
	last := Sample{}
	for i, s := range r.Samples {
		if s.Signal < 0 || int(s.Signal) >= len(vocabulary) {
			return badSample(i, fmt.Sprintf("signal %d", s.Signal), "an index of Signals")
		}
		if s.TimeUS < last.TimeUS || s.TimeUS == last.TimeUS && i > 0 && s.Signal < last.Signal {
			return badSample(i, "a sample out of order", "samples by time, then by signal, from time 0")
		}
		if s.TimeUS > MaxTimeS*1e6 || r.Clock == ClockWholeSecond && s.TimeUS%1e6 != 0 {
			return badSample(i, fmt.Sprintf("%d µs", s.TimeUS), fmt.Sprintf("a time up to %d s, without a fraction under a clock of whole seconds", MaxTimeS))
		}
		known := vocabulary[s.Signal]
		low, high := known.Limits()
		if !(s.Value >= low && s.Value <= high) || known.Code && s.Value != math.Trunc(s.Value) {
			return badSample(i, fmt.Sprintf("%v for %s", s.Value, known.Short()), rangeText(known))
		}
		last = s
	}
	return nil
}

func badSample(i int, got, expected string) error {
	return notWritable(fmt.Sprintf("%s in sample %d", got, i), expected, "correct the recording before it is written")
}

func notWritable(got, expected, hint string) error {
	return &Error{File: "recording", Kind: KindNotWritable, Got: got, Expected: expected, Hint: hint}
}
