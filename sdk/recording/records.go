// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package recording

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"unicode/utf8"
)

// records splits text into rows and cells without allocating for each. Cells stay
// valid until the next call of next.
//
// A row is one line of at most MaxLineBytes, so that memory stays bounded whatever
// the input is; a quoted cell therefore ends on its line. Strict quoting is RFC 4180
// to the letter; tolerant quoting takes a quote inside an unquoted cell as a
// character like any other.
type records struct {
	r         io.Reader
	file      string
	separator byte
	strict    bool
	anyBytes  bool // bytes that are no UTF-8 are noted in sawBytes, not refused
	sawBytes  bool

	buf        []byte
	start, end int // the part of buf that is not consumed
	eof        bool

	line  int // line of the last row, from 1
	raw   []byte
	cells [][]byte
	plain []byte // storage of cells that had doubled quotes
}

const readBytes = 64 << 10

func newRecords(r io.Reader, file string, separator byte, strict bool) *records {
	return &records{r: r, file: file, separator: separator, strict: strict, buf: make([]byte, readBytes)}
}

func (s *records) fault(column int, kind Kind, got, expected, hint string) *Error {
	return &Error{File: s.file, Line: s.line, Column: column, Kind: kind, Got: got, Expected: expected, Hint: hint}
}

// next reads the next line that is not blank and splits it. It returns io.EOF at the
// end of the input.
func (s *records) next() error {
	for {
		if err := s.readLine(); err != nil {
			return err
		}
		if len(s.raw) == 0 {
			continue
		}
		if err := s.check(); err != nil {
			return err
		}
		return s.split()
	}
}

// readLine sets raw to the next line, without its end.
func (s *records) readLine() error {
	scanned := 0
	for {
		if at := bytes.IndexByte(s.buf[s.start+scanned:s.end], '\n'); at >= 0 {
			s.line++
			return s.take(scanned+at, 1)
		}
		scanned = s.end - s.start
		if scanned > MaxLineBytes+1 {
			s.line++
			return s.tooLong()
		}
		if s.eof {
			if scanned == 0 {
				return io.EOF
			}
			s.line++
			return s.take(scanned, 0)
		}
		if err := s.fill(); err != nil {
			return err
		}
	}
}

func (s *records) take(n, end int) error {
	s.raw = bytes.TrimSuffix(s.buf[s.start:s.start+n], []byte{'\r'})
	s.start += n + end
	if len(s.raw) > MaxLineBytes {
		return s.tooLong()
	}
	return nil
}

func (s *records) tooLong() error {
	return s.fault(0, KindLineTooLong, "more than 1 MiB without a line end", "lines of at most 1 MiB",
		"check that the file is a text table with one row a line")
}

// fill reads more input behind what is not consumed.
func (s *records) fill() error {
	if s.start > 0 {
		copy(s.buf, s.buf[s.start:s.end])
		s.end -= s.start
		s.start = 0
	}
	if s.end == len(s.buf) {
		s.buf = append(s.buf, make([]byte, len(s.buf))...)
	}
	for range 100 {
		n, err := s.r.Read(s.buf[s.end:])
		s.end += n
		if err == io.EOF {
			s.eof = true
			return nil
		}
		if err != nil {
			return s.unreadable(err)
		}
		if n > 0 {
			return nil
		}
	}
	return s.unreadable(io.ErrNoProgress)
}

// unreadable wraps a failure of the reader; a fault of the content passes as it is.
func (s *records) unreadable(err error) error {
	if _, ok := errors.AsType[*Error](err); ok {
		return err
	}
	return &Error{File: s.file, Line: s.line + 1, Kind: KindUnreadable, Expected: "a file that can be read to its end", Hint: "copy the file again", Err: err}
}

// check refuses what no text holds.
func (s *records) check() error {
	if at := bytes.IndexByte(s.raw, 0); at >= 0 {
		return s.fault(s.columnAt(at), KindBinary, "a NUL byte", "text", "check that this is a text file; UTF-16 without its mark must be saved as UTF-8")
	}
	if at := bytes.IndexByte(s.raw, '\r'); at >= 0 {
		return s.fault(s.columnAt(at), KindBinary, "a carriage return inside the line", "lines that end in LF or CRLF", "save the file with one of these line ends")
	}
	if utf8.Valid(s.raw) {
		return nil
	}
	if s.anyBytes {
		s.sawBytes = true
		return nil
	}
	return s.notUTF8()
}

func (s *records) notUTF8() error {
	at := 0
	for at < len(s.raw) {
		r, n := utf8.DecodeRune(s.raw[at:])
		if r == utf8.RuneError && n <= 1 {
			break
		}
		at += n
	}
	if at == len(s.raw) {
		at = 0
	}
	return s.fault(s.columnAt(at), KindEncoding, fmt.Sprintf("the byte 0x%02X", s.raw[at]), "UTF-8", "save the file as UTF-8, or name its encoding in a mapping")
}

// columnAt returns the column of a byte of the line, as far as separators tell.
func (s *records) columnAt(at int) int {
	return 1 + bytes.Count(s.raw[:at], []byte{s.separator})
}

// split sets cells.
func (s *records) split() error {
	s.cells = s.cells[:0]
	if bytes.IndexByte(s.raw, '"') >= 0 {
		return s.splitQuoted()
	}
	rest := s.raw
	for {
		at := bytes.IndexByte(rest, s.separator)
		if at < 0 {
			return s.add(rest)
		}
		if err := s.add(rest[:at]); err != nil {
			return err
		}
		rest = rest[at+1:]
	}
}

func (s *records) add(cell []byte) error {
	if len(s.cells) == MaxColumns {
		return s.fault(MaxColumns+1, KindTooManyColumns, "more than 4096 cells in a row", "at most 4096", "split the file")
	}
	s.cells = append(s.cells, cell)
	return nil
}

func (s *records) splitQuoted() error {
	// Plain text of quoted cells is never longer than the line, so this storage
	// does not move while cells point into it.
	if cap(s.plain) < len(s.raw) {
		s.plain = make([]byte, 0, len(s.raw))
	}
	s.plain = s.plain[:0]
	rest := s.raw
	for {
		cell, after, err := s.cell(rest)
		if err != nil {
			return err
		}
		if err := s.add(cell); err != nil {
			return err
		}
		if after < 0 {
			return nil
		}
		rest = rest[after:]
	}
}

// cell cuts the first cell off. It returns where the next one starts, or −1.
func (s *records) cell(rest []byte) (cell []byte, after int, err error) {
	lead := rest
	if !s.strict {
		lead = bytes.TrimLeft(rest, " ")
	}
	if len(lead) > 0 && lead[0] == '"' {
		cell, n, err := s.quotedCell(lead[1:])
		if err != nil || n < 0 {
			return cell, -1, err
		}
		return cell, len(rest) - len(lead) + 1 + n, nil
	}
	cell = rest
	after = -1
	if at := bytes.IndexByte(rest, s.separator); at >= 0 {
		cell, after = rest[:at], at+1
	}
	if s.strict && bytes.IndexByte(cell, '"') >= 0 {
		return nil, 0, s.fault(len(s.cells)+1, KindQuoting, quoted(cell), "a quote only around a whole cell", "double the quote and put quotes around the cell, or remove it")
	}
	return cell, after, nil
}

// quotedCell reads behind an opening quote. It returns where the next cell starts,
// counted from there, or −1 at the end of the line.
func (s *records) quotedCell(rest []byte) (cell []byte, after int, err error) {
	from := len(s.plain)
	for i := 0; i < len(rest); i++ {
		if rest[i] != '"' {
			s.plain = append(s.plain, rest[i])
			continue
		}
		if i+1 < len(rest) && rest[i+1] == '"' {
			s.plain = append(s.plain, '"')
			i++
			continue
		}
		cell = s.plain[from:len(s.plain):len(s.plain)]
		tail := rest[i+1:]
		if !s.strict {
			tail = bytes.TrimLeft(tail, " ")
		}
		switch {
		case len(tail) == 0:
			return cell, -1, nil
		case tail[0] == s.separator:
			return cell, len(rest) - len(tail) + 1, nil
		}
		return nil, 0, s.fault(len(s.cells)+1, KindQuoting, quoted(tail)+" after the closing quote", "a separator or the end of the line", "double quotes that belong to the text")
	}
	return nil, 0, s.fault(len(s.cells)+1, KindQuoting, "a quote that is not closed on its line", "a closing quote", "close the quote; a cell cannot span lines")
}
