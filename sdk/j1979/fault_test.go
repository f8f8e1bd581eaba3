// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1979

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

func TestCodesArePrintedAsInTheTrade(t *testing.T) {
	for code, want := range map[DTC]string{0x0101: "P0101", 0x2177: "P2177", 0x4123: "C0123", 0x9ABC: "B1ABC", 0xC100: "U0100", 0xFFFF: "U3FFF"} {
		if code.String() != want {
			t.Errorf("%04X is printed %v, want %s", uint16(code), code, want)
		}
		if back, err := ParseDTC(want); err != nil || back != code {
			t.Errorf("%s is read as %04X, %v", want, uint16(back), err)
		}
	}
	for _, bad := range []string{"", "P010", "P01011", "X0101", "P4000", "p0101", "P-101", "P+101", "P01 1", "P0abc"} {
		if got, err := ParseDTC(bad); !errors.Is(err, ErrBadDTC) {
			t.Errorf("%q is read as %v, %v", bad, got, err)
		}
	}
}

func TestCodesThatConcernAirAndFuelHaveAMeaning(t *testing.T) {
	ranges := []string{
		"P0100-P0104", "P010A-P010F", "P00BC-P00BF", "P0105-P0109", "P0110-P0114", "P0095-P0099", "P0127-P0127", "P011B-P011C",
		"P0068-P0069", "P006A-P006A", "P0120-P0124", "P2135-P2138", "P0170-P0175", "P2177-P2180", "P2187-P2190", "P2191-P2194",
		"P0505-P0507", "P0087-P0088", "P0190-P0194", "P0299-P0299", "P0234-P0234", "P2279-P2279", "P0130-P0147", "P0150-P0167", "P2195-P2198",
	}
	for _, r := range ranges {
		first, err := ParseDTC(r[:5])
		last, err2 := ParseDTC(r[6:])
		if err != nil || err2 != nil {
			t.Fatal(r)
		}
		for code := first; code <= last; code++ {
			decimal := code&0xF <= 9 && code>>4&0xF <= 9 || last&0xF > 9
			if decimal && code.Meaning() == "" {
				t.Errorf("%v has no meaning", code)
			}
		}
	}
	for text, want := range map[string]string{
		"P0101": "air meter A: reading does not fit", "P0113": "reads cold", "P0112": "reads hot", "P0096": "temperature sensor 2: reading",
		"P0174": "too lean, bank 2", "P2178": "too rich off idle, bank 1", "P2180": "too rich off idle, bank 2", "P2190": "too rich at idle, bank 2",
		"P2193": "too lean at high load, bank 2", "P0141": "bank 1 sensor 2: heater", "P0167": "bank 2 sensor 3: heater", "P0134": "bank 1 sensor 1: shows no activity",
	} {
		code, _ := ParseDTC(text)
		if !strings.Contains(code.Meaning(), want) || !strings.HasPrefix(code.Describe(), text+": ") {
			t.Errorf("%s means %q, want %q", text, code.Meaning(), want)
		}
	}
	for code, text := range meanings {
		if d := code.String(); d[0] != 'P' || strings.TrimSpace(text) != text || text == "" {
			t.Errorf("%v: %q", code, text)
		}
	}
	if got := DTC(0x0420).Describe(); got != "P0420" {
		t.Errorf("a code without a meaning is described %q", got)
	}
}

func TestTroubleCodesAreRead(t *testing.T) {
	for _, tc := range []struct {
		dialect      Dialect
		kind         Kind
		answer, want string
	}{
		{Classic, Confirmed, "43 02 0101 0171", "P0101 P0171"},
		{Classic, Confirmed, "43 00", ""},
		{Classic, Confirmed, "43 01 0101 0000 0000", "P0101"},
		{Classic, Pending, "47 01 C100", "U0100"},
		{Classic, Permanent, "4A 00", ""},
		// Without a count, as older links have it.
		{Classic, Confirmed, "43 0101 0000 0171", "P0101 P0171"},
		{Classic, Confirmed, "43 0000 0000 0000", ""},
		{UDS, Confirmed, "59 02 FF 010100 2F 017100 08", "P0101 P0171"},
		{UDS, Confirmed, "59 0A FF", ""},
		{UDS, Confirmed, "59 42 33 FFFF 04 20 01011C 08", "P0101-1C"},
		{UDS, Pending, "59 42 33 FFFF 00 22 017100 04", "P0171"},
		{UDS, Permanent, "59 55 33 FF 04 017100 08", "P0171"},
		{UDS, Confirmed, "59 56 33 FF 04 01 017100 08", "P0171"},
		{UDS, Confirmed, "59 42 33 FFFF 02 20 840003 08", "840003"},
	} {
		faults, err := tc.dialect.ReadFaults(nil, tc.kind, payload(t, tc.answer))
		var got []string
		for _, f := range faults {
			got = append(got, f.String())
		}
		if err != nil || strings.Join(got, " ") != tc.want {
			t.Errorf("%s: got %s, %v, want %s", tc.answer, got, err, tc.want)
		}
	}
	faults, _ := UDS.ReadFaults(nil, Confirmed, payload(t, "59 42 33 FFFF 04 22 010100 AD"))
	if f := faults[0]; f.Severity != 0x22 || !f.Status.Confirmed() || !f.Status.Pending() || !f.Status.Failing() || !f.Status.Lamp() || f.Status.Untested() {
		t.Errorf("got %+v", f)
	}
	if got := faults[0].Describe(); !strings.Contains(got, "P0101: air meter A") {
		t.Errorf("got %s", got)
	}
}

func TestWrongListsOfCodesAreRefused(t *testing.T) {
	for _, tc := range []struct {
		dialect Dialect
		answer  string
		at      int
	}{
		{Classic, "", 0},
		{Classic, "43", 1},
		{Classic, "47 00", 0},
		{Classic, "43 02 0101", 1},
		{Classic, "43 FF 0101", 1},
		{Classic, "43 01 0101 0171", 4},
		{UDS, "59", 1},
		{UDS, "59 01 FF", 1},
		{UDS, "59 02", 2},
		{UDS, "59 02 FF 0101", 5},
		{UDS, "59 42 33 FFFF", 5},
		{UDS, "59 42 00 FFFF 04", 2},
		{UDS, "59 42 33 FFFF 04 20 010100", 10},
		{UDS, "43 00", 0},
	} {
		got, err := tc.dialect.ReadFaults(nil, Confirmed, payload(t, tc.answer))
		var e *DecodeError
		if !errors.As(err, &e) || e.At != tc.at || len(got) > 0 {
			t.Errorf("%q: got %v, %v, want an error at byte %d", tc.answer, got, err, tc.at)
		}
	}
	var n *NegativeError
	if _, err := UDS.ReadFaults(nil, Confirmed, payload(t, "7F 19 12")); !errors.As(err, &n) || !n.Code.Lacks() {
		t.Errorf("got %v", err)
	}
}

func TestCodesAreReadAsTheyWereWritten(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 6))
	for range 300 {
		d, kind := Dialect(random.IntN(2)), Kind(random.IntN(3))
		request := d.AppendFaultRequest(nil, kind)
		if err := CheckReadOnly(request); err != nil {
			t.Fatalf("%v %v: % X: %v", d, kind, request, err)
		}
		var faults []Fault
		for range random.IntN(300) {
			f := Fault{Code: DTC(1 + random.IntN(0xFFFF))}
			if d == UDS {
				f.Format, f.Type, f.Status = FormatTyped, byte(random.IntN(256)), Status(random.IntN(256))
				if kind != Permanent {
					f.Severity = byte(random.IntN(256))
				}
			}
			faults = append(faults, f)
		}
		got, err := d.ReadFaults(nil, kind, d.AppendFaultAnswer(nil, kind, 0xFF, FormatTyped, faults...))
		if d == Classic {
			faults = faults[:min(len(faults), 255)]
		}
		if err != nil || !slices.Equal(got, faults) {
			t.Fatalf("%v %v: got %v, %v, want %v", d, kind, got, err, faults)
		}
	}
	for _, kind := range []Kind{Confirmed, Pending, Permanent} {
		if err := CheckReadOnly(AppendReportRequest(nil, kind)); err != nil {
			t.Error(err)
		}
	}
}

func TestReadingCodesAllocatesNothing(t *testing.T) {
	dst := make([]Fault, 0, 8)
	classic, uds := payload(t, "43 02 0101 0171"), payload(t, "59 42 33 FFFF 04 20 01011C 08")
	if n := testing.AllocsPerRun(100, func() {
		_, _ = Classic.ReadFaults(dst, Confirmed, classic)
		_, _ = UDS.ReadFaults(dst, Confirmed, uds)
	}); n > 0 {
		t.Errorf("%v allocations", n)
	}
}

func FuzzReadFaults(f *testing.F) {
	for _, s := range []string{"43020101", "430101000000", "5902FF0101002F", "594233FFFF04200101", "7F1912"} {
		f.Add(payload(f, s), byte(0))
	}
	f.Fuzz(func(t *testing.T, answer []byte, how byte) {
		d, kind := Dialect(how%2), Kind(how/2%3)
		faults, err := d.ReadFaults(nil, kind, answer)
		if err != nil && faults != nil {
			t.Errorf("% X gives codes and %v", answer, err)
		}
		for _, f := range faults {
			_ = f.Describe()
			if back, err := ParseDTC(f.Code.String()); err != nil || back != f.Code {
				t.Errorf("%v is read as %v, %v", f.Code, back, err)
			}
		}
		if err == nil && d == Classic {
			again, err := d.ReadFaults(nil, kind, d.AppendFaultAnswer(nil, kind, 0, 0, faults...))
			if err != nil || !slices.Equal(again, faults[:min(len(faults), 255)]) {
				t.Errorf("% X: %v became %v, %v", answer, faults, again, err)
			}
		}
	})
}

func TestFreezeFrameIsRead(t *testing.T) {
	var c Coding
	request, err := AppendFreezeRequest(nil, 0, 0x0C, 0x04)
	if err != nil || !bytes.Equal(request, payload(t, "02 0C00 0400")) || CheckReadOnly(request) != nil {
		t.Errorf("the request is % X, %v", request, err)
	}
	got, err := c.DecodeFreeze(nil, 0, []byte{0x0C, 0x04}, payload(t, "42 0C00 1F40 0400 D9"))
	if err != nil || show(got) != "EngineSpeed=2000 EngineLoad=85.098" {
		t.Errorf("got %s, %v", show(got), err)
	}
	if code, err := ReadFreezeCode(0, payload(t, "42 0200 0101")); err != nil || code != 0x0101 {
		t.Errorf("got %v, %v", code, err)
	}
	var s Support
	if err := c.ReadFreezeSupport(&s, 0, []byte{0}, payload(t, "42 0000 40000000")); err != nil || s.String() != "02" {
		t.Errorf("got %s, %v", s.String(), err)
	}
	for _, tc := range []struct {
		answer string
		at     int
	}{{"42", 1}, {"42 0C", 2}, {"42 0C01 1F40", 2}, {"42 0C00 1F", 4}, {"41 0C 1F40", 0}, {"42 0D00 40", 1}, {"42 0C00 1F40 0C00 1F40", 5}} {
		var e *DecodeError
		if got, err := c.DecodeFreeze(nil, 0, []byte{0x0C, 0x04}, payload(t, tc.answer)); !errors.As(err, &e) || e.At != tc.at {
			t.Errorf("%s: got %s, %v, want an error at byte %d", tc.answer, show(got), err, tc.at)
		}
	}
	for _, bad := range []string{"42 0200", "42 0200 01", "42 0200 0101 00", "42 0201 0101"} {
		if got, err := ReadFreezeCode(0, payload(t, bad)); err == nil {
			t.Errorf("%s: got %v", bad, got)
		}
	}
	if _, err := AppendFreezeRequest(nil, 0, 1, 2, 3, 4); !errors.Is(err, ErrBadRequest) {
		t.Errorf("got %v", err)
	}
}

func TestFreezeFrameIsReadAsItWasWritten(t *testing.T) {
	for _, c := range codings() {
		for pid := range 256 {
			ids := SignalsOf(byte(pid))
			value := func(id ID) (float64, bool) { s := id.Signal(); return s.Min + (s.Max-s.Min)/3, true }
			direct, ok := c.AppendParameter(c.BeginAnswer(nil), byte(pid), value)
			if ok != (len(ids) > 0) {
				t.Fatalf("%02X: written: %t", pid, ok)
			}
			if !ok {
				continue
			}
			want, err := c.Decode(nil, []byte{byte(pid)}, direct)
			if err != nil {
				t.Fatal(err)
			}
			answer, _ := c.AppendFrozen(BeginFreezeAnswer(nil), 3, byte(pid), value)
			got, err := c.DecodeFreeze(nil, 3, []byte{byte(pid)}, answer)
			if err != nil || !slices.Equal(got, want) {
				t.Errorf("%02X: % X: got %s, %v, want %s", pid, answer, show(got), err, show(want))
			}
			uds := c
			uds.Dialect = UDS
			frozen, _ := uds.AppendParameter(AppendFrozenAnswer(nil, Fault{Code: 0x0101, Status: 9}, 2, 2), byte(pid), value)
			frozen, _ = uds.AppendParameter(frozen, 0x0F, func(ID) (float64, bool) { return 20, true })
			f, err := uds.ReadFrozen(frozen)
			if err != nil || f.Record != 2 || f.Fault.Code != 0x0101 || len(f.Values) != len(want)+1 || !slices.Equal(f.Values[:len(want)], want) {
				t.Errorf("%02X: % X: got %+v, %v, want %s", pid, frozen, f, err, show(want))
			}
		}
	}
}

func TestFreezeFrameOverUDSIsRead(t *testing.T) {
	c := Coding{Dialect: UDS}
	request := AppendFrozenRequest(nil, Fault{Code: 0x0101, Type: 0x1C}, 0)
	if CheckReadOnly(request) != nil || !bytes.Equal(request, payload(t, "19 04 01011C 00")) {
		t.Errorf("the request is % X", request)
	}
	for answer, want := range map[string]string{
		"59 04 01011C 2F":                                         "P0101-1C 0 []",
		"59 04 01011C 2F 01 02 F40C 1F40 F405 50":                 "P0101-1C 1 [EngineSpeed=2000 CoolantTemperature=40]",
		"59 04 01011C 2F 01 02 F40C 1F40 1234 50":                 "P0101-1C 1 [EngineSpeed=2000] 12 34 50",
		"59 04 01011C 2F 01 01 F40C 1F40 02 01 F40C 1F40":         "P0101-1C 1 [EngineSpeed=2000] 02 01 F4 0C 1F 40",
		"59 04 01011C 2F 01 02 F466 01 0B33 0000 F405 50":         "P0101-1C 1 [MAFA=89.5938 CoolantTemperature=40]",
		"59 04 01011C 2F 01 02 F405 50 F468 03 46 50":             "P0101-1C 1 [CoolantTemperature=40 IntakeTemp11=30 IntakeTemp12=40]",
		"59 04 01011C 2F 01 03 F40C 1F40 F501 00 00 F405 50":      "P0101-1C 1 [EngineSpeed=2000] F5 01 00 00 F4 05 50",
		"59 04 01011C 2F 01 03 F40C 1F40 F483 00 00 00 00 F40550": "P0101-1C 1 [EngineSpeed=2000] F4 83 00 00 00 00 F4 05 50",
	} {
		f, err := c.ReadFrozen(payload(t, answer))
		got := strings.TrimSpace(fmt.Sprintf("%v %d [%s] % X", f.Fault, f.Record, show(f.Values), f.Rest))
		if err != nil || got != want {
			t.Errorf("%s: got %s, %v, want %s", answer, got, err, want)
		}
	}
	for answer, at := range map[string]int{
		"":                                 0,
		"59":                               1,
		"59 04 0101":                       4,
		"59 06 01011C 2F":                  1,
		"59 04 01011C 2F 01":               7,
		"59 04 01011C 2F 01 01":            8,
		"59 04 01011C 2F 01 01 F4":         9,
		"59 04 01011C 2F 01 01 F40C 1F":    11,
		"59 04 01011C 2F 01 01 F466 03 0B": 8,
	} {
		var e *DecodeError
		if f, err := c.ReadFrozen(payload(t, answer)); !errors.As(err, &e) || e.At != at || f.Values != nil {
			t.Errorf("%q: got %+v, %v, want an error at byte %d", answer, f, err, at)
		}
	}
}

func FuzzFreeze(f *testing.F) {
	for _, s := range []string{"420C001F400400D9", "42020001010200", "590401011C2F0102F40C1F40F40550", "590401011C2F0101F46803"} {
		f.Add(payload(f, s), []byte(nil))
	}
	f.Fuzz(func(t *testing.T, answer, asked []byte) {
		var c Coding
		values, err := c.DecodeFreeze(nil, 0, asked, answer)
		if err != nil && values != nil {
			t.Errorf("% X gives %s and %v", answer, show(values), err)
		}
		if frozen, err := c.ReadFrozen(answer); err != nil && frozen.Values != nil {
			t.Errorf("% X gives %s and %v", answer, show(frozen.Values), err)
		}
		_, _ = ReadFreezeCode(0, answer)
		_ = c.ReadFreezeSupport(new(Support), 0, asked, answer)
	})
}
