// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build canguest

package socketcan

import (
	"context"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/airassay/airassay/sdk/conformance"
)

// contract checks the adapter against each sentence of the contract that shows from outside, on an emulated vehicle on a bus of
// the kernel, in hands that unplug it and switch its ignition off.
func contract(t *testing.T, target conformance.Target, transport string, only ...string) {
	t.Helper()
	c := newCar(t, false)
	report, err := conformance.Check(t.Context(), target, conformance.Options{
		Attempts:         4, // An emulated machine is slow, and not held to times.
		Configuration:    fmt.Sprintf(`{"interfaces": [%q], "transport": %q}`, c.name, transport),
		BadConfiguration: `{"interfaces": ["a b"], "addressing": "12", "transport": "none", "bit_rate": 1, "max_requests_per_s": -1}`,
		BadFields:        []string{"interfaces[0]", "addressing", "transport", "bit_rate", "max_requests_per_s"},
		Device:           c.name, Signals: []string{"Vehicle.OBD.EngineSpeed", "Vehicle.OBD.MAF"}, NoVehicle: true, Only: only,
		Requests: conformance.Requests{
			Answered: conformance.Request{Payload: []byte{0x01, 0x0C}, Target: firstAsk11},
			Refused:  conformance.Request{Payload: []byte{0x22, 0xF4, 0xFE}, Target: firstAsk11},
			Silent:   conformance.Request{Payload: []byte{0x01, 0x0C}, Target: absentUnit},
			Garbled:  conformance.Request{Payload: []byte{0x01, 0x0C}, Target: garblerUnit},
		},
		Hardware: conformance.Hardware{
			Unplug:  func(context.Context) error { return c.unplug() },
			Replug:  func(context.Context) error { return c.replug() }, //nolint:contextcheck // the vehicle outlives the call
			Silence: func(context.Context) error { c.silence(); return nil },
			Wake:    func(context.Context) error { return c.wake() }, //nolint:contextcheck // the vehicle outlives the call
			Traffic: func(context.Context) (int64, error) { return c.asked.Load(), nil },
		},
		CallTimeout: patienceOfTests, SampleTimeout: patienceOfTests,
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range report.Results {
		t.Logf("%s: %v", r.ID, r.Status)
		if r.Status != conformance.Failed && r.Status != conformance.Unproven {
			continue
		}
		if slices.Contains(timed, r.ID) {
			t.Logf("%s missed its time in an emulated machine, which is not held to it: %s", r.ID, wrong(&r))
			continue
		}
		t.Errorf("%s: %s\n%s", r.ID, wrong(&r), strings.Join(r.Log, "\n"))
	}
	for _, r := range report.Results {
		// A real signal counts nothing, and the adapter has all abilities that there are.
		if r.Status == conformance.Skipped && r.ID != "S3" && r.ID != "S4" && r.ID != "D2" && !strings.Contains(r.Reason, "in process") {
			t.Errorf("%s was skipped: %s", r.ID, r.Reason)
		}
	}
}

// wrong says why a check did not pass.
func wrong(r *conformance.Result) string {
	if r.Finding != nil {
		return fmt.Sprintf("%+v", *r.Finding)
	}
	return r.Reason
}

// timed are the checks that are about a time and nothing else, which the SDK keeps and not the adapter: how fast a process
// starts, ends and beats, and how old a batch is.
var timed = []string{"C2", "K1", "K2", "K3", "Q1", "S7"}

func TestContractIsBrokenInProcess(t *testing.T) {
	contract(t, conformance.InProcess(New()), transportOwn)
}

func TestContractIsBrokenByTheKernelsTransport(t *testing.T) {
	contract(t, conformance.InProcess(New()), transportKernel)
}

// ofProcess are the checks that take a process of its own, and one of each kind that goes through the hardware.
var ofProcess = []string{"H1", "H2", "H3", "H4", "H5", "H6", "C1", "C2", "C6", "X3-100", "K1", "K2", "Q1", "S10", "S12", "R2"}

func TestContractIsBrokenByTheProcess(t *testing.T) {
	contract(t, conformance.Executable{Path: os.Args[0], Args: []string{roleArgument}}, transportOwn, ofProcess...)
}
