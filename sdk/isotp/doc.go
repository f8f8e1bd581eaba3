// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package isotp is the transport of diagnostic messages over CAN (ISO 15765-2): it cuts a message into frames and puts
// frames together into a message.
//
// It is a pure state machine: no goroutine, no timer, no clock. Every method takes now, a time since any fixed instant of
// the caller's clock, so that the same code runs on a live bus, on virtual time in a test and against another
// implementation. A Sender cuts, a Receiver puts together, and an Endpoint is one of each for one pair of addresses.
// All three are driven alike, by one goroutine at a time:
//
//	e, err := isotp.NewEndpoint(isotp.Config{Address: isotp.Normal11(0x7E0, 0x7E8)})
//	err = e.Start(now(), message)
//	for e.Sending() {
//		for e.Next(now(), &frame) { // frames that are due
//			bus.Send(&frame)
//			e.Sent(now()) // before the next call of Next
//		}
//		select { // wait for a frame until e.Deadline()
//		case frame := <-frames:
//			complete, err := e.Receive(now(), &frame) // e.Message() is there if complete
//		case <-time.After(…):
//			err := e.Tick(now()) // a time-out, if one is over
//		}
//	}
//
// To compare it with another implementation, such as the one in a kernel, let the other hold one end of a bus and drive
// an Endpoint with the mirrored addresses (Address.Mirror) on the other end with this loop over a raw socket; both ends
// then send and receive the same messages, and Frame.String shows a difference.
//
// What is received comes from a vehicle, so any frame may come at any time: nothing panics, what breaks the rules is an
// error that says how, and memory stays bounded by Config.MaxMessage. The protocol counts frames modulo 16: where a bus
// loses, repeats and swaps frames at once over more than 15 frames, no receiver could notice; within that, a Receiver
// delivers a message as it was sent or not at all.
//
// Source of formats, times and what to do with the unexpected: ISO 15765-2:2016, §8 and §9. It allocates nothing once
// its buffer has grown to the longest message.
package isotp
