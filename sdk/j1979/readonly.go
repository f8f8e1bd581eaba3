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

// readService is a service that may be asked, and the rest of its request that may follow. Where a row says nothing of
// the rest, only the length is bounded.
type readService struct {
	service  byte
	name     string
	min, max int          // bytes after the service byte
	sub      []byte       // first byte; nil where any may stand
	ids      []identifier // of two bytes each, at least one; nil where none are carried
}

// identifier is a range of identifiers by their high byte.
type identifier struct {
	low, high byte
}

// emissions are the identifiers that ISO 14229-1, Annex C sets aside for on-board diagnostics, as far as SAE J1979-2 uses
// them: F4 and F5 for parameters, F6 for monitor results, F8 for vehicle information.
var emissions = []identifier{{0xF4, 0xF6}, {0xF8, 0xF8}}

// readServices is the whole of what may be sent. Services and lengths: SAE J1979 for 01 to 0A, ISO 14229-1 for the
// rest. Clearing codes (04, 14), control (08, 2F, 31), writing (2E), security (27), reset (11), communication (28, 85)
// and transfer (34 to 37) are left out, as is all that nobody named.
var readServices = []readService{
	{service: 0x01, name: "current data", min: 1, max: 6},
	{service: 0x02, name: "freeze frame", min: 2, max: 6},
	{service: 0x03, name: "confirmed trouble codes"},
	{service: 0x06, name: "monitor results", min: 1, max: 6},
	{service: 0x07, name: "pending trouble codes"},
	{service: 0x09, name: "vehicle information", min: 1, max: 6},
	{service: 0x0A, name: "permanent trouble codes"},
	// The default session is where a control unit is anyway.
	{service: 0x10, name: "default session", min: 1, max: 1, sub: []byte{0x01}},
	// The reports that ISO 14229-1 defines. Other sub-functions are a maker's own.
	{service: 0x19, name: "trouble code reports", min: 1, max: 6, sub: []byte{0x01, 0x02, 0x03, 0x04, 0x05, 0x06, 0x07, 0x08, 0x09, 0x0A, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x12, 0x13, 0x14, 0x15, 0x16, 0x17, 0x18, 0x19, 0x1A, 0x42, 0x55, 0x56}},
	{service: 0x22, name: "data by identifier", min: 2, max: 16, ids: emissions},
	{service: 0x3E, name: "tester present", min: 1, max: 1, sub: []byte{0x00, 0x80}},
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
	if len(rest) < s.min || len(rest) > s.max {
		return fmt.Errorf("%w: service %02X (%s) takes %d to %d bytes, not %d", ErrNotReadOnly, s.service, s.name, s.min, s.max, len(rest))
	}
	if s.sub != nil && !slices.Contains(s.sub, rest[0]) {
		return fmt.Errorf("%w: service %02X (%s) with sub-function %02X is not one of those that read", ErrNotReadOnly, s.service, s.name, rest[0])
	}
	if s.ids == nil {
		return nil
	}
	if len(rest)%2 != 0 {
		return fmt.Errorf("%w: service %02X (%s) takes identifiers of two bytes, not %d bytes", ErrNotReadOnly, s.service, s.name, len(rest))
	}
	for at := 0; at < len(rest); at += 2 {
		if !slices.ContainsFunc(s.ids, func(r identifier) bool { return r.low <= rest[at] && rest[at] <= r.high }) {
			return fmt.Errorf("%w: service %02X (%s) with identifier %02X%02X; only F4xx, F5xx, F6xx and F8xx are asked", ErrNotReadOnly, s.service, s.name, rest[at], rest[at+1])
		}
	}
	return nil
}
