// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1979

import "math"

type valueFunc = func(ID) (value float64, ok bool)

// BeginAnswer appends the byte that begins the answer to AppendRequest. Parameters follow by AppendParameter, AppendData
// and AppendBitmap.
func (c *Coding) BeginAnswer(dst []byte) []byte {
	if c.Dialect == UDS {
		return append(dst, dataByID+positive)
	}
	return append(dst, currentData+positive)
}

// AppendData appends a parameter's number and its data bytes as they are.
func (c *Coding) AppendData(dst []byte, pid byte, data ...byte) []byte {
	return append(c.appendNumber(dst, pid), data...)
}

// AppendBitmap appends the bitmap of what is supported that begins at base: 00, 20 … E0.
func (c *Coding) AppendBitmap(dst []byte, base byte, s *Support) []byte {
	bitmap := s.Bitmap(base)
	return append(c.appendNumber(dst, base), bitmap[:]...)
}

func (c *Coding) appendNumber(dst []byte, pid byte) []byte {
	if c.Dialect == UDS {
		return append(dst, parameterPage, pid)
	}
	return append(dst, pid)
}

// AppendParameter appends a parameter as Decode reads it, made of the values of its signals: its number and its data
// bytes. Values are rounded to the nearest step and held in the range that the bytes can express; NaN becomes the lowest.
// A signal for which value says false is left out of the support byte, where there is one; elsewhere it reads as 0, or
// as far from it as the range asks, and the trim of an oxygen sensor as not used. Bytes that carry no signal are 0.
//
// false says that the parameter has no signal with a value, and that dst is returned as it was: a control unit then
// leaves the parameter out. Nothing is allocated where dst has room.
func (c *Coding) AppendParameter(dst []byte, pid byte, value func(ID) (value float64, ok bool)) ([]byte, bool) {
	p := &parameters[pid]
	begin := len(dst)
	out := c.appendNumber(dst, pid)
	data := len(out)
	for range c.lengthOf(p) {
		out = append(out, 0)
	}
	written := false
	for i := range p.fields {
		written = c.put(out[data:], p, &p.fields[i], value) || written
	}
	if !written {
		return dst[:begin], false
	}
	return out, true
}

// lengthOf is how many data bytes this package writes.
func (c *Coding) lengthOf(p *parameter) int {
	if p.longer && c.FourBanks {
		return int(p.written) + 1
	}
	return int(p.written)
}

// put writes one field, and tells whether it has a value.
func (c *Coding) put(data []byte, p *parameter, f *field, value valueFunc) bool {
	if f.second && !c.FourBanks {
		return false
	}
	v, ok := value(f.id)
	switch {
	case ok && p.support:
		data[0] |= 1 << f.bit
	case !ok && p.support:
		return false
	case !ok && f.unused != 0:
		f.write(data, int(f.unused))
		return false
	case !ok:
		v = 0
	}
	f.write(data, c.raw(f, v))
	return ok
}

// raw is the field's number that comes nearest to a value.
func (c *Coding) raw(f *field, v float64) int {
	low, high := 0, int(f.mask)
	if f.signed {
		half := 1 << (8*f.bytes - 1)
		low, high = -half, half-1
	}
	if f.unused != 0 {
		high = int(f.unused) - 1
	}
	zero, num, den := c.formula(f)
	steps := math.Round((v - zero) * den / num)
	switch {
	case !(steps > float64(low)): // NaN too
		return low
	case steps > float64(high):
		return high
	}
	return int(steps)
}

func (f *field) write(data []byte, raw int) {
	if f.bytes == 2 {
		data[f.offset] = byte(raw >> 8)
		data[f.offset+1] = byte(raw)
		return
	}
	data[f.offset] = byte(raw)
}
