// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/assay/assaytest"
)

const testEngine = `{"displacement_l": 2.0, "cylinders": 4, "valves_per_cylinder": 4, "aspiration": "natural", "fuel": "gasoline", "air_meter": "hot_wire", "rated_power_rpm": 6000, "combustion_cycle": "otto"}`

// recordDrive writes a drive as a recording of our own format.
func recordDrive(t *testing.T, dir, name string, spec assaytest.Spec) string {
	t.Helper()
	d := assaytest.Make(spec)
	var b strings.Builder
	b.WriteString("time_s")
	columns := map[string]int{}
	for _, def := range d.Defs { // A drive may poll a signal twice a round.
		if _, known := columns[def.Path]; !known {
			columns[def.Path] = len(columns) + 1
			b.WriteString("," + def.Path)
		}
	}
	for _, s := range d.Samples {
		at := columns[d.Defs[s.Signal].Path]
		fmt.Fprintf(&b, "\n%.6f%s%s", float64(s.TimeUS)/1e6, strings.Repeat(",", at), strconv.FormatFloat(s.Value, 'g', -1, 64))
		b.WriteString(strings.Repeat(",", len(columns)-at))
	}
	path := filepath.Join(dir, name)
	if err := os.WriteFile(path, []byte(b.String()+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func called(t *testing.T, args ...string) (status int, stdout, stderr string) {
	t.Helper()
	var out, err bytes.Buffer
	status = Main(t.Context(), args, &out, &err)
	return status, out.String(), err.String()
}

func workshop(t *testing.T) (dir string) {
	t.Helper()
	dir = t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, vehicleBeside), []byte(testEngine), 0o600); err != nil {
		t.Fatal(err)
	}
	return dir
}

// What the command says of references must be in the verdict and on the page, and be the
// same on every call.
func TestReferencesReachTheVerdict(t *testing.T) {
	dir := workshop(t)
	ref := recordDrive(t, dir, "ref=1.csv", assaytest.Spec{Seed: 1})
	drive := recordDrive(t, dir, "drive.csv", assaytest.Spec{Seed: 2, Fault: assaytest.Fault{Gain: -0.2}})
	other := filepath.Join(dir, "other.json")
	if err := os.WriteFile(other, []byte(testEngine), 0o600); err != nil {
		t.Fatal(err)
	}
	args := []string{"assay", "--json", "--reference", ref, "--reference", ref + "=" + other, drive}
	status, first, stderr := called(t, args...)
	if status != StatusDone {
		t.Fatalf("status %d: %s", status, stderr)
	}
	if _, again, _ := called(t, args...); again != first {
		t.Error("two calls give two verdicts")
	}
	v := new(pb.Verdict)
	if err := protojson.Unmarshal([]byte(first), v); err != nil {
		t.Fatal(err)
	}
	r := v.GetAssessment().GetReferences()
	if len(r) != 2 || !r[0].GetSameVehicle() || r[1].GetSameVehicle() || r[1].GetIndex() != 1 || r[0].GetBelief() != pb.ReferenceBelief_REFERENCE_BELIEF_BELIEVED {
		t.Errorf("%v", r)
	}
	_, text, _ := called(t, "assay", "--reference", ref, drive)
	if !strings.Contains(text, "Reference 1, an earlier drive of this vehicle: believed (") {
		t.Error(text)
	}
}

func TestUnusableReferencesAreRefusedWithAReason(t *testing.T) {
	dir := workshop(t)
	drive := recordDrive(t, dir, "drive.csv", assaytest.Spec{Seed: 2})
	small := filepath.Join(dir, "small.json")
	if err := os.WriteFile(small, []byte(strings.Replace(testEngine, "2.0", "1.4", 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	many := []string{"assay", drive}
	for range 5 {
		many = append(many, "--reference", drive)
	}
	for _, x := range []struct {
		args []string
		want string
	}{
		{[]string{"assay", "--reference", "", drive}, "--reference is empty"},
		{[]string{"assay", "--reference", "-", drive}, "standard input"},
		{[]string{"assay", "--reference", drive + "=", drive}, "no vehicle behind the ="},
		{many, "at most 4"},
		{[]string{"assay", "--reference", filepath.Join(dir, "none.csv"), drive}, "none.csv"},
		{[]string{"assay", "--reference", drive + "=" + small, drive}, "displacement_l differs"},
	} {
		status, stdout, stderr := called(t, x.args...)
		if status != StatusRefused || stdout != "" || !strings.Contains(stderr, x.want) {
			t.Errorf("%v: status %d, %s", x.args[1:], status, stderr)
		}
	}
}

func TestComparisonOfTwoDrives(t *testing.T) {
	dir := workshop(t)
	before := recordDrive(t, dir, "before.csv", assaytest.Spec{Seed: 3, Fault: assaytest.Fault{Gain: -0.2}})
	after := recordDrive(t, dir, "after.csv", assaytest.Spec{Seed: 4})
	small := filepath.Join(dir, "small.json")
	if err := os.WriteFile(small, []byte(strings.Replace(testEngine, "2.0", "1.4", 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		args []string
		want pb.Outcome
	}{
		{[]string{before, after}, pb.Outcome_OUTCOME_RESTORED},
		{[]string{after, before}, pb.Outcome_OUTCOME_WORSE},
		{[]string{before, before}, pb.Outcome_OUTCOME_UNCHANGED},
		{[]string{"--vehicle-after", small, before, after}, pb.Outcome_OUTCOME_NOT_COMPARABLE},
	} {
		args := append([]string{"compare", "--json"}, x.args...)
		status, first, stderr := called(t, args...)
		if status != StatusDone {
			t.Fatalf("%v: status %d: %s", x.args, status, stderr)
		}
		if _, again, _ := called(t, args...); again != first {
			t.Errorf("%v: two calls give two comparisons", x.args)
		}
		c := new(pb.Comparison)
		if err := protojson.Unmarshal([]byte(first), c); err != nil {
			t.Fatal(err)
		}
		if c.GetOutcome() != x.want || c.GetText().GetHeadline() == "" {
			t.Errorf("%v: %v, %s", x.args, c.GetOutcome(), c.GetText())
		}
	}
	_, text, _ := called(t, "compare", before, after)
	for _, want := range []string{"Restored: a real improvement", "90 % interval", "before", "after", "A change below 3 % is no change"} {
		if !strings.Contains(text, want) {
			t.Errorf("the page lacks %q:\n%s", want, text)
		}
	}
}

func TestComparisonThatCannotBeMeantIsRefused(t *testing.T) {
	dir := workshop(t)
	drive := recordDrive(t, dir, "drive.csv", assaytest.Spec{Seed: 5})
	for _, x := range []struct {
		args []string
		want string
	}{
		{[]string{"compare"}, "name two"},
		{[]string{"compare", drive}, "name two"},
		{[]string{"compare", drive, drive, drive}, "name two"},
		{[]string{"compare", drive, "-"}, "standard input"},
		{[]string{"compare", "--vehicle-before", "", drive, drive}, "--vehicle-before is empty"},
		{[]string{"compare", "--width", "0", drive, drive}, "--width"},
		{[]string{"compare", "--reference", drive, drive, drive}, "unknown flag"},
		{[]string{"compare", filepath.Join(dir, "none.csv"), drive}, "none.csv"},
	} {
		status, stdout, stderr := called(t, x.args...)
		if status != StatusRefused || stdout != "" || !strings.Contains(stderr, x.want) {
			t.Errorf("%v: status %d, %s", x.args, status, stderr)
		}
	}
}
