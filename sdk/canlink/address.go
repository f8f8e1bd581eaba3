// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canlink

import (
	"fmt"

	"github.com/airassay/airassay/sdk/isotp"
)

// Addressing is how the control units on a bus are addressed (ISO 15765-4, §10.5).
type Addressing uint8

// The addressings there are.
const (
	// Unknown has to be probed.
	Unknown Addressing = iota
	// Bits11 asks all at 7DF and one at 7E0 to 7E7, and is answered by 7E8 to 7EF.
	Bits11
	// Bits29 asks all at 18DB33F1 and one at 18DAxxF1, and is answered by 18DAF1xx.
	Bits29
)

// String names it as a technician does.
func (a Addressing) String() string {
	switch a {
	case Bits11:
		return "11 bit"
	case Bits29:
		return "29 bit"
	}
	return "unknown"
}

// Identifiers of ISO 15765-4.
const (
	all11     = 0x7DF
	first11   = 0x7E0 // of eight physical requests
	answers11 = 0x7E8 // of eight answers
	units11   = 8

	tester   = 0xF1 // the tester's address
	everyone = 0x33 // the group of all control units that on-board diagnostics concern
	to29     = 0x18DA_0000 | tester
	from29   = 0x18DA_0000 | tester<<8
)

// Wide marks an identifier of 29 bits in adapter.Request.Target and adapter.Answer.Source.
const Wide = 0x8000_0000

// requestTo is the identifier by which a control unit is asked, number or address given.
func (a Addressing) requestTo(unit byte) int64 {
	if a == Bits29 {
		return Wide | to29 | int64(unit)<<8
	}
	return first11 + int64(unit)
}

// answerFrom is the identifier by which a control unit answers.
func (a Addressing) answerFrom(unit byte) int64 {
	if a == Bits29 {
		return Wide | from29 | int64(unit)
	}
	return answers11 + int64(unit)
}

// pair is the transport's address of a control unit.
func (a Addressing) pair(unit byte) isotp.Address {
	if a == Bits29 {
		return isotp.NormalFixed(unit, tester)
	}
	return isotp.Normal11(uint32(a.requestTo(unit)), uint32(a.answerFrom(unit)))
}

// functional is the transport's address of all control units.
func (a Addressing) functional() isotp.Address {
	if a == Bits29 {
		return isotp.Normal29(isotp.FixedFunctional(everyone, tester), 0)
	}
	return isotp.Normal11(all11, 0)
}

// sender says which control unit a frame answers for, if it is an answer at all.
func (a Addressing) sender(f *isotp.Frame) (unit byte, ok bool) {
	switch {
	case f.FD:
		return 0, false
	case a == Bits11 && !f.Extended && f.ID >= answers11 && f.ID < answers11+units11:
		return byte(f.ID - answers11), true
	case a == Bits29 && f.Extended && f.ID&^0xFF == from29:
		return byte(f.ID), true
	}
	return 0, false
}

// target reads adapter.Request.Target: the identifier by which a control unit is asked, or that by which it answers.
func (a Addressing) target(id int64) (unit byte, all bool, err error) {
	switch {
	case id == 0, a == Bits11 && id == all11, a == Bits29 && id == Wide|int64(isotp.FixedFunctional(everyone, tester)):
		return 0, true, nil
	case a == Bits11 && id >= first11 && id < first11+units11:
		return byte(id - first11), false, nil
	case a == Bits11 && id >= answers11 && id < answers11+units11:
		return byte(id - answers11), false, nil
	case a == Bits29 && id&^0xFF00 == Wide|to29:
		return byte(id >> 8), false, nil
	case a == Bits29 && id&^0xFF == Wide|from29:
		return byte(id), false, nil
	case a == Bits29:
		return 0, false, fmt.Errorf("no control unit is asked at %X with 29 bits; use 98DAxxF1, or 0 for all", id)
	}
	return 0, false, fmt.Errorf("no control unit is asked at %X with 11 bits; use 7E0 to 7E7, or 0 for all", id)
}
