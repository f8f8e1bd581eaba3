// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socket

import (
	"errors"
	"fmt"

	"github.com/airassay/airassay/sdk/isotp"
)

// ErrUnsupported says that the system has no CAN sockets: no Linux, or a kernel without them.
var ErrUnsupported = errors.New("this system has no CAN sockets")

// ErrListenOnly says that something was to be sent on a bus that was opened for listening.
var ErrListenOnly = errors.New("the bus was opened for listening only; nothing is sent")

// Options say how a bus is opened. The zero value hears every frame and may send.
type Options struct {
	// Filters are what the kernel lets through; nil for everything. A frame passes that passes one of them.
	Filters []Filter
	// ListenOnly refuses to send. Whether the controller acknowledges the frames of others is the interface's own
	// setting, an administrator's: ip link set NAME type can listen-only on.
	ListenOnly bool
	// FD opens the bus for CAN FD frames too, where the interface carries them.
	FD bool
	// ReceiveBuffer is the socket's room for frames that wait, in bytes as the kernel counts them, several hundred for a
	// frame; 0 for enough to bridge a second of a full bus.
	ReceiveBuffer int
}

// Filter passes the frames whose identifier equals ID in the bits that Mask has.
type Filter struct {
	ID, Mask uint32
	// Extended filters pass identifiers of 29 bits, others those of 11.
	Extended bool
}

// maxFilters is the kernel's own bound (linux/can/raw.h: CAN_RAW_FILTER_MAX).
const maxFilters = 512 - 64 // those for echoes

// secondOfBus holds a second of a full bus at 1 Mbit/s: about 9000 frames of at least 111 bits, each counted by the kernel
// with its overhead of about 768 bytes.
const secondOfBus = 8 << 20

func (o *Options) check() error {
	if len(o.Filters) > maxFilters {
		return fmt.Errorf("%d filters; at most %d go", len(o.Filters), maxFilters)
	}
	for _, f := range o.Filters {
		if f.ID > isotp.MaxExtendedID || !f.Extended && f.ID > isotp.MaxStandardID {
			return fmt.Errorf("a filter has the identifier %X, which is too long", f.ID)
		}
	}
	return nil
}
