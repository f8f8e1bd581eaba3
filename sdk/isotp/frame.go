// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package isotp

import (
	"errors"
	"fmt"
)

const (
	// MaxClassic is the most data that a classic CAN frame carries, in bytes (ISO 11898-1).
	MaxClassic = 8
	// MaxFD is the most data that a CAN FD frame carries, in bytes (ISO 11898-1).
	MaxFD = 64
	// MaxStandardID is the highest identifier of 11 bits.
	MaxStandardID = 0x7FF
	// MaxExtendedID is the highest identifier of 29 bits.
	MaxExtendedID = 0x1FFF_FFFF
)

// Frame is one CAN or CAN FD data frame. It is a plain value, and a comparison with == compares the unused data too.
type Frame struct {
	// ID is the identifier, of 11 bits, or of 29 where Extended is set.
	ID uint32
	// Extended says that the identifier has 29 bits.
	Extended bool
	// FD says that it is a CAN FD frame.
	FD bool
	// BitRateSwitch says that the data go at the faster bit rate; CAN FD only.
	BitRateSwitch bool
	// Length is how many bytes of Data count: 0 to 8, for CAN FD also 12, 16, 20, 24, 32, 48 and 64.
	Length uint8
	// Data are the bytes, of which the first Length count.
	Data [MaxFD]byte
}

// Payload is the data that count, a view of the frame and not a copy. A Length beyond the array is taken as its end.
func (f *Frame) Payload() []byte {
	return f.Data[:min(int(f.Length), len(f.Data))]
}

// Check says what no bus could carry: nil for a frame that can be sent.
func (f *Frame) Check() error {
	switch {
	case f.Extended && f.ID > MaxExtendedID:
		return fmt.Errorf("identifier %X has more than 29 bits", f.ID)
	case !f.Extended && f.ID > MaxStandardID:
		return fmt.Errorf("identifier %X has more than 11 bits; set Extended for 29", f.ID)
	case !f.FD && f.Length > MaxClassic:
		return fmt.Errorf("a classic frame of %d bytes; it carries at most %d", f.Length, MaxClassic)
	case f.FD && f.Length != FDLength(int(f.Length)):
		return fmt.Errorf("a CAN FD frame of %d bytes; the lengths are 0 to 8, 12, 16, 20, 24, 32, 48 and 64", f.Length)
	case !f.FD && f.BitRateSwitch:
		return errors.New("a classic frame cannot switch the bit rate; set FD too")
	}
	return nil
}

// String is the frame as an engineer writes it: 7E8#0441000000, with ## for CAN FD.
func (f *Frame) String() string {
	c := *f // a frame of which nothing is said need not leave the stack
	mark := "#"
	if c.FD {
		mark = "##"
	}
	if c.Extended {
		return fmt.Sprintf("%08X%s%X", c.ID, mark, c.Payload())
	}
	return fmt.Sprintf("%03X%s%X", c.ID, mark, c.Payload())
}

// fdLengths are the lengths beyond 8 that a CAN FD frame may have (ISO 11898-1, data length code 9 to 15).
var fdLengths = [...]uint8{12, 16, 20, 24, 32, 48, MaxFD}

// FDLength is the smallest length of a CAN FD frame that holds so many bytes. What no frame holds gives 64, what is
// negative 0.
func FDLength(bytes int) uint8 {
	if bytes <= MaxClassic {
		return uint8(max(bytes, 0))
	}
	for _, length := range fdLengths {
		if bytes <= int(length) {
			return length
		}
	}
	return MaxFD
}
