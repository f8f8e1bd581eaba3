// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canlink

import (
	"context"
	"strings"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/isotp"
)

// Bus is a CAN interface: an in-memory bus, a socket of the system, a box on a serial line. Send and Receive are called at
// the same time, each by one goroutine at a time; Close by any.
type Bus interface {
	// Send puts one frame on the bus, and returns when it was there by the adapter's clock; hardware or kernel time where
	// there is one, else the time just before. It ends with the context, and does not keep the frame.
	Send(ctx context.Context, f *isotp.Frame) (adapter.Time, error)
	// Receive blocks for the next frame of another node, fills it in and returns when it came. Frames are given in the order
	// of their arrival.
	Receive(ctx context.Context, f *isotp.Frame) (adapter.Time, error)
	// Close ends Send and Receive with net.ErrClosed.
	Close() error
}

// BusError says that the bus does not carry frames as it should. From Receive it is news, and more frames may follow; any
// other error of Receive is the end of the bus: an error that wraps adapter.ErrUnplugged when the hardware is gone,
// net.ErrClosed after Close. It wraps adapter.ErrSilent: over such a bus nobody answers.
type BusError struct {
	// Off says that the interface has left the bus (bus-off, ISO 11898-1): nothing is sent or received until it returns.
	Off bool
	// Passive says that the interface has counted so many errors that it no longer marks those of others (error passive).
	Passive bool
	// NoAcknowledge says that nobody took a frame: nothing else is on the bus, or it runs at another bit rate.
	NoAcknowledge bool
	// Stopped says that the link sends nothing more, because the bus went off twice without an answer in between.
	Stopped bool
	// Detail is what the interface knows besides; may be empty.
	Detail string
}

// Error says what happened and what to do.
func (e *BusError) Error() string {
	var parts []string
	switch {
	case e.Off:
		parts = append(parts, "the interface has left the bus after too many errors; check bit rate and wiring")
	case e.NoAcknowledge:
		parts = append(parts, "nobody on the bus takes a frame; check ignition, wiring and bit rate")
	case e.Passive:
		parts = append(parts, "the interface counts many errors on the bus; check bit rate and wiring")
	default:
		parts = append(parts, "errors on the bus")
	}
	if e.Detail != "" {
		parts = append(parts, e.Detail)
	}
	if e.Stopped {
		parts = append(parts, "nothing more is sent until the device is opened again")
	}
	return strings.Join(parts, "; ")
}

// Unwrap makes it a kind of adapter.ErrSilent.
func (e *BusError) Unwrap() error { return adapter.ErrSilent }
