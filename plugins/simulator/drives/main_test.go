// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestCommandWritesAWholeCase(t *testing.T) {
	out := t.TempDir()
	if err := run([]string{"-out", out, "-n", "1", "-seed", "3", "-link", "kline_8", "-condition", "CONDITION_FUEL_WEAK"}); err != nil {
		t.Fatal(err)
	}
	folder := filepath.Join(out, "case-0001")
	for _, name := range []string{"vehicle.json", "truth.json"} {
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
		{[]string{"-out", "x", "-condition", "y"}, "condition"},
	} {
		if err := run(c.args); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("run(%q) = %v, want an error that says %q", c.args, err, c.says)
		}
	}
}
