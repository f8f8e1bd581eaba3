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
	if !f.FD && f.Length > MaxClassic {
		return pdu{}, fmt.Errorf("%w: %v is a classic frame of %d bytes", ErrMalformed, f.String(), f.Length)
	}
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
		p.length, p.data, ok = readSingle(b, len(all))
	case firstFrame:
		p.length, p.data, ok = readFirst(b, len(all))
		ok = ok && int64(p.length) > int64(c.single(len(all)))
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

// readSingle gives the length of the message and the data behind the control bytes.
func readSingle(b []byte, frameLength int) (length uint32, data []byte, ok bool) {
	length, data = uint32(b[0]&0x0F), b[1:]
	if frameLength > MaxClassic {
		if length != 0 {
			return 0, nil, false
		}
		length, data = uint32(b[1]), b[2:]
	}
	return length, data, length > 0 && int(length) <= len(data)
}

// readFirst does the same, and leaves it to the caller whether the message should have been a single frame.
func readFirst(b []byte, frameLength int) (length uint32, data []byte, ok bool) {
	if frameLength < MaxClassic {
		return 0, nil, false
	}
	if length = uint32(b[0]&0x0F)<<8 | uint32(b[1]); length > 0 {
		return length, b[2:], true
	}
	length = binary.BigEndian.Uint32(b[2:])
	return length, b[6:], length > MaxPlain
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
