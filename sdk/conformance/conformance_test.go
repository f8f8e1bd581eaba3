// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build unix

package conformance

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// testLimits are those of the contract, with shorter looks and more room for a machine that runs many checks at once.
func testLimits() limits {
	l := contractLimits()
	l.slack = time.Second
	l.jitter, l.record, l.stall, l.openings = 200*time.Millisecond, time.Second, 1500*time.Millisecond, 40
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
