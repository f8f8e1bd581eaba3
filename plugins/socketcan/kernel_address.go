// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socketcan

import (
	"fmt"

	"github.com/airassay/airassay/sdk/canlink"
	"github.com/airassay/airassay/sdk/isotp"
)

// Identifiers of ISO 15765-4, for requests to all and for the pairs of the control units.
const (
	askAll11     = 0x7DF
	firstAsk11   = 0x7E0
	firstAns11   = 0x7E8
	units11      = 8
	testerByte   = 0xF1
	everyoneByte = 0x33
	answerBase29 = 0x18DAF100
)

// pairOf is the address of a control unit, as the tester sees it.
func pairOf(a canlink.Addressing, unit byte) isotp.Address {
	if a == canlink.Bits29 {
		return isotp.NormalFixed(unit, testerByte)
	}
	return isotp.Normal11(firstAsk11+uint32(unit), firstAns11+uint32(unit))
}

// sourceOf is the identifier of a control unit's answers, as adapter.Answer has it.
func sourceOf(a canlink.Addressing, unit byte) int64 {
	source := int64(pairOf(a, unit).Receive)
	if a == canlink.Bits29 {
		source |= canlink.Wide
	}
	return source
}

// unitOf says which control unit an identifier of an answer, or of a request to one, belongs to.
func unitOf(a canlink.Addressing, id int64) (unit byte, ok bool) {
	switch {
	case a == canlink.Bits11 && id >= firstAsk11 && id < firstAns11+units11:
		return byte(id-firstAsk11) % units11, true
	case a == canlink.Bits29 && id&^0xFF == canlink.Wide|answerBase29:
		return byte(id), true
	case a == canlink.Bits29 && id&^0xFF00 == canlink.Wide|int64(isotp.NormalFixed(0, testerByte).Send):
		return byte(id >> 8), true
	}
	return 0, false
}

// targetOf reads adapter.Request.Target.
func targetOf(a canlink.Addressing, id int64) (unit byte, all bool, err error) {
	wide29 := canlink.Wide | int64(isotp.FixedFunctional(everyoneByte, testerByte))
	if id == 0 || a == canlink.Bits11 && id == askAll11 || a == canlink.Bits29 && id == wide29 {
		return 0, true, nil
	}
	if unit, ok := unitOf(a, id); ok {
		return unit, false, nil
	}
	return 0, false, fmt.Errorf("no control unit is asked at %X with identifiers of %v; use 7E0 to 7E7, or 98DAxxF1 with 29 bits, or 0 for all", id, a)
}

// functional is the frame of a request to all control units; it must fit into one.
func functional(a canlink.Addressing, payload []byte) (isotp.Frame, error) {
	f := isotp.Frame{ID: askAll11, Length: isotp.MaxClassic}
	if a == canlink.Bits29 {
		f.ID, f.Extended = isotp.FixedFunctional(everyoneByte, testerByte), true
	}
	if len(payload) >= isotp.MaxClassic {
		return f, fmt.Errorf("a request of %d bytes to all control units; it has to fit into one frame, which carries %d: ask one of them", len(payload), isotp.MaxClassic-1)
	}
	f.Data[0] = byte(len(payload))
	copy(f.Data[1:], payload)
	return f, nil
}
