// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socket

import (
	"encoding/binary"
	"errors"
	"fmt"

	"github.com/airassay/airassay/sdk/isotp"
)

// MaxMessage is the longest message that the kernel's ISO-TP carries in classic form, in bytes (ISO 15765-2, 12 bits of
// length).
const MaxMessage = 4095

// ChannelOptions say with whom a channel speaks and how. They are ISO 15765-2's.
type ChannelOptions struct {
	// Transmit and Receive are the identifiers of the frames that are sent and received; Extended says that they have 29
	// bits.
	Transmit, Receive uint32
	Extended          bool
	// AddressExtension puts TransmitAddress as a first byte into each frame that is sent, and expects ReceiveAddress there in
	// what comes (extended addressing).
	AddressExtension                bool
	TransmitAddress, ReceiveAddress byte
	// Padding fills frames up to their full length with PadByte. Frames of emissions diagnostics are always full
	// (ISO 15765-4).
	Padding bool
	PadByte byte
	// BlockSize and SeparationTime are asked of who sends to this channel: how many frames until the next flow control, 0 for
	// all, and the least time between them in the standard's coding.
	BlockSize, SeparationTime byte
	// FD sends CAN FD frames of up to FrameLength bytes: 8, 12, 16, 20, 24, 32, 48 or 64.
	FD          bool
	FrameLength uint8
}

// check says what cannot be.
func (o *ChannelOptions) check() error {
	highest := uint32(isotp.MaxStandardID)
	if o.Extended {
		highest = isotp.MaxExtendedID
	}
	switch {
	case o.Transmit > highest || o.Receive > highest:
		return fmt.Errorf("identifiers %X and %X; the highest is %X", o.Transmit, o.Receive, highest)
	case o.Transmit == o.Receive && (!o.AddressExtension || o.TransmitAddress == o.ReceiveAddress):
		return fmt.Errorf("the identifier %X both ways; a channel would hear itself", o.Transmit)
	case o.FD && (o.FrameLength < isotp.MaxClassic || isotp.FDLength(int(o.FrameLength)) != o.FrameLength):
		return fmt.Errorf("frames of %d bytes; CAN FD has 8, 12, 16, 20, 24, 32, 48 and 64", o.FrameLength)
	case !o.FD && o.FrameLength != 0:
		return errors.New("a length of frames is of CAN FD only; set FD too")
	}
	return nil
}

// Flags of struct can_isotp_options (linux/can/isotp.h).
const (
	isotpExtended        = 0x002
	isotpPadding         = 0x004
	isotpReceivePadding  = 0x008
	isotpReceiveExtended = 0x200
	isotpWaitSent        = 0x400
)

// settings lays out struct can_isotp_options: flags, time of a frame, transmit address, padding both ways, receive address.
// A channel waits until a message is sent, so that what goes wrong on the way is told to the sender. What comes padded is
// taken whatever the padding is: control units fill with anything.
func (o *ChannelOptions) settings() string {
	flags := uint32(isotpWaitSent)
	if o.AddressExtension {
		flags |= isotpExtended | isotpReceiveExtended
	}
	if o.Padding {
		flags |= isotpPadding | isotpReceivePadding
	}
	text := binary.NativeEndian.AppendUint32(nil, flags)
	text = binary.NativeEndian.AppendUint32(text, 0)
	return string(append(text, o.TransmitAddress, o.PadByte, o.PadByte, o.ReceiveAddress))
}

// flowControl lays out struct can_isotp_fc_options: block size, separation time, waits that are stood.
func (o *ChannelOptions) flowControl() string {
	return string([]byte{o.BlockSize, o.SeparationTime, 0})
}

// linkLayer lays out struct can_isotp_ll_options: size of the kernel's frames, length of the data, flags of CAN FD.
func (o *ChannelOptions) linkLayer() string {
	if o.FD {
		return string([]byte{fdSize, o.FrameLength, fdBitRateSwitch})
	}
	return string([]byte{classicSize, isotp.MaxClassic, 0})
}
