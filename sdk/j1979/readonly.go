// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1979

import (
	"errors"
	"fmt"
	"slices"
)

// ErrNotReadOnly says that a request may do more than read.
var ErrNotReadOnly = errors.New("the request does more than read")

// readService is a service that may be asked, and the rest of its request that may follow.
type readService struct {
	service byte
	name    string
	// The bytes after the service byte.
	min, max int
	// step is what their number is a multiple of.
	step int
	// subs are the sub-functions with the number of bytes that follow each; nil where there are none.
	subs []subFunction
	// pages are the high bytes of identifiers of two bytes; nil where none are carried.
	pages []byte
}

// subFunction is one that only reads.
type subFunction struct {
	sub  byte
	rest int
	// emissions tells that the first byte of the rest is the functional group, which must be that of emissions.
	emissions bool
}

// codeReportsThatRead are the reports that ISO 14229-1 defines, with the length of their request. Other sub-functions are a
// maker's own; those with the highest bit set ask for no answer.
var codeReportsThatRead = []subFunction{
	{sub: 0x01, rest: 1}, {sub: 0x02, rest: 1}, {sub: 0x03}, {sub: 0x04, rest: 4}, {sub: 0x05, rest: 1}, {sub: 0x06, rest: 4},
	{sub: 0x07, rest: 2}, {sub: 0x08, rest: 2}, {sub: 0x09, rest: 3}, {sub: 0x0A}, {sub: 0x0B}, {sub: 0x0C}, {sub: 0x0D},
	{sub: 0x0E}, {sub: 0x0F, rest: 1}, {sub: 0x10, rest: 4}, {sub: 0x11, rest: 1}, {sub: 0x12, rest: 1}, {sub: 0x13, rest: 1},
	{sub: 0x14}, {sub: 0x15}, {sub: 0x16, rest: 1}, {sub: 0x17, rest: 2}, {sub: 0x18, rest: 5}, {sub: 0x19, rest: 5}, {sub: 0x1A, rest: 1},
	{sub: 0x42, rest: 3, emissions: true}, {sub: 0x55, rest: 1, emissions: true}, {sub: 0x56, rest: 2, emissions: true},
}

// readServices is the whole of what may be sent. Services and lengths: SAE J1979 for 01 to 0A, ISO 14229-1 for the
// rest. Clearing codes (04, 14), control (08, 2F, 31), writing (2E), security (27), reset (11), communication (28, 85)
// and transfer (34 to 37) are left out, as is all that nobody named.
var readServices = []readService{
	{service: 0x01, name: "current data", min: 1, max: 6, step: 1},
	// Parameters, each with the number of its frame.
	{service: 0x02, name: "freeze frame", min: 2, max: 6, step: 2},
	{service: 0x03, name: "confirmed trouble codes", step: 1},
	{service: 0x06, name: "monitor results", min: 1, max: 6, step: 1},
	{service: 0x07, name: "pending trouble codes", step: 1},
	{service: 0x09, name: "vehicle information", min: 1, max: 6, step: 1},
	{service: 0x0A, name: "permanent trouble codes", step: 1},
	// The default session is where a control unit is anyway.
	{service: 0x10, name: "default session", min: 1, max: 1, step: 1, subs: []subFunction{{sub: 0x01}}},
	{service: codeReports, name: "trouble code reports", min: 1, max: 6, step: 1, subs: codeReportsThatRead},
	// Of the identifiers that ISO 14229-1, Annex C sets aside for on-board diagnostics those that SAE J1979-2 uses: F4 and F5
	// for parameters, F6 for monitor results, F8 for vehicle information.
	{service: dataByID, name: "data by identifier", min: 2, max: 2 * mostUDS, step: 2, pages: []byte{0xF4, 0xF5, 0xF6, 0xF8}},
	{service: 0x3E, name: "tester present", min: 1, max: 1, step: 1, subs: []subFunction{{sub: 0x00}, {sub: 0x80}}},
}

// CheckReadOnly says whether a diagnostic request only reads: nil if it does, else an error that wraps ErrNotReadOnly,
// names the byte that is not allowed and says what is. The payload has the service byte first and no transport around
// it. It allocates nothing for a request that passes.
func CheckReadOnly(payload []byte) error {
	if len(payload) == 0 {
		return fmt.Errorf("%w: it is empty; begin with the service byte", ErrNotReadOnly)
	}
	i := slices.IndexFunc(readServices, func(s readService) bool { return s.service == payload[0] })
	if i < 0 {
		return fmt.Errorf("%w: service %02X is not one of those that read", ErrNotReadOnly, payload[0])
	}
	return readServices[i].check(payload[1:])
}

func (s *readService) check(rest []byte) error {
	switch {
	case len(rest) < s.min || len(rest) > s.max:
		return fmt.Errorf("%w: service %02X (%s) takes %d to %d bytes, not %d", ErrNotReadOnly, s.service, s.name, s.min, s.max, len(rest))
	case len(rest)%s.step != 0:
		return fmt.Errorf("%w: service %02X (%s) takes pieces of %d bytes, not %d bytes", ErrNotReadOnly, s.service, s.name, s.step, len(rest))
	case s.subs != nil:
		return s.checkSub(rest[0], rest[1:])
	case s.pages != nil:
		return s.checkIdentifiers(rest)
	}
	return nil
}

func (s *readService) checkSub(sub byte, rest []byte) error {
	i := slices.IndexFunc(s.subs, func(f subFunction) bool { return f.sub == sub })
	switch {
	case i < 0:
		return fmt.Errorf("%w: service %02X (%s) with sub-function %02X is not one of those that read", ErrNotReadOnly, s.service, s.name, sub)
	case len(rest) != s.subs[i].rest:
		return fmt.Errorf("%w: service %02X (%s) with sub-function %02X takes %d bytes more, not %d", ErrNotReadOnly, s.service, s.name, sub, s.subs[i].rest, len(rest))
	case s.subs[i].emissions && rest[0] != emissionsGroup:
		return fmt.Errorf("%w: service %02X (%s) with sub-function %02X for group %02X; only %02X, emissions, is asked", ErrNotReadOnly, s.service, s.name, sub, rest[0], emissionsGroup)
	}
	return nil
}

func (s *readService) checkIdentifiers(rest []byte) error {
	for at := 0; at < len(rest); at += 2 {
		if !slices.Contains(s.pages, rest[at]) {
			return fmt.Errorf("%w: service %02X (%s) with identifier %02X%02X; only F4xx, F5xx, F6xx and F8xx are asked", ErrNotReadOnly, s.service, s.name, rest[at], rest[at+1])
		}
	}
	return nil
}

// readPGNs are the parameter groups of SAE J1939 that may be asked for.
var readPGNs = []uint32{
	61443, 61444, 61450, // accelerator, engine speed, air flow
	64976, 65262, 65269, 65270, // intake, temperatures, ambient, intake
	65226, 65227, // active and previous codes: DM1, DM2
	65242, 65259, 65260, // software, component and vehicle identification
}

// CheckPGN says whether a parameter group of SAE J1939 may be asked for: nil if it may, else an error that wraps
// ErrNotReadOnly. A request for some groups is a command: DM3 (65228) and DM11 (65235) clear codes. All that nobody named
// is refused. Listening needs no permission.
func CheckPGN(pgn uint32) error {
	if slices.Contains(readPGNs, pgn) {
		return nil
	}
	return fmt.Errorf("%w: parameter group %d (%04X) is not one of those that are asked for", ErrNotReadOnly, pgn, pgn)
}
