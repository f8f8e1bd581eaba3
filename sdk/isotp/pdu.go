// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package isotp

import (
	"encoding/binary"
	"fmt"
)

// Kinds of protocol data units, the high nibble of the first byte (ISO 15765-2, table 9).
const (
	singleFrame byte = iota
	firstFrame
	consecutiveFrame
	flowControl
)

// Flow status (ISO 15765-2, table 18).
const (
	continueToSend byte = iota
	wait
	overflow
)

// pdu is a frame as the protocol reads it.
type pdu struct {
	kind byte
	// low is the sequence number or the flow status.
	low byte
	// length is that of the message.
	length uint32
	// blockSize and stMin are those of a flow control.
	blockSize, stMin byte
	// data follow the control bytes, padding included; used is how many bytes stand before them.
	data []byte
	used int
}

// read takes a frame apart that matches the address.
func (c *Config) read(f *Frame) (pdu, error) {
	if f.FD && !c.FD {
		return pdu{}, fmt.Errorf("%w: %v is a CAN FD frame where classic ones are spoken", ErrMalformed, f.String())
	}
	all := f.Payload()
	b := all[min(c.head(), len(all)):]
	if len(b) == 0 {
		return pdu{}, fmt.Errorf("%w: %v is empty", ErrMalformed, f.String())
	}
	p := pdu{kind: b[0] >> 4, low: b[0] & 0x0F}
	ok := false
	switch p.kind {
	case singleFrame:
		ok = p.readSingle(b, len(all))
	case firstFrame:
		ok = p.readFirst(b, len(all)) && int64(p.length) > int64(c.single(len(all)))
	case consecutiveFrame:
		p.data, ok = b[1:], len(b) > 1
	case flowControl:
		if ok = len(b) >= 3; ok {
			p.blockSize, p.stMin, p.data = b[1], b[2], b[3:]
		}
	}
	if !ok {
		return pdu{}, fmt.Errorf("%w: %v has no sound control bytes or is too short", ErrMalformed, f.String())
	}
	p.used = len(all) - len(p.data)
	return p, nil
}

func (p *pdu) readSingle(b []byte, frameLength int) bool {
	p.length, p.data = uint32(p.low), b[1:]
	if frameLength > MaxClassic {
		if p.low != 0 {
			return false
		}
		p.length, p.data = uint32(b[1]), b[2:]
	}
	return p.length > 0 && int(p.length) <= len(p.data)
}

// readFirst leaves it to the caller whether the message should have been a single frame.
func (p *pdu) readFirst(b []byte, frameLength int) bool {
	if frameLength < MaxClassic {
		return false
	}
	p.length, p.data = uint32(p.low)<<8|uint32(b[1]), b[2:]
	if p.length > 0 {
		return true
	}
	p.length, p.data = binary.BigEndian.Uint32(b[2:]), b[6:]
	return p.length > MaxPlain
}

// checkPadding looks at a frame of which so many bytes are used.
func (c *Config) checkPadding(f *Frame, used int) error {
	if c.Check == AnyPadding {
		return nil
	}
	if want := max(MaxClassic, int(FDLength(used))); int(f.Length) != want {
		return fmt.Errorf("%w: %v has %d bytes, not %d", ErrPadding, f.String(), f.Length, want)
	}
	if c.Check < PaddedContent {
		return nil
	}
	for _, b := range f.Payload()[used:] {
		if b != c.Fill {
			return fmt.Errorf("%w: %v is filled with %02X, not %02X", ErrPadding, f.String(), b, c.Fill)
		}
	}
	return nil
}

// begin makes an empty frame to the peer and gives the place for the control bytes.
func (c *Config) begin(f *Frame) []byte {
	*f = Frame{ID: c.Send, Extended: c.Extended, FD: c.FD, BitRateSwitch: c.BitRateSwitch}
	if c.WithByte {
		f.Data[0] = c.SendByte
	}
	return f.Data[c.head():]
}

// end sets the length of a frame of which so many bytes are used, and fills it up.
func (c *Config) end(f *Frame, used int) {
	f.Length = uint8(c.padded(used))
	for i := used; i < int(f.Length); i++ {
		f.Data[i] = c.Fill
	}
}
