// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package isotp

import (
	"encoding/binary"
	"errors"
	"fmt"
	"time"
)

// State says how the message of a Sender stands.
type State uint8

// The states of a Sender.
const (
	// Idle: no message was given yet, or Abort took it back.
	Idle State = iota
	// Sending: frames are to be sent, or a flow control is awaited.
	Sending
	// Delivered: the bus took the last frame.
	Delivered
	// Failed: Err says why.
	Failed
)

// What a Sender does while Sending.
const (
	due    byte = iota // a frame may go from s.at on
	given              // Next gave a frame, Sent is awaited until s.at
	waited             // a flow control is awaited until s.at
)

// Sender cuts messages into frames, one message at a time. Not safe for concurrent use.
type Sender struct {
	config  Config
	state   State
	doing   byte
	at      time.Duration
	message []byte
	offset  int // bytes of the message in frames that Next gave
	next    byte
	block   byte // consecutive frames left until the next flow control
	paced   bool // whether blocks are counted
	gap     time.Duration
	waits   int
	err     error
}

// NewSender makes a sender, or says what is wrong with the configuration.
func NewSender(c Config) (*Sender, error) {
	c, err := completed(c)
	if err != nil {
		return nil, err
	}
	return &Sender{config: c}, nil
}

// Start begins with a message, which must stay unchanged until it is delivered. It is an error while another is under
// way, and ErrTooLong where the address or the configuration allows no message of that length.
func (s *Sender) Start(now time.Duration, message []byte) error {
	longest := s.config.MaxMessage
	if s.config.SingleFrames {
		longest = min(longest, s.config.single(s.config.FrameLength))
	}
	switch {
	case s.state == Sending:
		return errors.New("a message is under way; wait for its end or call Abort")
	case len(message) == 0:
		return errors.New("the message is empty; give one byte or more")
	case len(message) > longest:
		return fmt.Errorf("%w: %d bytes, at most %d", ErrTooLong, len(message), longest)
	}
	*s = Sender{config: s.config, state: Sending, doing: due, at: now, message: message}
	return nil
}

// Abort takes back what is under way. The receiver at the other end finds out by its time-out.
func (s *Sender) Abort() { *s = Sender{config: s.config} }

// State says how the message stands.
func (s *Sender) State() State { return s.state }

// Err says why the last message failed; nil if it did not.
func (s *Sender) Err() error { return s.err }

// Next fills in the frame that is due, if one is. The caller puts it on the bus and calls Sent.
func (s *Sender) Next(now time.Duration, f *Frame) bool {
	if s.state != Sending || s.doing != due || now < s.at {
		return false
	}
	switch c := &s.config; {
	case s.offset > 0:
		s.consecutive(f)
	case len(s.message) <= c.single(c.FrameLength):
		s.single(f)
	default:
		s.first(f)
	}
	s.doing, s.at = given, now+s.config.Timeouts.As
	return true
}

func (s *Sender) single(f *Frame) {
	b := s.config.begin(f)
	at := 1
	if len(s.message) <= s.config.single(MaxClassic) {
		b[0] = singleFrame<<4 | byte(len(s.message))
	} else {
		b[0], b[1] = singleFrame<<4, byte(len(s.message))
		at = 2
	}
	s.fill(f, b, at, MaxFD)
}

func (s *Sender) first(f *Frame) {
	b := s.config.begin(f)
	at := 2
	if len(s.message) <= MaxPlain {
		binary.BigEndian.PutUint16(b, uint16(firstFrame)<<12|uint16(len(s.message)))
	} else {
		b[0], b[1] = firstFrame<<4, 0
		binary.BigEndian.PutUint32(b[2:], uint32(len(s.message)))
		at = 6
	}
	s.fill(f, b, at, s.config.FrameLength)
	s.next = 1
}

func (s *Sender) consecutive(f *Frame) {
	b := s.config.begin(f)
	b[0] = consecutiveFrame<<4 | s.next
	s.fill(f, b, 1, s.config.FrameLength)
	s.next = (s.next + 1) & 0x0F
	s.block--
}

// fill copies what fits of the message behind the control bytes.
func (s *Sender) fill(f *Frame, b []byte, at, frameLength int) {
	room := frameLength - s.config.head() - at
	n := copy(b[at:at+room], s.message[s.offset:])
	s.offset += n
	s.config.end(f, s.config.head()+at+n)
}

// Sent says that the bus took the frame that Next gave. Where an answer to that frame came first, it may be left out.
func (s *Sender) Sent(now time.Duration) {
	if s.state != Sending || s.doing != given {
		return
	}
	switch {
	case s.offset == len(s.message):
		s.state, s.message = Delivered, nil
	case s.asks():
		s.doing, s.at = waited, now+s.config.Timeouts.Bs
	default:
		s.doing, s.at = due, now+s.gap
	}
}

// asks says that a flow control follows the frame that Next gave last.
func (s *Sender) asks() bool {
	first := s.next == 1 && s.offset <= s.config.FrameLength
	return s.offset < len(s.message) && (first || s.paced && s.block == 0)
}

// Receive takes a frame from the bus. What is not for the sender is passed over. An error that wraps ErrMalformed leaves
// the message under way; any other ended it.
func (s *Sender) Receive(now time.Duration, f *Frame) error {
	if !s.config.Match(f) || f.Length <= uint8(s.config.head()) || f.Data[s.config.head()]>>4 != flowControl {
		return nil
	}
	p, err := s.config.read(f)
	if err != nil {
		return err
	}
	return s.control(now, f, &p)
}

func (s *Sender) control(now time.Duration, f *Frame, p *pdu) error {
	if s.state == Sending && s.doing == given && s.asks() {
		s.Sent(now) // the answer shows that the bus took it
	}
	if s.state != Sending || s.doing != waited {
		return fmt.Errorf("%w: %v is a flow control that nobody awaits", ErrMalformed, f.String())
	}
	if err := s.config.checkPadding(f, p.used); err != nil {
		return s.fail(err)
	}
	switch p.low {
	case continueToSend:
		s.block, s.paced, s.gap, s.waits = p.blockSize, p.blockSize != 0, DecodeSTmin(p.stMin), 0
		s.doing, s.at = due, now
	case wait:
		if s.waits++; s.waits > s.config.MaxWaits {
			return s.fail(fmt.Errorf("%w: the receiver sent %d", ErrWaits, s.waits))
		}
		s.at = now + s.config.Timeouts.Bs
	case overflow:
		return s.fail(fmt.Errorf("%w of %d bytes", ErrOverflow, len(s.message)))
	default:
		return s.fail(fmt.Errorf("%w %X", ErrInvalidFlowStatus, p.low))
	}
	return nil
}

// Tick looks whether a time-out is over. An error ended the message.
func (s *Sender) Tick(now time.Duration) error {
	if s.state != Sending {
		return nil
	}
	late := now - s.at
	switch {
	case s.doing == given && late >= 0:
		return s.fail(fmt.Errorf("%w (%v)", ErrTimeoutAs, s.config.Timeouts.As))
	case s.doing == waited && late >= 0:
		return s.fail(fmt.Errorf("%w (%v, %d of %d bytes sent)", ErrTimeoutBs, s.config.Timeouts.Bs, s.offset, len(s.message)))
	case s.doing == due && s.offset > 0 && s.config.Timeouts.Cs > 0 && late > s.config.Timeouts.Cs:
		return s.fail(fmt.Errorf("%w: %v late", ErrTimeoutCs, late))
	}
	return nil
}

// Deadline is when to call Next or Tick again, unless a frame comes first; false for never.
func (s *Sender) Deadline() (time.Duration, bool) {
	return s.at, s.state == Sending
}

func (s *Sender) fail(err error) error {
	s.state, s.message, s.err = Failed, nil, err
	return err
}
