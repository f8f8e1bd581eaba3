// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build unix

package conformance

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/airassay/airassay/sdk/host"
	"github.com/airassay/airassay/sdk/host/manifest"
)

// testLimits are those of the contract, with shorter looks and more room for a machine that runs many checks at once.
func testLimits() limits {
	l := contractLimits()
	l.slack, l.jitter = time.Second, 300*time.Millisecond
	l.record, l.stall, l.openings = time.Second, 1500*time.Millisecond, 40
	return l
}

// fullOptions lets the kit see all that it can: the vehicle of the fake and hands on its hardware.
func fullOptions(folder string) Options {
	file := func(name string) string { return filepath.Join(folder, name) }
	put := func(name string) func(context.Context) error {
		return func(context.Context) error { return os.WriteFile(file(name), nil, 0o600) }
	}
	take := func(name string) func(context.Context) error {
		return func(context.Context) error { return os.Remove(file(name)) }
	}
	return Options{
		Attempts:         3, // Other tests run beside these.
		BadConfiguration: `{"bad": true}`, BadFields: []string{"bad"}, Counter: countSignal, NoVehicle: true,
		Requests: Requests{Refused: refusedRequest, Silent: silentRequest, Garbled: garbledRequest},
		Hardware: Hardware{
			Unplug: put("unplugged"), Replug: take("unplugged"), Silence: put("silent"), Wake: take("silent"),
			Traffic: func(context.Context) (int64, error) {
				info, err := os.Stat(file("traffic"))
				if os.IsNotExist(err) {
					return 0, nil
				}
				if err != nil {
					return 0, err
				}
				return info.Size(), nil
			},
		},
		Timeout: 30 * time.Second, SampleTimeout: 5 * time.Second,
	}
}

func fakeProcess(t *testing.T, flaw, folder string, env ...string) Executable {
	t.Helper()
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	return Executable{Path: program, Dir: t.TempDir(), Env: append([]string{flawEnv + "=" + flaw, folderEnv + "=" + folder}, env...)}
}

func sdkProcess(t *testing.T) Executable {
	t.Helper()
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	return Executable{Path: program, Env: []string{sdkEnv + "=adapter"}}
}

// shown is the report as a person reads it.
func shown(t *testing.T, r *Report) string {
	t.Helper()
	if r == nil {
		return ""
	}
	var b bytes.Buffer
	if err := r.WriteTable(&b, true); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestAdapterThatKeepsTheContractPassesEverything(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	r, err := run(t.Context(), fakeProcess(t, "", folder, exclusiveEnv+"=1"), fullOptions(folder), testLimits())
	if err != nil {
		t.Fatal(err)
	}
	if !r.Conformant() {
		t.Errorf("not conformant:\n%s", shown(t, r))
	}
	t.Log(shown(t, r))
}

func TestSDKPassesAsAProcess(t *testing.T) {
	t.Parallel()
	o := fullOptions(t.TempDir())
	o.Hardware, o.BadConfiguration, o.BadFields, o.Parallel = Hardware{}, `{"prot": 1}`, []string{"prot"}, 4
	r, err := run(t.Context(), sdkProcess(t), o, testLimits())
	if err != nil {
		t.Fatal(err)
	}
	if !r.Conformant() {
		t.Errorf("not conformant:\n%s", shown(t, r))
	}
	t.Log(shown(t, r))
}

func TestSDKPassesInProcess(t *testing.T) {
	t.Parallel()
	o := fullOptions(t.TempDir())
	o.Hardware, o.BadConfiguration, o.BadFields = Hardware{}, `{"prot": 1}`, []string{"prot"}
	subtests(t, InProcess(sdkBox{}), o, testLimits())
}

func TestAdapterThatDropsAndSaysSoPasses(t *testing.T) {
	t.Parallel()
	o := fullOptions(t.TempDir())
	o.Hardware, o.Only = Hardware{}, []string{"S1", "S3", "S4", "S6"}
	r, err := run(t.Context(), served{flaw: "drops and says so"}, o, testLimits())
	if err != nil || !r.Conformant() {
		t.Fatalf("%v\n%s", err, shown(t, r))
	}
}

func TestWhatIsNotDescribedIsNeverCalled(t *testing.T) {
	t.Parallel()
	var both sync.WaitGroup
	defer both.Wait()
	for _, ability := range []string{"feed", "link"} {
		both.Go(func() { neverCalled(t, ability) })
	}
}

func neverCalled(t *testing.T, ability string) {
	t.Helper()
	o := fullOptions(t.TempDir())
	o.Hardware, o.Parallel = Hardware{}, 8
	for _, i := range Items() {
		if i.ID != "D2" {
			o.Only = append(o.Only, i.ID)
		}
	}
	calls := &tally{}
	r, err := run(t.Context(), served{abilities: ability, calls: calls}, o, testLimits())
	if err != nil || !r.Conformant() {
		t.Errorf("%v\n%s", err, shown(t, r))
	}
	for method, other := range map[string]string{"Feed": "link", "SendRequest": "feed"} {
		if other == ability && calls.of(method) > 0 {
			t.Errorf("%s of an adapter with a %s only was called", method, ability)
		}
		if other != ability && calls.of(method) == 0 {
			t.Errorf("%s of an adapter with a %s was never called", method, ability)
		}
	}
}

func TestProfileThatIsNotDescribedIsNotConformant(t *testing.T) {
	o := Options{Profiles: []Profile{ProfileLink}}
	r, err := run(t.Context(), served{abilities: "feed"}, o, testLimits())
	if err != nil {
		t.Fatal(err)
	}
	if r.Conformant() || len(r.Profiles) != 1 || r.Profiles[0].Reason != "the adapter does not describe this ability" {
		t.Errorf("got %+v", r.Profiles)
	}
	for _, one := range r.Results {
		if one.Profile != ProfileLink || one.Status != Skipped {
			t.Errorf("got %+v", one)
		}
	}
}

func TestAdapterThatCannotBeStartedIsUnprovenAtOnce(t *testing.T) {
	program := filepath.Join(t.TempDir(), "broken")
	if err := os.WriteFile(program, []byte("#!/bin/sh\necho no licence found >&2\nexit 3\n"), 0o755); err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	r, err := Check(t.Context(), Executable{Path: program}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if took := time.Since(began); took > 10*time.Second {
		t.Errorf("it took %v", took)
	}
	for _, one := range r.Results {
		switch one.ID {
		case "C2":
			if one.Status != Failed || !strings.Contains(one.Finding.Seen, "exit status 3") || !strings.Contains(one.Finding.Seen, "no licence found") {
				t.Errorf("got %+v", one.Finding)
			}
		case "H1":
		default:
			if one.Status != Unproven {
				t.Errorf("%s is %s", one.ID, one.Status)
			}
		}
	}
	if r.Conformant() {
		t.Error("it is called conformant")
	}
}

func TestInterruptedRunEndsAndClaimsNothing(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	o := Options{Progress: func(p Progress) {
		if p.Item.ID == "M2" {
			cancel()
		}
	}}
	r, err := run(ctx, served{}, o, testLimits())
	if err != nil {
		t.Fatal(err)
	}
	if last := r.Results[len(r.Results)-1]; r.Conformant() || last.Status != Unproven {
		t.Errorf("got %+v", last)
	}
}

func TestFailedCheckFailsItsTestOnly(t *testing.T) {
	r := settle(Item{ID: "C1", Sentences: []string{"C1"}}, nil)
	t.Run(r.ID, func(t *testing.T) { tell(t, r) })
	var seen []string
	o := fullOptions(t.TempDir())
	o.Hardware, o.Only = Hardware{}, []string{"M1", "O1", "S5"}
	o.Progress = func(p Progress) {
		if p.Result != nil {
			seen = append(seen, p.Item.ID)
		}
	}
	if report := Test(t, served{}, o); !report.Partial || !report.Conformant() || len(seen) != 3 {
		t.Errorf("got %v and %+v", seen, report)
	}
}

func TestLogsAreKeptByCheck(t *testing.T) {
	logs := filepath.Join(t.TempDir(), "logs")
	var lines lockedBuffer
	r, err := Check(t.Context(), fakeProcess(t, "", t.TempDir()), Options{Only: []string{"M2"}, Logs: logs, Verbose: &lines})
	if err != nil || !r.Conformant() {
		t.Fatalf("%v\n%s", err, shown(t, r))
	}
	text, err := os.ReadFile(filepath.Join(logs, "002-M2.log"))
	if err != nil || !strings.Contains(string(text), "starting") {
		t.Errorf("got %q, %v", text, err)
	}
	if !strings.Contains(lines.String(), "starting") {
		t.Errorf("got %q", lines.String())
	}
}

// What passes the kit's own way of starting it must run under the host that a shop uses, and end there by itself.
func TestHostRunsTheAdapterThatPasses(t *testing.T) {
	fake := fakeProcess(t, "", t.TempDir())
	t.Setenv(flawEnv, "")
	m := &manifest.Manifest{
		Name: "fake", Version: "1.0.0", Executable: fake.Path, ProtocolVersions: host.Versions(), Dir: t.TempDir(), Environment: []string{flawEnv},
	}
	if err := m.Seal(); err != nil {
		t.Fatal(err)
	}
	var log lockedBuffer
	a, err := host.New(host.Options{Manifest: m, Logger: slog.New(slog.NewTextHandler(&log, nil))})
	if err != nil {
		t.Fatal(err)
	}
	a.Start()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	if _, err := a.Ready(ctx); err != nil {
		t.Error(err)
	}
	a.Shutdown(ctx)
	if strings.Contains(log.String(), "killed") {
		t.Errorf("it did not end by itself:\n%s", log.String())
	}
}

func TestWhatKilledKitsLeaveIsSwept(t *testing.T) {
	dir := t.TempDir()
	stale, own, other := socketPrefix+"2147483646-1", fmt.Sprint(socketPrefix, os.Getpid(), "-1"), socketPrefix+"x-1"
	for _, name := range []string{stale, own, other} {
		if err := os.Mkdir(filepath.Join(dir, name), 0o700); err != nil {
			t.Fatal(err)
		}
	}
	sweep(dir)
	for name, want := range map[string]bool{stale: false, own: true, other: true} {
		if _, err := os.Stat(filepath.Join(dir, name)); (err == nil) != want {
			t.Errorf("%s is there: %t, want %t", name, err == nil, want)
		}
	}
}
