// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canbus_test

import (
	"context"
	"sync"
	"testing"
	"time"

	"github.com/airassay/airassay/plugins/simulator/canbus"
	"github.com/airassay/airassay/plugins/simulator/ecu"
	"github.com/airassay/airassay/plugins/simulator/scenario"
	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/isotp"
)

// prepared is a scenario that several tests drive.
var prepared = sync.OnceValue(func() *scenario.Prepared {
	c, err := scenario.Named("healthy")
	if err != nil {
		panic(err)
	}
	return c.Prepare()
})

// vehicle is the healthy scenario on a bus.
func vehicle(o ecu.Options, bus canbus.Options, on canbus.VehicleOptions) *canbus.Vehicle {
	o.Cleared = true
	return canbus.NewVehicle(ecu.NewVehicle(prepared(), o), bus, on)
}

func must[T any](t testing.TB) func(T, error) T {
	return func(v T, err error) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func single(id uint32, extended bool, payload ...byte) *isotp.Frame {
	f := &isotp.Frame{ID: id, Extended: extended, Length: 8}
	f.Data[0] = byte(len(payload))
	copy(f.Data[1:], payload)
	return f
}

func control(id uint32, extended bool) *isotp.Frame {
	f := &isotp.Frame{ID: id, Extended: extended, Length: 8}
	f.Data[0] = 0x30
	return f
}

// stamped is a frame and its time.
type stamped struct {
	isotp.Frame

	at adapter.Time
}

// converse sends a request and takes everything that comes within a while; it gives flow control to whoever begins a long answer.
func converse(t testing.TB, n *canbus.Node, request *isotp.Frame, while time.Duration) (sent adapter.Time, frames []stamped) {
	t.Helper()
	sent, err := n.Send(t.Context(), request)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), while)
	defer cancel()
	for {
		var f stamped
		if f.at, err = n.Receive(ctx, &f.Frame); err != nil {
			return sent, frames
		}
		frames = append(frames, f)
		if f.Data[0]>>4 != 1 {
			continue
		}
		id := f.ID - 8
		if f.Extended {
			id = 0x18DA00F1 | f.ID&0xFF<<8
		}
		if _, err := n.Send(ctx, control(id, f.Extended)); err != nil {
			t.Fatal(err)
		}
	}
}
