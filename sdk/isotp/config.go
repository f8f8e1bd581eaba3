// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package isotp

import (
	"errors"
	"fmt"
	"math"
	"time"
)

// What ends a transfer. Each comes wrapped with what was seen; the names in capitals are those of ISO 15765-2.
var (
	// ErrTimeoutAs says that the bus took no frame of the sender in time (N_TIMEOUT_A).
	ErrTimeoutAs = errors.New("N_As is over: the bus took no frame of the message in time")
	// ErrTimeoutAr says that the bus took no flow control in time (N_TIMEOUT_A).
	ErrTimeoutAr = errors.New("N_Ar is over: the bus took no flow control in time")
	// ErrTimeoutBs says that the receiver sent no flow control in time (N_TIMEOUT_Bs).
	ErrTimeoutBs = errors.New("N_Bs is over: no flow control came in time")
	// ErrTimeoutBr says that this side was late with its flow control.
	ErrTimeoutBr = errors.New("N_Br is over: the flow control was not sent in time")
	// ErrTimeoutCs says that this side was late with its next consecutive frame.
	ErrTimeoutCs = errors.New("N_Cs is over: the next consecutive frame was not sent in time")
	// ErrTimeoutCr says that the sender sent no consecutive frame in time (N_TIMEOUT_Cr).
	ErrTimeoutCr = errors.New("N_Cr is over: no consecutive frame came in time")
	// ErrWrongSequence says that a consecutive frame was lost, repeated or swapped (N_WRONG_SN).
	ErrWrongSequence = errors.New("a consecutive frame out of sequence")
	// ErrUnexpected says that a new message began before the old one was complete (N_UNEXP_PDU).
	ErrUnexpected = errors.New("a new message began before the old one was complete")
	// ErrInvalidFlowStatus says that the flow control has a status that nobody defined (N_INVALID_FS).
	ErrInvalidFlowStatus = errors.New("the flow control has an unknown status")
	// ErrOverflow says that the receiver cannot hold the message (N_BUFFER_OVFLW).
	ErrOverflow = errors.New("the receiver cannot hold the message")
	// ErrWaits says that the receiver asked for patience too often, or this side did (N_WFT_OVRN).
	ErrWaits = errors.New("too many flow controls that ask to wait")
	// ErrTooLong says that a message is longer than this side takes or sends.
	ErrTooLong = errors.New("the message is too long")
	// ErrPadding says that the padding is not as Config.Check asks.
	ErrPadding = errors.New("the padding is wrong")
)

// ErrMalformed says that a frame breaks the rules and was passed over, as the standard asks; a transfer under way goes on.
var ErrMalformed = errors.New("a frame that breaks the transport's rules was passed over")

// PaddingCheck says what is asked of the padding of frames that come in.
type PaddingCheck uint8

// What is asked of the padding.
const (
	// AnyPadding takes every padding and none.
	AnyPadding PaddingCheck = iota
	// PaddedLength asks that frames be padded to the length that this side would send.
	PaddedLength
	// PaddedContent asks besides that each padding byte be Config.Fill.
	PaddedContent
)

// MaxPlain is the longest message whose length fits into 12 bits, in bytes; longer ones carry 32 bits of length.
const MaxPlain = 4095

// Timeouts are the times of ISO 15765-2, §9.8. Zero takes the standard's value where it has one.
type Timeouts struct {
	// As and Ar are how long the bus may take for a frame of the sender and for a flow control; zero for 1 s.
	As, Ar time.Duration
	// Bs is how long the sender waits for a flow control; zero for 1 s.
	Bs time.Duration
	// Cr is how long the receiver waits for a consecutive frame; zero for 1 s.
	Cr time.Duration
	// Br and Cs are how late this side may be with a flow control and with a consecutive frame that is due. They are a
	// demand on the program around; zero does not watch them.
	Br, Cs time.Duration
}

// Config is how one pair of peers speaks. Its zero value with an Address is classic CAN with padding to 8 bytes, block
// size 0 and STmin 0.
type Config struct {
	Address
	// FD sends CAN FD frames and takes them besides classic ones; BitRateSwitch sends their data at the faster bit rate.
	FD, BitRateSwitch bool
	// FrameLength is the most data bytes of a frame sent: 8, or for CAN FD 8, 12, 16, 20, 24, 32, 48 or 64. Zero for the most.
	FrameLength int
	// NoPadding sends frames as short as they can be; else they are filled up to 8 bytes. Longer CAN FD frames are always
	// filled up to the next length there is.
	NoPadding bool
	// Fill is the byte to fill up with.
	Fill byte
	// Check says what is asked of the padding of others.
	Check PaddingCheck
	// SingleFrames is for a functional address, by which one asks many: no message of more than one frame is sent or taken.
	SingleFrames bool
	// MaxMessage is the longest message taken and sent, in bytes; zero for 4095.
	MaxMessage int
	// BlockSize is how many consecutive frames the receiver takes before its next flow control; 0 for all.
	BlockSize byte
	// STmin is the least time between consecutive frames that the receiver asks for, as coded; see EncodeSTmin.
	STmin byte
	// MaxWaits is how many flow controls in a row may ask to wait, on both sides (N_WFTmax); zero for 10.
	MaxWaits int
	// WaitEvery is the time between two of them while a receiver is held; zero for half of N_Bs.
	WaitEvery time.Duration
	Timeouts  Timeouts
}

const (
	// networkTimeout is the time-out of N_As, N_Ar, N_Bs and N_Cr in ISO 15765-2, table 16.
	networkTimeout = time.Second
	// usualWaits is our own bound: the standard leaves N_WFTmax to the system.
	usualWaits = 10
)

// completed checks a configuration and puts in what zero stands for.
func completed(c Config) (Config, error) {
	if err := c.check(); err != nil {
		return c, fmt.Errorf("configuration of the transport: %w", err)
	}
	if c.FrameLength == 0 {
		c.FrameLength = MaxClassic
		if c.FD {
			c.FrameLength = MaxFD
		}
	}
	if c.MaxMessage == 0 {
		c.MaxMessage = MaxPlain
	}
	if c.MaxWaits == 0 {
		c.MaxWaits = usualWaits
	}
	t := &c.Timeouts
	for _, d := range []*time.Duration{&t.As, &t.Ar, &t.Bs, &t.Cr} {
		if *d == 0 {
			*d = networkTimeout
		}
	}
	if c.WaitEvery == 0 {
		c.WaitEvery = t.Bs / 2
	}
	return c, nil
}

func (c *Config) check() error {
	if err := c.Address.check(); err != nil {
		return err
	}
	t := c.Timeouts
	switch {
	case c.FrameLength != 0 && (c.FrameLength < MaxClassic || c.FrameLength > MaxFD || int(FDLength(c.FrameLength)) != c.FrameLength):
		return fmt.Errorf("FrameLength is %d; use 8, 12, 16, 20, 24, 32, 48 or 64", c.FrameLength)
	case !c.FD && c.FrameLength > MaxClassic:
		return fmt.Errorf("FrameLength is %d on classic CAN; use 8, or set FD", c.FrameLength)
	case !c.FD && c.BitRateSwitch:
		return errors.New("BitRateSwitch is set on classic CAN; set FD too")
	case c.Check > PaddedContent:
		return fmt.Errorf("check is %d; use AnyPadding, PaddedLength or PaddedContent", c.Check)
	case c.MaxMessage < 0 || int64(c.MaxMessage) > math.MaxUint32:
		return fmt.Errorf("MaxMessage is %d; use 1 to %d, or 0 for %d", c.MaxMessage, uint32(math.MaxUint32), MaxPlain)
	case c.MaxWaits < 0:
		return fmt.Errorf("MaxWaits is %d; use 1 or more, or 0 for %d", c.MaxWaits, usualWaits)
	case min(t.As, t.Ar, t.Bs, t.Br, t.Cs, t.Cr, c.WaitEvery) < 0:
		return errors.New("a time-out is negative")
	}
	return nil
}

// single is the longest message that a frame of the given length carries alone.
func (c *Config) single(frameLength int) int {
	if frameLength <= MaxClassic {
		return frameLength - 1 - c.head()
	}
	return frameLength - 2 - c.head()
}

// padded is how long a frame becomes that uses so many bytes.
func (c *Config) padded(used int) int {
	if used <= MaxClassic && !c.NoPadding {
		return MaxClassic
	}
	return int(FDLength(used))
}
