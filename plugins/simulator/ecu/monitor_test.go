// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package ecu

import (
	"reflect"
	"slices"
	"testing"
	"time"

	"github.com/airassay/airassay/plugins/simulator/engine"
	"github.com/airassay/airassay/plugins/simulator/scenario"
)

// faulty is the shortest of the thorough scenarios with a fault of the test's own.
func faulty(t testing.TB, change func(*scenario.Case)) *scenario.Prepared {
	t.Helper()
	c, err := scenario.Named("clogged-filter")
	if err != nil {
		t.Fatal(err)
	}
	c.Faults = engine.Faults{}
	change(&c)
	return c.Prepare()
}

// driven is a vehicle at the end of its drive, but awake.
func driven(p *scenario.Prepared, o Options) *Vehicle {
	o.StayOn = true
	v := NewVehicle(p, o)
	v.Start(noon)
	v.Codes(noon.Add(time.Hour))
	return v
}

func TestCodesAreThoseThatAControlUnitWouldSet(t *testing.T) {
	for name, tc := range map[string]struct {
		change func(*scenario.Case)
		want   []uint16
	}{
		"sound":                     {func(*scenario.Case) {}, nil},
		"open line of the meter":    {func(c *scenario.Case) { c.Faults.Meter[0].Signal = engine.SignalOpen }, []uint16{codeMeterLow}},
		"shorted line of the meter": {func(c *scenario.Case) { c.Faults.Meter[0].Signal = engine.SignalShort }, []uint16{codeMeterHigh}},
		"meter that shows a third":  {func(c *scenario.Case) { c.Faults.Meter[0].Gain = 0.35 }, []uint16{codeMeterRange}},
		"open intake thermistor":    {func(c *scenario.Case) { c.Faults.IntakeTemp = engine.SignalOpen }, []uint16{codeIntakeHigh}},
		"shorted intake thermistor": {func(c *scenario.Case) { c.Faults.IntakeTemp = engine.SignalShort }, []uint16{codeIntakeLow}},
		"open pressure line":        {func(c *scenario.Case) { c.Faults.MAP = engine.SignalOpen }, []uint16{codePressureLow}},
		"shorted pressure line":     {func(c *scenario.Case) { c.Faults.MAP = engine.SignalShort }, []uint16{codePressureHigh}},
		"leak behind the throttle":  {func(c *scenario.Case) { c.Faults.ManifoldLeakArea = engine.HoleArea(5) }, []uint16{codeLean1}},
		"too much fuel":             {func(c *scenario.Case) { c.Faults.InjectorBank = [2]float64{1.5, 1.5} }, []uint16{codeRich1}},
		"plate that opens half":     {func(c *scenario.Case) { c.Faults.PlateLimit, c.Spec.Control.Electronic = 0.45, true }, []uint16{codeThrottleRange}},
	} {
		t.Run(name, func(t *testing.T) {
			v := driven(faulty(t, tc.change), Options{})
			confirmed, pending, permanent := v.Codes(noon.Add(time.Hour))
			for _, code := range tc.want {
				if !slices.Contains(confirmed, code) || !slices.Contains(pending, code) || !slices.Contains(permanent, code) {
					t.Errorf("P%04X is missing among %04X, %04X, %04X", code, confirmed, pending, permanent)
				}
			}
			if len(tc.want) == 0 && len(confirmed)+len(pending)+len(permanent) > 0 {
				t.Errorf("codes without a fault: %04X, %04X, %04X", confirmed, pending, permanent)
			}
			t.Logf("%04X", confirmed)
		})
	}
}

// A code that takes two drives is only pending after the first; that of a circuit lights the lamp at once.
func TestACodeTakesAsManyDrivesAsItIsMadeFor(t *testing.T) {
	leak := driven(faulty(t, func(c *scenario.Case) { c.Faults.ManifoldLeakArea = engine.HoleArea(5) }), Options{Cleared: true})
	if confirmed, pending, permanent := leak.Codes(noon); len(confirmed)+len(permanent) > 0 || !slices.Contains(pending, codeLean1) {
		t.Errorf("after the first drive with a leak: %04X, %04X, %04X", confirmed, pending, permanent)
	}
	open := driven(faulty(t, func(c *scenario.Case) { c.Faults.Meter[0].Signal = engine.SignalOpen }), Options{Cleared: true})
	if confirmed, _, permanent := open.Codes(noon); !slices.Contains(confirmed, codeMeterLow) || len(permanent) > 0 {
		t.Errorf("after the first drive with an open line: %04X, %04X", confirmed, permanent)
	}
}

func TestTheFreezeFrameIsOfTheMomentOfTheCode(t *testing.T) {
	v := driven(faulty(t, func(c *scenario.Case) { c.Faults.Meter[0].Signal = engine.SignalOpen }), Options{Cleared: true, Dialect: Both})
	u := v.Units()[0]
	if got := ask(t, u, time.Hour, "020200", false); got != "4202000102" {
		t.Fatalf("the freeze frame is of %s, want P0102", got)
	}
	frame := payload(t, ask(t, u, time.Hour, "021000020c001f00"[:14], false))
	if !reflect.DeepEqual(frame[:5], []byte{0x42, 0x10, 0x00, 0x00, 0x00}) {
		t.Errorf("the air flow of the moment is % X, want 0 of an open line", frame)
	}
	rpm := payload(t, ask(t, u, time.Hour, "020c00", false))
	if speed := (int(rpm[3])<<8 | int(rpm[4])) / 4; speed < 400 {
		t.Errorf("the engine ran at %d/min when the code was set", speed)
	}
	// The engine starts some seconds after key-on; the code needs three seconds more.
	seconds := payload(t, ask(t, u, time.Hour, "021f00", false))
	if run := int(seconds[3])<<8 | int(seconds[4]); run < 2 || run > 8 {
		t.Errorf("the engine had run for %d s when the code was set, want about 3", run)
	}
	long := payload(t, ask(t, u, time.Hour, "1904010200ff", false))
	if len(long) < 60 || long[6] != 0 || int(long[7]) != len(v.watch.records[0].frame) {
		t.Errorf("the freeze frame by service 19 is % X", long)
	}
}

func TestStatusTellsLampAndReadiness(t *testing.T) {
	p := named("leak")
	old, cleared := NewVehicle(p, Options{}), NewVehicle(p, Options{Cleared: true})
	for v, want := range map[*Vehicle]string{old: "410181076500", cleared: "410100776565"} {
		v.Start(noon)
		if got := ask(t, v.Units()[0], 0, "0101", true); got != want {
			t.Errorf("status %s, want %s", got, want)
		}
	}
	if got := ask(t, old.Units()[0], 400*time.Second, "0121", true); got <= "41210001" {
		t.Errorf("%s: the lamp has been on for more than a kilometre", got)
	}
	if got := ask(t, cleared.Units()[0], 0, "0121", true); got != "41210000" {
		t.Errorf("%s: the lamp has never been on", got)
	}
	if before, after := ask(t, old.Units()[0], 0, "0141", true), ask(t, cleared.Units()[0], 0, "0141", true); before[:4] != "4141" || after != "414100776565" {
		t.Errorf("this drive: %s and %s", before, after)
	}
}

func TestCodesOverBothDialectsAgree(t *testing.T) {
	v := driven(faulty(t, func(c *scenario.Case) { c.Faults.Meter[0].Signal = engine.SignalOpen }), Options{Dialect: Both})
	u := v.Units()[0]
	for request, want := range map[string]string{
		"03": "43010102", "0a": "4a010102",
		"190108":     "5901ff040001",
		"190208":     "5902ff010200af",
		"1903":       "590301020000",
		"194233081e": "594233ffff0442010200af",
		"194233081d": "594233ffff0442010200af"[:12],
		"195533":     "595533ff04010200af",
	} {
		if got := ask(t, u, 0, request, false); got != want {
			t.Errorf("%s: %s, want %s", request, got, want)
		}
	}
	if got := ask(t, u, 0, "190a", false); len(got) != 6+8*len(v.watch.monitors) {
		t.Errorf("all that could be set: %s", got)
	}
	if got := ask(t, u, 0, "198208", false); got != "" {
		t.Errorf("an answer that was not wanted: %s", got)
	}
}

// Of the scenarios that come with the simulator: which have a code at key-on.
func TestNamedScenariosHaveTheCodesOfTheirFault(t *testing.T) {
	for _, name := range scenario.Names() {
		v := NewVehicle(named(name), Options{})
		confirmed, _, _ := v.Codes(noon)
		want := map[string][]uint16{"leak": {codeLean1}}[name]
		if !slices.Equal(confirmed, want) {
			t.Errorf("%s: %04X, want %04X", name, confirmed, want)
		}
	}
}
