// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package ecu

import (
	"bytes"
	"encoding/binary"
	"slices"

	"github.com/airassay/airassay/sdk/j1979"
)

// Pages of identifiers, SAE J1979-2.
const (
	pageParameters = 0xF4
	pageMonitors   = 0xF6
	pageVehicle    = 0xF8
	// infoProtocol is the infotype that says which standard the unit keeps; its value 1 is SAE J1979-2.
	infoProtocol = 0x10
)

// suppress is the bit of a sub-function that wants no positive answer, ISO 14229-1.
const suppress = 0x80

// session is service 10: the default session is where the unit is anyway. The answer
// tells P2 in ms and P2* in tens of ms, ISO 14229-2.
func session(rest []byte) ([]byte, j1979.Code) {
	if len(rest) != 1 {
		return nil, j1979.CodeWrongLength
	}
	switch rest[0] {
	case 0x01:
		return []byte{0x50, 0x01, 0x00, 0x32, 0x01, 0xF4}, 0
	case 0x01 | suppress:
		return nil, 0
	case 0x02, 0x03:
		return nil, j1979.CodeAccessDenied
	}
	return nil, j1979.CodeSubNotSupported
}

// present is service 3E.
func present(rest []byte) ([]byte, j1979.Code) {
	switch {
	case len(rest) != 1:
		return nil, j1979.CodeWrongLength
	case rest[0] == 0:
		return []byte{0x7E, 0x00}, 0
	case rest[0] == suppress:
		return nil, 0
	}
	return nil, j1979.CodeSubNotSupported
}

// byIdentifier is service 22. What is not supported is left out; where nothing is, it is refused.
func (u *Unit) byIdentifier(rest []byte) ([]byte, j1979.Code) {
	if len(rest) == 0 || len(rest)%2 != 0 || len(rest)/2 > u.vehicle.options.MostParameters {
		return nil, j1979.CodeWrongLength
	}
	answer := []byte{0x62}
	for ; len(rest) > 0; rest = rest[2:] {
		if data := u.identified(rest[0], rest[1]); data != nil {
			answer = append(append(answer, rest[:2]...), data...)
		}
	}
	return orLacking(answer, j1979.CodeOutOfRange)
}

// identified is the data of an identifier; nil where the unit has none.
func (u *Unit) identified(page, number byte) []byte {
	switch page {
	case pageParameters:
		return u.parameter(number)
	case pageMonitors:
		have := u.monitors()
		if isBitmap(number) && have != (j1979.Support{}) {
			return supportData(&have, number)
		}
		if answer := u.monitor(number); answer != nil {
			return answer[1:]
		}
	case pageVehicle:
		have := u.infotypes()
		have.Add(infoProtocol)
		if isBitmap(number) {
			return supportData(&have, number)
		}
		if number == infoProtocol {
			return []byte{1}
		}
		if i := u.infotype(number); i != nil {
			return i.data
		}
	}
	return nil
}

// Bits of a trouble code's status, ISO 14229-1, annex D.
const (
	testFailed      = 0x01
	failedThisCycle = 0x02
	pendingCode     = 0x04
	confirmedCode   = 0x08
	failedSince     = 0x20 // since the codes were cleared
	warningLamp     = 0x80
)

const (
	// allStatus says that the unit has every bit of the status.
	allStatus = 0xFF
	// codeFormat is that of SAE J2012-DA with a byte for the kind of failure (ISO 14229-1).
	codeFormat = 0x04
	// emissions is the functional group of emission systems (ISO 14229-1, annex D).
	emissions = 0x33
	// severity of every code here: class 1, check at the next halt (ISO 14229-1, annex D).
	severity = 0x42
	// frameNumber is the record of a code's only freeze frame; allFrames asks for all.
	frameNumber, allFrames = 0x00, 0xFF
)

func (r *record) status() byte {
	status := byte(failedSince)
	if r.seen {
		status |= testFailed | failedThisCycle
	}
	if r.pending {
		status |= pendingCode
	}
	if r.confirmed {
		status |= confirmedCode | warningLamp
	}
	return status
}

// three is a trouble code in three bytes; the last, the kind of failure, says nothing more.
func (r *record) three() []byte { return append(binary.BigEndian.AppendUint16(nil, r.code), 0) }

// records are the codes that the unit has stored.
func (u *Unit) records() []*record {
	if !u.engine {
		return nil
	}
	return u.vehicle.watch.records
}

// report is a sub-function of service 19.
type report struct {
	// length is how many bytes follow the sub-function.
	length int
	make   func(u *Unit, rest []byte) ([]byte, j1979.Code)
}

var reportKinds = map[byte]report{
	0x01: {1, (*Unit).countByMask},
	0x02: {1, (*Unit).listByMask},
	0x03: {0, (*Unit).listFrames},
	0x04: {4, (*Unit).frameOf},
	0x0A: {0, (*Unit).listSupported},
	0x42: {3, (*Unit).listEmissions},
	0x55: {1, (*Unit).listPermanent},
}

// reports is service 19.
func (u *Unit) reports(rest []byte) ([]byte, j1979.Code) {
	if len(rest) == 0 {
		return nil, j1979.CodeWrongLength
	}
	kind, ok := reportKinds[rest[0]&^suppress]
	switch {
	case !ok:
		return nil, j1979.CodeSubNotSupported
	case len(rest) != 1+kind.length:
		return nil, j1979.CodeWrongLength
	}
	answer, code := kind.make(u, rest[1:])
	if code != 0 || rest[0]&suppress != 0 {
		return nil, code
	}
	return append([]byte{0x59, rest[0]}, answer...), 0
}

func (u *Unit) countByMask(rest []byte) ([]byte, j1979.Code) {
	n := 0
	for _, r := range u.records() {
		if r.status()&rest[0] != 0 {
			n++
		}
	}
	return []byte{allStatus, codeFormat, byte(n >> 8), byte(n)}, 0
}

func (u *Unit) listByMask(rest []byte) ([]byte, j1979.Code) {
	answer := []byte{allStatus}
	for _, r := range u.records() {
		if r.status()&rest[0] != 0 {
			answer = append(append(answer, r.three()...), r.status())
		}
	}
	return answer, 0
}

func (u *Unit) listFrames([]byte) ([]byte, j1979.Code) {
	var answer []byte
	for _, r := range u.records() {
		answer = append(append(answer, r.three()...), frameNumber)
	}
	return answer, 0
}

// frameOf is the freeze frame of a code: identifiers and data.
func (u *Unit) frameOf(rest []byte) ([]byte, j1979.Code) {
	list := u.records()
	i := slices.IndexFunc(list, func(r *record) bool { return bytes.Equal(r.three(), rest[:3]) })
	if i < 0 || rest[3] != frameNumber && rest[3] != allFrames {
		return nil, j1979.CodeOutOfRange
	}
	r := list[i]
	answer := append(r.three(), r.status(), frameNumber, byte(len(r.frame)))
	for _, p := range u.vehicle.fitted {
		if data, ok := r.frame[p.pid]; ok {
			answer = append(append(answer, pageParameters, p.pid), data...)
		}
	}
	return answer, 0
}

// listSupported names every code that the unit could set.
func (u *Unit) listSupported([]byte) ([]byte, j1979.Code) {
	answer := []byte{allStatus}
	if !u.engine {
		return answer, 0
	}
	for _, m := range u.vehicle.watch.monitors {
		r := &record{code: m.code}
		status := byte(0)
		for _, stored := range u.records() {
			if stored.code == m.code {
				status = stored.status()
			}
		}
		answer = append(append(answer, r.three()...), status)
	}
	return answer, 0
}

func (u *Unit) listEmissions(rest []byte) ([]byte, j1979.Code) {
	if rest[0] != emissions {
		return nil, j1979.CodeOutOfRange
	}
	answer := []byte{emissions, allStatus, allStatus, codeFormat}
	for _, r := range u.records() {
		if r.status()&rest[1] != 0 && severity&rest[2] != 0 {
			answer = append(append(append(answer, severity), r.three()...), r.status())
		}
	}
	return answer, 0
}

func (u *Unit) listPermanent(rest []byte) ([]byte, j1979.Code) {
	if rest[0] != emissions {
		return nil, j1979.CodeOutOfRange
	}
	answer := []byte{emissions, allStatus, codeFormat}
	for _, r := range u.records() {
		if r.permanent {
			answer = append(append(answer, r.three()...), r.status())
		}
	}
	return answer, 0
}
