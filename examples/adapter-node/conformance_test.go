// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build unix

package adapternode

import (
	"bytes"
	"context"
	"os"
	"testing"

	"github.com/airassay/airassay/sdk/conformance"
)

// The kit is what a vendor runs; its hands are the file that stands for the cable.
func TestAdapterIsConformant(t *testing.T) {
	m := installed(t, "program")
	cable := plug(t)
	become := func(word string) func(context.Context) error {
		return func(context.Context) error { return os.WriteFile(cable, []byte(word), 0o600) }
	}
	report := conformance.Test(t, conformance.Executable{Path: m.Executable, Args: m.Arguments, Dir: m.Dir}, conformance.Options{
		Attempts:         3, // Other tests run beside this one.
		Configuration:    string(configuration(t, map[string]any{"cable": cable})),
		BadConfiguration: `{"mean_g_per_s": 0, "period_s": "long"}`,
		BadFields:        []string{"period_s"},
		Requests: conformance.Requests{
			Answered: conformance.Request{Payload: []byte{0x01, 0x0C}},
			Refused:  conformance.Request{Payload: []byte{0x22, 0xF4, 0x0C}},
			Silent:   conformance.Request{Payload: []byte{0x01, 0x5A}},
			Garbled:  conformance.Request{Payload: []byte{0x01, 0x1F}},
		},
		NoVehicle: true,
		Hardware: conformance.Hardware{
			Unplug: func(context.Context) error { return os.Remove(cable) }, Replug: become("on"),
			Silence: become("off"), Wake: become("on"),
			Traffic: func(context.Context) (int64, error) {
				sent, err := os.ReadFile(cable + ".traffic")
				if os.IsNotExist(err) {
					err = nil
				}
				return int64(bytes.Count(sent, []byte("\n"))), err
			},
		},
	})
	if !report.Conformant() || len(report.Profiles) != 3 {
		t.Errorf("not conformant to all that it offers: %+v", report.Profiles)
	}
}

// Whether values are lost or repeated only a counter shows, and one that never pauses shows most.
func TestFeedOfTheLibraryIsConformantUnderFlood(t *testing.T) {
	m := hostile(t, "flood")
	conformance.Test(t, conformance.Executable{Path: m.Executable, Args: m.Arguments, Dir: m.Dir}, conformance.Options{
		Attempts: 3, // Other tests run beside this one.
		Profiles: []conformance.Profile{conformance.ProfileFeed}, Signals: []string{flow}, Counter: flow, NoVehicle: true, Parallel: 4,
	})
}
