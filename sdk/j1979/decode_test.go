// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1979

import (
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
)

func payload(t testing.TB, text string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(text, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// show writes values as name=value, in their order.
func show(values []Value) string {
	var out []string
	for _, v := range values {
		out = append(out, fmt.Sprintf("%s=%.6g", v.Signal.Signal().Short(), v.Value))
	}
	return strings.Join(out, " ")
}

func TestKnownAnswersMeanWhatTheStandardSays(t *testing.T) {
	for _, c := range []struct{ answer, want string }{
		{"41 10 1AF8", "MAF=69.04"},
		{"41 0C 1F40", "EngineSpeed=2000"},
		{"41 04 D9", "EngineLoad=85.098"},
		{"41 06 8A", "ShortTermFuelTrim1=7.8125"},
		{"41 24 7FFF 0000", "O2WR.Sensor1.Lambda=0.999985 O2WR.Sensor1.Voltage=0"},
		{"41 43 00E1", "AbsoluteLoad=88.2353"},
		{"41 0F 46", "IntakeTemp=30"},
		{"41 66 01 0B33 0000", "MAFA=89.5938"},
		{"41 44 7080", "CommandedEquivalenceRatio=0.87892"},
		{"41 34 7FFF 8000", "O2WR.Sensor1.Lambda=0.999985 O2WR.Sensor1.Current=0"},
		{"41 42 36B0", "ControlModuleVoltage=14"},
		{"41 9D 012C 0000", "FuelRateMass=6 VehicleFuelRateMass=0"},
		// The exchange of six parameters in one answer.
		{"41 0C1F40 101AF8 04D9 0B62 11D0 0F46", "EngineSpeed=2000 MAF=69.04 EngineLoad=85.098 MAP=98 ThrottlePosition=81.5686 IntakeTemp=30"},
		{"41 0F46 11D0 0C1F40", "IntakeTemp=30 ThrottlePosition=81.5686 EngineSpeed=2000"},
		// The lamp is no part of the count, and the bytes of monitors are no signal.
		{"41 01 83076500", "Status.DTCCount=3"},
		{"41 03 0200", "FuelStatus=2"},
		{"41 14 5AFF", "O2.Sensor1.Voltage=0.45"},
		{"41 14 5A80", "O2.Sensor1.Voltage=0.45 O2.Sensor1.ShortTermFuelTrim=0"},
		{"41 00 BE1FA813", ""},
		{"41 00 BE1FA813 20 80000000 04 FF", "EngineLoad=100"},
		// Only what the support byte names; the transport's length is the truth.
		{"41 66 03 0B33 0B33", "MAFA=89.5938 MAFB=89.5938"},
		{"41 66 02 0000 0B33", "MAFB=89.5938"},
		{"41 66 00 FFFFFFFF", ""},
		{"41 66 01 0B33", "MAFA=89.5938"},
		{"41 67 03 5A 5B", "CoolantTemperature1=50 CoolantTemperature2=51"},
		{"41 68 09 46 00 00 47 00 00", "IntakeTemp11=30 IntakeTemp21=31"},
		{"41 68 03 46 50", "IntakeTemp11=30 IntakeTemp12=40"},
		{"41 6D 05 0064 0063 50", "CommandedFuelRailPressureA=1000 FuelTemperatureA=40"},
		{"41 70 0A 0000 1000 2000 0C80 00", "BoostActualA=128 BoostCommandedB=256"},
		{"41 7A 07 FF9C 0064 0064", "ParticleFilterDeltaPressure1=-1 ParticleFilterInletPressure1=1 ParticleFilterOutletPressure1=1"},
		{"41 87 01 0C80 0000", "MAPHighRes=100"},
	} {
		got, err := new(Coding).Decode(nil, nil, payload(t, c.answer))
		if err != nil || show(got) != c.want {
			t.Errorf("%s: got %s, %v, want %s", c.answer, show(got), err, c.want)
		}
	}
}

func TestParametersOverUDSMeanTheSame(t *testing.T) {
	c := Coding{Dialect: UDS}
	got, err := c.Decode(nil, []byte{0x10, 0x0C}, payload(t, "62 F40C 1F40 F410 1AF8"))
	if err != nil || show(got) != "EngineSpeed=2000 MAF=69.04" {
		t.Errorf("got %s, %v", show(got), err)
	}
}

func TestDeclaredScalingIsApplied(t *testing.T) {
	var c Coding
	declared, err := c.Decode(nil, nil, payload(t, "41 4F 04 0C FF 66 50 80000000"))
	if err != nil {
		t.Fatal(err)
	}
	c.Learn(declared)
	if want := (Scaling{4, 12, 0.255, 1020, 1280}); c.Scaling != want {
		t.Fatalf("got %+v, want %+v", c.Scaling, want)
	}
	for _, tc := range []struct{ answer, want string }{
		{"41 0B FF", "MAP=1020"},
		{"41 10 8000", "MAF=640.01"},
		{"41 24 4000 FFFF", "O2WR.Sensor1.Lambda=1.00002 O2WR.Sensor1.Voltage=12"},
		{"41 3B FFFF 0000", "O2WR.Sensor8.Lambda=4 O2WR.Sensor8.Current=-0.255"},
		{"41 34 0000 8000", "O2WR.Sensor1.Lambda=0 O2WR.Sensor1.Current=0"},
		{"41 05 50", "CoolantTemperature=40"},
	} {
		got, err := c.Decode(nil, nil, payload(t, tc.answer))
		if err != nil || show(got) != tc.want {
			t.Errorf("%s: got %s, %v, want %s", tc.answer, show(got), err, tc.want)
		}
		for _, v := range got {
			if low, high := v.Signal.Signal().Limits(); v.Value < low || v.Value > high {
				t.Errorf("%s is %v, beyond the limits %v to %v of its signal", v.Signal, v.Value, low, high)
			}
		}
	}
}

func TestFourBanksAddASecondByte(t *testing.T) {
	four, two := Coding{FourBanks: true}, Coding{}
	for _, tc := range []struct {
		coding              *Coding
		asked, answer, want string
	}{
		{&four, "06 08", "41 06 8A 80 08 80 8A", "ShortTermFuelTrim1=7.8125 ShortTermFuelTrim3=0 ShortTermFuelTrim2=0 ShortTermFuelTrim4=7.8125"},
		{&four, "06", "41 06 8A", "ShortTermFuelTrim1=7.8125"},
		{&two, "06", "41 06 8A 80", "ShortTermFuelTrim1=7.8125"},
		{&two, "06 07", "41 06 8A 07 80", "ShortTermFuelTrim1=7.8125 LongTermFuelTrim1=0"},
		{&two, "55", "41 55 80", "ShortTermO2Trim1=0"},
	} {
		got, err := tc.coding.Decode(nil, payload(t, tc.asked), payload(t, tc.answer))
		if err != nil || show(got) != tc.want {
			t.Errorf("%s: got %s, %v, want %s", tc.answer, show(got), err, tc.want)
		}
	}
	for n, want := range map[int][4]int{1: {1, 1, 1, 1}, 3: {1, 3, 2, 1}, 5: {2, 1, 3, 1}, 8: {2, 4, 4, 2}} {
		b2, s2 := two.OxygenSensor(n)
		b4, s4 := four.OxygenSensor(n)
		if got := [4]int{b2, s2, b4, s4}; got != want {
			t.Errorf("sensor %d: got %v, want %v", n, got, want)
		}
	}
}

func TestWrongAnswersAreRefusedWhereTheyAreWrong(t *testing.T) {
	for _, tc := range []struct {
		dialect       Dialect
		asked, answer string
		at            int
		want          string
	}{
		{Classic, "05", "", 0, "41"},
		{Classic, "05", "41", 1, "a parameter"},
		{Classic, "05", "42 05 50", 0, "41"},
		{Classic, "05", "62 F405 50", 0, "41"},
		// As a real car once answered: no parameter, and one byte too few.
		{Classic, "05", "41 83", 1, "05"},
		{Classic, "", "41 83", 1, "known layout"},
		{Classic, "05", "41 05", 2, "1 data bytes"},
		{Classic, "0C", "41 0C 1F", 3, "2 data bytes"},
		{Classic, "05", "41 05 50 00", 3, "05"},
		{Classic, "05 0F", "41 05 50 05 50", 3, "once"},
		{Classic, "05 0F", "41 05 50 0C 1F40", 3, "05 0F"},
		{Classic, "66 0C", "41 66 01 0B33 0000 0C 1F40", 2, "alone"},
		{Classic, "66", "41 66", 2, "at least 1"},
		{Classic, "66", "41 66 03 0B33", 1, "MAFB"},
		{Classic, "68", "41 68 20 46 00", 1, "IntakeTemp23"},
		{UDS, "0C", "62", 1, "a parameter"},
		{UDS, "0C", "62 F4", 2, "second byte"},
		{UDS, "0C", "62 F40C 1F", 4, "2 data bytes"},
		{UDS, "0C", "62 F50C 1F40", 1, "F4xx"},
		{UDS, "0C", "41 0C 1F40", 0, "62"},
		{Classic, "0C", "7F", 1, "three bytes"},
		{Classic, "0C", "7F 01", 2, "three bytes"},
		{Classic, "0C", "7F 01 12 00", 3, "three bytes"},
		{Classic, "0C", "7F 22 31", 1, "negative response to 01"},
	} {
		var asked []byte
		if tc.asked != "" {
			asked = payload(t, tc.asked)
		}
		c := Coding{Dialect: tc.dialect}
		before := []Value{{1, 2}}
		got, err := c.Decode(before, asked, payload(t, tc.answer))
		var e *DecodeError
		if !errors.As(err, &e) || e.At != tc.at || !strings.Contains(e.Want, tc.want) {
			t.Errorf("%q: got %v, want byte %d and %q", tc.answer, err, tc.at, tc.want)
		}
		if len(got) != 1 {
			t.Errorf("%q: %s came out of a wrong answer", tc.answer, show(got))
		}
	}
}

func TestNegativeResponseIsTold(t *testing.T) {
	_, err := new(Coding).Decode(nil, []byte{5}, []byte{0x7F, 0x01, 0x21})
	var e *NegativeError
	if !errors.As(err, &e) || e.Code != CodeBusy || !e.Code.Again() || !strings.Contains(e.Error(), "busy") {
		t.Errorf("got %v", err)
	}
	if got := AppendNegative(nil, 0x22, CodeOutOfRange); !CodeOutOfRange.Lacks() || fmt.Sprintf("% X", got) != "7F 22 31" {
		t.Errorf("got % X", got)
	}
}

func TestDecodingAllocatesNothing(t *testing.T) {
	c, asked, dst := Coding{}, []byte{0x0C, 0x10, 0x04, 0x0B, 0x11, 0x0F}, make([]Value, 0, 16)
	answer := payload(t, "41 0C1F40 101AF8 04D9 0B62 11D0 0F46")
	if n := testing.AllocsPerRun(100, func() { _, _ = c.Decode(dst, asked, answer) }); n > 0 {
		t.Errorf("%v allocations for an answer", n)
	}
	long, alone := payload(t, "41 6803 46 50"), []byte{0x68}
	if n := testing.AllocsPerRun(100, func() { _, _ = c.Decode(dst, alone, long) }); n > 0 {
		t.Errorf("%v allocations for an answer with a support byte", n)
	}
}

func BenchmarkDecode(b *testing.B) {
	c, asked, dst := Coding{}, []byte{0x0C, 0x10, 0x04, 0x0B, 0x11, 0x0F}, make([]Value, 0, 16)
	answer := payload(b, "41 0C1F40 101AF8 04D9 0B62 11D0 0F46")
	b.ReportAllocs()
	for b.Loop() {
		if _, err := c.Decode(dst, asked, answer); err != nil {
			b.Fatal(err)
		}
	}
}

func FuzzDecode(f *testing.F) {
	for _, s := range []string{"410C1F40101AF8", "4166010B330000", "62F40C1F40F410FFFF", "4106808007", "7F0112", "4100FFFFFFFF"} {
		f.Add(payload(f, s), []byte(nil), byte(0))
	}
	f.Add(payload(f, "41680946000047"), []byte{0x68}, byte(2))
	f.Fuzz(func(t *testing.T, answer, asked []byte, how byte) {
		c := Coding{FourBanks: how&1 != 0}
		if how&2 != 0 {
			c.Scaling = Scaling{255, 255, 0.255, 2550, 2550}
		}
		if how&4 != 0 {
			c.Dialect = UDS
		}
		values, err := c.Decode(nil, asked, answer)
		if err != nil && len(values) > 0 {
			t.Errorf("% X gives %s and %v", answer, show(values), err)
		}
		for _, v := range values {
			low, high := v.Signal.Signal().Limits()
			if !(low <= v.Value && v.Value <= high) || math.IsNaN(v.Value) {
				t.Errorf("% X: %s is %v, beyond %v to %v", answer, v.Signal, v.Value, low, high)
			}
		}
		var s Support
		_ = c.ReadSupport(&s, asked, answer)
	})
}
