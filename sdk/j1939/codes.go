// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1939

import (
	"bytes"
	"fmt"
)

// Lamps are what a control unit wants to be lit.
type Lamps struct {
	// Malfunction is the lamp for emissions.
	Malfunction, Stop, Warning, Protect bool
}

// Trouble is a trouble code: what is wrong, and how.
type Trouble struct {
	SPN SPN
	// FMI is how it is wrong, 0 to 31.
	FMI FMI
	// Count is how often it came, up to 126; 127 stands for unknown.
	Count uint8
	// Old tells that the SPN is written in one of the layouts before 1996, and not to be relied on.
	Old bool
}

// String is the code as the trade writes it.
func (t Trouble) String() string { return fmt.Sprintf("SPN %d FMI %d", t.SPN, t.FMI) }

// FMI says how something is wrong, SAE J1939-73.
type FMI uint8

var failures = map[FMI]string{
	0: "much too high", 1: "much too low", 2: "erratic", 3: "voltage high or shorted high", 4: "voltage low or shorted low",
	5: "current low or line open", 6: "current high or shorted to ground", 7: "mechanical fault", 8: "abnormal frequency or pulse",
	9: "abnormal rate of messages", 10: "changes abnormally fast", 11: "cause unknown", 12: "device faulty", 13: "out of calibration",
	14: "special instructions", 15: "slightly too high", 16: "too high", 17: "slightly too low", 18: "too low",
	19: "received data faulty", 20: "drifted high", 21: "drifted low", 31: "condition exists",
}

// String says it in words of our own; its number for those that are reserved.
func (f FMI) String() string {
	if s, ok := failures[f]; ok {
		return s
	}
	return fmt.Sprintf("failure mode %d", uint8(f))
}

const troubleLength = 4

// ReadTrouble appends to dst the codes of ActiveCodes or PreviousCodes, from a frame or from a message of several. SPN 0
// with FMI 0 says that there is none, and bytes FF at the end are padding. The error is an *Error; dst is then
// returned as it was.
func ReadTrouble(dst []Trouble, pgn PGN, message []byte) ([]Trouble, Lamps, error) {
	if len(message) < 2+troubleLength {
		return dst, Lamps{}, wrong(pgn, len(message), fmt.Sprintf("at least %d bytes", 2+troubleLength), "%d", len(message))
	}
	out := dst
	rest := message[2:]
	for len(rest) >= troubleLength && !padding(rest[:troubleLength]) {
		t := Trouble{
			SPN: SPN(rest[0]) | SPN(rest[1])<<8 | SPN(rest[2]>>5)<<16, FMI: FMI(rest[2] & 0x1F), Count: rest[3] & 0x7F, Old: rest[3]&0x80 != 0,
		}
		if t.SPN != 0 || t.FMI != 0 {
			out = append(out, t)
		}
		rest = rest[troubleLength:]
	}
	if !padding(rest) {
		return dst, Lamps{}, wrong(pgn, len(message)-len(rest), "a code of 4 bytes, or padding", "% X", rest)
	}
	lit := func(shift int) bool { return message[0]>>shift&3 == 1 }
	return out, Lamps{Malfunction: lit(6), Stop: lit(4), Warning: lit(2), Protect: lit(0)}, nil
}

func padding(rest []byte) bool {
	for _, b := range rest {
		if b != 0xFF {
			return false
		}
	}
	return true
}

// ReadText takes an identification apart: fields of printable characters, each ended by an asterisk, as VehicleIdentity,
// ComponentIdentity and, after a byte that counts them, SoftwareIdentity have them. Spaces and zeros around a field, and FF
// after the last, are padding.
func ReadText(pgn PGN, message []byte) ([]string, error) {
	text, at := message, 0
	if pgn == SoftwareIdentity {
		if len(text) == 0 {
			return nil, wrong(pgn, 0, "the number of fields", "nothing")
		}
		text, at = text[1:], 1
	}
	trimmed := bytes.TrimRight(text, "\xFF\x00")
	for i, c := range trimmed {
		if c != 0 && (c < ' ' || c > '~') {
			return nil, wrong(pgn, at+i, "a printable character", "%02X", c)
		}
	}
	if len(trimmed) == 0 {
		return nil, nil
	}
	var out []string
	for field := range bytes.SplitSeq(bytes.TrimSuffix(trimmed, []byte("*")), []byte("*")) {
		out = append(out, string(bytes.Trim(field, " \x00")))
	}
	return out, nil
}
