// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1979

import (
	"math"
	"strings"
	"testing"
)

func TestKnownScalingIsExact(t *testing.T) {
	for _, c := range []struct {
		name           string
		unit           string
		pid            uint8
		step, min, max float64
	}{
		{"MAF", "g/s", 0x10, 0.01, 0, 655.35},
		{"EngineSpeed", "rpm", 0x0C, 0.25, 0, 16383.75},
		{"EngineLoad", "percent", 0x04, 100.0 / 255, 0, 100},
		{"AbsoluteLoad", "percent", 0x43, 100.0 / 255, 0, 25700},
		{"ShortTermFuelTrim1", "percent", 0x06, 0.78125, -100, 99.21875},
		{"IntakeTemp", "Celsius", 0x0F, 1, -40, 215},
		{"TimingAdvance", "degrees", 0x0E, 0.5, -64, 63.5},
		{"Catalyst.Bank1.Temperature1", "Celsius", 0x3C, 0.1, -40, 6513.5},
		{"FuelRate", "l/h", 0x5E, 0.05, 0, 3276.75},
		{"FuelInjectionTiming", "degrees", 0x5D, 1.0 / 128, -210, 301.9921875},
		{"O2.Sensor8.Voltage", "V", 0x1B, 0.005, 0, 1.275},
		{"O2WR.Sensor1.Lambda", "ratio", 0x24, 2.0 / 65535, 0, 2},
		{"O2WR.Sensor1.Current", "A", 0x34, 1.0 / 256000, -0.128, 0.128 - 1.0/256000},
		{"MAFA", "g/s", 0x66, 0.03125, 0, 2047.96875},
		{"MAPHighRes", "kPa", 0x87, 0.03125, 0, 2047.96875},
		{"FuelRateMass", "g/s", 0x9D, 0.02, 0, 1310.7},
		{"TorqueActual", "percent", 0x62, 1, -125, 130},
		{"ParticleFilterDeltaPressure1", "kPa", 0x7A, 0.01, -327.68, 327.67},
	} {
		s, ok := Lookup(c.name)
		if !ok {
			t.Errorf("%s is missing", c.name)
			continue
		}
		if s.Path != Prefix+c.name || s.Unit != c.unit || s.PID != c.pid {
			t.Errorf("%s: %+v", c.name, s)
		}
		for _, pair := range [][2]float64{{s.Step, c.step}, {s.Min, c.min}, {s.Max, c.max}} {
			if math.Abs(pair[0]-pair[1]) > 1e-12*math.Max(1, math.Abs(pair[1])) {
				t.Errorf("%s: got %v, want %v", c.name, pair[0], pair[1])
			}
		}
	}
}

func TestTableIsConsistent(t *testing.T) {
	seen := map[string]bool{}
	bytesTaken := map[[2]uint8]string{}
	for _, s := range Signals() {
		if seen[s.Path] {
			t.Errorf("%s stands twice in the table", s.Path)
		}
		seen[s.Path] = true
		if !(s.Min < s.Max) || s.Description == "" {
			t.Errorf("%s has an empty range or no description: %+v", s.Path, s)
		}
		if s.CircuitLimits && s.Unit != "Celsius" {
			t.Errorf("%s: circuit limits belong to temperatures", s.Path)
		}
		if s.PID == 0 {
			continue
		}
		if s.Bytes != 1 && s.Bytes != 2 || s.Step <= 0 {
			t.Errorf("%s: width %d, step %v", s.Path, s.Bytes, s.Step)
		}
		for i := range s.Bytes {
			at := [2]uint8{s.PID, s.Offset + i}
			if other := bytesTaken[at]; other != "" {
				t.Errorf("%s and %s share byte %d of PID %02X", s.Path, other, at[1], at[0])
			}
			bytesTaken[at] = s.Path
		}
	}
	for n := 1; n <= 8; n++ {
		for _, leaf := range []string{"O2.Sensor#.Voltage", "O2.Sensor#.ShortTermFuelTrim", "O2WR.Sensor#.Lambda", "O2WR.Sensor#.Voltage", "O2WR.Sensor#.Current"} {
			if name := strings.Replace(leaf, "#", string(rune('0'+n)), 1); !seen[Prefix+name] {
				t.Errorf("%s is missing", name)
			}
		}
	}
}

func TestLookupByPathAndShortName(t *testing.T) {
	for _, name := range []string{"MAF", "Vehicle.OBD.MAF", "Vehicle.Exterior.AirTemperature"} {
		if _, ok := Lookup(name); !ok {
			t.Errorf("%s is not found", name)
		}
	}
	if _, ok := ByPath("MAF"); ok {
		t.Error("a short name passed for a path")
	}
	for _, name := range []string{"", "maf", "Vehicle.OBD.", "Vehicle.OBD.Nothing", "Exterior.AirTemperature"} {
		if _, ok := Lookup(name); ok {
			t.Errorf("%q is found", name)
		}
	}
}

func TestLimitsAllowRoundingAtTheTopOnly(t *testing.T) {
	trim, _ := Lookup("ShortTermFuelTrim1")
	low, high := trim.Limits()
	if high < 99.22 || high > 100 || low > -100 || low < -100.001 {
		t.Errorf("limits of the trim: %v to %v", low, high)
	}
	maf, _ := Lookup("MAF")
	if _, high := maf.Limits(); high < 2550 {
		t.Errorf("a rescaled meter reaches 2550 g/s, limit is %v", high)
	}
}

func TestCallersCannotChangeTheTable(t *testing.T) {
	Signals()[0].Path = "spoilt"
	if Signals()[0].Path == "spoilt" {
		t.Error("the table is shared")
	}
}
