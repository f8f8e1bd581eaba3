// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1979

import (
	"bytes"
	"encoding/hex"
	"errors"
	"strings"
	"testing"
)

func TestOnlyWhatReadsPasses(t *testing.T) {
	for _, tc := range []struct {
		payload string
		reads   bool
	}{
		{"010C", true},
		{"010C100B0607", true},
		{"01010C100B060708", false},
		{"01", false},
		{"020C00", true},
		{"020C0004", false},
		{"020C", false},
		{"020C00040005000600", false},
		{"03", true},
		{"0300", false},
		{"04", false},
		{"0601", true},
		{"07", true},
		{"0800", false},
		{"0902", true},
		{"0A", true},
		{"1001", true},
		{"100100", false},
		{"1002", false},
		{"1003", false},
		{"1081", false},
		{"1101", false},
		{"14FFFFFF", false},
		{"1902FF", true},
		{"1980", false},
		{"1982FF", false},
		{"1902", false},
		{"1902FF00", false},
		{"19040101000000", false},
		{"190401010000", true},
		{"190A", true},
		{"1942330408", true},
		{"194233081E", true},
		{"1942D0081E", false},
		{"195533", true},
		{"19563301", true},
		{"195600", false},
		{"22F40C", true},
		{"22F40CF410F40B", true},
		{"22F40CF190", false},
		{"22F50C", true},
		{"22F601", true},
		{"22F70C", false},
		{"22F802", true},
		{"22F190", false},
		{"22F4", false},
		{"22F40CF4", false},
		{"2300000000", false},
		{"2701", false},
		{"280301", false},
		{"2EF40C00", false},
		{"2FF40C03", false},
		{"31010203", false},
		{"34", false}, {"35", false}, {"36", false}, {"37", false},
		{"3E00", true},
		{"3E80", true},
		{"3E01", false},
		{"3E", false},
		{"8502", false},
		{"410C", false},
		{"", false},
	} {
		payload, err := hex.DecodeString(tc.payload)
		if err != nil {
			t.Fatal(err)
		}
		err = CheckReadOnly(payload)
		if (err == nil) != tc.reads || err != nil && !errors.Is(err, ErrNotReadOnly) {
			t.Errorf("%s: got %v, want it to pass: %t", tc.payload, err, tc.reads)
		}
	}
}

// reads is the rule once more, written as one would explain it.
func reads(p []byte) bool {
	if len(p) == 0 {
		return false
	}
	n := len(p) - 1
	switch p[0] {
	case 0x01, 0x06, 0x09:
		return n >= 1 && n <= 6
	case 0x02:
		return n == 2 || n == 4 || n == 6
	case 0x03, 0x07, 0x0A:
		return n == 0
	case 0x10:
		return n == 1 && p[1] == 1
	case 0x3E:
		return n == 1 && p[1]&0x7F == 0
	case 0x22:
		for i := 1; i < len(p); i += 2 {
			if n%2 != 0 || p[i] != 0xF4 && p[i] != 0xF5 && p[i] != 0xF6 && p[i] != 0xF8 {
				return false
			}
		}
		return n >= 2 && n <= 16
	case 0x19:
		return n >= 1 && reports19(p[1], p[2:])
	}
	return false
}

func reports19(sub byte, rest []byte) bool {
	lengths := []int{
		0x01: 1, 0x02: 1, 0x03: 0, 0x04: 4, 0x05: 1, 0x06: 4, 0x07: 2, 0x08: 2, 0x09: 3, 0x0A: 0, 0x0B: 0, 0x0C: 0, 0x0D: 0, 0x0E: 0, 0x0F: 1,
		0x10: 4, 0x11: 1, 0x12: 1, 0x13: 1, 0x14: 0, 0x15: 0, 0x16: 1, 0x17: 2, 0x18: 5, 0x19: 5, 0x1A: 1,
	}
	switch sub {
	case 0x42:
		return len(rest) == 3 && rest[0] == 0x33
	case 0x55:
		return len(rest) == 1 && rest[0] == 0x33
	case 0x56:
		return len(rest) == 2 && rest[0] == 0x33
	}
	return sub != 0 && int(sub) < len(lengths) && len(rest) == lengths[sub]
}

// Every service with what may follow it, at every length: what the rule allows passes, everything else is refused. Those
// that may be asked are tried with every first byte after them, the others with some.
func TestEveryServiceIsHeldToTheRule(t *testing.T) {
	passed, refused := map[byte]int{}, map[byte]int{}
	for service := range 256 {
		step := 51
		if bytes.IndexByte([]byte{1, 2, 3, 6, 7, 9, 0x0A, 0x10, 0x19, 0x22, 0x3E}, byte(service)) >= 0 {
			step = 1
		}
		for sub := 0; sub < 256; sub += step {
			for _, fill := range []byte{0x00, 0x33, 0xF4, 0xFF} {
				full := bytes.Repeat([]byte{fill}, 20)
				full[0], full[1] = byte(service), byte(sub)
				for _, length := range []int{0, 1, 2, 3, 4, 5, 6, 7, 8, 16, 17, 18, 20} {
					p := full[:length]
					err := CheckReadOnly(p)
					if (err == nil) != reads(p) || err != nil && !errors.Is(err, ErrNotReadOnly) {
						t.Fatalf("% X: %v, want it to pass: %t", p, err, reads(p))
					}
					if err == nil {
						passed[byte(service)]++
					} else {
						refused[byte(service)]++
					}
				}
			}
		}
	}
	if len(passed) != 11 || len(refused) != 256 {
		t.Errorf("%d services pass in some form, want 11; %d are refused in some form, want 256", len(passed), len(refused))
	}
	for _, never := range []byte{0x00, 0x04, 0x05, 0x08, 0x11, 0x14, 0x23, 0x27, 0x28, 0x2C, 0x2E, 0x2F, 0x31, 0x34, 0x35, 0x36, 0x37, 0x3D, 0x85, 0x87, 0x41, 0x7F} {
		if passed[never] > 0 {
			t.Errorf("service %02X passes", never)
		}
	}
}

func TestEveryIdentifierIsHeldToTheRule(t *testing.T) {
	for id := 0; id < 1<<16; id += 1 + id%3 { // every high byte with most low ones
		high, low := byte(id>>8), byte(id)
		want := high == 0xF4 || high == 0xF5 || high == 0xF6 || high == 0xF8
		for _, p := range [][]byte{{0x22, high, low}, {0x22, 0xF4, 0x0C, high, low}} {
			if err := CheckReadOnly(p); (err == nil) != want {
				t.Fatalf("% X: %v, want it to pass: %t", p, err, want)
			}
		}
		for _, service := range []byte{0x2E, 0x2F, 0x31, 0x2C, 0x24, 0x2A} {
			if CheckReadOnly([]byte{service, high, low}) == nil {
				t.Fatalf("%02X %04X passes", service, id)
			}
		}
	}
}

func TestOnlyNamedParameterGroupsAreAskedFor(t *testing.T) {
	allowed := map[uint32]bool{
		61443: true, 61444: true, 61450: true, 64976: true, 65226: true, 65227: true, 65242: true, 65259: true, 65260: true, 65262: true, 65269: true, 65270: true,
	}
	for pgn := uint32(0); pgn < 1<<18; pgn++ {
		if pgn < 0xEF00 || pgn > 0xFFFF {
			pgn += 6 // groups far from those that are asked for are tried now and then
		}
		if err := CheckPGN(pgn); (err == nil) != allowed[pgn] || err != nil && !errors.Is(err, ErrNotReadOnly) {
			t.Fatalf("%d: %v, want it to pass: %t", pgn, err, allowed[pgn])
		}
	}
	for name, pgn := range map[string]uint32{"DM3": 65228, "DM11": 65235, "past the last": 1 << 18, "request": 59904} {
		if CheckPGN(pgn) == nil {
			t.Errorf("%s passes", name)
		}
	}
}

func TestRefusalNamesTheByte(t *testing.T) {
	if err := CheckReadOnly([]byte{0x22, 0xF4, 0x0C, 0xF1, 0x90}); err == nil || !strings.Contains(err.Error(), "F190") {
		t.Errorf("got %v, want the identifier F190 named", err)
	}
}

func TestCheckingAllocatesNothing(t *testing.T) {
	payload := []byte{0x22, 0xF4, 0x0C}
	if n := testing.AllocsPerRun(100, func() { _ = CheckReadOnly(payload) }); n > 0 {
		t.Errorf("%v allocations for a request that passes", n)
	}
}

func FuzzCheckReadOnly(f *testing.F) {
	f.Add([]byte{0x22, 0xF4, 0x0C})
	f.Add([]byte{0x19, 0x02, 0xFF})
	f.Fuzz(func(t *testing.T, payload []byte) {
		err := CheckReadOnly(payload)
		if err == nil && (len(payload) == 0 || len(payload) > 17) {
			t.Errorf("% X passes", payload)
		}
	})
}
