// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package scenario

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"

	airassayv1beta1 "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/plugins/simulator/engine"
	"github.com/airassay/airassay/plugins/simulator/link"
)

var update = flag.Bool("update", false, "write the reference of README.md anew")

const shortest = `{"name": "a", "vehicle": {"displacement_l": 2}}`

func mustRead(t *testing.T, text string) File {
	t.Helper()
	f, err := Read([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// with puts more into the shortest file.
func with(parts ...string) string {
	return `{"name": "a", ` + strings.Join(parts, ", ") + `}`
}

func TestNamedScenariosAreFilesThatWriteAndReadBackWhole(t *testing.T) {
	files, err := filepath.Glob("named/*.json")
	if err != nil || len(files) != len(Names()) {
		t.Errorf("%d files for %d names (%v)", len(files), len(Names()), err)
	}
	for _, name := range Names() {
		f, err := NamedFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if f.Name != name || f.Title == "" || f.Description == "" || f.Vehicle.Name == "" {
			t.Errorf("%s: named %q, titled %q, about %q", name, f.Name, f.Title, f.Vehicle.Name)
		}
		text, err := f.Write()
		if err != nil {
			t.Fatal(err)
		}
		back := mustRead(t, string(text))
		again, err := back.Write()
		if err != nil || !bytes.Equal(text, again) {
			t.Errorf("%s: reading back what was written gives another file (%v)", name, err)
		}
		if a, b := f.Case(), back.Case(); !reflect.DeepEqual(a, b) {
			t.Errorf("%s: the file that was written makes another case", name)
		}
	}
}

func TestNamedScenariosCanBeDecidedExceptTheOneThatCannot(t *testing.T) {
	for _, name := range Names() {
		c, err := Named(name)
		if err != nil {
			t.Fatal(err)
		}
		truth := c.Run().Truth
		if want := name != "badly-driven"; truth.Sufficient != want || truth.Stalls > 0 {
			t.Errorf("%s: sufficient is %t (%s), %d stalls", name, truth.Sufficient, truth.InsufficientWhy, truth.Stalls)
		}
		if truth.ErrorAtTopFlow != nil && c.Condition == soundCondition && math.Abs(truth.ErrorAtTopFlow.Error) > 3 {
			t.Errorf("%s: a sound meter is off by %.1f %%", name, truth.ErrorAtTopFlow.Error)
		}
		if c.AmountUnit == "percent" && c.Condition == "CONDITION_METER_READS_LOW" && truth.Sufficient {
			if got := truth.ErrorAtTopFlow.Error; math.Abs(got-c.Amount) > 2.5 {
				t.Errorf("%s: the file says %.0f %%, and at the highest flow the meter is off by %.1f %%", name, c.Amount, got)
			}
		}
	}
}

// What was drawn can be written down and driven again by somebody else.
func TestDrawnCaseDescribedAsAFileIsTheSameDrive(t *testing.T) {
	for i, condition := range Conditions {
		o := Options{Condition: condition, Link: "serial_20", DoubleShare: 0.3, WrongFact: []string{"", WrongFuel, WrongAspiration}[i%3]}
		drawn := Draw(o, CaseSeed(71, i))
		described := drawn.Describe(fmt.Sprintf("case-%d", i))
		text, err := described.Write()
		if err != nil {
			t.Fatal(err)
		}
		f, err := Read(text)
		if err != nil {
			t.Errorf("%s: the file is refused: %v", condition, err)
			continue
		}
		c := f.Case()
		a, b := drawn.Run(), c.Run()
		if !reflect.DeepEqual(a.Truth.Signals, b.Truth.Signals) || a.Truth.Sufficient != b.Truth.Sufficient || math.Abs(a.Seconds-b.Seconds) > 1 || len(a.Samples) == 0 {
			t.Errorf("%s: %.1f s became %.1f s", condition, a.Seconds, b.Seconds)
			continue
		}
		same := 0
		for k := range min(len(a.Samples), len(b.Samples)) {
			if a.Samples[k] == b.Samples[k] {
				same++
			}
		}
		if share := float64(same) / float64(len(a.Samples)); share < 0.98 {
			t.Errorf("%s: only %.1f %% of the samples are the same", condition, 100*share)
		}
	}
}

func TestShortestFileIsASoundTypicalVehicle(t *testing.T) {
	for _, text := range []string{
		shortest, with(`"vehicle": {"displacement_l": 3.2, "control": {"wide_band": false}}`), with(`"vehicle": {"displacement_l": 1.4, "aspiration": "turbo"}`),
		with(`"vehicle": {"displacement_l": 1.9, "fuel": "diesel", "aspiration": "turbo", "air_meter": {"technology": "hot_film"}}`),
		with(`"vehicle": {"displacement_l": 1.0, "air_meter": {"technology": "none"}}`), with(`"vehicle": {"displacement_l": 2.3, "valves_per_cylinder": 2, "air_meter": {"technology": "vane"}}`),
		with(`"vehicle": {"displacement_l": 1.8, "fuel": "ethanol", "air_meter": {"technology": "karman"}}`, `"day": {"cold_soak": true}`),
		with(`"vehicle": {"displacement_l": 1.8, "aspiration": "supercharged", "combustion_cycle": "otto", "fuel": "lpg"}`),
	} {
		f := mustRead(t, text)
		c := f.Case()
		truth := c.Run().Truth
		if !truth.Sufficient || truth.Stalls > 0 || truth.Seconds < 200 || truth.Seconds > 900 {
			t.Errorf("%s: sufficient %t (%s), %d stalls, %.0f s", text, truth.Sufficient, truth.InsufficientWhy, truth.Stalls, truth.Seconds)
		}
		if e := truth.ErrorAtTopFlow; e != nil && math.Abs(e.Error) > 4 {
			t.Errorf("%s: the meter is off by %.1f %%", text, e.Error)
		}
	}
}

func TestFaultWithoutMagnitudesIsDrawnBySeverityAndStaysTheSame(t *testing.T) {
	amounts := map[string]float64{}
	for _, severity := range []string{"mild", "moderate", "severe"} {
		text := with(`"vehicle": {"displacement_l": 2}`, `"fault": {"condition": "CONDITION_METER_READS_LOW", "cause": "CAUSE_GAIN", "severity": "`+severity+`"}`)
		f := mustRead(t, text)
		if f.Fault.Magnitudes == nil || f.Fault.Magnitudes.Meters[0].Gain != 1+f.Fault.Amount/100 || f.Fault.Unit != "percent" {
			t.Fatalf("%s: %+v", severity, f.Fault)
		}
		amounts[severity] = f.Fault.Amount
		if again := mustRead(t, text); again.Fault.Amount != f.Fault.Amount {
			t.Errorf("%s: %v and then %v", severity, f.Fault.Amount, again.Fault.Amount)
		}
	}
	if !(amounts["severe"] < amounts["moderate"] && amounts["moderate"] < amounts["mild"] && amounts["mild"] < 0) {
		t.Errorf("amounts by severity: %v", amounts)
	}
}

func TestWhatIsWrongIsNamedByItsField(t *testing.T) {
	vehicle := `"vehicle": {"displacement_l": 2, `
	for _, c := range []struct{ text, field, says string }{
		{`{`, "", "line 1"}, {`[]`, "", "no JSON object"}, {`{} {}`, "", "more follows"}, {"\xff", "", "UTF-8"}, {`{"name": "a", "name": "b"}`, "", "twice"},
		{strings.Repeat("[", 40), "", "nesting"}, {strings.Repeat(" ", MaxBytes+1), "", "1 MiB"}, {`{}`, "name", "expected"},
		{`{"name": "A b", "vehicle": {"displacement_l": 2}}`, "name", "lower-case"}, {`{"name": "a"}`, "vehicle.displacement_l", "missing"},
		{with(`"vehicle": {"displacement_l": 20}`), "vehicle.displacement_l", "is 20; expected a number from 0.3 to 8 L"}, {with(`"vehicle": {"displacement_l": "2"}`), "vehicle.displacement_l", "a text"},
		{with(`"vehicle": {"displacement_l": 1e999}`), "vehicle.displacement_l", "1e999"}, {with(`"vehicle": 3`), "vehicle", "an object"}, {with(`"vehicle": {"displacement": 2}`), "vehicle.displacement", "is not known; expected one of name, displacement_l"},
		{with(vehicle + `"cylinders": 4.5}`), "vehicle.cylinders", "whole number"}, {with(vehicle + `"cylinders": null}`), "vehicle.cylinders", "null"},
		{with(vehicle + `"aspiration": "steam"}`), "vehicle.aspiration", "natural, turbo, supercharged"}, {with(vehicle + `"cylinders": 5, "banks": 2}`), "vehicle.banks", "5 cylinders"},
		{with(vehicle + `"charger": {"max_ratio": 1.5}}`), "vehicle.charger", "natural"}, {with(vehicle + `"air_meter": {"meters": [{}, {}]}}`), "vehicle.air_meter.meters", "expected 1"},
		{with(vehicle + `"air_meter": {"technology": "none", "meters": [{}]}}`), "vehicle.air_meter.meters", "none"}, {with(vehicle + `"air_meter": {"meters": [{"gain": 9}]}}`), "vehicle.air_meter.meters[0].gain", "0.7 to 1.3"},
		{with(vehicle + `"air_meter": {"technology": "none"}, "sensors": {"intake_air_temperature_location": "in_meter"}}`), "vehicle.sensors.intake_air_temperature_location", "no meter"},
		{with(vehicle + `"fuel": "diesel", "air_meter": {"technology": "none"}}`), "vehicle.air_meter.technology", "diesel"}, {with(vehicle + `"control": {"wide_band": 1}}`), "vehicle.control.wide_band", "true or false"},
		{with(vehicle + `"control": {"injector_scale": [1, 1]}}`), "vehicle.control.injector_scale", "each of 1"}, {with(vehicle + `"body": {"gears": [1, 2, 3, 4]}}`), "vehicle.body.gears", "first gear first"},
		{with(vehicle + `"body": {"gears": [1]}}`), "vehicle.body.gears", "a list of 1; expected a list of 4 to 8"}, {with(vehicle + `"signals": ["MPA"]}`), "vehicle.signals", `"MPA"`},
		{with(vehicle + `"signals": ["MAF", "MAF"]}`), "vehicle.signals", "twice"}, {with(vehicle + `"signals": ["MAFB"]}`), "vehicle.signals", "MAFB"}, {with(vehicle + `"signals": ["LongTermFuelTrim2"]}`), "vehicle.signals", "two banks"},
		{with(vehicle + `"intake": {"rated_flow_g_per_s": 5}}`), "vehicle.intake.rated_flow_g_per_s", "a third"}, {with(vehicle + `"air_meter": {"technology": "vane", "meters": [{"tau_ms": 5}]}}`), "vehicle.air_meter.meters[0].tau_ms", "20 or more"},
		{with(vehicle+`"cylinders": 4}`, `"fault": {"condition": "CONDITION_INTAKE_RESTRICTED", "cause": "CAUSE_FILTER_OR_DUCT", "magnitudes": {"filter_drop_kpa": -5}}`), "fault.magnitudes.filter_drop_kpa", "-1.3 or more"},
		{with(vehicle+`"cylinders": 4}`, `"fault": {"condition": "CONDITION_X"}`), "fault.condition", "CONDITION_METER_READS_LOW"},
		{with(vehicle+`"cylinders": 4}`, `"fault": {"condition": "CONDITION_FUEL_WEAK", "cause": "CAUSE_GAIN"}`), "fault.cause", "CAUSE_FUEL_BLEND"},
		{with(vehicle+`"cylinders": 4}`, `"fault": {"condition": "CONDITION_METER_READS_HIGH", "cause": "CAUSE_CHARGE_AIR_LOST"}`), "fault.cause", "a charged engine"},
		{with(vehicle+`"cylinders": 4}`, `"fault": {"cause": "CAUSE_GAIN"}`), "fault.cause", "without a fault"}, {with(vehicle+`"cylinders": 4}`, `"fault": {"severity": "mild"}`), "fault.severity", "none without"},
		{with(vehicle+`"cylinders": 4}`, `"fault": {"condition": "CONDITION_METER_READS_LOW", "cause": "CAUSE_GAIN", "magnitudes": {"meters": [{}, {}]}}`), "fault.magnitudes", "more meters"},
		{with(vehicle+`"cylinders": 4}`, `"fault": {"condition": "CONDITION_METER_READS_LOW", "cause": "CAUSE_GAIN", "magnitudes": {"meters": [{"gian": 1}]}}`), "fault.magnitudes.meters[0].gian", "is not known"},
		{with(vehicle+`"cylinders": 4}`, `"link": {"class": "string"}`), "link.class", "can_50"}, {with(vehicle+`"cylinders": 4}`, `"link": {"values_per_s": 0}`), "link.values_per_s", "0.5 to 1000 1/s"},
		{with(vehicle+`"cylinders": 4}`, `"driver": {"style": "wild"}`), "driver.style", "aborted_pull"}, {with(vehicle+`"cylinders": 4}`, `"driver": {"script": []}`), "driver.script", "a list of 0"},
		{with(vehicle+`"cylinders": 4}`, `"driver": {"script": [{"seconds": 1}]}`), "driver.script[0].do", "one of key_on"}, {with(vehicle+`"cylinders": 4}`, `"driver": {"script": [{"do": "pull", "gear": 9}]}`), "driver.script[0].gear", "0 to 8"},
		{with(vehicle+`"cylinders": 4}`, `"driver": {"script": [{"do": "pull", "gear": 7, "rpm": 1000, "until_rpm": 2000, "pedal": 1}]}`), "driver.script[0].gear", "at most 5"},
		{with(vehicle+`"cylinders": 4}`, `"driver": {"script": [{"do": "cruise", "seconds": 3}]}`), "driver.script[0].speed_kmh", "5 or more"}, {with(vehicle+`"cylinders": 4}`, `"seed": -1`), "seed", "whole number"},
		{with(vehicle+`"cylinders": 4}`, `"facts": {"displacement_l": 99}`), "facts.displacement_l", "0.05 to 30"}, {with(vehicle+`"cylinders": 4}`, `"facts": {"colour": 1}`), "facts.colour", "is not known"},
		{with(vehicle+`"cylinders": 4}`, `"day": {"altitude_m": 9000}`), "day.altitude_m", "-400 to 4500 m"},
	} {
		_, err := Read([]byte(c.text))
		var bad *FileError
		if !errors.As(err, &bad) {
			t.Errorf("%.80s: error is %v", c.text, err)
			continue
		}
		if !slices.ContainsFunc(bad.Problems, func(p Problem) bool { return p.Field == c.field && strings.Contains(p.What, c.says) }) {
			t.Errorf("%.120s: %v\nwant one about %q that says %q", c.text, err, c.field, c.says)
		}
	}
}

func TestAllThatIsWrongIsNamedAtOnce(t *testing.T) {
	_, err := Read([]byte(`{"name": "a", "vehicle": {"displacement_l": 99, "cylinders": 99}, "link": {"class": "x"}}`))
	var bad *FileError
	if !errors.As(err, &bad) || len(bad.Problems) != 3 {
		t.Errorf("error is %v, want three problems", err)
	}
}

// Every condition and cause of the API can be simulated, so that none goes untried.
func TestSimulatorKnowsEveryConditionAndCauseOfTheAPI(t *testing.T) {
	for name, value := range airassayv1beta1.Condition_value {
		if value != 0 && !slices.Contains(Conditions, name) {
			t.Errorf("%s cannot be simulated", name)
		}
	}
	for name, value := range airassayv1beta1.Cause_value {
		known := name == "CAUSE_NONE" || name == "CAUSE_UNFILTERED_AIR" || name == "CAUSE_NOT_MODELLED" ||
			slices.ContainsFunc(faults, func(f fault) bool { return f.cause == name })
		if value != 0 && !known {
			t.Errorf("%s cannot be simulated", name)
		}
	}
	for _, f := range faults {
		if airassayv1beta1.Condition_value[f.condition] == 0 || airassayv1beta1.Cause_value[f.cause] == 0 {
			t.Errorf("%s by %s is unknown to the API", f.condition, f.cause)
		}
	}
}

func TestFileAndSimulatorAgreeOnWords(t *testing.T) {
	oneof := func(in any, key string) []string {
		for _, f := range fieldsOf(reflect.TypeOf(in)) {
			if f.name == key {
				return strings.Fields(f.tag.Get("oneof"))
			}
		}
		return nil
	}
	if got := oneof(Link{}, "class"); !reflect.DeepEqual(got, linkNames()) {
		t.Errorf("link classes are %v and %v", got, linkNames())
	}
	if got := oneof(Segment{}, "do"); !reflect.DeepEqual(got, segmentKinds) {
		t.Errorf("parts of a drive are %v and %v", got, segmentKinds)
	}
	if got := oneof(MeterMagnitudes{}, "signal"); !reflect.DeepEqual(got, signalFaults) {
		t.Errorf("faults of a signal are %v and %v", got, signalFaults)
	}
	for _, style := range slices.Concat(badStyles, namedStyles) {
		for _, f := range fieldsOf(reflect.TypeFor[Driver]()) {
			if f.name == "style" && !strings.Contains(f.tag.Get("doc"), style) {
				t.Errorf("the style %s is not documented", style)
			}
		}
	}
	for _, c := range []struct{ got, want string }{
		{word("cng", engine.CNG, engine.Fuel.String).String(), "cng"}, {word("karman", engine.Karman, engine.MeterTechnology.String).String(), "karman"},
		{word("severe", Severe, Severity.String).String(), "severe"}, {word("after_cooler", engine.AfterCooler, engine.SensorLocation.String).String(), "after_cooler"},
	} {
		if c.got != c.want {
			t.Errorf("%s became %s", c.want, c.got)
		}
	}
	if _, ok := link.ByName("can_50"); !ok {
		t.Error("the default link is unknown")
	}
}

// walk visits every field of the file's types with its path.
func walk(t reflect.Type, path string, each func(path string, kind reflect.Kind, tag reflect.StructTag)) {
	for _, f := range fieldsOf(t) {
		x := t.Field(f.at).Type
		each(join(path, f.name), x.Kind(), f.tag)
		list := ""
		for x.Kind() == reflect.Pointer || x.Kind() == reflect.Slice {
			if x.Kind() == reflect.Slice {
				list = "[]"
			}
			x = x.Elem()
		}
		if x.Kind() == reflect.Struct {
			walk(x, join(path, f.name)+list, each)
		}
	}
}

func TestTagsOfTheFileAreWhatTheyPromise(t *testing.T) {
	walk(reflect.TypeFor[File](), "", func(path string, kind reflect.Kind, tag reflect.StructTag) {
		low, high := bounds(tag.Get("range"))
		number := kind == reflect.Float64 || kind == reflect.Int
		if number && tag.Get("range") == "" && !strings.HasPrefix(path, "fault.second") || low >= high {
			t.Errorf("%s: range %q", path, tag.Get("range"))
		}
		text, ok := tag.Lookup("default")
		if !ok {
			return
		}
		v, err := strconv.ParseFloat(text, 64)
		if number && (err != nil || v < low || v > high) {
			t.Errorf("%s: default %q is not in %q", path, text, tag.Get("range"))
		}
		if words := strings.Fields(tag.Get("oneof")); len(words) > 0 && !slices.Contains(words, text) {
			t.Errorf("%s: default %q is not one of %v", path, text, words)
		}
	})
}

// reference is the table of README.md.
func reference() string {
	var out strings.Builder
	out.WriteString("| field | unit | values | when left out | meaning |\n| --- | --- | --- | --- | --- |\n")
	walk(reflect.TypeFor[File](), "", func(path string, kind reflect.Kind, tag reflect.StructTag) {
		if strings.HasPrefix(path, "facts.") {
			return // those of a vehicle file
		}
		values := strings.Join(strings.Fields(tag.Get("oneof")), ", ")
		between := func(key, before string) {
			if words := strings.Fields(tag.Get(key)); len(words) == 2 {
				values = strings.TrimPrefix(values+"; ", "; ") + before + words[0] + " to " + words[1]
			}
		}
		between("count", "a list of ")
		switch kind {
		case reflect.Struct, reflect.Pointer:
			values = "object"
		case reflect.Bool:
			values = "true, false"
		case reflect.Uint64:
			values = "whole number, 0 or more"
		case reflect.String:
			between("range", "characters: ")
		case reflect.Int:
			between("range", "whole: ")
		default:
			between("range", "")
		}
		missing := tag.Get("default")
		if d := tag.Get("derived"); d != "" {
			missing = "*" + d + "*"
		}
		fmt.Fprintf(&out, "| `%s` | %s | %s | %s | %s |\n", path, tag.Get("unit"), values, missing, tag.Get("doc"))
	})
	return out.String()
}

const (
	referenceBegin = "<!-- reference: go test ./plugins/simulator/scenario -run Reference -update -->\n\n"
	referenceEnd   = "\n<!-- end of reference -->\n"
)

// Who writes a file by the page would be refused, or would miss what there is.
func TestReferenceOfTheReadmeIsThatOfTheCode(t *testing.T) {
	page, err := os.ReadFile("README.md")
	if err != nil {
		t.Fatal(err)
	}
	before, rest, ok := strings.Cut(string(page), referenceBegin)
	old, after, ok2 := strings.Cut(rest, referenceEnd)
	if !ok || !ok2 {
		t.Fatal("README.md lacks the marks of the reference")
	}
	if *update {
		if err := os.WriteFile("README.md", []byte(before+referenceBegin+reference()+referenceEnd+after), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if old != reference() {
		t.Error("the reference is not that of the code; run go test ./plugins/simulator/scenario -run Reference -update")
	}
}

func TestExamplesOfTheReadmeAreFiles(t *testing.T) {
	page, err := os.ReadFile("README.md")
	if err != nil {
		t.Fatal(err)
	}
	blocks := strings.Split(string(page), "```json\n")[1:]
	for _, block := range blocks {
		text, _, _ := strings.Cut(block, "```")
		if _, err := Read([]byte(text)); err != nil {
			t.Errorf("%s\n%v", text, err)
		}
	}
	if len(blocks) == 0 {
		t.Error("README.md has no example")
	}
}

// What can be read can be written and read back, whatever stands in it.
func FuzzRead(f *testing.F) {
	f.Add([]byte(shortest))
	for _, name := range Names() {
		data, err := namedFiles.ReadFile("named/" + name + ".json")
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Add([]byte(with(`"vehicle": {"displacement_l": 0.3, "cylinders": 12, "banks": 2, "aspiration": "turbo", "charger": {"max_ratio": 3.5, "spool_s": 0.05, "full_rpm": 500}, "body": {"mass_kg": 400, "inertia_kg_m2": 0.02}}`)))
	f.Add([]byte(with(`"vehicle": {"displacement_l": 8, "fuel": "diesel", "breathing": {"egr_share": 0.6}, "intake": {"manifold_volume_l": 0.2, "rated_flow_g_per_s": 5}}`)))
	f.Fuzz(func(t *testing.T, data []byte) {
		file, err := Read(data)
		if err != nil {
			return
		}
		text, err := file.Write()
		if err != nil {
			t.Fatal(err)
		}
		back, err := Read(text)
		if err != nil {
			t.Fatalf("what was written is refused: %v\n%s", err, text)
		}
		again, err := back.Write()
		if err != nil || !bytes.Equal(text, again) {
			t.Fatalf("reading back gives another file (%v)", err)
		}
	})
}

// bases are vehicles of every kind, with a fault.
var bases = []string{
	`"vehicle": {"displacement_l": 2}, "fault": {"condition": "CONDITION_METER_READS_LOW", "cause": "CAUSE_GAIN"}`,
	`"vehicle": {"displacement_l": 1.4, "aspiration": "turbo"}, "fault": {"condition": "CONDITION_METER_READS_HIGH", "cause": "CAUSE_CHARGE_AIR_LOST"}`,
	`"vehicle": {"displacement_l": 3.5}, "fault": {"condition": "CONDITION_UNKNOWN", "cause": "CAUSE_ONE_BANK"}`,
	`"vehicle": {"displacement_l": 1.9, "fuel": "diesel", "aspiration": "turbo"}, "fault": {"condition": "CONDITION_METER_SIGNAL_FAULT", "cause": "CAUSE_INTERMITTENT"}`,
	`"vehicle": {"displacement_l": 1, "air_meter": {"technology": "none"}}, "fault": {"condition": "CONDITION_MANIFOLD_PRESSURE_FAULT", "cause": "CAUSE_BIAS"}`,
	`"vehicle": {"displacement_l": 2.3, "air_meter": {"technology": "vane"}}, "fault": {"condition": "CONDITION_LEAK_AFTER_METER", "cause": "CAUSE_MANIFOLD_LEAK"}`,
	`"vehicle": {"displacement_l": 1.8, "air_meter": {"technology": "karman"}, "aspiration": "supercharged"}, "fault": {"condition": "CONDITION_FUEL_WEAK", "cause": "CAUSE_FUEL_BLEND"}`,
}

// tame are words that others must agree with.
var tame = []string{"severity", "aspiration", "fuel", "technology", "class", "intake_air_temperature_location"}

// wild sets many numbers and words of a file to anything that is allowed, the ends of a range more often than not.
func wild(v reflect.Value, random *rand.Rand) {
	for _, f := range fieldsOf(v.Type()) {
		x := v.Field(f.at)
		low, high := bounds(f.tag.Get("range"))
		share := random.Float64()
		if random.IntN(3) == 0 {
			share = math.Round(share)
		}
		switch x.Kind() {
		case reflect.Struct:
			if x.Type() != reflect.TypeFor[Charger]() || !x.IsZero() {
				wild(x, random)
			}
		case reflect.Pointer:
			if x.Type().Elem() == reflect.TypeFor[Magnitudes]() {
				wild(x.Elem(), random)
			}
		case reflect.Slice:
			for i := range x.Len() {
				if e := x.Index(i); e.Kind() == reflect.Struct && e.Type() != reflect.TypeFor[Segment]() {
					wild(e, random)
				}
			}
		case reflect.Bool:
			x.SetBool(random.IntN(2) == 0)
		case reflect.Float64:
			if !math.IsInf(low, 0) && random.IntN(2) == 0 {
				x.SetFloat(math.Min(high, low+share*(high-low)))
			}
		case reflect.String:
			if words := strings.Fields(f.tag.Get("oneof")); len(words) > 0 && !slices.Contains(tame, f.name) && random.IntN(2) == 0 {
				x.SetString(words[random.IntN(len(words))])
			}
		}
	}
}

// drivesOrBreaks drives the first seconds of a scenario; a vehicle that cannot exist ends its drive, and nothing else.
func drivesOrBreaks(t *testing.T, file *File, seconds float64) {
	t.Helper()
	c := file.Case()
	d := c.Prepare().Start()
	for !d.Done() && d.Now() < seconds {
		d.Step()
		for _, s := range c.Signals {
			if v := s.Quantise(d.Value(s)); math.IsNaN(v) || v < s.Define().Min || v > s.Define().Max {
				t.Fatalf("%s shows %v", s.Define().Path, v)
			}
		}
	}
}

// Whatever a file may say, driving it ends neither the program nor the test.
func FuzzDrive(f *testing.F) {
	for seed := range uint64(24) {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, seed uint64) {
		random := rand.New(rand.NewPCG(seed, 1))
		base := bases[random.IntN(len(bases))]
		file := mustRead(t, with(base, `"driver": {"script": [{"do": "start"}, {"do": "cruise", "speed_kmh": 30, "seconds": 5}, {"do": "pull", "gear": 2, "rpm": 1500, "until_rpm": 5000, "pedal": 1}]}`))
		wild(reflect.ValueOf(&file).Elem(), random)
		file.Vehicle.Intake.RatedFlow = file.Vehicle.usualFlow() * math.Exp(2*random.Float64()-1)
		text, err := file.Write()
		if err != nil {
			t.Fatal(err)
		}
		if file, err = Read(text); err != nil {
			return // contradicts itself
		}
		drivesOrBreaks(t, &file, 30)
	})
}

func TestVehicleThatCannotExistEndsItsDrive(t *testing.T) {
	f := mustRead(t, with(`"vehicle": {"displacement_l": 2, "air_meter": {"technology": "vane"}}`))
	c := f.Case()
	c.Spec.Meters[0].Tau = 0.001 // a flap without mass
	if r := c.Run(); !r.Broken || r.Seconds > 60 {
		t.Errorf("broken is %t after %.1f s", r.Broken, r.Seconds)
	}
}
