// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1979

import (
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
		{"03", true},
		{"0300", false},
		{"04", false},
		{"0601", true},
		{"07", true},
		{"0800", false},
		{"0902", true},
		{"0A", true},
		{"1001", true},
		{"1002", false},
		{"1003", false},
		{"1081", false},
		{"1101", false},
		{"14FFFFFF", false},
		{"1902FF", true},
		{"1980", false},
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

// Everything that is not on the list is refused, whatever follows.
func TestUnnamedServicesAreRefusedAtEveryLength(t *testing.T) {
	named := map[byte]bool{}
	for _, s := range readServices {
		named[s.service] = true
	}
	for service := range 256 {
		for length := range 20 {
			payload := append([]byte{byte(service)}, make([]byte, length)...)
			if CheckReadOnly(payload) == nil && !named[byte(service)] {
				t.Errorf("service %02X with %d bytes passes", service, length)
			}
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
