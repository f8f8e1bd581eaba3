// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canbus

import (
	"time"

	"github.com/airassay/airassay/sdk/isotp"
)

// Stuffing says how many stuff bits a frame has on a Bus.
type Stuffing int

// Ways of counting.
const (
	// ActualStuffing counts those of the frame's own bits, its checksum included.
	ActualStuffing Stuffing = iota
	// WorstStuffing takes the most that a frame of the length can have.
	WorstStuffing
	// NoStuffing leaves them out.
	NoStuffing
)

// Fields of a frame in bits, ISO 11898-1.
const (
	baseIDBits     = 11
	extensionBits  = 18
	checksumBits   = 15
	checksumPoly   = 0x4599
	delimiterBits  = 1 // of the checksum
	acknowledge    = 2 // slot and delimiter
	endOfFrame     = 7
	intermission   = 3
	errorFrameBits = 14 // six of the flag, eight of the delimiter
	sameBits       = 5  // after which a stuff bit follows
)

// Cost is how many bits a frame takes on the bus, from its start to the end of the
// intermission after it.
type Cost struct {
	// Nominal bits go at the bit rate of the bus, Data bits at the faster one of a CAN FD
	// frame that switches.
	Nominal, Data int
}

// Bits counts the bits of a frame.
func Bits(f *isotp.Frame, stuffing Stuffing) Cost {
	if f.FD {
		return fdBits(f, stuffing)
	}
	header := 1 + baseIDBits + 1 + 1 + 1 + 4 // start, identifier, RTR, IDE, r0, length
	if f.Extended {
		header += extensionBits + 2 // SRR and r1 more
	}
	stuffed := header + 8*int(f.Length) + checksumBits
	bits := stuffed + delimiterBits + acknowledge + endOfFrame + intermission
	switch stuffing {
	case WorstStuffing:
		bits += (stuffed - 1) / (sameBits - 1)
	case ActualStuffing:
		bits += countStuff(classicStream(f))
	case NoStuffing:
	}
	return Cost{Nominal: bits}
}

// stream is a row of bits.
type stream []byte

func (s stream) put(value uint32, bits int) stream {
	for i := bits - 1; i >= 0; i-- {
		s = append(s, byte(value>>i&1))
	}
	return s
}

// head is the arbitration field and the control bits up to the length code.
func head(f *isotp.Frame) stream {
	s := make(stream, 0, 160).put(0, 1)
	if !f.Extended {
		return s.put(f.ID, baseIDBits).put(0, 3) // RTR, IDE, r0
	}
	s = s.put(f.ID>>extensionBits, baseIDBits).put(0b11, 2) // SRR, IDE
	return s.put(f.ID&(1<<extensionBits-1), extensionBits).put(0, 3)
}

func classicStream(f *isotp.Frame) stream {
	s := head(f).put(uint32(f.Length), 4)
	for _, b := range f.Payload() {
		s = s.put(uint32(b), 8)
	}
	return s.put(checksum(s), checksumBits)
}

// checksum is the CRC of a classic frame.
func checksum(s stream) (crc uint32) {
	for _, bit := range s {
		next := uint32(bit) ^ crc>>(checksumBits-1)&1
		crc = crc << 1 & (1<<checksumBits - 1)
		if next == 1 {
			crc ^= checksumPoly
		}
	}
	return crc
}

// countStuff counts the bits of the other kind that are put in after five of a kind.
// They count as the first of the next row.
func countStuff(s stream) (n int) {
	same, last := 0, byte(2)
	for _, bit := range s {
		if bit != last {
			same, last = 1, bit
			continue
		}
		if same++; same == sameBits {
			n++
			same, last = 1, 1-bit
		}
	}
	return n
}

// fdBits counts a CAN FD frame. Its checksum has stuff bits at fixed places.
func fdBits(f *isotp.Frame, stuffing Stuffing) Cost {
	arbitration := 1 + baseIDBits + 1 + 1 + 1 + 1 + 1 // start, identifier, RRS, IDE, FDF, res, BRS
	if f.Extended {
		arbitration += extensionBits + 1
	}
	fast := 1 + 4 + 8*int(f.Length) // ESI, length, data
	crc, fixedStuff := 17, 6
	if f.Length > 16 {
		crc, fixedStuff = 21, 7
	}
	dynamic := 0
	switch stuffing {
	case WorstStuffing:
		dynamic = (arbitration + fast - 1) / (sameBits - 1)
	case ActualStuffing:
		s := head(f).put(0b100, 3) // FDF and res in the place of r0, roughly; BRS and ESI
		for _, b := range f.Payload() {
			s = s.put(uint32(b), 8)
		}
		dynamic = countStuff(s)
	case NoStuffing:
	}
	const stuffCount = 4
	c := Cost{
		Nominal: arbitration + acknowledge + endOfFrame + intermission,
		Data:    fast + dynamic + stuffCount + crc + fixedStuff + delimiterBits,
	}
	if !f.BitRateSwitch {
		return Cost{Nominal: c.Nominal + c.Data}
	}
	return c
}

// priority orders frames as arbitration does: the lower goes first. A frame of 11 bits
// goes before one of 29 that begins alike.
func priority(f *isotp.Frame) uint64 {
	if !f.Extended {
		return uint64(f.ID) << (extensionBits + 1)
	}
	return uint64(f.ID>>extensionBits)<<(extensionBits+1) | 1<<extensionBits | uint64(f.ID&(1<<extensionBits-1))
}

// lasting is how long so many bits take.
func lasting(bits, rate int) time.Duration {
	return time.Duration(int64(bits) * int64(time.Second) / int64(rate))
}
