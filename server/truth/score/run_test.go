// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// score runs the command and returns what it printed.
func score(t *testing.T, args ...string) (stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	if err := run(t.Context(), args, &out, &errs); err != nil {
		t.Fatalf("%v: %v", args, err)
	}
	return out.String(), errs.String()
}

// few cases on slow links are quick.
var few = []string{"--cases", "16", "--seeds", "unit", "--only", "link=kline_6,link=kline_8"}

func TestCommandPrintsNoTargetOrNoProgress(t *testing.T) {
	folder := t.TempDir()
	lines := filepath.Join(folder, "cases.jsonl")
	text, progress := score(t, append(few, "--lines", lines, "--cache", folder, "--variants", "2")...)
	for _, want := range []string{"Targets: ", "true meter condemned", "By link", "kline_8", "naive: trim"} {
		if !strings.Contains(text, want) {
			t.Errorf("the tables lack %q", want)
		}
	}
	if !strings.Contains(progress, "16 of 16") || !strings.Contains(progress, "left") {
		t.Errorf("progress is %q", progress)
	}
	data, err := os.ReadFile(lines)
	if err != nil {
		t.Fatal(err)
	}
	count := bytes.Count(data, []byte("\n"))
	if count == 0 || count >= 16 {
		t.Errorf("%d lines, want those of two links of seven", count)
	}
	again, _ := score(t, append(few, "--cache", folder, "--compare", lines, "--markdown")...)
	if !strings.Contains(again, "### Against the earlier run") || !strings.Contains(again, "| no longer right | 0 |  |") {
		t.Error("a second run of the same cases differs from the first, or is not compared")
	}
}

func TestFiguresAreNoJSON(t *testing.T) {
	text, _ := score(t, append(few, "--json")...)
	var r struct {
		Cases   int `json:"cases"`
		Targets []struct {
			Name string `json:"name"`
		} `json:"targets"`
		Assay struct {
			Right struct {
				Of int `json:"of"`
			} `json:"right"`
		} `json:"assay"`
	}
	if err := json.Unmarshal([]byte(text), &r); err != nil {
		t.Fatal(err)
	}
	if r.Cases == 0 || len(r.Targets) < 8 || r.Assay.Right.Of == 0 {
		t.Errorf("the figures are %+v", r)
	}
}

func TestCaseCannotBeDrivenAgainByItsID(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "case")
	text, _ := score(t, "--case", "dev-00003", "--write", folder)
	for _, want := range []string{`"id": "dev-00003"`, `"condition":`, `"right":`, "dev-00003"} {
		if !strings.Contains(text, want) {
			t.Errorf("the case lacks %q", want)
		}
	}
	for _, name := range []string{"recording.csv", "vehicle.json", "truth.json"} {
		if info, err := os.Stat(filepath.Join(folder, name)); err != nil || info.Size() == 0 {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestWrongFlagsAreTaken(t *testing.T) {
	for _, c := range []struct {
		args []string
		says string
	}{
		{[]string{"--cases", "0"}, "--cases is 0"}, {[]string{"--parallel", "0"}, "--parallel is 0"}, {[]string{"x"}, `"x"`},
		{[]string{"--cases", "3", "--variants", "4"}, "--variants is 4"}, {[]string{"--json", "--markdown"}, "exclude"},
		{[]string{"--write", "x"}, "--case"}, {[]string{"--only", "colour=red"}, "colour=red"}, {[]string{"--only", "link"}, "link"},
		{[]string{"--case", "dev"}, `"dev"`}, {[]string{"--seeds", "Dev Seeds"}, "Dev Seeds"}, {[]string{"--compare", "no-such-file"}, "no-such-file"},
		{[]string{"--cases", "2", "--only", "fuel=water"}, "no case matches"},
		{[]string{"--seeds", "test", "--lines", "x"}, "test seeds"}, {[]string{"--seeds", "test", "--only", "fuel=diesel"}, "test seeds"},
		{[]string{"--case", "test-00001"}, "test seeds"}, {[]string{"--seeds", "test", "--compare", "x"}, "test seeds"},
	} {
		var out, errs bytes.Buffer
		if err := run(t.Context(), c.args, &out, &errs); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v: error is %v, want one with %q", c.args, err, c.says)
		}
	}
}
