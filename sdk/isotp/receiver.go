// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package isotp

import (
	"fmt"
	"time"
)

// What a Receiver does about its flow control.
const (
	noControl    byte = iota
	controlDue        // one may go from r.at on
	controlGiven      // Next gave it, Sent is awaited until r.at
)

// Receiver puts messages together, one at a time. Not safe for concurrent use.
type Receiver struct {
	config  Config
	busy    bool // a message of several frames is under way
	held    bool
	control byte
	status  byte // of the flow control
	at      time.Duration
	message []byte
	total   int
	// frameLength is that of the first frame, which the consecutive ones keep.
	frameLength int
	next        byte
	block       byte // consecutive frames left until the next flow control
	waits       int
	began       time.Duration
}

// NewReceiver makes a receiver, or says what is wrong with the configuration.
func NewReceiver(c Config) (*Receiver, error) {
	c, err := completed(c)
	if err != nil {
		return nil, err
	}
	return &Receiver{config: c}, nil
}

// Receive takes a frame from the bus; what is not for the receiver is passed over. Where a message is complete, Message has
// it until the next call. An error that wraps ErrMalformed passed the frame over and left the message under way; any
// other ended it. ErrUnexpected comes together with the begin, or the whole, of the new message.
func (r *Receiver) Receive(now time.Duration, f *Frame) (complete bool, err error) {
	if !r.config.Match(f) {
		return false, nil
	}
	p, err := r.config.read(f)
	if err != nil {
		return false, err
	}
	switch p.kind {
	case singleFrame:
		return r.single(now, f, &p)
	case firstFrame:
		return false, r.first(now, f, &p)
	case consecutiveFrame:
		return r.consecutive(now, f, &p)
	}
	return false, nil
}

func (r *Receiver) single(now time.Duration, f *Frame, p *pdu) (bool, error) {
	if err := r.config.checkPadding(f, p.used+int(p.length)); err != nil {
		return false, r.end(err)
	}
	err := r.replace(now)
	if int(p.length) > r.config.MaxMessage {
		return false, tooLong(p, r.config.MaxMessage)
	}
	r.message = append(r.message[:0], p.data[:p.length]...)
	return true, err
}

func (r *Receiver) first(now time.Duration, f *Frame, p *pdu) error {
	if r.config.SingleFrames {
		return fmt.Errorf("%w: %v begins a message of several frames on an address for many", ErrMalformed, f.String())
	}
	err := r.replace(now)
	r.control, r.status, r.at = controlDue, continueToSend, now
	if int64(p.length) > int64(r.config.MaxMessage) {
		r.status = overflow
		return tooLong(p, r.config.MaxMessage)
	}
	r.busy, r.total, r.frameLength = true, int(p.length), int(f.Length)
	r.next, r.waits = 1, 0
	r.message = append(r.message[:0], p.data...)
	return err
}

func tooLong(p *pdu, longest int) error {
	return fmt.Errorf("%w: %d bytes, at most %d", ErrTooLong, p.length, longest)
}

// replace makes way for a new message.
func (r *Receiver) replace(now time.Duration) error {
	var err error
	if r.busy {
		err = fmt.Errorf("%w: %d of %d bytes had come", ErrUnexpected, len(r.message), r.total)
	}
	r.Reset()
	r.began = now
	return err
}

func (r *Receiver) consecutive(now time.Duration, f *Frame, p *pdu) (bool, error) {
	if r.busy && r.control == controlGiven && r.status == continueToSend {
		r.Sent(now) // the answer shows that the bus took it
	}
	left := r.total - len(r.message)
	last := left <= r.frameLength-p.used
	switch {
	case !r.busy || r.control != noControl:
		return false, fmt.Errorf("%w: %v is a consecutive frame that nobody awaits", ErrMalformed, f.String())
	case int(f.Length) > r.frameLength, !last && int(f.Length) < r.frameLength, last && len(p.data) < left:
		return false, fmt.Errorf("%w: %v has %d bytes where the first frame had %d and %d bytes of the message are left", ErrMalformed, f.String(), f.Length, r.frameLength, left)
	case p.low != r.next:
		return false, r.end(fmt.Errorf("%w: number %X, not %X, after %d of %d bytes", ErrWrongSequence, p.low, r.next, len(r.message), r.total))
	}
	if last {
		if err := r.config.checkPadding(f, p.used+left); err != nil {
			return false, r.end(err)
		}
		p.data = p.data[:left]
	}
	r.message = append(r.message, p.data...)
	if last {
		r.busy = false
		return true, nil
	}
	r.advance(now)
	return false, nil
}

// advance waits for the next consecutive frame, or asks for the next block.
func (r *Receiver) advance(now time.Duration) {
	r.next = (r.next + 1) & 0x0F
	r.at = now + r.config.Timeouts.Cr
	if r.config.BlockSize == 0 {
		return
	}
	if r.block--; r.block == 0 {
		r.control, r.status, r.at, r.waits = controlDue, continueToSend, now, 0
	}
}

// Message is the last complete message, valid until the next call of Receive.
func (r *Receiver) Message() []byte { return r.message }

// Began is when the first frame of the message came that is complete or under way.
func (r *Receiver) Began() time.Duration { return r.began }

// Busy says that a message of several frames is under way.
func (r *Receiver) Busy() bool { return r.busy }

// Reset drops what is under way. The sender at the other end finds out by its time-out.
func (r *Receiver) Reset() { r.busy, r.control, r.message = false, noControl, r.message[:0] }

// Refuse drops the message under way and lets the next flow control tell the sender to stop (overflow).
func (r *Receiver) Refuse(now time.Duration) {
	if r.busy {
		r.Reset()
		r.control, r.status, r.at = controlDue, overflow, now
	}
}

// Hold makes flow controls ask to wait, or lets the sender go on.
func (r *Receiver) Hold(now time.Duration, held bool) {
	if r.held && !held && r.control == controlDue {
		r.at = min(r.at, now)
	}
	r.held = held
}

// Next fills in the flow control that is due, if one is. The caller puts it on the bus and calls Sent.
func (r *Receiver) Next(now time.Duration, f *Frame) bool {
	if r.control != controlDue || now < r.at || r.tired() {
		return false
	}
	b := r.config.begin(f)
	if r.status != overflow {
		r.status = continueToSend
		if r.held {
			r.status = wait
			r.waits++
		}
	}
	b[0], b[1], b[2] = flowControl<<4|r.status, r.config.BlockSize, r.config.STmin
	if r.status != continueToSend {
		b[1], b[2] = 0, 0
	}
	r.config.end(f, r.config.head()+3)
	r.control, r.at = controlGiven, now+r.config.Timeouts.Ar
	return true
}

// tired says that the sender was asked to wait as often as is allowed, and would have to wait again.
func (r *Receiver) tired() bool {
	return r.held && r.status != overflow && r.waits >= r.config.MaxWaits
}

// Sent says that the bus took the frame that Next gave. Where an answer to that frame came first, it may be left out.
func (r *Receiver) Sent(now time.Duration) {
	if r.control != controlGiven {
		return
	}
	r.control = noControl
	switch r.status {
	case continueToSend:
		r.block, r.waits, r.at = r.config.BlockSize, 0, now+r.config.Timeouts.Cr
	case wait:
		r.control, r.at = controlDue, now+r.config.WaitEvery
		if !r.held {
			r.at = now
		}
	}
}

// Tick looks whether a time-out is over. An error ended the message under way.
func (r *Receiver) Tick(now time.Duration) error {
	late := now - r.at
	t := &r.config.Timeouts
	switch {
	case r.control == controlGiven && late >= 0:
		return r.end(fmt.Errorf("%w (%v)", ErrTimeoutAr, t.Ar))
	case r.control == controlDue && late >= 0 && r.tired():
		return r.end(fmt.Errorf("%w: this side sent %d and cannot go on", ErrWaits, r.waits))
	case r.control == controlDue && t.Br > 0 && late > t.Br:
		return r.end(fmt.Errorf("%w: %v late", ErrTimeoutBr, late))
	case r.control == noControl && r.busy && late >= 0:
		return r.end(fmt.Errorf("%w (%v, %d of %d bytes came)", ErrTimeoutCr, t.Cr, len(r.message), r.total))
	}
	return nil
}

// Deadline is when to call Next or Tick again, unless a frame comes first; false for never.
func (r *Receiver) Deadline() (time.Duration, bool) {
	return r.at, r.busy || r.control != noControl
}

func (r *Receiver) end(err error) error {
	r.Reset()
	return err
}
