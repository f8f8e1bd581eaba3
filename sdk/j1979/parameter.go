// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1979

// parameter is the layout of a service 01 parameter: what its data bytes are.
type parameter struct {
	// length of the data; 0 where only the transport tells it.
	length uint8
	// written is the length that this package writes: where editions differ, the longest.
	written uint8
	// longer tells that a second byte follows where the vehicle has four banks.
	longer bool
	// support tells that the first data byte says which fields are present.
	support bool
	fields  []field
}

// field is one raw number among a parameter's data bytes.
type field struct {
	id             ID
	offset, bytes  uint8
	bit            uint8 // that tells of its presence, in the support byte
	signed         bool
	second         bool   // only with four banks
	mask           uint16 // of the raw number
	unused         uint16 // raw number that means that there is no value; 0 if none does
	scale          scale
	zero, num, den float64
}

// scale says which part of the Scaling concerns a field.
type scale uint8

const (
	fixed scale = iota
	byLambda
	byVoltage
	byCurrent
	byPressure
	byFlow
)

// Lengths of the parameters whose fields are not all signals, SAE J1979.
var lengths = map[byte]uint8{
	0x00: 4, 0x20: 4, 0x40: 4, 0x60: 4, 0x80: 4, 0xA0: 4, 0xC0: 4, 0xE0: 4, // what is supported
	0x01: 4, 0x41: 4, // monitors
	0x02: 2,                   // the code that froze the frame
	0x03: 2,                   // fuel systems 1 and 2
	0x1E: 1,                   // power take-off
	0x32: 2, 0x53: 2, 0x54: 2, // tank vapour pressure
	0x50: 4, // three bytes are reserved
	0x5B: 1, // remaining life of a hybrid battery
	0x5F: 1, // emission requirements
}

const (
	// monitorStatus has in its first byte the count of codes and above it the lamp, SAE J1979.
	monitorStatus = 0x01
	countMask     = 0x7F
	// monitorsThisDrive has the monitors of this drive, SAE J1979.
	monitorsThisDrive = 0x41
)

// statusBytes follow the fields: that of boost pressure control.
var statusBytes = map[byte]uint8{0x70: 1}

// supportBits are those of the parameters where they are not 0, 1, 2 … in the order of the fields: between the boost pressures
// stand those of the control status.
var supportBits = map[byte][]uint8{0x70: {0, 1, 3, 4}}

// parameters is indexed by the PID.
var parameters = layOut()

func layOut() *[256]parameter {
	var out [256]parameter
	for i := range table {
		s := &table[i]
		for _, pid := range [2]byte{s.PID, s.AlternativePID} {
			if pid != 0 {
				out[pid].fields = append(out[pid].fields, s.field(ID(i), pid))
			}
		}
	}
	for pid := range out {
		out[pid].finish(byte(pid))
	}
	return &out
}

func (p *parameter) finish(pid byte) {
	for i := range p.fields {
		f := &p.fields[i]
		p.support = p.support || i == 0 && f.offset == 1
		f.bit = uint8(i)
		if bits := supportBits[pid]; bits != nil {
			f.bit = bits[i]
		}
		if f.second {
			p.longer = true
		} else {
			p.length = max(p.length, f.offset+f.bytes)
		}
	}
	if n, ok := lengths[pid]; ok {
		p.length = n
	}
	p.written = p.length + statusBytes[pid]
	if p.support {
		p.length = 0
	}
}

func (s Signal) field(id ID, pid byte) field {
	f := field{
		id: id, offset: s.Offset, bytes: s.Bytes, signed: s.Signed, mask: 1<<(8*s.Bytes) - 1,
		scale: scaleOf(pid, s.Offset), zero: s.Zero, num: s.num, den: s.den,
	}
	switch {
	case pid == monitorStatus:
		f.mask = countMask
	case 0x06 <= pid && pid <= 0x09, 0x55 <= pid && pid <= 0x58:
		f.second = s.Offset == 1
	case 0x14 <= pid && pid <= 0x1B && s.Offset == 1:
		f.unused = 0xFF
	}
	return f
}

func scaleOf(pid, offset byte) scale {
	voltage, current := 0x24 <= pid && pid <= 0x2B, 0x34 <= pid && pid <= 0x3B
	switch {
	case (voltage || current) && offset == 0:
		return byLambda
	case voltage:
		return byVoltage
	case current:
		return byCurrent
	case pid == 0x0B:
		return byPressure
	case pid == 0x10:
		return byFlow
	}
	return fixed
}

// Alone tells that a parameter must be asked for alone, because only the transport tells how long it is: those with a
// support byte, whose length differs between editions, and those that this package does not know.
func Alone(pid byte) bool { return parameters[pid].length == 0 }
