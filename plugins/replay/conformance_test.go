// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package replay

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/airassay/airassay/sdk/conformance"
)

const counterPath = "Vehicle.OBD.RunTime"

// counting is a recording in which one signal counts the instants, five minutes long.
func counting() string {
	var b strings.Builder
	b.WriteString("time_s,RunTime,EngineSpeed,MAF\n")
	for i := range 60_000 {
		fmt.Fprintf(&b, "%.3f,%d,%d,%d.5\n", float64(i)/200, i, 800+i%5000, i%200)
	}
	return b.String()
}

// contract checks the adapter against each sentence of the contract that shows from outside, at one pace; all profiles that
// fit, or the given ones.
func contract(t *testing.T, target conformance.Target, speed string, profiles ...conformance.Profile) {
	t.Helper()
	if testing.Short() {
		t.Skip("takes a minute")
	}
	dir := folder(t, map[string]string{"count.csv": counting()})
	plugged, pulled := filepath.Join(dir, "count.csv"), filepath.Join(t.TempDir(), "count.csv")
	report := conformance.Test(t, target, conformance.Options{
		Attempts:         3, // Other tests run beside this one.
		Configuration:    configure(t, dir, `"speed": `+speed),
		BadConfiguration: `{"directory": "drives", "speed": 0, "loop": 1}`, BadFields: []string{"directory", "speed", "loop"},
		Device: "count.csv", Signals: []string{counterPath, speedPath, flowPath}, Counter: counterPath, NoVehicle: true,
		Profiles: profiles, Parallel: 4,
		Hardware: conformance.Hardware{
			Unplug: func(context.Context) error { return os.Rename(plugged, pulled) },
			Replug: func(context.Context) error { return os.Rename(pulled, plugged) },
		},
	})
	if t.Failed() {
		return
	}
	if !report.Conformant() {
		t.Errorf("no profile was checked: %v", report.Profiles)
	}
	for _, r := range report.Results {
		if r.Status == conformance.Skipped && !strings.HasPrefix(r.ID, "R") && r.ID != "S10-silent" && !strings.Contains(r.Reason, "in process") {
			t.Errorf("%s was skipped: %s", r.ID, r.Reason)
		}
	}
}

func TestContractIsBrokenInProcess(t *testing.T) {
	contract(t, conformance.InProcess(New()), "1")
}

func TestContractIsBrokenByFastReplay(t *testing.T) {
	contract(t, conformance.InProcess(New()), "20", conformance.ProfileFeed)
}

func TestContractIsBrokenByTheProcess(t *testing.T) {
	contract(t, conformance.Executable{Path: os.Args[0], Args: []string{roleArgument}}, "1")
}
