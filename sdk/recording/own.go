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
	"github.com/airassay/airassay/sdk/recording/internal/nearest"
)

// timeHeader heads the first column of our own format.
const timeHeader = "time_s"

var (
	markUTF8    = []byte{0xEF, 0xBB, 0xBF}
	markUTF16LE = []byte{0xFF, 0xFE}
	markUTF16BE = []byte{0xFE, 0xFF}
)

// skipMark removes a UTF-8 byte order mark and refuses one of UTF-16.
func skipMark(r io.Reader, name string) (io.Reader, error) {
	head := make([]byte, len(markUTF8))
	n, err := io.ReadFull(r, head)
	head = head[:n]
	if err != nil && err != io.EOF && err != io.ErrUnexpectedEOF {
		return nil, (&records{file: name}).unreadable(err)
	}
	if bytes.HasPrefix(head, markUTF16LE) || bytes.HasPrefix(head, markUTF16BE) {
		return nil, &Error{File: name, Line: 1, Column: 1, Kind: KindEncoding, Got: "UTF-16", Expected: "UTF-8", Hint: "save the file as UTF-8, or read it with a mapping that names its encoding"}
	}
	return io.MultiReader(bytes.NewReader(bytes.TrimPrefix(head, markUTF8)), r), nil
}

// column is one signal column while it is read.
type column struct {
	at        int // index of its cell in a row
	header    string
	signal    j1979.Signal
	low, high float64
	grid      grid
}

func newColumn(at int, header string, signal j1979.Signal, scale float64) column {
	low, high := signal.Limits()
	return column{at: at, header: header, signal: signal, low: low, high: high,
		grid: grid{step: signal.Step, zero: signal.Zero, scale: scale}}
}

// builder collects samples into a recording.
type builder struct {
	rec     *Recording
	columns []column
	limit   int
	sorter  sorter
	group   int   // first sample of the current time
	now     int64 // the current time
	rows    int   // rows of the current time
}

// row starts a row at a time that is not before the last one.
func (b *builder) row(us int64) {
	if us != b.now {
		b.finish()
		b.now = us
	}
	b.rows++
}

// Below growFast samples the storage doubles, beyond it grows by half, so that neither
// copying nor spare room gets out of hand.
const (
	growFirst = 4096
	growFast  = 1 << 20
)

// add appends one sample of the current time. The caller has checked the limit.
func (b *builder) add(signal int, value float64) {
	samples := b.rec.Samples
	if n := len(samples); n == cap(samples) {
		more := max(n, growFirst)
		if n >= growFast {
			more = n / 2
		}
		samples = slices.Grow(samples, min(more, b.limit-n))
	}
	samples = append(samples, Sample{TimeUS: b.now, Signal: int32(signal), Value: value})
	b.rec.Samples = samples
}

// finish orders the samples of the current time.
func (b *builder) finish() {
	if b.rows > 1 {
		b.sorter.sort(b.rec.Samples[b.group:], len(b.columns))
	}
	b.group = len(b.rec.Samples)
	b.rows = 0
}

// done completes the recording after its last row.
func (b *builder) done(clock ClockKind) *Recording {
	b.finish()
	b.rec.Clock = clock
	for _, c := range b.columns {
		b.rec.Signals = append(b.rec.Signals, Signal{Path: c.signal.Path, Unit: c.signal.Unit, Resolution: c.grid.resolution()})
	}
	b.rec.declareUncertainty()
	return b.rec
}

// contextRows is how many rows are read between looks at the context.
const contextRows = 1024

type ownReader struct {
	*records
	builder
	fraction bool // some time has a fraction
}

func readOwn(ctx context.Context, r io.Reader, name string, o Options) (*Recording, error) {
	r, err := skipMark(r, name)
	if err != nil {
		return nil, err
	}
	own := ownReader{records: newRecords(r, name, ',', true)}
	own.builder = builder{rec: &Recording{}, limit: o.maxSamples()}
	if err := own.header(); err != nil {
		return nil, err
	}
	for rows := 0; ; rows++ {
		if rows%contextRows == 0 && ctx.Err() != nil {
			return nil, fmt.Errorf("reading %s: %w", name, context.Cause(ctx))
		}
		if err := own.records.next(); err == io.EOF {
			break
		} else if err != nil {
			return nil, err
		}
		if err := own.readRow(); err != nil {
			return nil, err
		}
	}
	return own.result()
}

func (own *ownReader) result() (*Recording, error) {
	switch {
	case own.rec.Rows == 0:
		return nil, own.whole(KindHeaderOnly, "data rows below the header", "record again; the recording was stopped before its first row")
	case len(own.rec.Samples) == 0:
		return nil, own.whole(KindNoSamples, "at least one cell with a value", "check that the logger was connected")
	}
	if own.fraction {
		return own.done(ClockHost), nil
	}
	return own.done(ClockWholeSecond), nil
}

func (own *ownReader) whole(kind Kind, expected, hint string) *Error {
	return &Error{File: own.file, Kind: kind, Expected: expected, Hint: hint}
}

func (own *ownReader) header() error {
	err := own.records.next()
	if err == io.EOF {
		return own.whole(KindEmpty, "a header row that starts with time_s", "choose another file")
	}
	if err != nil {
		return err
	}
	if string(own.cells[0]) != timeHeader {
		return own.fault(1, KindNotOurs, quoted(own.cells[0]), `"time_s" as the first column, with commas between columns`,
			"files of other loggers need a mapping; let the tool propose one")
	}
	if len(own.cells) == 1 {
		return own.fault(0, KindNoSignals, "time_s alone", "at least one signal column", "add a column headed by a VSS path, such as MAF")
	}
	seen := make(map[string]int, len(own.cells))
	for i, cell := range own.cells[1:] {
		if err := own.headerCell(i+1, string(cell), seen); err != nil {
			return err
		}
	}
	return nil
}

func (own *ownReader) headerCell(at int, header string, seen map[string]int) error {
	signal, ok := j1979.Lookup(header)
	if !ok {
		e := own.fault(at+1, KindUnknownSignal, quoted(header), "a VSS path of the signal vocabulary, with or without "+j1979.Prefix, suggestion(header))
		e.Header = header
		return e
	}
	if first, twice := seen[signal.Path]; twice {
		e := own.fault(at+1, KindDuplicateColumn, fmt.Sprintf("%s in columns %d and %d", signal.Short(), first, at+1), "each signal once", "remove one of the columns")
		e.Header = header
		return e
	}
	seen[signal.Path] = at + 1
	own.columns = append(own.columns, newColumn(at, header, signal, 1))
	return nil
}

// suggestion names the signal that a header most likely meant.
func suggestion(header string) string {
	if strings.TrimSpace(header) == "" {
		return "remove the column, or the separator at the end of the line"
	}
	if near := nearest.Word(strings.TrimPrefix(strings.TrimSpace(header), j1979.Prefix), shortNames); near != "" {
		return "did you mean " + near + "? Otherwise remove the column, or read the file with a mapping"
	}
	return "remove the column, or read the file with a mapping"
}

var shortNames = func() []string {
	var names []string
	for _, s := range j1979.Signals() {
		names = append(names, s.Short())
	}
	return names
}()

func (own *ownReader) readRow() error {
	cells := own.cells
	if len(cells) != len(own.columns)+1 {
		return own.fault(0, KindRagged, fmt.Sprintf("%d cells", len(cells)), fmt.Sprintf("%d cells as in the header", len(own.columns)+1), "leave a cell blank where nothing was sampled, and keep its comma")
	}
	if err := own.readTime(cells[0]); err != nil {
		return err
	}
	for i := range own.columns {
		if cell := cells[i+1]; len(cell) > 0 {
			if err := own.value(i, cell); err != nil {
				return err
			}
		}
	}
	return nil
}

func (own *ownReader) readTime(cell []byte) error {
	us, fraction, ok := parseSeconds(cell, '.')
	if !ok {
		e := own.fault(1, KindTime, quoted(cell), "seconds since the start of the recording, a decimal number from 0 to 100000000", "write the time as in 12.345")
		e.Header = timeHeader
		return e
	}
	if us < own.now {
		e := own.fault(1, KindTimeBackwards, fmt.Sprintf("%s after %s", quoted(cell), formatSeconds(own.now)), "a time that is not before the row above", "order the rows by time, or split the file where a new drive begins")
		e.Header = timeHeader
		return e
	}
	own.fraction = own.fraction || fraction
	own.rec.Rows++
	own.row(us)
	return nil
}

func (own *ownReader) value(i int, cell []byte) error {
	c := &own.columns[i]
	n, ok := parseNumber(cell, '.')
	if !ok {
		return own.cellFault(i, KindNumber, cell, "a decimal number"+inUnit(c.signal.Unit)+", such as 12.5, or a blank cell", "leave the cell blank where nothing was sampled")
	}
	if n.value < c.low || n.value > c.high {
		return own.cellFault(i, KindRange, cell, rangeText(c.signal), "check the unit of the column")
	}
	if c.signal.Code && n.value != math.Trunc(n.value) {
		return own.cellFault(i, KindRange, cell, "a whole number", "this signal is a code or a count")
	}
	if len(own.rec.Samples) >= own.limit {
		return own.fault(i+2, KindTooManySamples, fmt.Sprintf("more than %d", own.limit), "a recording of at most that many", "split the file")
	}
	c.grid.add(n.value, n.decimals)
	own.builder.add(i, n.value)
	return nil
}

func (own *ownReader) cellFault(i int, kind Kind, cell []byte, expected, hint string) *Error {
	e := own.fault(own.columns[i].at+1, kind, quoted(cell), expected, hint)
	e.Header = own.columns[i].header
	return e
}

func inUnit(unit string) string {
	if unit == "" {
		return ""
	}
	return " in " + unit
}

func rangeText(s j1979.Signal) string {
	return fmt.Sprintf("%v to %v%s", s.Min, max(s.Max, s.RescaledMax), inUnit(s.Unit))
}

// IsOurs tells whether r begins as our own format does, and goes back to where r
// stood. Files that are not ours need a mapping; Propose makes one.
func IsOurs(r io.ReadSeeker) (bool, error) {
	var head [len(timeHeader) + 6]byte // a mark, two quotes, a comma
	n, err := io.ReadFull(r, head[:])
	if err != nil && err != io.EOF && err != io.ErrUnexpectedEOF {
		return false, fmt.Errorf("looking at the start of a recording: %w", err)
	}
	if _, err := r.Seek(-int64(n), io.SeekCurrent); err != nil {
		return false, fmt.Errorf("going back to the start of a recording: %w", err)
	}
	text := bytes.TrimPrefix(head[:n], markUTF8)
	rest, ours := bytes.CutPrefix(text, []byte(timeHeader))
	if !ours {
		rest, ours = bytes.CutPrefix(text, []byte(`"`+timeHeader+`"`))
	}
	return ours && (len(rest) == 0 || strings.IndexByte(",\r\n", rest[0]) >= 0), nil
}
