// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
)

func TestCommandWritesAWholeCase(t *testing.T) {
	out := t.TempDir()
	if err := run([]string{"-out", out, "-scenario-files", "-n", "1", "-seed", "3", "-link", "kline_8", "-condition", "CONDITION_FUEL_WEAK"}, io.Discard); err != nil {
		t.Fatal(err)
	}
	folder := filepath.Join(out, "case-0001")
	for _, name := range []string{"vehicle.json", "truth.json", "scenario.json"} {
		data, err := os.ReadFile(filepath.Join(folder, name))
		if err != nil {
			t.Fatal(err)
		}
		var m map[string]any
		if err := json.Unmarshal(data, &m); err != nil || len(m) == 0 {
			t.Errorf("%s is not an object with content: %v", name, err)
		}
	}
	data, err := os.ReadFile(filepath.Join(folder, "recording.csv"))
	if err != nil || !strings.HasPrefix(string(data), "time_s,") {
		t.Errorf("recording.csv starts with %.20q (%v)", data, err)
	}
}

func TestCommandSaysWhatIsWrong(t *testing.T) {
	for _, c := range []struct {
		args []string
		says string
	}{
		{nil, "-out"}, {[]string{"-out", "x", "-n", "0"}, "-n"}, {[]string{"-out", "x", "-scenario", "y"}, "y"},
		{[]string{"-out", "x", "-condition", "y"}, "condition"}, {[]string{"-scenario", "van"}, "-out"}, {[]string{"-file", "nothing.json"}, "nothing.json"},
		{[]string{"-compare", "main.go", "-litres", "-1"}, "-litres"}, {[]string{"-compare", "nothing.csv"}, "nothing.csv"},
	} {
		if err := run(c.args, io.Discard); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("run(%q) = %v, want an error that says %q", c.args, err, c.says)
		}
	}
}

// The file that -show prints is one that -file takes, and it drives the same.
func TestScenarioThatWasShownDrivesTheSame(t *testing.T) {
	folder := t.TempDir()
	var shown bytes.Buffer
	if err := run([]string{"-scenario", "badly-driven", "-show"}, &shown); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(folder, "shown.json")
	if err := os.WriteFile(file, shown.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	var drives [2][]byte
	for i, args := range [][]string{{"-scenario", "badly-driven"}, {"-file", file}} {
		out := filepath.Join(folder, string(rune('a'+i)))
		if err := run(append(args, "-out", out), io.Discard); err != nil {
			t.Fatal(err)
		}
		data, err := os.ReadFile(filepath.Join(out, "recording.csv"))
		if err != nil {
			t.Fatal(err)
		}
		drives[i] = data
	}
	if len(drives[0]) == 0 || !bytes.Equal(drives[0], drives[1]) {
		t.Errorf("%d and %d bytes differ", len(drives[0]), len(drives[1]))
	}
}

// What lies in the examples is what its page says how to write.
func TestExampleDriveIsThatOfTheScenario(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("the example was written on amd64; other processors fuse multiplications, and differ in the last digits")
	}
	out := t.TempDir()
	if err := run([]string{"-scenario", "van", "-out", out}, io.Discard); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"recording.csv", "vehicle.json", "truth.json"} {
		made, err := os.ReadFile(filepath.Join(out, name))
		if err != nil {
			t.Fatal(err)
		}
		kept, err := os.ReadFile(filepath.Join("..", "..", "..", "examples", "drives", "van", name))
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(made, kept) {
			t.Errorf("%s is not that of examples/drives/van; write it again as examples/drives/README.md says", name)
		}
	}
}

func TestListNamesEveryScenario(t *testing.T) {
	var out bytes.Buffer
	if err := run([]string{"-list"}, &out); err != nil || strings.Count(out.String(), "\n") != 10 || !strings.HasPrefix(out.String(), "van ") {
		t.Errorf("listed (%v)\n%s", err, out.String())
	}
}
