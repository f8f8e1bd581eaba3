// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canbus

import (
	"context"
	"sync"
	"time"

	"github.com/airassay/airassay/plugins/simulator/ecu"
)

// VehicleOptions are how the control units of a vehicle sit on a bus.
type VehicleOptions struct {
	// Extended addresses by 29 bits instead of 11.
	Extended bool
	// Units bounds how many control units are on the bus; 0 for all. The engine's is the first.
	Units int
	// Change, if set, changes how a unit is served: its padding, its faults, CAN FD.
	Change func(unit int, o *ServeOptions)
}

// Vehicle is a bus with control units on it.
type Vehicle struct {
	*Bus

	units  []*Node
	stop   context.CancelFunc
	served sync.WaitGroup
	mu     sync.Mutex
	err    error
}

// NewVehicle makes a bus and puts the control units of a vehicle on it, each on a node
// of its own. The caller closes it.
func NewVehicle(v *ecu.Vehicle, bus Options, o VehicleOptions) *Vehicle {
	ctx, stop := context.WithCancel(context.Background())
	out := &Vehicle{Bus: New(bus), stop: stop}
	units := v.Units()
	if o.Units > 0 {
		units = units[:min(o.Units, len(units))]
	}
	for i, u := range units {
		serve := Addressed(i, o.Extended)
		serve.Seed = bus.Seed + uint64(i)
		if o.Change != nil {
			o.Change(i, &serve)
		}
		node := out.Attach(NodeOptions{Accept: serve.wants, RestartAfter: restart})
		out.units = append(out.units, node)
		out.served.Go(func() { out.keep(Serve(ctx, node, u, serve)) })
	}
	return out
}

// restart is how long a control unit that went bus-off stays so: 128 times eleven
// recessive bits are some milliseconds, and makers wait longer.
const restart = 200 * time.Millisecond

func (v *Vehicle) keep(err error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.err == nil {
		v.err = err
	}
}

// Close ends bus and control units and waits for all of their goroutines. The error is
// what ended a control unit before.
func (v *Vehicle) Close() error {
	v.mu.Lock()
	err := v.err
	v.mu.Unlock()
	_ = v.Bus.Close() // It has no error.
	v.stop()
	v.served.Wait()
	return err
}

// Disconnect pulls the plug between tester and vehicle: nobody is left on the tester's
// side to acknowledge. Connect puts it back.
func (v *Vehicle) Disconnect() { v.part(true) }

// Connect ends Disconnect.
func (v *Vehicle) Connect() { v.part(false) }

func (v *Vehicle) part(apart bool) {
	v.Bus.mu.Lock()
	defer v.Bus.mu.Unlock()
	for _, n := range v.units {
		n.apart = apart
	}
	v.poke()
}

// Tester gives an interface on the bus, plugged in.
func (v *Vehicle) Tester() *Port { return v.Port(NodeOptions{}) }
