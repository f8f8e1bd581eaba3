// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package recording

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
	"unicode/utf16"

	"github.com/airassay/airassay/sdk/j1979"
	"github.com/airassay/airassay/sdk/recording/internal/realdata"
)

func propose(t testing.TB, text string) *Proposal {
	t.Helper()
	p, err := Propose(t.Context(), strings.NewReader(text), "log.csv")
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// proposeAndRead demands a proposal without questions and reads the file by it.
func proposeAndRead(t testing.TB, text string) *Recording {
	t.Helper()
	p := propose(t, text)
	if len(p.Ambiguities) > 0 {
		t.Fatalf("%+v", p.Ambiguities)
	}
	return readText(t, text, p.Mapping)
}

func TestNoPhraseNamesTwoSignals(t *testing.T) {
	if len(conflicts) > 0 {
		t.Error(conflicts)
	}
	for name := range synonyms {
		if _, ok := j1979.Lookup(name); !ok {
			t.Errorf("%s is no signal", name)
		}
	}
	for vss := range units {
		if !slices.ContainsFunc(j1979.Signals(), func(s j1979.Signal) bool { return s.Unit == vss }) {
			t.Errorf("no signal is in %q", vss)
		}
	}
	for _, s := range j1979.Signals() {
		if c, _, ok := findUnit(s.Unit, s.Unit); s.Unit != "" && (!ok || c != conversion{1, 0}) {
			t.Errorf("%s does not know its own unit %s", s.Path, s.Unit)
		}
	}
}

func TestHeadersAreUnderstood(t *testing.T) {
	for header, want := range map[string]string{
		"ENGINE_RPM ()": "EngineSpeed", "Engine RPM": "EngineSpeed", "engine-speed [1/min]": "EngineSpeed", "EngineRPM": "EngineSpeed",
		"AIR_INTAKE_TEMP": "IntakeTemp", "Intake air temp. (°F)": "IntakeTemp", "IAT": "IntakeTemp", "inlet air temperature": "IntakeTemp",
		"ENGINE_COOLANT_TEMP": "CoolantTemperature", "ECT": "CoolantTemperature", "coolant_temp_c": "CoolantTemperature",
		"MAF (g/s)": "MAF", "MAF [g/s]": "MAF", "Mass Air Flow Rate - g/s": "MAF", "MassAirFlow": "MAF", "maf_gs": "MAF", "Vehicle.OBD.MAF": "MAF",
		"Speed_kmh": "Speed", "Vehicle speed, mph": "Speed", "OBD Speed (km/h)": "Speed",
		"INTAKE_MANIFOLD_PRESSURE": "MAP", "MAP_kPa": "MAP",
		"SHORT TERM FUEL TRIM BANK 1": "ShortTermFuelTrim1", "STFT B1 (%)": "ShortTermFuelTrim1", "STFTB1": "ShortTermFuelTrim1", "ST Fuel Trim 2": "ShortTermFuelTrim2", "Short term fuel trim (Bank 2)": "ShortTermFuelTrim2",
		"LONG_FUEL_TRIM_1": "LongTermFuelTrim1", "LTFT1": "LongTermFuelTrim1", "LongTermFuelTrim1": "LongTermFuelTrim1",
		"O2_B1S1": "O2.Sensor1.Voltage", "O2 B1S2 Voltage (V)": "O2.Sensor2.Voltage", "Oxygen sensor bank 2 sensor 1 (mV)": "O2.Sensor5.Voltage", "O2S11": "",
		"CATALYST_TEMPERATURE_BANK1_SENSOR2 ()": "Catalyst.Bank1.Temperature2",
		"Air/Fuel commanded equivalence ratio":  "CommandedEquivalenceRatio", "FUEL_AIR_COMMANDED_EQUIV_RATIO ()": "CommandedEquivalenceRatio", "EQUIV_RATIO": "CommandedEquivalenceRatio",
		"ENGINE_RUN_TINE ()": "RunTime", "Lambda B1S1": "O2WR.Sensor1.Lambda", "Calculated load value (%)": "EngineLoad", "Absolute load": "AbsoluteLoad",
		"THROTTLE ()": "ThrottlePosition", "TPS %": "ThrottlePosition", "ABSOLUTE_THROTTLE_B ()": "ThrottlePositionB", "PEDAL_D ()": "AcceleratorPositionD",
		"FUEL_TANK ()": "FuelLevel", "BAROMETRIC_PRESSURE": "BarometricPressure", "Ambient air temp": "AmbientAirTemperature", "Engine fuel rate (gal/h)": "FuelRate",
		"TIME_RUN_WITH_MIL_ON ()": "RunTimeMIL", "WARM_UPS_SINCE_CODES_CLEARED ()": "WarmupsSinceDTCClear",
		"TERM FUEL TRIM BANK 1": "", "GPS speed": "", "VEHICLE_ID": "", "ord": "", "segment_id": "", "": "", "()": "", "Altitude": "", "FUEL_ECONOMY": "", "Fuel trim": "", "Bank 1": "",
	} {
		m := matchHeader(header)
		if got := m.signal.Short(); got != want {
			t.Errorf("%q: got %q, want %q", header, got, want)
		}
	}
}

func TestUnitsConvert(t *testing.T) {
	for _, c := range []struct {
		header string
		cells  []string
		signal string
		want   float64
	}{
		{"Speed (mph)", []string{"55"}, "Speed", 88.51392}, {"Speed_kmh", []string{"55"}, "Speed", 55}, {"speed m/s", []string{"10"}, "Speed", 36},
		{"Speed", []string{"55 mph"}, "Speed", 88.51392}, {"Coolant [°F]", []string{"212"}, "CoolantTemperature", 100}, {"Coolant temp (F)", []string{"-40"}, "CoolantTemperature", -40},
		{"IAT (K)", []string{"293.15"}, "IntakeTemp", 20}, {"IAT", []string{"68 °F"}, "IntakeTemp", 20},
		{"MAP (psi)", []string{"14"}, "MAP", 96.52660210435705}, {"MAP", []string{"14 psi"}, "MAP", 96.52660210435705}, {"Baro (inHg)", []string{"29.92"}, "BarometricPressure", 101.3207484},
		{"Baro [hPa]", []string{"1013"}, "BarometricPressure", 101.3}, {"Baro (mbar)", []string{"1013"}, "BarometricPressure", 101.3}, {"MAP (bar)", []string{"0.98"}, "MAP", 98},
		{"MAF", []string{"12.3 g/s"}, "MAF", 12.3}, {"MAF (kg/h)", []string{"36"}, "MAF", 10}, {"MAF (lb/min)", []string{"3"}, "MAF", 22.6796185},
		{"O2 B1S1 (mV)", []string{"450"}, "O2.Sensor1.Voltage", 0.45}, {"O2 current B1S1 (mA)", []string{"-1.5"}, "O2WR.Sensor1.Current", -0.0015},
		{"STFT1 (ratio)", []string{"0.05"}, "ShortTermFuelTrim1", 5}, {"Lambda (%)", []string{"98"}, "O2WR.Sensor1.Lambda", 0.98}, {"Fuel rate (gal/h)", []string{"1"}, "FuelRate", 3.785411784},
		{"Engine run time (min)", []string{"2"}, "RunTime", 120}, {"Distance with MIL (mi)", []string{"10"}, "DistanceWithMIL", 16.09344},
	} {
		r := proposeAndRead(t, "Time (s);"+c.header+"\n0.5;"+c.cells[0]+"\n1.5;"+c.cells[0]+"\n")
		if len(r.Samples) != 2 || r.Signals[0].Path != j1979.Prefix+c.signal || math.Abs(r.Samples[0].Value-c.want) > 1e-6 {
			t.Errorf("%s %s: %+v %+v", c.header, c.cells, r.Signals, r.Samples)
		}
	}
}

func TestClocksAreUnderstood(t *testing.T) {
	for name, c := range map[string]struct {
		header string
		cells  [3]string
		clock  ClockKind
		times  [3]int64
		start  int64
	}{
		"seconds":              {"Time (s)", [3]string{"10.5", "11", "13.25"}, ClockHost, [3]int64{0, 500000, 2750000}, 0},
		"decimal comma":        {"Time", [3]string{"10,5", "11,0", "13,25"}, ClockHost, [3]int64{0, 500000, 2750000}, 0},
		"milliseconds":         {"time_ms", [3]string{"100", "350", "600"}, ClockHost, [3]int64{0, 250000, 500000}, 0},
		"elapsed in ms":        {"Elapsed (ms)", [3]string{"0", "250", "500"}, ClockHost, [3]int64{0, 250000, 500000}, 0},
		"time of day":          {"Device Time", [3]string{"23:59:58.5", "23:59:59.5", "00:00:00.25"}, ClockHost, [3]int64{0, 1000000, 1750000}, 0},
		"whole seconds":        {"Time", [3]string{"08:15:30", "08:15:30", "08:15:31"}, ClockWholeSecond, [3]int64{0, 0, 1000000}, 0},
		"AM and PM":            {"Time", [3]string{"11:59:59.5 AM", "12:00:00.0 PM", "12:00:01.0 PM"}, ClockHost, [3]int64{0, 500000, 1500000}, 0},
		"minutes and seconds":  {"Time", [3]string{"59:58.5", "59:59.0", "60:00.5"}, ClockHost, [3]int64{0, 500000, 2000000}, 0},
		"date and time":        {"Timestamp", [3]string{"2031-05-17T08:15:30.250Z", "2031-05-17T08:15:31Z", "2031-05-17T10:15:32+02:00"}, ClockHost, [3]int64{0, 750000, 1750000}, 1936772130250000},
		"date without a zone":  {"Date Time", [3]string{"2031/05/17 23:59:59,5", "2031/05/18 00:00:00,0", "2031/05/18 00:00:01,0"}, ClockHost, [3]int64{0, 500000, 1500000}, 0},
		"day first, by points": {"Zeit", [3]string{"17.05.2031 08:15:30", "17.05.2031 08:15:31", "17.05.2031 08:15:33"}, ClockWholeSecond, [3]int64{0, 1000000, 3000000}, 0},
		"since 1970":           {"timestamp", [3]string{"1936772130.25", "1936772131", "1936772132"}, ClockHost, [3]int64{0, 750000, 1750000}, 1936772130250000},
		"since 1970 in ms":     {"timestamp", [3]string{"1936772130250", "1936772131000", "1936772132000"}, ClockHost, [3]int64{0, 750000, 1750000}, 1936772130250000},
		"none":                 {"note", [3]string{"a", "b", "c"}, ClockRowOrder, [3]int64{0, 1000000, 2000000}, 0},
		"one that stands":      {"time", [3]string{"1,51E+12", "1,51E+12", "1,51E+12"}, ClockRowOrder, [3]int64{0, 1000000, 2000000}, 0},
		"one that runs back":   {"time", [3]string{"5.5", "6.5", "1.5"}, ClockRowOrder, [3]int64{0, 1000000, 2000000}, 0},
	} {
		text := c.header + ";RPM\n"
		for i, cell := range c.cells {
			text += fmt.Sprintf("%s;%d\n", cell, 800+i)
		}
		r := proposeAndRead(t, text)
		var times [3]int64
		for i, s := range r.Samples {
			times[i%3] = s.TimeUS
		}
		if len(r.Samples) != 3 || times != c.times || r.Clock != c.clock || r.StartUnixUS != c.start {
			t.Errorf("%s: %v %v start %d", name, r.Clock, r.Samples, r.StartUnixUS)
		}
	}
}

func TestAnyEncodingAndSeparatorReadsTheSame(t *testing.T) {
	plain := "Time (s)|Coolant (°C)|Remark\n0.5|81|µ – ok\n1.5|82|\n"
	want := proposeAndRead(t, plain).Samples
	utf16Text := func(mark string, big bool) string {
		b := []byte(mark)
		for _, u := range utf16.Encode([]rune(plain)) {
			if big {
				b = append(b, byte(u>>8), byte(u))
			} else {
				b = append(b, byte(u), byte(u>>8))
			}
		}
		return string(b)
	}
	var latin []byte
	for _, r := range strings.ReplaceAll(plain, "–", "\u0096") {
		latin = append(latin, byte(r))
	}
	for name, c := range map[string]struct {
		text     string
		encoding Encoding
	}{
		"UTF-8 with a mark":     {"\xEF\xBB\xBF" + plain, EncodingUTF8},
		"UTF-16, little":        {utf16Text("\xFF\xFE", false), EncodingUTF16LE},
		"UTF-16, big":           {utf16Text("\xFE\xFF", true), EncodingUTF16BE},
		"UTF-16 without a mark": {utf16Text("", false), EncodingUTF16LE},
		"big without a mark":    {utf16Text("", true), EncodingUTF16BE},
		"Windows-1252":          {string(latin), EncodingWindows1252},
		"semicolons":            {strings.ReplaceAll(plain, "|", ";"), EncodingUTF8},
		"commas":                {strings.ReplaceAll(plain, "|", ","), EncodingUTF8},
		"tabs and CRLF":         {strings.NewReplacer("|", "\t", "\n", "\r\n").Replace(plain), EncodingUTF8},
		"rows end with one":     {strings.ReplaceAll(plain, "\n", "|\n"), EncodingUTF8},
		"only data rows do":     {strings.ReplaceAll(strings.ReplaceAll(plain, "\n", "|\n"), "Remark|", "Remark"), EncodingUTF8},
		"quotes":                {strings.ReplaceAll(plain, "Time (s)", `"Time (s)"`), EncodingUTF8},
		"comments above":        {"# a logger, version 3\n\n# " + "drive; one\n" + plain, EncodingUTF8},
		"units below":           {strings.Replace(plain, " (°C)|Remark\n", "|Remark\ns|°C|\n", 1), EncodingUTF8},
	} {
		p := propose(t, c.text)
		if p.Mapping.Encoding != c.encoding || len(p.Ambiguities) > 0 {
			t.Errorf("%s: %+v %+v", name, p.Mapping, p.Ambiguities)
		}
		if r := readText(t, c.text, p.Mapping); !reflect.DeepEqual(r.Samples, want) {
			t.Errorf("%s: got %v, want %v", name, r.Samples, want)
		}
	}
}

func TestBytesBeyondASCIILateInTheFile(t *testing.T) {
	text := "Time,RPM,Remark\n" + strings.Repeat("0.5,800,plain words here\n", headBytes/20) + "1.5,801,\xb0\n"
	p := propose(t, text)
	if p.Mapping.Encoding != EncodingWindows1252 {
		t.Fatal(p.Mapping.Encoding)
	}
	readText(t, text, p.Mapping)
}

func TestAmbiguitiesAreAskedNotGuessed(t *testing.T) {
	for name, c := range map[string]struct {
		text    string
		kind    AmbiguityKind
		choices []string
		choose  int
		signal  string
		value   float64
		lastUS  int64
	}{
		"two columns for one signal": {"Time;MAF;Mass air flow;RPM\n0.5;1;2;800\n1.5;1;2;800\n", AmbiguousColumn, []string{"column 2", "column 3", "leave"}, 1, "MAF", 2, 1e6},
		"the same header twice":      {"Time;MAF;MAF\n0.5;1;2\n1.5;1;2\n", AmbiguousColumn, []string{"column 2", "column 3", "leave"}, 0, "MAF", 1, 1e6},
		"hot coolant":                {"Time;Coolant\n0.5;190\n1.5;195\n", AmbiguousUnit, []string{"Celsius", "Fahrenheit", "leave"}, 1, "CoolantTemperature", 790.0 / 9, 1e6},
		"pressure in something":      {"Time;Baro\n0.5;29.9\n1.5;29.92\n", AmbiguousUnit, []string{"kPa", "inHg", "leave"}, 1, "BarometricPressure", 29.9 * 3.386388640341, 1e6},
		"pressure in hPa, unsaid":    {"Time;Baro\n0.5;1013\n1.5;1012\n", AmbiguousUnit, []string{"hPa", "leave"}, 0, "BarometricPressure", 101.3, 1e6},
		"unknown unit":               {"Time;MAF (furlongs)\n0.5;4\n1.5;5\n", AmbiguousUnit, []string{"g/s", "kg/h", "leave"}, 0, "MAF", 4, 1e6},
		"fraction or percent":        {"Time;STFT1\n0.5;0.05\n1.5;-0.02\n", AmbiguousUnit, []string{"percent", "fraction", "leave"}, 1, "ShortTermFuelTrim1", 5, 1e6},
		"clocks that disagree":       {"Time;GPS Time;RPM\n0.5;10:00:00;800\n1.5;10:00:30;801\n2.5;10:01:00;802\n", AmbiguousClock, []string{"column 1", "column 2", "none"}, 1, "EngineSpeed", 800, 60e6},
		"seconds or milliseconds":    {"Time;RPM\n0;800\n100;801\n200;802\n", AmbiguousClock, []string{"milliseconds", "seconds", "none"}, 0, "EngineSpeed", 800, 200000},
		"thousands or decimals":      {"Time;RPM\n0;1,234\n1;1,250\n", AmbiguousDecimal, []string{"decimal", "leave"}, 0, "EngineSpeed", 1.234, 1e6},
	} {
		p := propose(t, c.text)
		if len(p.Ambiguities) != 1 || p.Ambiguities[0].Kind != c.kind || len(p.Open()) != 1 {
			t.Errorf("%s: %+v", name, p.Ambiguities)
			continue
		}
		for _, want := range c.choices {
			if !slices.ContainsFunc(p.Ambiguities[0].Choices, func(s string) bool { return strings.Contains(s, want) }) {
				t.Errorf("%s: no choice %s in %q", name, want, p.Ambiguities[0].Choices)
			}
		}
		at := slices.IndexFunc(p.Ambiguities[0].Choices, func(s string) bool { return strings.Contains(s, c.choices[c.choose]) })
		if err := p.Choose(0, at); err != nil || len(p.Open()) != 0 {
			t.Errorf("%s: %v", name, err)
			continue
		}
		r := readText(t, c.text, p.Mapping)
		last := r.Samples[len(r.Samples)-1]
		i := slices.IndexFunc(r.Signals, func(s Signal) bool { return s.Path == j1979.Prefix+c.signal })
		k := slices.IndexFunc(r.Samples, func(s Sample) bool { return int(s.Signal) == i })
		if i < 0 || k < 0 || math.Abs(r.Samples[k].Value-c.value) > 1e-9 || last.TimeUS != c.lastUS {
			t.Errorf("%s: %+v %+v", name, r.Signals, r.Samples)
		}
		for choice := range p.Ambiguities[0].Choices {
			if err := p.Choose(0, choice); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		}
		if p.Choose(0, 99) == nil || p.Choose(1, 0) == nil || p.Choose(-1, 0) == nil {
			t.Errorf("%s: a choice that is none was taken", name)
		}
	}
}

func TestWhatIsNotUsedIsCounted(t *testing.T) {
	text := "Time;RPM;MAF;STFT1;Lambda;Driver\n" +
		"0,5;800;2,5;0,8;1,01;me\n" +
		"1,0;-5;n/a;idle;0,00;me\n" +
		"1,5;801;3 furlongs;2 psi;;\n" +
		"2,0;802\n" +
		"x;803;2,5;1,6;1,00;me\n" +
		"2,5;804;-3;0,8;1,00;me;;\n"
	p := propose(t, text)
	if p.RaggedRows != 1 || p.Rows != 6 {
		t.Errorf("%+v", p)
	}
	r := readText(t, text, p.Mapping)
	want := []Skip{
		{"", 0, "", "row without a time", 1, 6}, {"", 0, "", "row does not fit the header", 1, 5},
		{"RPM", 2, "Vehicle.OBD.EngineSpeed", "out of range", 1, 3},
		{"MAF", 3, "Vehicle.OBD.MAF", "marked as missing", 1, 3}, {"MAF", 3, "Vehicle.OBD.MAF", "not a number", 1, 4}, {"MAF", 3, "Vehicle.OBD.MAF", "out of range", 1, 7},
		{"STFT1", 4, "Vehicle.OBD.ShortTermFuelTrim1", "not a number", 1, 3}, {"STFT1", 4, "Vehicle.OBD.ShortTermFuelTrim1", "a unit that does not fit the signal", 1, 4},
		{"Lambda", 5, "Vehicle.OBD.O2WR.Sensor1.Lambda", "out of range: zero is not a lambda", 1, 3},
		{"Driver", 6, "", "ignored: no signal of that name is known", 3, 2},
	}
	if !reflect.DeepEqual(r.Skipped, want) || r.Rows != 6 || len(r.Samples) != 3+1+2+2 {
		t.Errorf("%d rows, %d samples\n%+v", r.Rows, len(r.Samples), r.Skipped)
	}
}

func TestOpenCircuitValuesAreKept(t *testing.T) {
	r := proposeAndRead(t, "Time;IAT (°C);Coolant (°C)\n0,5;-40;215\n1,5;-40;215\n")
	if len(r.Samples) != 4 || r.Samples[0].Value != -40 || r.Samples[1].Value != 215 {
		t.Errorf("%+v", r.Samples)
	}
}

func TestHostileHeadersAreAnsweredBeforeTheDeadline(t *testing.T) {
	wide := strings.Repeat("mazz aiir phlow,", 1500)
	long := strings.Repeat("mazz aiir phlow ", headBytes/40)
	for name, text := range map[string]string{
		"wide":         wide + "RPM\n" + strings.Repeat("1,", 4000) + "1\n",
		"long":         long + ",RPM\n1,2\n",
		"wide, often":  strings.Repeat(wide+"\n", 3) + "RPM\n",
		"bars in rows": "RPM,MAF\n" + strings.Repeat("1,"+strings.Repeat("|", 4000)+"\n", 200),
	} {
		var e *Error
		if _, err := Propose(t.Context(), strings.NewReader(text), "log.csv"); err != nil && !errors.As(err, &e) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// realCase is what a real recording must come out as.
type realCase struct {
	file    string
	clock   ClockKind
	rows    int
	signals map[string]int // samples by short name
	skipped int            // cells of mapped columns
	unc     int64
}

func TestRealRecordingsComeOutUnambiguousAndRight(t *testing.T) {
	for _, c := range []realCase{
		{"r1-full-load-slow-poll.csv", ClockWholeSecond, 352, map[string]int{"BarometricPressure": 346, "CoolantTemperature": 352, "FuelLevel": 351, "EngineLoad": 351, "AmbientAirTemperature": 352, "EngineSpeed": 350, "MAP": 352, "MAF": 351, "IntakeTemp": 347, "Speed": 346, "ShortTermFuelTrim1": 351, "RunTime": 352, "ThrottlePosition": 350, "CommandedEquivalenceRatio": 250}, 92, 2_500_000},
		{"r2-part-load-no-clock.csv", ClockRowOrder, 6000, map[string]int{"EngineSpeed": 6000, "Speed": 6000, "ThrottlePosition": 6000, "MAF": 6000, "CoolantTemperature": 6000, "IntakeTemp": 6000, "O2.Sensor1.Voltage": 6000, "EngineLoad": 6000, "MAP": 6000, "O2.Sensor2.Voltage": 6000, "ShortTermFuelTrim1": 6000, "LongTermFuelTrim1": 6000}, 0, 0},
		{"r3a-bench-nominal.csv", ClockHost, 1735, map[string]int{"EngineSpeed": 1735, "MAF": 1735, "MAP": 1735, "BarometricPressure": 1735, "IntakeTemp": 1735, "AmbientAirTemperature": 1735, "ThrottlePosition": 1735, "FuelRate": 1735}, 0, 25_500},
		{"r4-no-air-meter.csv", ClockWholeSecond, 4152, map[string]int{"RunTime": 4152, "EngineSpeed": 4152, "Speed": 4152, "ThrottlePosition": 4152, "EngineLoad": 4152, "CoolantTemperature": 4152, "LongTermFuelTrim1": 4152, "ShortTermFuelTrim1": 4152, "MAP": 4152, "FuelLevel": 4152, "ThrottlePositionB": 4152, "AcceleratorPositionD": 4152, "AcceleratorPositionE": 4152, "ThrottleActuator": 4152, "BarometricPressure": 4152, "RelativeThrottlePosition": 4152, "IntakeTemp": 4152, "TimingAdvance": 4152, "Catalyst.Bank1.Temperature1": 4152, "Catalyst.Bank1.Temperature2": 4152, "ControlModuleVoltage": 4152, "CommandedEVAP": 4152, "RunTimeMIL": 4152, "TimeSinceDTCCleared": 4152, "DistanceWithMIL": 4152, "WarmupsSinceDTCClear": 4152}, 0, 1_245_723},
	} {
		t.Run(c.file, func(t *testing.T) { c.check(t) })
	}
}

func (c realCase) check(t *testing.T) {
	f := realdata.Open(t, c.file)
	p, err := Propose(t.Context(), f, c.file)
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Ambiguities) > 0 {
		t.Errorf("%+v", p.Ambiguities)
	}
	if _, err := f.Seek(0, 0); err != nil {
		t.Fatal(err)
	}
	r, err := Read(t.Context(), f, c.file, Options{Mapping: p.Mapping})
	if err != nil {
		t.Fatal(err)
	}
	counts := map[string]int{}
	for _, s := range r.Samples {
		counts[strings.TrimPrefix(r.Signals[s.Signal].Path, j1979.Prefix)]++
	}
	if !reflect.DeepEqual(counts, c.signals) {
		t.Errorf("got %v, want %v", counts, c.signals)
	}
	if r.Clock != c.clock || r.Rows != c.rows || r.Signals[0].TimeUncertaintyUS != c.unc {
		t.Errorf("%v, %d rows, uncertainty %d µs", r.Clock, r.Rows, r.Signals[0].TimeUncertaintyUS)
	}
	skipped := 0
	for _, s := range r.Skipped {
		if s.Column == 0 || s.Signal != "" {
			skipped += s.Count
		}
	}
	if skipped != c.skipped {
		t.Errorf("skipped %+v", r.Skipped)
	}
}

func TestDescribeShowsWhatIsUsedIgnoredAndAsked(t *testing.T) {
	p := propose(t, "Time;Speed (mph);Coolant;Driver\n0,5;55;190;me\n1,5;55;195;me\n")
	var b bytes.Buffer
	if err := p.Describe(&b); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"decimal commas", "semicolons", "clock: column 1, Time, as seconds", "mph → km/h", "Driver", "no signal of that name is known", "1. The values of column 3, Coolant", "a) Celsius", "b) Fahrenheit", "c) ", "leave it out"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("no %q in\n%s", want, b.String())
		}
	}
}

func TestAMappingIsSavedAndReadBack(t *testing.T) {
	p := propose(t, "# x\nTime;Speed (mph);MAF;MAF;Remark <a>\n0,5;55;1;;me\n1,5;55;1;;me\n")
	var b bytes.Buffer
	if err := WriteMapping(&b, p.Mapping); err != nil {
		t.Fatal(err)
	}
	m, err := ReadMapping(&b, "mapping.json")
	if err != nil || !reflect.DeepEqual(m, p.Mapping) {
		t.Errorf("%v\n%+v\n%+v", err, m, p.Mapping)
	}
}

func TestMappingFilesAreRefusedWithThePlace(t *testing.T) {
	const good = `{"mapping_version":1,"encoding":"utf-8","separator":";","decimal":",","header_line":1,
"clock":{"format":"row_order"},
"columns":[{"header":"n","signal":"Vehicle.OBD.MAF","unit":"kg/h"}]}`
	if _, err := ReadMapping(strings.NewReader(good), "m.json"); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name, old, new string
		line, col      int
		want           string
	}{
		{"empty", good, "", 1, 1, "empty"},
		{"list", good, "[]", 1, 1, "an object"},
		{"syntax", good, good[:60], 1, 60, "unexpected end"},
		{"unknown key", `"separator"`, `"seperator"`, 1, 41, "did you mean separator?"},
		{"key in another case", `"decimal"`, `"Decimal"`, 1, 57, "did you mean decimal?"},
		{"key twice", `"decimal":","`, `"encoding":"utf-8"`, 1, 57, "stands here and in line 1"},
		{"unknown key of the clock", `"format"`, `"formats"`, 2, 10, "did you mean format?"},
		{"unknown key of a column", `"unit"`, `"units"`, 3, 53, "did you mean unit?"},
		{"text for a number", `"header_line":1`, `"header_line":"1"`, 1, 85, "a number"},
		{"fraction for a line", `"header_line":1`, `"header_line":1.5`, 1, 85, "a whole number"},
		{"object for the list", `[{"header":"n","signal":"Vehicle.OBD.MAF","unit":"kg/h"}]`, `{}`, 3, 11, "a list"},
		{"version", `"mapping_version":1`, `"mapping_version":2`, 0, 0, "mapping_version 2; expected 1"},
		{"encoding", "utf-8", "utf8", 0, 0, "utf-16le"},
		{"separator", `":";"`, `":" "`, 0, 0, "separator"},
		{"decimal", `"decimal":","`, `"decimal":"'"`, 0, 0, "decimal"},
		{"header line", `"header_line":1`, `"header_line":0`, 0, 0, "header_line"},
		{"data line", `"header_line":1`, `"header_line":1,"data_line":1`, 0, 0, "data_line"},
		{"clock format", "row_order", "sundial", 0, 0, "hh:mm:ss"},
		{"clock without a header", "row_order", "seconds", 0, 0, "the header of the clock's column"},
		{"signal", "Vehicle.OBD.MAF", "Vehicle.OBD.MAFF", 0, 0, "did you mean MAF?"},
		{"short signal", "Vehicle.OBD.MAF", "MAF", 0, 0, "a full VSS path"},
		{"unit", "kg/h", "kPa", 0, 0, "for MAF one of: g/s"},
		{"neither signal nor ignore", `,"signal":"Vehicle.OBD.MAF","unit":"kg/h"`, "", 0, 0, "a signal, or ignore"},
		{"both signal and ignore", `"unit":"kg/h"`, `"ignore":"x"`, 0, 0, "a signal, or ignore"},
		{"no signal at all", `"signal":"Vehicle.OBD.MAF","unit":"kg/h"`, `"ignore":"x"`, 0, 0, "at least one column"},
		{"column mark", `"unit":"kg/h"`, `"decimal":";"`, 0, 0, "decimal mark"},
		{"column position", `"unit":"kg/h"`, `"column":-1`, 0, 0, "a position from 1"},
		{"column twice", `"kg/h"}`, `"kg/h"},{"header":"n","ignore":"x"}`, 0, 0, "each column once"},
		{"signal twice", `"kg/h"}`, `"kg/h"},{"header":"k","signal":"Vehicle.OBD.MAF"}`, 0, 0, "each signal once"},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := strings.Replace(good, c.old, c.new, 1)
			if text == good {
				t.Fatal("the case changes nothing")
			}
			_, err := ReadMapping(strings.NewReader(text), "m.json")
			checkError(t, err, "m.json", KindMapping, c.line, c.col, c.want)
		})
	}
}
