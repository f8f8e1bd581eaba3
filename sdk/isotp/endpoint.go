// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package isotp

import "time"

// Endpoint is one end of a pair of addresses: a sender and a receiver that work at the same time, as the standard's full
// duplex. Not safe for concurrent use.
type Endpoint struct {
	out Sender
	in  Receiver
}

// NewEndpoint makes an endpoint, or says what is wrong with the configuration.
func NewEndpoint(c Config) (*Endpoint, error) {
	c, err := completed(c)
	if err != nil {
		return nil, err
	}
	return &Endpoint{out: Sender{config: c}, in: Receiver{config: c}}, nil
}

// Start begins to send a message, as Sender.Start.
func (e *Endpoint) Start(now time.Duration, message []byte) error { return e.out.Start(now, message) }

// Sending says that a message is on its way out.
func (e *Endpoint) Sending() bool { return e.out.state == Sending }

// Sender is the half that sends.
func (e *Endpoint) Sender() *Sender { return &e.out }

// Receiver is the half that receives.
func (e *Endpoint) Receiver() *Receiver { return &e.in }

// Message is the last complete message that came in, valid until the next call of Receive.
func (e *Endpoint) Message() []byte { return e.in.message }

// Receive takes a frame from the bus, as Sender.Receive where it is a flow control, else as Receiver.Receive.
func (e *Endpoint) Receive(now time.Duration, f *Frame) (complete bool, err error) {
	if err := e.out.Receive(now, f); err != nil {
		return false, err
	}
	return e.in.Receive(now, f)
}

// Next fills in the frame that is due, flow controls first. The caller puts it on the bus and calls Sent.
func (e *Endpoint) Next(now time.Duration, f *Frame) bool {
	return e.in.Next(now, f) || e.out.Next(now, f)
}

// Sent says that the bus took the frames that Next gave.
func (e *Endpoint) Sent(now time.Duration) {
	e.in.Sent(now)
	e.out.Sent(now)
}

// Tick looks whether a time-out is over, and gives the first error of the two halves.
func (e *Endpoint) Tick(now time.Duration) error {
	if err := e.in.Tick(now); err != nil {
		return err
	}
	return e.out.Tick(now)
}

// Deadline is when to call Next or Tick again, unless a frame comes first; false for never.
func (e *Endpoint) Deadline() (time.Duration, bool) {
	in, receiving := e.in.Deadline()
	out, sending := e.out.Deadline()
	switch {
	case receiving && sending:
		return min(in, out), true
	case receiving:
		return in, true
	}
	return out, sending
}
