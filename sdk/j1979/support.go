// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1979

import (
	"fmt"
	"iter"
)

// Support is a set of parameters, monitors or infotypes: what a control unit says it has. The zero Support is empty.
type Support struct {
	bits [4]uint64
}

// Has tells whether id is in the set.
func (s *Support) Has(id byte) bool { return s.bits[id/64]&(1<<(id%64)) != 0 }

// Add puts ids into the set.
func (s *Support) Add(ids ...byte) {
	for _, id := range ids {
		s.bits[id/64] |= 1 << (id % 64)
	}
}

// Remove takes ids out of the set.
func (s *Support) Remove(ids ...byte) {
	for _, id := range ids {
		s.bits[id/64] &^= 1 << (id % 64)
	}
}

// Merge adds all of another set.
func (s *Support) Merge(other *Support) {
	for i := range s.bits {
		s.bits[i] |= other.bits[i]
	}
}

// All goes through the set in rising order, but for 00, 20, 40 … E0, which are bitmaps themselves.
func (s *Support) All() iter.Seq[byte] {
	return func(yield func(byte) bool) {
		for id := range 256 {
			if id%32 != 0 && s.Has(byte(id)) && !yield(byte(id)) {
				return
			}
		}
	}
}

// Next tells which bitmap is to be asked for after the one of base, where there is one.
func (s *Support) Next(base byte) (next byte, ok bool) {
	next = base&0xE0 + 0x20
	return next, next != 0 && s.Has(next)
}

// SetBitmap takes over the four data bytes of the bitmap at base (00, 20 … E0): the highest bit of the first byte stands
// for base+1, the lowest of the last for base+20, which is the next bitmap. What the set held of these is replaced.
func (s *Support) SetBitmap(base byte, bitmap [4]byte) {
	for i := range 32 {
		id := base&0xE0 + byte(i) + 1
		if id == 0 { // the next bitmap after E0 would not fit a byte
			return
		}
		s.Remove(id)
		if bitmap[i/8]&(0x80>>(i%8)) != 0 {
			s.Add(id)
		}
	}
}

// Bitmap is the inverse of SetBitmap. Its last bit is set where the set holds anything beyond.
func (s *Support) Bitmap(base byte) (bitmap [4]byte) {
	base &= 0xE0
	for id := range s.All() {
		switch {
		case id <= base:
		case int(id) > int(base)+0x20:
			bitmap[3] |= 1
		default:
			i := id - base - 1
			bitmap[i/8] |= 0x80 >> (i % 8)
		}
	}
	return bitmap
}

// ReadSupport takes the bitmaps of an answer to parameters 00, 20 … E0 over into the set, any number of them in any
// order. asked are those that were asked for; nil allows all. After an error the set is as before.
func (c *Coding) ReadSupport(s *Support, asked, answer []byte) error {
	w, err := c.walk(asked, answer)
	if err != nil {
		return err
	}
	return w.bitmaps(s)
}

// bitmaps takes over all that come.
func (w *walk) bitmaps(s *Support) error {
	next := *s
	for !w.done() {
		at := w.at
		pid, data, err := w.next()
		if err != nil {
			return err
		}
		if pid%32 != 0 {
			return wrong(w.what, at, "one of the bitmaps 00, 20, 40, 60, 80, A0, C0, E0", "%02X", pid)
		}
		next.SetBitmap(pid, [4]byte(data))
	}
	*s = next
	return nil
}

// String lists the set in hexadecimal.
func (s *Support) String() string {
	var out []byte
	for id := range s.All() {
		if len(out) > 0 {
			out = append(out, ' ')
		}
		out = fmt.Appendf(out, "%02X", id)
	}
	return string(out)
}
