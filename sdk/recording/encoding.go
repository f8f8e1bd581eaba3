// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package recording

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"unicode/utf16"
	"unicode/utf8"
)

// Encoding is how the characters of a file are written as bytes.
type Encoding string

// The encodings that loggers use.
const (
	EncodingUTF8        Encoding = "utf-8"
	EncodingUTF16LE     Encoding = "utf-16le"
	EncodingUTF16BE     Encoding = "utf-16be"
	EncodingWindows1252 Encoding = "windows-1252"
)

var encodings = []string{string(EncodingUTF8), string(EncodingUTF16LE), string(EncodingUTF16BE), string(EncodingWindows1252)}

// decode returns r as UTF-8 without a byte order mark.
func decode(r io.Reader, name string, e Encoding) (io.Reader, error) {
	switch e {
	case EncodingUTF16LE, EncodingUTF16BE:
		in := bufio.NewReaderSize(r, readBytes)
		mark := markUTF16LE
		if e == EncodingUTF16BE {
			mark = markUTF16BE
		}
		if head, _ := in.Peek(len(mark)); bytes.Equal(head, mark) {
			if _, err := in.Discard(len(mark)); err != nil {
				return nil, fmt.Errorf("skipping the byte order mark of %s: %w", name, err)
			}
		}
		units := utf16Units{in: in, big: e == EncodingUTF16BE, name: name, line: 1}
		return &runeReader{next: units.rune}, nil
	case EncodingWindows1252:
		in := bufio.NewReaderSize(r, readBytes)
		return &runeReader{next: func() (rune, error) {
			b, err := in.ReadByte()
			return windows1252(b), err
		}}, nil
	}
	return skipMark(r, name)
}

// runeReader turns a source of runes into UTF-8.
type runeReader struct {
	next  func() (rune, error)
	rest  [utf8.UTFMax]byte // bytes of a rune that did not fit
	count int
	err   error
}

func (d *runeReader) Read(p []byte) (n int, err error) {
	for n < len(p) {
		if d.count == 0 {
			if d.err != nil {
				break
			}
			r, err := d.next()
			if err != nil {
				d.err = err
				break
			}
			d.count = utf8.EncodeRune(d.rest[:], r)
		}
		took := copy(p[n:], d.rest[:d.count])
		copy(d.rest[:], d.rest[took:d.count])
		d.count -= took
		n += took
	}
	if n > 0 || len(p) == 0 {
		return n, nil
	}
	return 0, d.err
}

type utf16Units struct {
	in   *bufio.Reader
	big  bool
	name string
	line int
}

func (u *utf16Units) unit() (rune, error) {
	a, err := u.in.ReadByte()
	if err != nil {
		return 0, err
	}
	b, err := u.in.ReadByte()
	if err == io.EOF {
		return 0, u.broken("half a character at the end")
	}
	if u.big {
		a, b = b, a
	}
	return rune(a) | rune(b)<<8, err
}

func (u *utf16Units) rune() (rune, error) {
	r, err := u.unit()
	if err != nil {
		return 0, err
	}
	if r == '\n' {
		u.line++
	}
	if !utf16.IsSurrogate(r) {
		return r, nil
	}
	low, err := u.unit()
	if err != nil && err != io.EOF {
		return 0, err
	}
	if pair := utf16.DecodeRune(r, low); pair != utf8.RuneError {
		return pair, nil
	}
	return 0, u.broken("half a surrogate pair")
}

func (u *utf16Units) broken(got string) error {
	return &Error{File: u.name, Line: u.line, Kind: KindEncoding, Got: got, Expected: "UTF-16", Hint: "copy the file again, or name its encoding in the mapping"}
}

// high1252 are the bytes 80 to 9F of Windows-1252; the rest is Latin-1.
var high1252 = [32]rune{
	0x20AC, 0x81, 0x201A, 0x0192, 0x201E, 0x2026, 0x2020, 0x2021, 0x02C6, 0x2030, 0x0160, 0x2039, 0x0152, 0x8D, 0x017D, 0x8F,
	0x90, 0x2018, 0x2019, 0x201C, 0x201D, 0x2022, 0x2013, 0x2014, 0x02DC, 0x2122, 0x0161, 0x203A, 0x0153, 0x9D, 0x017E, 0x0178,
}

func windows1252(b byte) rune {
	if b >= 0x80 && b < 0xA0 {
		return high1252[b-0x80]
	}
	return rune(b)
}

// sniffEncoding guesses from the start of a file. truncated tells that more follows.
func sniffEncoding(head []byte, truncated bool) Encoding {
	switch {
	case bytes.HasPrefix(head, markUTF8):
		return EncodingUTF8
	case bytes.HasPrefix(head, markUTF16LE):
		return EncodingUTF16LE
	case bytes.HasPrefix(head, markUTF16BE):
		return EncodingUTF16BE
	}
	if e, ok := sniffUTF16(head); ok {
		return e
	}
	if truncated {
		// The last character may be cut.
		for i := 1; i < utf8.UTFMax && i < len(head); i++ {
			if at := len(head) - i; utf8.RuneStart(head[at]) {
				if !utf8.FullRune(head[at:]) {
					head = head[:at]
				}
				break
			}
		}
	}
	if utf8.Valid(head) {
		return EncodingUTF8
	}
	return EncodingWindows1252
}

// sniffUTF16 knows UTF-16 without a mark: of the two bytes of a unit, one is zero in
// nearly all units of a table, and always the same one.
func sniffUTF16(head []byte) (Encoding, bool) {
	head = head[:min(len(head), 4096)&^1]
	var zero [2]int
	for i, b := range head {
		if b == 0 {
			zero[i&1]++
		}
	}
	units := len(head) / 2
	switch {
	case units < 4:
	case zero[1] > units*9/10 && zero[0] == 0:
		return EncodingUTF16LE, true
	case zero[0] > units*9/10 && zero[1] == 0:
		return EncodingUTF16BE, true
	}
	return "", false
}
