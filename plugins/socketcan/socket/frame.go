// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socket

import (
	"encoding/binary"
	"fmt"

	"github.com/airassay/airassay/sdk/isotp"
)

// Sizes of the kernel's structures, in bytes (linux/can.h: CAN_MTU, CANFD_MTU).
const (
	classicSize = 16
	fdSize      = 72
	headSize    = 8
)

// Bits of the kernel's 32-bit identifier (linux/can.h).
const (
	flagExtended = 0x8000_0000
	flagRemote   = 0x4000_0000
	flagError    = 0x2000_0000
)

// Bits of the flags byte of a CAN FD frame (linux/can.h).
const fdBitRateSwitch = 0x01

// kind is what a message from a raw socket turned out to be.
type kind int

const (
	kindData   kind = iota
	kindRemote      // a remote frame, which carries no data and is none of ours
	kindError       // the controller's own report
)

// encode lays a frame out as the kernel wants it (struct can_frame, struct canfd_frame) and gives the bytes to write.
func encode(into *[fdSize]byte, f *isotp.Frame) ([]byte, error) {
	if err := f.Check(); err != nil {
		return nil, err
	}
	*into = [fdSize]byte{}
	id := f.ID
	if f.Extended {
		id |= flagExtended
	}
	binary.NativeEndian.PutUint32(into[:], id)
	into[4] = f.Length
	copy(into[headSize:], f.Payload())
	if !f.FD {
		return into[:classicSize], nil
	}
	if f.BitRateSwitch {
		into[5] = fdBitRateSwitch
	}
	return into[:fdSize], nil
}

// decode reads what a raw socket delivered. A frame of the kinds that are no data frames leaves f with its identifier
// without flags, and for an error frame with its bytes.
func decode(message []byte, f *isotp.Frame) (kind, error) {
	if len(message) != classicSize && len(message) != fdSize {
		return 0, fmt.Errorf("the kernel gave a CAN message of %d bytes, expected %d or %d", len(message), classicSize, fdSize)
	}
	*f = isotp.Frame{FD: len(message) == fdSize, Length: message[4]}
	raw := binary.NativeEndian.Uint32(message)
	f.ID, f.Extended = raw&isotp.MaxStandardID, raw&flagExtended != 0
	if f.Extended {
		f.ID = raw & isotp.MaxExtendedID
	}
	f.BitRateSwitch = f.FD && message[5]&fdBitRateSwitch != 0
	if room := len(message) - headSize; int(f.Length) > room {
		return 0, fmt.Errorf("the kernel gave a CAN message that claims %d bytes of data and has room for %d", f.Length, room)
	}
	copy(f.Data[:], message[headSize:headSize+int(f.Length)])
	switch {
	case raw&flagError != 0:
		f.ID, f.Extended = raw&isotp.MaxExtendedID, false
		return kindError, nil
	case raw&flagRemote != 0:
		return kindRemote, nil
	}
	return kindData, nil
}
