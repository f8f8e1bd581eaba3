// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package canbus is a CAN bus in memory, with the control units of package ecu on it.
//
// It serves to try everything above the frames without a car and without a kernel that
// knows CAN: a Node is a canlink.Bus. Frames last as long as their bits (11 and 29 bit
// identifiers, CAN FD, actual or worst stuffing), arbitrate, and are acknowledged or
// sent again; error counters, error passive and bus-off follow ISO 11898-1 as far as a
// program above can tell. What a tester's hardware may do is there too: it can be
// unplugged and plugged in again (Port), listen only, or be at the wrong bit rate.
//
//	bits.go     how many bits a frame has
//	bus.go      the bus: arbitration, timing, background traffic
//	node.go     a node: send, receive
//	errors.go   what destroys frames, and what becomes of the nodes
//	port.go     unplug and replug
//	fault.go    what goes wrong with frames on purpose
//	serve.go    a control unit on any CAN interface, this one or a real one
//	vehicle.go  a bus with all control units of a vehicle on it
//
// Serve needs no Bus: it runs the same control units on a socket of a CAN interface.
package canbus
