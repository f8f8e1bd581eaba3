// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"testing"

	"google.golang.org/protobuf/encoding/protojson"

	"github.com/airassay/airassay/plugins/simulator/scenario"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

// driveOf is the recording of a named scenario, driven on another day, with or without its fault.
func driveOf(t *testing.T, name string, seed uint64, repaired bool) string {
	t.Helper()
	f, err := scenario.NamedFile(name)
	if err != nil {
		t.Fatal(err)
	}
	sound, err := scenario.NamedFile("healthy")
	if err != nil {
		t.Fatal(err)
	}
	f.Seed = seed
	if repaired {
		f.Fault = sound.Fault
	}
	c := f.Case()
	return simulated(t, &c).path
}

// What was repaired on a simulated vehicle, whose physics is not the assay's, must come out
// as repaired, what was left as it was as unchanged, and a fault that came as worse.
func TestRepairsOfSimulatedVehiclesComeOut(t *testing.T) {
	for _, name := range []string{"van", "leak", "clogged-filter", "torn-duct"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			broken, still, repaired := driveOf(t, name, 101, false), driveOf(t, name, 303, false), driveOf(t, name, 202, true)
			for _, x := range []struct {
				before, after string
				want          pb.Outcome
			}{
				{broken, repaired, pb.Outcome_OUTCOME_RESTORED},
				{broken, still, pb.Outcome_OUTCOME_UNCHANGED},
				{repaired, broken, pb.Outcome_OUTCOME_WORSE},
			} {
				status, stdout, stderr := called(t, "compare", "--json", x.before, x.after)
				if status != StatusDone {
					t.Fatalf("status %d: %s", status, stderr)
				}
				c := new(pb.Comparison)
				if err := protojson.Unmarshal([]byte(stdout), c); err != nil {
					t.Fatal(err)
				}
				if c.GetOutcome() != x.want {
					t.Errorf("%v, want %v: %s", c.GetOutcome(), x.want, c.GetText().GetSummary())
				}
			}
		})
	}
}

// A drive with a fault, named as a reference by mistake, must leave the repaired car sound.
func TestFaultyReferenceLeavesASimulatedVehicleSound(t *testing.T) {
	for _, name := range []string{"van", "torn-duct", "leak"} {
		status, stdout, stderr := called(t, "assay", "--json", "--reference", driveOf(t, name, 101, false), driveOf(t, name, 202, true))
		if status != StatusDone {
			t.Fatalf("status %d: %s", status, stderr)
		}
		v := new(pb.Verdict)
		if err := protojson.Unmarshal([]byte(stdout), v); err != nil {
			t.Fatal(err)
		}
		if lead := v.GetAssessment().GetConditions()[0]; lead.GetCondition() != pb.Condition_CONDITION_NO_FAULT {
			t.Errorf("%s: %v", name, lead)
		}
		if r := v.GetAssessment().GetReferences(); r[0].GetBelief() != pb.ReferenceBelief_REFERENCE_BELIEF_NOT_BELIEVED {
			t.Errorf("%s: %v", name, r)
		}
	}
}
