// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1979

import "fmt"

const (
	// positive is added to the service byte in an answer, ISO 14229-1.
	positive = 0x40
	// negative begins an answer that refuses, ISO 14229-1.
	negative = 0x7F
)

// Code is a negative response code of ISO 14229-1.
type Code byte

// The codes that a reader meets, ISO 14229-1, Annex A.
const (
	CodeGeneralReject       Code = 0x10
	CodeServiceNotSupported Code = 0x11
	CodeSubNotSupported     Code = 0x12
	CodeWrongLength         Code = 0x13
	CodeAnswerTooLong       Code = 0x14
	CodeBusy                Code = 0x21
	CodeConditions          Code = 0x22
	CodeSequence            Code = 0x24
	CodeNoAnswerFromSubnet  Code = 0x25
	CodeOutOfRange          Code = 0x31
	CodeAccessDenied        Code = 0x33
	CodeAuthentication      Code = 0x34
	CodePending             Code = 0x78
	CodeSubNotInSession     Code = 0x7E
	CodeServiceNotInSession Code = 0x7F
)

var codeNames = map[Code]string{
	CodeGeneralReject:       "refused without a reason",
	CodeServiceNotSupported: "the service is not supported",
	CodeSubNotSupported:     "the sub-function is not supported",
	CodeWrongLength:         "wrong length or format",
	CodeAnswerTooLong:       "the answer would be too long",
	CodeBusy:                "busy, ask again",
	CodeConditions:          "conditions not correct",
	CodeSequence:            "wrong order of requests",
	CodeNoAnswerFromSubnet:  "a unit behind the gateway does not answer",
	CodeOutOfRange:          "not supported, or out of range",
	CodeAccessDenied:        "security access denied",
	CodeAuthentication:      "authentication needed",
	CodePending:             "answer pending",
	CodeSubNotInSession:     "the sub-function is not supported in this session",
	CodeServiceNotInSession: "the service is not supported in this session",
}

// String says in a few words what the code means, in words of our own; its number for other codes.
func (c Code) String() string {
	if name, ok := codeNames[c]; ok {
		return name
	}
	return fmt.Sprintf("code %02X", byte(c))
}

// Waits tells that the answer is still to come.
func (c Code) Waits() bool { return c == CodePending }

// Again tells that the same request may succeed a little later.
func (c Code) Again() bool { return c == CodeBusy || c == CodePending }

// Lacks tells that a control unit has not what was asked for, and that it is of no use to ask again.
func (c Code) Lacks() bool {
	switch c {
	case CodeServiceNotSupported, CodeSubNotSupported, CodeOutOfRange, CodeSubNotInSession, CodeServiceNotInSession:
		return true
	default:
		return false
	}
}

// TooMuch tells that a request for less may succeed.
func (c Code) TooMuch() bool { return c == CodeWrongLength || c == CodeAnswerTooLong }

// NegativeError says that a control unit refused a request.
type NegativeError struct {
	// Service is the first byte of the request that was refused.
	Service byte
	Code    Code
}

// Error says which service was refused and why.
func (e *NegativeError) Error() string {
	return fmt.Sprintf("service %02X is refused with %02X: %v", e.Service, byte(e.Code), e.Code)
}

// ReadNegative takes a negative response apart; false if the payload is none.
func ReadNegative(payload []byte) (NegativeError, bool) {
	if len(payload) != 3 || payload[0] != negative {
		return NegativeError{}, false
	}
	return NegativeError{payload[1], Code(payload[2])}, true
}

// AppendNegative appends the payload that refuses a service.
func AppendNegative(dst []byte, service byte, code Code) []byte {
	return append(dst, negative, service, byte(code))
}

func refusedBy(what string, payload []byte, service byte) error {
	n, ok := ReadNegative(payload)
	switch {
	case !ok:
		return wrong(what, min(len(payload), 3), "a negative response of three bytes", "%d bytes", len(payload))
	case n.Service != service:
		return wrong(what, 1, fmt.Sprintf("a negative response to %02X", service), "one to %02X", n.Service)
	}
	return &n
}
