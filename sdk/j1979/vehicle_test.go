// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1979

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
)

const testVIN = "ZZZAR00A5AY000042"

func TestVehicleInformationIsRead(t *testing.T) {
	vin := fmt.Sprintf("%X", testVIN)
	for _, tc := range []struct {
		dialect      Dialect
		answer, want string
		read         func(Dialect, []byte) (any, error)
	}{
		{Classic, "49 02 01" + vin, testVIN, readVIN},
		{UDS, "62 F802" + vin, testVIN, readVIN},
		{UDS, "62 F802 01" + vin, testVIN, readVIN},
		{Classic, "49 04 02 4149522D303031000000000000000000 4149522D303032202020202020202020", "[AIR-001 AIR-002]", readCalibrations},
		{UDS, "62 F804 4149522D303031000000000000000000", "[AIR-001]", readCalibrations},
		{Classic, "49 06 02 00001234 DEADBEEF", "[4660 3735928559]", readNumbers},
		{UDS, "62 F806 DEADBEEF", "[3735928559]", readNumbers},
		{Classic, "49 0A 01 45434D00 2D456E67696E6500000000000000 0000", "ECM -Engine", readName},
		{Classic, "49 08 02 0001 0203", "[1 515]", func(d Dialect, b []byte) (any, error) { return d.ReadCounters(SparkCounters, b) }},
	} {
		got, err := tc.read(tc.dialect, payload(t, tc.answer))
		if err != nil || fmt.Sprint(got) != tc.want {
			t.Errorf("%s: got %v, %v, want %s", tc.answer, got, err, tc.want)
		}
	}
}

func readVIN(d Dialect, b []byte) (any, error)          { return d.ReadVIN(b) }
func readCalibrations(d Dialect, b []byte) (any, error) { return d.ReadCalibrationIDs(b) }
func readNumbers(d Dialect, b []byte) (any, error)      { return d.ReadCalibrationNumbers(b) }
func readName(d Dialect, b []byte) (any, error)         { return d.ReadUnitName(b) }

func TestWrongVehicleInformationIsRefused(t *testing.T) {
	vin := fmt.Sprintf("%X", testVIN)
	for _, tc := range []struct {
		dialect Dialect
		answer  string
		at      int
		read    func(Dialect, []byte) (any, error)
	}{
		{Classic, "49", 1, readVIN},
		{Classic, "49 02", 2, readVIN},
		{Classic, "49 04 01" + vin, 1, readVIN},
		{Classic, "49 02 02" + vin, 2, readVIN},
		{Classic, "49 02 01" + vin[:32], 2, readVIN},
		{Classic, "49 02 02" + vin + vin, 3, readVIN},
		{Classic, "49 02 01 4F" + vin[2:], 3, readVIN},
		{Classic, "49 02 01" + vin[:32] + "FF", 19, readVIN},
		{UDS, "62 F8", 1, readVIN},
		{UDS, "62 F80A" + vin, 1, readVIN},
		{UDS, "62 F802" + vin[:30], 3, readVIN},
		{Classic, "49 04 00", 3, readCalibrations},
		{Classic, "49 04 01 4149522DFF3031000000000000000000", 7, readCalibrations},
		{Classic, "49 06 01 DEADBE", 2, readNumbers},
	} {
		got, err := tc.read(tc.dialect, payload(t, tc.answer))
		var e *DecodeError
		if !errors.As(err, &e) || e.At != tc.at {
			t.Errorf("%s: got %v, %v, want an error at byte %d", tc.answer, got, err, tc.at)
		}
	}
}

func TestCheckDigitOfAVIN(t *testing.T) {
	for vin, want := range map[string]bool{
		strings.Repeat("1", 17): true, "11111111211111111": false, strings.Repeat("O", 17): false, "1": false, "": false, strings.Repeat(".", 17): false,
	} {
		if CheckDigit(vin) != want {
			t.Errorf("%s: got %t", vin, !want)
		}
	}
}

func TestVehicleInformationIsReadAsItWasWritten(t *testing.T) {
	var s Support
	s.Add(byte(VIN), byte(CalibrationIDs), byte(UnitName))
	for _, d := range []Dialect{Classic, UDS} {
		if got, err := d.ReadVIN(d.AppendInformation(nil, VIN, vinLength, []byte(testVIN))); err != nil || got != testVIN {
			t.Errorf("%v: got %s, %v", d, got, err)
		}
		ids := []string{"AIR-001", "0123456789ABCDEF"}
		if got, err := d.ReadCalibrationIDs(d.AppendInformation(nil, CalibrationIDs, calibrationLength, []byte(ids[0]), []byte(ids[1]))); err != nil || !slices.Equal(got, ids) {
			t.Errorf("%v: got %s, %v", d, got, err)
		}
		var back Support
		if err := d.ReadInformationSupport(&back, 0, d.AppendInformationBitmap(nil, 0, &s)); err != nil || back != s {
			t.Errorf("%v: got %v, %v", d, &back, err)
		}
		for _, info := range []Infotype{0, VIN, CalibrationIDs, CalibrationNumbers, UnitName, SparkCounters} {
			if err := CheckReadOnly(d.AppendInformationRequest(nil, info)); err != nil {
				t.Error(err)
			}
		}
	}
}

func FuzzInformation(f *testing.F) {
	f.Add(payload(f, "49020131323334353637383930313233343536"), false)
	f.Add(payload(f, "62F804014149522D3030310000000000000000"), true)
	f.Add(payload(f, "490600"), false)
	f.Fuzz(func(t *testing.T, answer []byte, uds bool) {
		d := Classic
		if uds {
			d = UDS
		}
		if vin, err := d.ReadVIN(answer); err == nil && len(vin) != 17 {
			t.Errorf("% X: VIN %q", answer, vin)
		}
		ids, err := d.ReadCalibrationIDs(answer)
		if err != nil && ids != nil {
			t.Errorf("% X gives %q and %v", answer, ids, err)
		}
		_, _ = d.ReadCalibrationNumbers(answer)
		_, _ = d.ReadUnitName(answer)
		_, _ = d.ReadCounters(SparkCounters, answer)
		_ = d.ReadInformationSupport(new(Support), 0, answer)
	})
}

func TestMonitorResultsAreRead(t *testing.T) {
	for _, tc := range []struct {
		dialect      Dialect
		monitor      byte
		answer, want string
	}{
		{Classic, 0x01, "46 01 01 0A 0BB0 0A00 0C00 01 85 24 0096 004B FFFF", "01: 0.365234 V in 0.3125 to 0.375; 85: 150  in 75 to 65535; "},
		{Classic, 0xA2, "46 A2 0C 24 0001 0000 0002", "0C: 1  in 0 to 2; "},
		{Classic, 0x81, "46 81 80 AF FC18 F448 0BB8", "80: -10 percent in -30 to 30; "},
		{Classic, 0x81, "46 81 80 AF F447 F448 0BB8", "80: -30.01 percent in -30 to 30 FAILED; "},
		{Classic, 0x81, "46 81 80 7E 0001 0002 0003", "80: raw 1 FAILED; "},
		{UDS, 0x01, "62 F601 01 0A 0BB0 0A00 0C00 85 24 0096 004B FFFF", "01: 0.365234 V in 0.3125 to 0.375; 85: 150  in 75 to 65535; "},
		{UDS, 0x01, "62 F601 01 0A 0BB0 0A00 0C00 F601 85 24 0096 004B FFFF", "01: 0.365234 V in 0.3125 to 0.375; 85: 150  in 75 to 65535; "},
		{UDS, 0x35, "62 F635 01 96 FF38 FE0C 01F4", "01: -20 Celsius in -50 to 50; "},
	} {
		results, err := tc.dialect.ReadResults(nil, tc.monitor, payload(t, tc.answer))
		got := ""
		for _, r := range results {
			if v, low, high, unit, ok := r.Scaled(); ok {
				got += fmt.Sprintf("%02X: %.6g %s in %.6g to %.6g", r.Test, v, unit, low, high)
			} else {
				got += fmt.Sprintf("%02X: raw %d", r.Test, r.Value)
			}
			if !r.Passed() {
				got += " FAILED"
			}
			got += "; "
		}
		if err != nil || got != tc.want {
			t.Errorf("%s: got %q, %v, want %q", tc.answer, got, err, tc.want)
		}
	}
}

func TestWrongMonitorResultsAreRefused(t *testing.T) {
	for _, tc := range []struct {
		dialect Dialect
		answer  string
		at      int
	}{
		{Classic, "46", 1},
		{Classic, "46 01", 2},
		{Classic, "46 02 01 0A 0BB0 0A00 0C00", 1},
		{Classic, "46 01 01 0A 0BB0 0A00 0C", 9},
		{Classic, "46 01 01 0A 0BB0 0A00 0C00 02 85 24 0096 004B FFFF", 10},
		{Classic, "46 01 01 0A 0BB0 0A00 0C00 01", 11},
		{UDS, "62 F601", 3},
		{UDS, "62 F602 01 0A 0BB0 0A00 0C00", 1},
		{UDS, "62 F601 01 0A 0BB0 0A00 0C00 F602 85 24 0096 004B FFFF", 21},
	} {
		got, err := tc.dialect.ReadResults(nil, 1, payload(t, tc.answer))
		var e *DecodeError
		if !errors.As(err, &e) || e.At != tc.at || got != nil {
			t.Errorf("%s: got %v, %v, want an error at byte %d", tc.answer, got, err, tc.at)
		}
	}
}

func TestMonitorResultsAreReadAsTheyWereWritten(t *testing.T) {
	var results []Result
	for n := range 12 {
		results = append(results, Result{0x81, byte(n), 0xAF, uint16(n * 700), 0, uint16(65535 - n)})
		for _, d := range []Dialect{Classic, UDS} {
			if err := CheckReadOnly(d.AppendMonitorRequest(nil, 0x81)); err != nil {
				t.Error(err)
			}
			got, err := d.ReadResults(nil, 0x81, d.AppendResults(nil, 0x81, results...))
			if err != nil || !slices.Equal(got, results) {
				t.Errorf("%v: got %v, %v, want %v", d, got, err, results)
			}
		}
	}
	var s Support
	if err := Classic.ReadMonitorSupport(&s, 0x80, payload(t, "46 80 C0000001")); err != nil || s.String() != "81 82" {
		t.Errorf("got %s, %v", s.String(), err)
	}
	if err := UDS.ReadMonitorSupport(&s, 0x80, payload(t, "62 F680 C0000001")); err != nil || s.String() != "81 82" {
		t.Errorf("got %s, %v", s.String(), err)
	}
}

func TestMonitorsHaveNames(t *testing.T) {
	for m, want := range map[byte]string{
		0x01: "oxygen sensor, bank 1 sensor 1", 0x06: "oxygen sensor, bank 2 sensor 2", 0x22: "catalyst, bank 2", 0x45: "oxygen sensor heater, bank 2 sensor 1",
		0x81: "fuel system, bank 1", 0x84: "fuel system, bank 4", 0xA1: "misfire, all cylinders", 0xA2: "misfire, cylinder 1", 0xAD: "misfire, cylinder 12", 0xAE: "", 0: "",
	} {
		if got := MonitorName(m); got != want {
			t.Errorf("%02X: got %q, want %q", m, got, want)
		}
	}
	if TestName(0xA2, 0x0B) == "" || TestName(0x01, 0x0B) != "" || TestName(0xA2, 0x80) != "" {
		t.Error("the tests of misfire monitors, and only those, have names")
	}
}

func FuzzReadResults(f *testing.F) {
	f.Add(payload(f, "4601010A0BB00A000C00018524"), byte(1), false)
	f.Add(payload(f, "62F601010A0BB00A000C00"), byte(1), true)
	f.Fuzz(func(t *testing.T, answer []byte, monitor byte, uds bool) {
		d := Classic
		if uds {
			d = UDS
		}
		results, err := d.ReadResults(nil, monitor, answer)
		if err != nil && results != nil {
			t.Errorf("% X gives %v and %v", answer, results, err)
		}
		for _, r := range results {
			_, _, _, _, _ = r.Scaled()
			_ = r.Passed()
		}
		_ = d.ReadMonitorSupport(new(Support), monitor, answer)
	})
}

func TestDialectIsChosenByWhatIsAnswered(t *testing.T) {
	for _, tc := range []struct {
		classic, uds string
		want         Dialect
		fails        bool
	}{
		{"41 00 80000000", "", Classic, false},
		{"41 00 80000000", "62 F400 80000000", Classic, false},
		{"", "62 F400 80000000", UDS, false},
		{"7F 01 11", "62 F400 80000000", UDS, false},
		{"41 00 00000000", "62 F400 80000000", UDS, false},
		{"41 00 8000", "62 F400 80000000", UDS, false},
		{"7F 01 11", "7F 22 31", Classic, true},
		{"", "", Classic, true},
		{"41 00 00000000", "62 F400 00000000", Classic, true},
	} {
		var answers [2][]byte
		for i, s := range []string{tc.classic, tc.uds} {
			if s != "" {
				answers[i] = payload(t, s)
			}
		}
		d, s, err := ChooseDialect(answers[0], answers[1])
		if d != tc.want || errors.Is(err, ErrNoDialect) != tc.fails || !tc.fails && !s.Has(1) {
			t.Errorf("%q, %q: got %v, %s, %v", tc.classic, tc.uds, d, s.String(), err)
		}
	}
}
