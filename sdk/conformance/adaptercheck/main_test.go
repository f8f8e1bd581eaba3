// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build unix

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"encoding/xml"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/conformance"
)

// roleEnv makes the test's own program an adapter.
const roleEnv = "ADAPTERCHECK_TEST_ROLE"

func TestMain(m *testing.M) {
	if os.Getenv(roleEnv) != "" {
		adapter.Serve(box{})
	}
	goleak.VerifyTestMain(m)
}

// box is an adapter with a link; what it is asked it writes down.
type box struct{}

func (box) Describe() adapter.Description {
	return adapter.Description{Name: "box", Version: "1.0.0", Summary: "For tests.", Abilities: []adapter.Ability{adapter.AbilityLink}}
}

func (box) Configure(_ context.Context, configuration []byte) (func(), error) {
	var c struct {
		Port string `json:"port"`
	}
	return nil, adapter.Decode(configuration, &c)
}

func (box) Devices(context.Context) ([]adapter.Device, error) {
	if _, err := os.Stat(filepath.Join(os.Getenv(roleEnv), "unplugged")); err == nil {
		return nil, nil
	}
	return []adapter.Device{{ID: "box-1"}, {ID: "box-2"}}, nil
}

func (box) Open(context.Context, string) (adapter.Conn, error) { return conn{}, nil }

type conn struct{}

func (conn) Close() error { return nil }

func (conn) Request(ctx context.Context, r adapter.Request) (adapter.Answers, error) {
	if r.Target == 0x7E1 {
		select {
		case <-time.After(r.Timeout):
			return adapter.Answers{}, adapter.ErrSilent
		case <-ctx.Done():
			return adapter.Answers{}, ctx.Err()
		}
	}
	return adapter.Answers{Answers: []adapter.Answer{{Source: 0x7E8, Payload: []byte{r.Payload[0] + 0x40, r.Payload[1], 1, 2, 3, 4}}}}, nil
}

// call runs the program on the box; folder is its hardware.
func call(t *testing.T, folder string, args ...string) (code int, out, errs string) {
	t.Helper()
	var o, e bytes.Buffer
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	args = append(append(args, "--env", roleEnv+"="+folder), program)
	code = run(t.Context(), args, &o, &e)
	return code, o.String(), e.String()
}

func write(t *testing.T, folder, name, text string) string {
	t.Helper()
	path := filepath.Join(folder, name)
	if err := os.WriteFile(path, []byte(text), 0o755); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestConformantAdapterExitsWith0AndItsReports(t *testing.T) {
	folder := t.TempDir()
	junit := filepath.Join(folder, "junit.xml")
	code, out, errs := call(t, folder, "--only", "M1,R4", "--only", "L3", "--json", "--junit", junit, "--device", "box-2", "--silent", "7E1:01 0C",
		"--config", write(t, folder, "good.json", `{"port": "COM1"}`),
		"--unplug", write(t, folder, "unplug", "#!/bin/sh\n: > "+filepath.Join(folder, "unplugged")+"\n"),
		"--replug", write(t, folder, "replug", "#!/bin/sh\nrm "+filepath.Join(folder, "unplugged")+"\n"))
	if code != exitConformant {
		t.Fatalf("%d\n%s\n%s", code, out, errs)
	}
	var r conformance.Report
	if err := json.Unmarshal([]byte(out), &r); err != nil || len(r.Results) != 3 || r.Device != "box-2" {
		t.Errorf("%v: %s", err, out)
	}
	for _, one := range r.Results {
		if one.Status != conformance.Passed {
			t.Errorf("%s is %s: %s", one.ID, one.Status, one.Reason)
		}
	}
	var suite struct {
		Tests int `xml:"tests,attr"`
	}
	if data, err := os.ReadFile(junit); err != nil || xml.Unmarshal(data, &suite) != nil || suite.Tests != 3 {
		t.Errorf("%v, %d tests", err, suite.Tests)
	}
	if !strings.Contains(errs, "3 of 3: ") {
		t.Errorf("no progress: %s", errs)
	}
}

func TestBrokenAdapterExitsWith1AndSaysWhatToDo(t *testing.T) {
	folder := t.TempDir()
	code, out, _ := call(t, folder, "--only", "F1", "--verbose", "--bad-config", write(t, folder, "bad.json", `{"port": "COM1"}`))
	if code != exitNot {
		t.Fatalf("%d\n%s", code, out)
	}
	for _, want := range []string{"FAILED    F1", "sentence  F1: An unusable configuration", "expected", "seen      success", "to do", "not all chosen checks passed"} {
		if !strings.Contains(out, want) {
			t.Errorf("the report lacks %q:\n%s", want, out)
		}
	}
}

func TestUnusableArgumentsExitWith2AndSayWhy(t *testing.T) {
	for want, args := range map[string][]string{
		"no executable":         nil,
		"there is no file":      {"nowhere"},
		"no hexadecimal number": {"--silent", "xyz:0100", "box"},
		"no row of bytes":       {"--silent", "01 0", "box"},
		"NAME=value":            {"--env", "X", "box"},
		"no such file":          {"--config", "nowhere.json", "box"},
		"there is no profile":   {"--profile", "brake", os.Args[0]},
		"there is no check":     {"--only", "Z9", os.Args[0]},
		"flag provided but not": {"--fast", "box"},
		"does more than read":   {"--refused", "04", os.Args[0]},
		"come together":         {"--unplug", "x", os.Args[0]},
	} {
		var out, errs bytes.Buffer
		if code := run(t.Context(), args, &out, &errs); code != exitUsage || !strings.Contains(errs.String(), want) {
			t.Errorf("%q: %d, want %q in:\n%s", args, code, want, errs.String())
		}
	}
}

func TestListNamesEveryCheckAndSentence(t *testing.T) {
	var out, errs bytes.Buffer
	if code := run(t.Context(), []string{"--list"}, &out, &errs); code != 0 {
		t.Fatalf("%d: %s", code, errs.String())
	}
	for _, i := range conformance.Items() {
		if !strings.Contains(out.String(), "\n"+i.ID+" ") && !strings.HasPrefix(out.String(), i.ID) || !strings.Contains(out.String(), i.Title) {
			t.Errorf("%s is missing", i.ID)
		}
	}
	for _, s := range conformance.Sentences() {
		if !strings.Contains(out.String(), s.Number+": "+s.Text) {
			t.Errorf("sentence %s is missing", s.Number)
		}
	}
}

func TestHelpExitsWith0(t *testing.T) {
	var out, errs bytes.Buffer
	if code := run(t.Context(), []string{"--help"}, &out, &errs); code != 0 || !strings.Contains(errs.String(), "--") && !strings.Contains(errs.String(), "EXECUTABLE") {
		t.Errorf("%d: %s", code, errs.String())
	}
}

func TestHandsThatFailAreTold(t *testing.T) {
	folder := t.TempDir()
	broken := write(t, folder, "broken", "#!/bin/sh\necho relay stuck >&2\nexit 1\n")
	if err := act(broken)(t.Context()); err == nil || !strings.Contains(err.Error(), "relay stuck") {
		t.Errorf("got %v", err)
	}
	if _, err := count(t.Context(), broken); err == nil {
		t.Error("a count came of it")
	}
	words := write(t, folder, "words", "#!/bin/sh\necho many\n")
	if _, err := count(t.Context(), words); err == nil || !strings.Contains(err.Error(), "prints no number") {
		t.Errorf("got %v", err)
	}
	if n, err := count(t.Context(), write(t, folder, "number", "#!/bin/sh\necho 42\n")); err != nil || n != 42 {
		t.Errorf("got %d, %v", n, err)
	}
}
