// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1939

import (
	"fmt"

	"github.com/airassay/airassay/sdk/j1979"
)

// PGN is the number of a parameter group, 0 to 3FFFF.
type PGN uint32

// The groups that this package reads, SAE J1939-71 and J1939-73. The comment has what the standard calls them.
const (
	Accelerator        PGN = 61443 // EEC2
	EngineSpeed        PGN = 61444 // EEC1
	AirFlow            PGN = 61450 // EGF1
	IntakeAbsolute     PGN = 64976 // IC2
	ActiveCodes        PGN = 65226 // DM1
	PreviousCodes      PGN = 65227 // DM2
	SoftwareIdentity   PGN = 65242 // SOFT
	ComponentIdentity  PGN = 65259 // CI
	VehicleIdentity    PGN = 65260 // VI
	EngineTemperatures PGN = 65262 // ET1
	Ambient            PGN = 65269 // AMB
	Intake             PGN = 65270 // IC1
)

const (
	request       PGN = 59904
	transferData  PGN = 60160 // TP.DT
	transferSetup PGN = 60416 // TP.CM
)

// Global is the address of all control units.
const Global = 0xFF

// Header is what a 29-bit identifier says.
type Header struct {
	// Priority from 0, the highest, to 7.
	Priority uint8
	PGN      PGN
	// Destination is Global for groups that are always broadcast.
	Destination uint8
	Source      uint8
}

// Read takes a 29-bit identifier apart; bits above are ignored.
func Read(id uint32) Header {
	h := Header{
		Priority: uint8(id >> 26 & 7), PGN: PGN(id >> 8 & 0x3FFFF), Destination: Global, Source: uint8(id),
	}
	if h.PGN.addressed() {
		h.Destination = uint8(h.PGN)
		h.PGN &^= 0xFF
	}
	return h
}

// ID is the inverse of Read.
func (h Header) ID() uint32 {
	pgn := h.PGN & 0x3FFFF
	if pgn.addressed() {
		pgn = pgn&^0xFF | PGN(h.Destination)
	}
	return uint32(h.Priority&7)<<26 | uint32(pgn)<<8 | uint32(h.Source)
}

// addressed tells groups that have a destination in place of their last byte: those whose second byte is below 240.
func (p PGN) addressed() bool { return p>>8&0xFF < 240 }

// Request is the frame that asks for a group. The error wraps j1979.ErrNotReadOnly where the group is not one of those that
// may be asked for.
func Request(pgn PGN, source, destination uint8) (id uint32, data [3]byte, err error) {
	if err := j1979.CheckPGN(uint32(pgn)); err != nil {
		return 0, data, err
	}
	h := Header{Priority: 6, PGN: request, Destination: destination, Source: source}
	return h.ID(), [3]byte{byte(pgn), byte(pgn >> 8), byte(pgn >> 16)}, nil
}

// Error says what is wrong with a message.
type Error struct {
	PGN PGN
	// At is the position of the byte that is wrong, from 0; the message's length where something is missing at its end.
	At int
	// Want says what was expected there, and Got what stands there.
	Want, Got string
}

// Error names all four.
func (e *Error) Error() string {
	return fmt.Sprintf("the message of group %d is wrong at byte %d: expected %s, got %s", e.PGN, e.At, e.Want, e.Got)
}

func wrong(pgn PGN, at int, want, got string, gotArgs ...any) error {
	return &Error{pgn, at, want, fmt.Sprintf(got, gotArgs...)}
}
