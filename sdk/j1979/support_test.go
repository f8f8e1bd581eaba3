// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1979

import (
	"math/rand/v2"
	"slices"
	"testing"
)

func TestBitmapsTellWhatIsSupported(t *testing.T) {
	var s Support
	var c Coding
	if err := c.ReadSupport(&s, nil, payload(t, "41 00 BE1FA813 20 80000000")); err != nil {
		t.Fatal(err)
	}
	if want := "01 03 04 05 06 07 0C 0D 0E 0F 10 11 13 15 1C 1F 21"; s.String() != want {
		t.Errorf("got %s, want %s", s.String(), want)
	}
	if next, ok := s.Next(0); !ok || next != 0x20 {
		t.Errorf("the next bitmap is %02X, %t", next, ok)
	}
	if next, ok := s.Next(0x20); ok {
		t.Errorf("the next bitmap is %02X, but none was declared", next)
	}
	if err := c.ReadSupport(&s, []byte{0x20}, payload(t, "41 20 00000001")); err != nil || s.Has(0x21) || !s.Has(0x40) {
		t.Errorf("a second answer does not replace the first: %s, %v", s.String(), err)
	}
	for _, bad := range []string{"41 00 BE1FA8", "41 0C 1F40", "41 00 BE1FA813 20 800000"} {
		before := s
		if err := c.ReadSupport(&s, nil, payload(t, bad)); err == nil || s != before {
			t.Errorf("%s: %v", bad, err)
		}
	}
}

func TestBitmapsAreReadAsTheyWereWritten(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	for _, dialect := range []Dialect{Classic, UDS} {
		c := Coding{Dialect: dialect}
		for range 200 {
			var s, back Support
			for range random.IntN(40) {
				s.Add(byte(random.IntN(256)))
			}
			base, more := byte(0), true
			for more {
				if err := c.ReadSupport(&back, []byte{base}, c.AppendBitmap(c.BeginAnswer(nil), base, &s)); err != nil {
					t.Fatal(err)
				}
				base, more = back.Next(base)
			}
			if got, want := slices.Collect(back.All()), slices.Collect(s.All()); !slices.Equal(got, want) {
				t.Fatalf("got % X, want % X", got, want)
			}
		}
	}
}

func TestSignalIsFoundInTheParameterThatIsSupported(t *testing.T) {
	var s Support
	s.Add(0x10, 0x34)
	for name, want := range map[string]byte{"MAF": 0x10, "O2WR.Sensor1.Lambda": 0x34, "EngineSpeed": 0, "Vehicle.Exterior.AirTemperature": 0} {
		if pid, ok := mustID(name).Carrier(&s); pid != want || ok != (want != 0) {
			t.Errorf("%s: got %02X, %t, want %02X", name, pid, ok, want)
		}
	}
}
