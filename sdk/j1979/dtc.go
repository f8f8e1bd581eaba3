// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1979

import (
	"errors"
	"fmt"
	"strconv"
)

// DTC is a trouble code as SAE J2012 writes it in two bytes.
type DTC uint16

// String is the code as it is printed: P, C, B or U and four digits, such as P0101.
func (d DTC) String() string { return fmt.Sprintf("%c%04X", systems[d>>14], uint16(d)&0x3FFF) }

// Meaning says in words of our own what the code means, for codes of SAE J2012 that concern air, fuel and the sensors
// involved; empty for all others.
func (d DTC) Meaning() string { return meanings[d] }

// Describe is the code, and its meaning where there is one.
func (d DTC) Describe() string {
	if m := d.Meaning(); m != "" {
		return d.String() + ": " + m
	}
	return d.String()
}

// ErrBadDTC says that a text is no trouble code.
var ErrBadDTC = errors.New("no trouble code")

// ParseDTC reads a code as String writes it. The error wraps ErrBadDTC.
func ParseDTC(text string) (DTC, error) {
	for i := 0; len(text) == 5 && i < len(systems); i++ {
		if text[0] != systems[i] {
			continue
		}
		n, err := strconv.ParseUint(text[1:], 16, 16)
		if d := DTC(i<<14 | int(n)); err == nil && n < 1<<14 && d.String() == text {
			return d, nil
		}
	}
	return 0, fmt.Errorf("%w: %q; write P, C, B or U, a digit from 0 to 3 and three of 0 to 9 and A to F, such as P0101", ErrBadDTC, text)
}

// systems are the letters for the two highest bits: powertrain, chassis, body, network.
const systems = "PCBU"

// Status is the status of a trouble code, one bit a fact, ISO 14229-1 Annex D.
type Status byte

// Failing tells that the test fails now.
func (s Status) Failing() bool { return s&0x01 != 0 }

// Pending tells that the test failed in this drive cycle or the last.
func (s Status) Pending() bool { return s&0x04 != 0 }

// Confirmed tells that the fault is confirmed and stored.
func (s Status) Confirmed() bool { return s&0x08 != 0 }

// Untested tells that the test has not run since codes were cleared.
func (s Status) Untested() bool { return s&0x10 != 0 }

// Lamp tells that the code asks for a warning lamp.
func (s Status) Lamp() bool { return s&0x80 != 0 }

// Fault is a trouble code in an answer.
type Fault struct {
	Code DTC
	// Format is how the three bytes of a code over UDS are meant, ISO 14229-1; Code and Type hold them as of SAE J2012 in
	// any case. FormatJ2012 for SAE J1979.
	Format Format
	// Type is the kind of failure, SAE J2012; 0 if it is not told.
	Type byte
	// Status is what is known of the code; 0 for SAE J1979, where the service says it.
	Status Status
	// Severity has in its upper three bits what to do and in its lower five the class of the code, ISO 14229-1 Annex D; 0 if
	// it is not told.
	Severity byte
}

// Format is a DTC format identifier of ISO 14229-1.
type Format byte

// Formats of ISO 14229-1.
const (
	FormatJ2012 Format = 0x00 // a code of SAE J2012, the third byte is 0
	FormatUDS   Format = 0x01 // three bytes as the maker likes
	FormatJ1939 Format = 0x02 // SPN and FMI, SAE J1939-73
	FormatTyped Format = 0x04 // a code of SAE J2012 and the kind of failure
)

// String is the code, with the kind of failure where it is told; for other formats the bytes.
func (f Fault) String() string {
	switch {
	case f.Format != FormatJ2012 && f.Format != FormatTyped:
		return fmt.Sprintf("%04X%02X", uint16(f.Code), f.Type)
	case f.Type != 0:
		return fmt.Sprintf("%v-%02X", f.Code, f.Type)
	}
	return f.Code.String()
}

// Describe is String, and the meaning of the code where there is one.
func (f Fault) Describe() string {
	if m := f.Code.Meaning(); m != "" && (f.Format == FormatJ2012 || f.Format == FormatTyped) {
		return f.String() + ": " + m
	}
	return f.String()
}
