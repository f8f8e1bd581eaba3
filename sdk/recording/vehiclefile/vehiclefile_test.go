// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package vehiclefile

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	v1 "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/recording"
)

const example = `{"displacement_l": 2.0, "cylinders": 4, "banks": 1, "aspiration": "natural", "fuel": "gasoline",
 "air_meter": "hot_wire", "rated_power_rpm": 6000, "altitude_m": 210, "ambient_c": 18.5,
 "hybrid": false, "combustion_cycle": null, "purpose": "after_service", "complaint": "hesitates \u2013 cold",
 "intake_air_temperature_location": "separate",
 "inspections": [{"inspection": "air_filter_and_box", "outcome": "sound"}],
 "trouble_codes": ["P0101", "P00BC"]}`

const exampleYAML = `# the same facts
displacement_l: 2.0
cylinders: 4
banks: 1
aspiration: natural
fuel: gasoline
air_meter: hot_wire
rated_power_rpm: 6000
altitude_m: 210
ambient_c: 18.5
hybrid: false
combustion_cycle: ~
purpose: after_service
complaint: hesitates – cold
intake_air_temperature_location: separate
inspections:
  - inspection: air_filter_and_box
    outcome: sound
trouble_codes: [P0101, P00BC]
`

func read(t *testing.T, text, name string) (*v1.Vehicle, *v1.DayConditions) {
	t.Helper()
	v, d, err := Read(strings.NewReader(text), name)
	if err != nil {
		t.Fatal(err)
	}
	return v, d
}

func TestJSONAndYAMLMeanTheSame(t *testing.T) {
	v, d := read(t, example, "vehicle.json")
	want := &v1.Vehicle{
		DisplacementL: proto.Float64(2), Cylinders: proto.Int32(4), Banks: proto.Int32(1),
		Aspiration: v1.Aspiration_ASPIRATION_NATURAL, Fuel: v1.Fuel_FUEL_GASOLINE,
		AirMeter: v1.AirMeterTechnology_AIR_METER_TECHNOLOGY_HOT_WIRE, RatedPowerRpm: proto.Float64(6000), Hybrid: proto.Bool(false),
		IntakeAirTemperatureLocation: v1.IntakeAirTemperatureLocation_INTAKE_AIR_TEMPERATURE_LOCATION_SEPARATE,
	}
	if !proto.Equal(v, want) {
		t.Errorf("got %v, want %v", v, want)
	}
	wantDay := &v1.DayConditions{AltitudeM: proto.Float64(210), AmbientC: proto.Float64(18.5), Purpose: v1.Purpose_PURPOSE_AFTER_SERVICE, Complaint: "hesitates – cold",
		Inspections:  []*v1.InspectionResult{{Inspection: v1.Inspection_INSPECTION_AIR_FILTER_AND_BOX, Outcome: v1.InspectionOutcome_INSPECTION_OUTCOME_SOUND}},
		TroubleCodes: []string{"P0101", "P00BC"}}
	if !proto.Equal(d, wantDay) {
		t.Errorf("got %v, want %v", d, wantDay)
	}
	for _, name := range []string{"vehicle.yaml", "vehicle.YML", "facts"} {
		if v2, d2 := read(t, exampleYAML, name); !proto.Equal(v, v2) || !proto.Equal(d, d2) {
			t.Errorf("%s: got %v %v", name, v2, d2)
		}
	}
	if v3, _ := read(t, "\xEF\xBB\xBF"+example, "facts"); !proto.Equal(v, v3) {
		t.Errorf("with a byte order mark: %v", v3)
	}
	if v, d := read(t, "{}", "x.json"); !proto.Equal(v, &v1.Vehicle{}) || !proto.Equal(d, &v1.DayConditions{}) {
		t.Errorf("no facts: %v %v", v, d)
	}
}

func TestRefusalsPointAtThePlace(t *testing.T) {
	for _, c := range []struct {
		name, text string
		line, col  int
		want       string
	}{
		{"unknown key", "{\n \"cylindres\": 4}", 2, 2, "did you mean cylinders?"},
		{"unknown key, yaml", "cylinders: 4\nfuell: diesel", 2, 1, "did you mean fuel?"},
		{"duplicate key", "{\"fuel\":\"diesel\",\n\"fuel\":\"lpg\"}", 2, 1, `the key "fuel"`},
		{"duplicate key, yaml", "fuel: diesel\nfuel: lpg", 2, 1, `the key "fuel"`},
		{"server's key name", `{"name": "vehicles/1"}`, 1, 2, "the server alone writes"},
		{"server's key etag", `{"etag": "x"}`, 1, 2, "the server alone writes"},
		{"server's key create_time", `{"create_time": "2031-01-01T00:00:00Z"}`, 1, 2, "the server alone writes"},
		{"server's key update_time", "update_time: 2031-01-01", 1, 1, "the server alone writes"},
		{"number in quotes", `{"cylinders": "4"}`, 1, 15, "a whole number from 1 to 16"},
		{"fraction of a cylinder", `{"cylinders": 4.5}`, 1, 15, "a whole number from 1 to 16"},
		{"too many cylinders", "cylinders: 17", 1, 12, "a whole number from 1 to 16"},
		{"displacement in cm³", `{"displacement_l": 1998}`, 1, 20, "a number from 0.05 to 30"},
		{"huge number", `{"altitude_m": 1e400}`, 1, 16, "a number from -430 to 6000"},
		{"infinite", "altitude_m: .inf", 1, 13, "a number from -430 to 6000"},
		{"not a number", "altitude_m: .nan", 1, 13, "a number from -430 to 6000"},
		{"hexadecimal", "altitude_m: 0x10", 1, 13, "a number from -430 to 6000"},
		{"underscores", "altitude_m: 1_000", 1, 13, "a number from -430 to 6000"},
		{"true for a number", `{"banks": true}`, 1, 11, "a whole number from 1 to 4"},
		{"text for a flag", "hybrid: \"true\"", 1, 9, "true or false"},
		{"yes for a flag", "hybrid: yes", 1, 9, "true or false"},
		{"number for a text", "complaint: 12", 1, 12, "a text"},
		{"upper case enum", `{"fuel": "Diesel"}`, 1, 10, "did you mean diesel?"},
		{"misspelt enum", `{"air_meter": "hotwire"}`, 1, 15, "did you mean hot_wire?"},
		{"unspecified enum", `{"fuel": "unspecified"}`, 1, 10, "one of gasoline, diesel"},
		{"number for an enum", `{"fuel": 1}`, 1, 10, "one of gasoline, diesel"},
		{"list for a value", `{"cylinders": [4]}`, 1, 15, "a whole number"},
		{"value for a list", `{"inspections": "air_filter_and_box"}`, 1, 17, "a list"},
		{"text as an item", "inspections:\n  - air_filter_and_box", 2, 5, "keys with values"},
		{"null as an item", `{"inspections": [null]}`, 1, 18, "keys with values"},
		{"item without outcome", `{"inspections": [{"inspection": "fuel_blend"}]}`, 1, 18, "without outcome"},
		{"unknown key in an item", `{"inspections": [{"inspektion": "fuel_blend"}]}`, 1, 19, "did you mean inspection?"},
		{"code for a list", `{"trouble_codes": "P0101"}`, 1, 19, "a list"},
		{"number for a code", `{"trouble_codes": ["P0101", 101]}`, 1, 29, "put each code in quotes"},
		{"code with its text", `{"trouble_codes": ["P0101 range"]}`, 1, 20, "a trouble code such as P0101"},
		{"code in small letters", `{"trouble_codes": ["p0101"]}`, 1, 20, "a trouble code such as P0101"},
		{"code of no system", `{"trouble_codes": ["X0101"]}`, 1, 20, "a trouble code such as P0101"},
		{"code twice", "trouble_codes:\n- P0101\n- P0101", 3, 3, "the same code twice"},
		{"inspected twice", "inspections:\n- {inspection: fuel_blend, outcome: sound}\n- {inspection: fuel_blend, outcome: faulty}", 3, 3, "the same inspection twice"},
		{"long text", `{"display_name": "` + strings.Repeat("ä", 201) + `"}`, 1, 18, "201 characters; expected at most 200"},
		{"a list instead of keys", "[]", 1, 1, "keys with values"},
		{"a text instead of keys", "just text", 1, 1, "keys with values"},
		{"broken JSON", "{\"fuel\": \"diesel\",\n}", 2, 1, "one JSON object"},
		{"two documents in JSON", "{} {}", 1, 4, "one JSON object"},
		{"two documents in YAML", "fuel: diesel\n---\nfuel: lpg", 2, 1, "a second document"},
		{"broken YAML", "fuel: diesel\n  x: [", 2, 1, "not YAML"},
		{"tab in YAML", "fuel: diesel\n\tcylinders: 4", 2, 1, "not YAML"},
		{"alias", "fuel: &f diesel\ncomplaint: *f", 1, 7, "an anchor or an alias"},
		{"merge", "<<: {fuel: diesel}", 1, 1, "plain text"},
		{"tag", "fuel: !!binary aGVsbG8=", 1, 7, "the tag"},
		{"number as a key", "1: 2", 1, 1, "plain text"},
		{"tiny cylinders", "cylinders: 16\ndisplacement_l: 0.1", 2, 17, "litres a cylinder"},
		{"more banks than cylinders", "cylinders: 2\nbanks: 3", 2, 8, "at most one bank a cylinder"},
		{"sensor in no meter", "air_meter: none\nintake_air_temperature_location: in_meter", 2, 34, "outside the air meter"},
		{"deep nesting", `{"inspections": ` + strings.Repeat("[", 40) + strings.Repeat("]", 40) + "}", 1, 32, "nesting"},
		{"deep nesting, yaml", "a: " + strings.Repeat("[", 40) + strings.Repeat("]", 40), 1, 20, "nesting"},
		{"invalid UTF-8", "{\"complaint\": \"\xff\"}", 1, 16, "UTF-8"},
		{"empty", " \n", 0, 0, "an empty file"},
		{"only a comment", "# nothing", 0, 0, "no facts"},
		{"too long", strings.Repeat("#", MaxBytes+1), 0, 0, "more than 1 MiB"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, _, err := Read(strings.NewReader(c.text), "facts.of-car")
			var e *Error
			if !errors.As(err, &e) {
				t.Fatalf("got %v", err)
			}
			place := "facts.of-car"
			if c.line > 0 {
				place = fmt.Sprintf("facts.of-car:%d:%d", c.line, c.col)
			}
			if e.Line != c.line || e.Column != c.col || !strings.HasPrefix(e.Error(), place+": ") || !strings.Contains(e.Error(), c.want) {
				t.Errorf("got %v, want %s … %s", e, place, c.want)
			}
		})
	}
}

func TestBoundsAreThoseOfTheContract(t *testing.T) {
	source, err := os.ReadFile(filepath.Join("..", "..", "..", "api", "airassay", "v1beta1", "vehicle.proto"))
	if err != nil {
		t.Fatal(err)
	}
	ranges := regexp.MustCompile(`(?s)\((-?[\d.]+) to ([\d.]+)\)\.?\n\s+(?:optional )?\w+ (\w+) =`)
	texts := regexp.MustCompile(`at most (\d+) characters[^\n]*\n\s+string (\w+) =`)
	found := map[string]struct{ low, high float64 }{}
	for _, m := range ranges.FindAllStringSubmatch(string(source), -1) {
		low, _ := strconv.ParseFloat(m[1], 64)
		high, _ := strconv.ParseFloat(m[2], 64)
		found[m[3]] = struct{ low, high float64 }{low, high}
	}
	for _, m := range texts.FindAllStringSubmatch(string(source), -1) {
		high, _ := strconv.ParseFloat(m[1], 64)
		found[m[2]] = struct{ low, high float64 }{0, high}
	}
	for _, m := range []proto.Message{&v1.Vehicle{}, &v1.DayConditions{}} {
		fields := m.ProtoReflect().Descriptor().Fields()
		for i := range fields.Len() {
			f := fields.Get(i)
			kind := f.Kind()
			if serverOwned(f) || f.IsList() || kind != protoreflect.DoubleKind && kind != protoreflect.Int32Kind && kind != protoreflect.StringKind {
				continue
			}
			name := string(f.Name())
			if found[name] != bounds[name] || bounds[name].high == 0 {
				t.Errorf("%s: the contract says %v, bounds say %v", name, found[name], bounds[name])
			}
		}
	}
}

func TestWhatIsWrittenReadsBack(t *testing.T) {
	v, d := read(t, example, "vehicle.json")
	v.Name, v.Etag = "vehicles/1", "x"
	d.Cleanings = proto.Int32(0)
	d.AmbientC = proto.Float64(1e-7)
	var b bytes.Buffer
	if err := Write(&b, v, d); err != nil {
		t.Fatal(err)
	}
	v2, d2 := read(t, b.String(), "vehicle.json")
	v.Name, v.Etag = "", ""
	if !proto.Equal(v, v2) || !proto.Equal(d, d2) {
		t.Errorf("got %v %v from\n%s", v2, d2, b.String())
	}
	b.Reset()
	if err := Write(&b, nil, nil); err != nil || b.String() != "{}\n" {
		t.Errorf("nothing known: %q, %v", b.String(), err)
	}
}

func TestWriteRefusesWhatReadWould(t *testing.T) {
	for _, v := range []*v1.Vehicle{
		{Cylinders: proto.Int32(0)},
		{DisplacementL: proto.Float64(math.NaN())},
		{DisplacementL: proto.Float64(math.Inf(1))},
		{Fuel: 99},
		{DisplayName: strings.Repeat("x", 201)},
		{DisplayName: "\xff"},
	} {
		var b bytes.Buffer
		var e *Error
		if err := Write(&b, v, nil); !errors.As(err, &e) || b.Len() > 0 {
			t.Errorf("%v: got %v", v, err)
		}
	}
}

func TestOpenSaysWhyAFileCannotBe(t *testing.T) {
	dir := t.TempDir()
	for _, path := range []string{dir, filepath.Join(dir, "missing.json")} {
		if _, _, err := Open(path); !errors.Is(err, recording.KindUnreadable) {
			t.Errorf("%s: %v", path, err)
		}
	}
	path := filepath.Join(dir, "vehicle.json")
	if err := os.WriteFile(path, []byte(example), 0o600); err != nil {
		t.Fatal(err)
	}
	if v, _, err := Open(path); err != nil || v.GetCylinders() != 4 {
		t.Errorf("%v, %v", v, err)
	}
}

func FuzzRead(f *testing.F) {
	for _, name := range []string{"v.json", "v.yaml"} {
		for _, s := range []string{example, exampleYAML, "{}", "a: [", "{\"inspections\":[{}]}", "&a [*a]", "? x\n: y", "fuel: |\n  diesel", "{\"trouble_codes\":[\"P0101\"]}"} {
			f.Add([]byte(s), name)
		}
	}
	f.Fuzz(func(t *testing.T, data []byte, name string) {
		v, d, err := Read(bytes.NewReader(data), name)
		if err != nil {
			var e *Error
			if !errors.As(err, &e) || e.Expected == "" {
				t.Fatalf("not a full refusal: %v", err)
			}
			return
		}
		var b bytes.Buffer
		if err := Write(&b, v, d); err != nil {
			t.Fatalf("what was read cannot be written: %v", err)
		}
		v2, d2, err := Read(&b, "v.json")
		if err != nil || !proto.Equal(v, v2) || !proto.Equal(d, d2) {
			t.Fatalf("%v %v reads back as %v %v, %v", v, d, v2, d2, err)
		}
	})
}
