// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package isotp

import (
	"errors"
	"fmt"
)

// Address says how the frames of one pair of peers are told from others (ISO 15765-2, §10.3). The constructors make one.
type Address struct {
	// Send and Receive are the identifiers of the frames that go out and that come in.
	Send, Receive uint32
	// Extended says that the identifiers have 29 bits.
	Extended bool
	// WithByte says that the first data byte is part of the address: the target address of extended addressing, or the
	// address extension of mixed addressing.
	WithByte bool
	// SendByte and ReceiveByte are that byte in the frames that go out and that come in.
	SendByte, ReceiveByte byte
}

// The first two bytes of the 29 bit identifiers of normal fixed addressing: priority 6 and the kind of target
// (ISO 15765-2, §10.3.3).
const (
	fixedPhysical   = 0x18DA_0000
	fixedFunctional = 0x18DB_0000
)

// Normal11 is normal addressing by identifiers of 11 bits.
func Normal11(send, receive uint32) Address { return Address{Send: send, Receive: receive} }

// Normal29 is normal addressing by identifiers of 29 bits.
func Normal29(send, receive uint32) Address {
	return Address{Send: send, Receive: receive, Extended: true}
}

// NormalFixed is normal fixed addressing of one peer: 18DA, target, source.
func NormalFixed(target, source byte) Address {
	return Normal29(fixedPhysical|uint32(target)<<8|uint32(source), fixedPhysical|uint32(source)<<8|uint32(target))
}

// FixedFunctional is the identifier of normal fixed addressing by which a source asks a group: 18DB, group, source.
func FixedFunctional(group, source byte) uint32 {
	return fixedFunctional | uint32(group)<<8 | uint32(source)
}

// ByByte adds an address byte in front of the data: the target addresses of extended addressing.
func (a Address) ByByte(send, receive byte) Address {
	a.WithByte, a.SendByte, a.ReceiveByte = true, send, receive
	return a
}

// Mirror is the address as the peer sees it.
func (a Address) Mirror() Address {
	a.Send, a.Receive = a.Receive, a.Send
	a.SendByte, a.ReceiveByte = a.ReceiveByte, a.SendByte
	return a
}

// Match says whether a frame came from the peer.
func (a Address) Match(f *Frame) bool {
	return f.ID == a.Receive && f.Extended == a.Extended && (!a.WithByte || f.Length > 0 && f.Data[0] == a.ReceiveByte)
}

// head is how many data bytes the address takes.
func (a Address) head() int {
	if a.WithByte {
		return 1
	}
	return 0
}

func (a Address) check() error {
	highest := uint32(MaxStandardID)
	if a.Extended {
		highest = MaxExtendedID
	}
	switch {
	case a.Send > highest:
		return fmt.Errorf("the identifier to send, %X, is above %X", a.Send, highest)
	case a.Receive > highest:
		return fmt.Errorf("the identifier to receive, %X, is above %X", a.Receive, highest)
	case !a.WithByte && (a.SendByte != 0 || a.ReceiveByte != 0):
		return errors.New("an address byte is given, but WithByte is not set")
	}
	return nil
}
