// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// mostMemory is what a refusal may take beyond a call that reads nothing: far less
// than the files that it refuses.
const mostMemory = 64 << 20

const head = "time_s,EngineSpeed,MAF,IntakeTemp\n"

// badInput is a file that cannot be used, and where and why the program must say
// so. The last argument of the call is the file.
type badInput struct {
	name, text string
	// place is what follows the file's name: ":2:3: ", or ": " for the file as a whole.
	place string
	want  []string
	// file is drive.csv where it is not named.
	file string
	args []string
}

func badRecordings() []badInput {
	return []badInput{
		{name: "empty file", text: "", place: ": ", want: []string{"the file is empty"}},
		{name: "only a byte order mark", text: "\xEF\xBB\xBF", place: ": ", want: []string{"the file is empty"}},
		{name: "only blank lines", text: "\n\r\n\n", place: ": ", want: []string{"the file is empty"}},
		{name: "only a header", text: head, place: ": ", want: []string{"no data row"}},
		{name: "no sample", text: head + "0,,,\n1,,,\n", place: ": ", want: []string{"there is no sample"}},
		{name: "truncated in a row", text: head + "0,800,2.5,20\n1,80", place: ":3: ", want: []string{"got 2 cells", "4 cells as in the header"}},
		{name: "truncated in a quote", text: head + "0,\"800", place: ":2:2: ", want: []string{"not closed"}},
		{name: "long row", text: head + "0,800,2.5,20,9\n", place: ":2: ", want: []string{"got 5 cells"}},
		{name: "unknown signal", text: "time_s,MAFF\n0,1\n", place: ":1:2: ", want: []string{"did you mean MAF?"}},
		{name: "signal in other case", text: "time_s,MAF,enginespeed\n0,1,2\n", place: ":1:3: ", want: []string{"did you mean EngineSpeed?"}},
		{name: "signal without a name", text: "time_s,MAF,\n0,1,\n", place: ":1:3: ", want: []string{"separator at the end"}},
		{name: "duplicate column", text: "time_s,MAF,MAF\n0,1,2\n", place: ":1:3: ", want: []string{"columns 2 and 3"}},
		{name: "duplicate by its long name", text: "time_s,MAF,Vehicle.OBD.MAF\n0,1,2\n", place: ":1:3: ", want: []string{"columns 2 and 3"}},
		{name: "no signal", text: "time_s\n0\n", place: ":1: ", want: []string{"no signal column"}},
		{name: "text in a cell", text: head + "0,800,2.5,20\n1,idle,2.5,20\n", place: ":3:2: ", want: []string{`"idle"`, "a decimal number in rpm"}},
		{name: "NaN", text: head + "0,NaN,,\n", place: ":2:2: ", want: []string{"NaN"}},
		{name: "infinity", text: head + "0,,Inf,\n", place: ":2:3: ", want: []string{"Inf"}},
		{name: "negative infinity", text: head + "0,,-inf,\n", place: ":2:3: ", want: []string{"-inf"}},
		{name: "overflow", text: head + "0,,1e999,\n", place: ":2:3: ", want: []string{"1e999"}},
		{name: "hexadecimal", text: head + "0,0x10,,\n", place: ":2:2: ", want: []string{"0x10"}},
		{name: "unit in a cell", text: head + "0,,2.5 g/s,\n", place: ":2:3: ", want: []string{"2.5 g/s"}},
		{name: "decimal comma", text: head + "0,800,2,5,20\n", place: ":2: ", want: []string{"got 5 cells"}},
		{name: "wrong unit, pressure in Pa", text: "time_s,MAP\n0,101325\n", place: ":2:2: ", want: []string{"in kPa", "check the unit"}},
		{name: "wrong unit, temperature in K", text: head + "0,,,293.15\n", place: ":2:4: ", want: []string{"-40 to 215 in Celsius"}},
		{name: "negative engine speed", text: head + "0,-5,,\n", place: ":2:2: ", want: []string{"0 to 16383.75 in rpm"}},
		{name: "load of 300 %", text: "time_s,EngineLoad\n0,300\n", place: ":2:2: ", want: []string{"0 to 100 in percent"}},
		{name: "half a code", text: "time_s,FuelStatus\n0,2.5\n", place: ":2:2: ", want: []string{"whole number"}},
		{name: "time blank", text: head + ",800,,\n", place: ":2:1: ", want: []string{"seconds since the start"}},
		{name: "time of day", text: head + "08:15:30,800,,\n", place: ":2:1: ", want: []string{"12.345"}},
		{name: "time negative", text: head + "-1,800,,\n", place: ":2:1: ", want: []string{"0 to 100000000"}},
		{name: "time NaN", text: head + "NaN,800,,\n", place: ":2:1: ", want: []string{"NaN"}},
		{name: "time since 1970", text: head + "1900000000,800,,\n", place: ":2:1: ", want: []string{"1900000000"}},
		{name: "time backwards", text: head + "1,800,,\n0.999,800,,\n", place: ":3:1: ", want: []string{`"0.999" after 1`}},
		{name: "quote inside a cell", text: head + "0,8\"00,,\n", place: ":2:2: ", want: []string{"quoting"}},
		{name: "NUL in a cell", text: head + "0,8\x0000,,\n", place: ":2:2: ", want: []string{"NUL"}},
		{name: "invalid UTF-8", text: head + "0,800,\xff,\n", place: ":2:3: ", want: []string{"0xFF"}},
		{name: "encoding changes in the middle", text: head + "0,800,2.5,20\n1,8\xb5,,\n", place: ":3:2: ", want: []string{"0xB5"}},
		{name: "UTF-16 in the middle", text: head + "0,800,2.5,20\n1\x00,\x008\x00,\x00,\x00\n\x00", place: ":3:1: ", want: []string{"NUL"}},
		{name: "old line ends", text: "time_s,MAF\r0,1\r", place: ":1:2: ", want: []string{"LF or CRLF"}},
		{name: "carriage return inside", text: head + "0,800\r,,\n", place: ":2:2: ", want: []string{"carriage return"}},
		{name: "too many columns", text: "time_s" + strings.Repeat(",MAF", 5000) + "\n", place: ":1:4097: ", want: []string{"4096"}},
		{name: "long line", text: head + "0," + strings.Repeat("8", 2<<20) + ",,\n", place: ":2: ", want: []string{"the line is too long", "1 MiB"}},
		{name: "escape codes in a header", text: "time_s,\x1b[2JMAF\n0,1\n", place: ":1:2: ", want: []string{"the signal is unknown"}},
		{name: "escape codes in a cell", text: head + "0,\x1b]0;x\a,,\n", place: ":2:2: ", want: []string{"not a number"}},

		{name: "prose", text: "This is a letter.\nIt goes on.\n", place: ":1: ", want: []string{"no header row"}},
		{name: "numbers without a header", text: "1,2,3\n4,5,6\n", place: ":1: ", want: []string{"names of the columns"}},
		{name: "no known header", text: "foo,bar\n1,2\n", place: ":1: ", want: []string{`"foo", "bar"`}},
		{name: "another logger's header alone", text: "Time,RPM\n", place: ":1: ", want: []string{"rows of numbers"}},
		{name: "decimal commas between commas", text: "Time,RPM,MAF\n0,5,812,2,4\n1,5,813,2,5\n", place: ":2: ", want: []string{"decimal commas"}},
		{name: "an image", text: "\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR\x00\x00\x01\x00", place: ":", want: []string{"expected"}},
		{name: "an executable", text: "\x7fELF\x02\x01\x01\x00\x00\x00\x00\x00\x00\x00\x00\x00\x03\x00>\x00", place: ":1", want: []string{"NUL"}},
		{name: "an archive", text: "PK\x03\x04\x14\x00\x00\x00\x08\x00", place: ":1", want: []string{"NUL"}},
		{name: "a verdict", text: "{\n  \"name\": \"\",\n  \"assessment\": {}\n}\n", place: ":", want: []string{"expected"}},
	}
}

func badMappings() []badInput {
	m := func(name, text, place string, want ...string) badInput {
		return badInput{name: "mapping: " + name, text: text, place: place, want: want, file: "m.json", args: []string{"assay", "log.csv", "--mapping"}}
	}
	const columns = `"columns":[{"header":"Engine RPM","signal":"Vehicle.OBD.EngineSpeed"}]`
	const body = `"encoding":"utf-8","separator":";","decimal":",","header_line":1,`
	return []badInput{
		m("empty", "", ":1:1: ", "one JSON object"),
		m("not JSON", "mapping_version: 1\n", ":1:1: ", "one JSON object"),
		m("cut off", `{"mapping_version":1,`, ":1:", "one JSON object"),
		m("a list", "[]", ":1:1: ", "expected"),
		m("unknown key", `{"mapping_version":1,"kolumns":[]}`, ":1:22: ", "did you mean columns?"),
		m("another version", `{"mapping_version":2,`+body+`"clock":{"format":"row_order"},`+columns+"}", ": ", "mapping_version"),
		m("unknown clock", `{"mapping_version":1,`+body+`"clock":{"format":"sundial"},`+columns+"}", ": ", "sundial"),
		m("unknown signal", `{"mapping_version":1,`+body+`"clock":{"format":"row_order"},"columns":[{"header":"MAF (g/s)","signal":"Vehicle.OBD.MAFF"}]}`, ": ", "Vehicle.OBD.MAFF"),
		m("unit that does not fit", `{"mapping_version":1,`+body+`"clock":{"format":"row_order"},"columns":[{"header":"MAF (g/s)","signal":"Vehicle.OBD.MAF","unit":"kPa"}]}`, ": ", "kg/h"),
		m("no signal", `{"mapping_version":1,`+body+`"clock":{"format":"row_order"},"columns":[]}`, ": ", "at least one column"),
	}
}

func badVehicles() []badInput {
	v := func(name, file, text, place string, want ...string) badInput {
		return badInput{name: "vehicle: " + name, text: text, place: place, want: want, file: file, args: []string{"assay", "good.csv", "--vehicle"}}
	}
	return []badInput{
		v("empty", "v.json", "", ": ", "an empty file"),
		v("not JSON", "v.json", "{\"fuel\": \"diesel\",\n}", ":2:1: ", "one JSON object"),
		v("not YAML", "v.yaml", "fuel: diesel\n  x: [", ":2:1: ", "not YAML"),
		v("unknown key", "v.json", "{\n \"cylindres\": 4}", ":2:2: ", "did you mean cylinders?"),
		v("twice the same key", "v.json", "{\"fuel\":\"diesel\",\n\"fuel\":\"lpg\"}", ":2:1: ", "fuel"),
		v("displacement in cm³", "v.json", `{"displacement_l": 1998}`, ":1:20: ", "0.05 to 30"),
		v("negative displacement", "v.json", `{"displacement_l": -2}`, ":1:20: ", "0.05 to 30"),
		v("seventeen cylinders", "v.yaml", "cylinders: 17", ":1:12: ", "1 to 16"),
		v("colder than space", "v.json", `{"ambient_c": -400}`, ":1:15: ", "expected a number"),
		v("infinite height", "v.yaml", "altitude_m: .inf", ":1:13: ", "-430 to 6000"),
		v("no fuel at all", "v.json", `{"fuel": "water"}`, ":1:10: ", "gasoline"),
		v("facts that contradict each other", "v.yaml", "cylinders: 2\nbanks: 3", ":2:8: ", "at most one bank a cylinder"),
		v("a recording", "v.json", head+"0,800,,\n", ":1:", "one JSON object"),
		v("binary", "v.json", "{\"complaint\": \"\xff\"}", ":1:16: ", "UTF-8"),
	}
}

func TestBadInputIsRefusedWithPlaceAndReason(t *testing.T) {
	all := append(append(badRecordings(), badMappings()...), badVehicles()...)
	const least = 40
	if len(all) < least {
		t.Errorf("%d kinds of bad input, want at least %d", len(all), least)
	}
	for _, c := range all {
		t.Run(c.name, func(t *testing.T) {
			if c.file == "" {
				c.file, c.args = "drive.csv", []string{"assay"}
			}
			dir := folder(t, map[string]string{c.file: c.text, "log.csv": foreign, "good.csv": idling()})
			e := call(t, dir, append(c.args, c.file)...)
			wantStatus(t, e, 2)
			contains(t, "stderr", e.stderr, append(c.want, c.file+c.place)...)
			checkRefusal(t, e)
		})
	}
}

// checkRefusal demands that a refusal is short, tame and cheap.
func checkRefusal(t *testing.T, e ended) {
	t.Helper()
	if !strings.Contains(e.stderr, "expected") && !strings.Contains(e.stderr, "; ") {
		t.Errorf("not said what was expected or what to do: %s", e.stderr)
	}
	if len(e.stderr) > 4000 || strings.ContainsAny(e.stderr, "\x1b\x00\a\r") || strings.Contains(e.stderr, "goroutine") {
		t.Errorf("a refusal of %d bytes, or one that steers the terminal: %q", len(e.stderr), e.stderr[:min(len(e.stderr), 600)])
	}
	// A process starts its count with what its parent, this test, had taken.
	if idle := call(t, t.TempDir(), "version").memory; e.memory > idle+mostMemory {
		t.Errorf("%d MiB to refuse a file, %d MiB to do nothing", e.memory>>20, idle>>20)
	}
}

// A mapping may be right for one file and wrong for the next.
func TestMappedFileThatDoesNotFitIsRefused(t *testing.T) {
	const mapping = `{"mapping_version":1,"encoding":"utf-8","separator":";","decimal":",","header_line":1,
		"clock":{"header":"Time (s)","format":"seconds"},"columns":[{"header":"Engine RPM","signal":"Vehicle.OBD.EngineSpeed"}]}`
	for text, want := range map[string]string{
		"Time (s);Engine RPM\n5;800\n4;800\n":   "log.csv:3:1: column Time (s): the time runs backwards",
		"Time (s);Engine speed\n5;800\n":        `log.csv:1: column Engine RPM: a column of the mapping is missing`,
		"Time (s);Engine RPM\n5;idle\n6;idle\n": "log.csv:2:2: column Engine RPM: there is no sample",
		"Time (s),Engine RPM\n5,800\n":          "log.csv:1: ",
	} {
		e := call(t, folder(t, map[string]string{"m.json": mapping, "log.csv": text}), "assay", "log.csv", "--mapping", "m.json")
		wantStatus(t, e, 2)
		contains(t, "stderr", e.stderr, want)
		checkRefusal(t, e)
	}
}

// sparse makes a file that holds text and then size bytes of nothing, which take
// no room on the disk.
func sparse(t *testing.T, path, text string, size int64) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, size); err != nil {
		t.Skipf("no sparse files here: %v", err)
	}
}

func TestGigabyteLinesTakeNoGigabytes(t *testing.T) {
	const gigabyte = 1 << 30
	dir := t.TempDir()
	for name, text := range map[string]string{
		"row.csv":     head + "0," + strings.Repeat("8", 2<<20),
		"header.csv":  "time_s," + strings.Repeat("x", 2<<20),
		"foreign.csv": "Time;RPM\n0;" + strings.Repeat("8", 2<<20),
		"nothing.csv": "",
		"holes.csv":   head + "0,800,2.5,20\n",
	} {
		sparse(t, filepath.Join(dir, name), text, gigabyte)
		for _, command := range []string{"assay", "mapping"} {
			e := call(t, dir, command, name)
			wantStatus(t, e, 2)
			contains(t, "stderr", e.stderr, name+":")
			checkRefusal(t, e)
		}
	}
	sparse(t, filepath.Join(dir, "v.json"), "{", gigabyte)
	for _, flag := range []string{"--vehicle", "--mapping"} {
		e := call(t, folder(t, map[string]string{"drive.csv": idling()}), "assay", "drive.csv", flag, filepath.Join(dir, "v.json"))
		wantStatus(t, e, 2)
		checkRefusal(t, e)
	}
}

func TestPathsThatAreNoFilesAreRefused(t *testing.T) {
	dir := folder(t, map[string]string{"drive.csv": idling(), "sub/x": ""})
	if err := os.Symlink("loop", filepath.Join(dir, "loop")); err != nil {
		t.Logf("no symbolic links here: %v", err)
	}
	for path, want := range map[string]string{
		"sub": "a directory", "none.csv": "an existing file", "drive.csv/x": "expected", os.DevNull: "a regular file", "loop": "expected",
		strings.Repeat("x", 5000): "expected", "a\nairassayd: all is well": "an existing file",
	} {
		for _, command := range []string{"assay", "mapping"} {
			e := call(t, dir, command, path)
			wantStatus(t, e, 2)
			contains(t, "stderr", e.stderr, "the file cannot be read", want)
			if strings.Contains(e.stderr, "\nairassayd: all is well") {
				t.Errorf("a name fakes a message: %q", e.stderr)
			}
		}
	}
}
