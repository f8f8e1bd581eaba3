// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package main

import (
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/airassay/airassay/sdk/conformance"
)

// The program that the tutorial builds is started as a host starts it.
func TestTutorialsAdapterBreaksASentenceOfTheContract(t *testing.T) {
	if testing.Short() {
		t.Skip("builds a program, starts it many times and waits for it")
	}
	program := filepath.Join(t.TempDir(), "minimal.exe")
	if out, err := exec.Command("go", "build", "-o", program, ".").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	conformance.Test(t, conformance.Executable{Path: program}, conformance.Options{
		Attempts:         3, // Other tests run beside this one.
		BadConfiguration: `{"mean_g_per_s": 0}`, BadFields: []string{"mean_g_per_s"}, NoVehicle: true, Parallel: 4,
	})
}
