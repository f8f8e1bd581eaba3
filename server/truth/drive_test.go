// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package truth

import (
	"bytes"
	"os"
	"path/filepath"
	"reflect"
	"testing"

	"google.golang.org/protobuf/proto"

	"github.com/airassay/airassay/plugins/simulator/link"
	"github.com/airassay/airassay/sdk/recording"
	"github.com/airassay/airassay/sdk/recording/vehiclefile"
	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/rpc"
)

// bytesOf is an assessment in the form in which two are equal or not.
func bytesOf(t *testing.T, a *assay.Assessment) []byte {
	t.Helper()
	data, err := proto.MarshalOptions{Deterministic: true}.Marshal(rpc.AssessmentToProto(a))
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// itemOn is the first case of the plan that is polled by a link.
func itemOn(t *testing.T, name string) Item {
	t.Helper()
	p := plan(t, "unit")
	for i := 0; ; i++ {
		if it := p.Item(i); it.Options.Link == name && it.Kind != Insufficient {
			return it
		}
	}
}

func TestStraightWayDiffersFromWritingAndReading(t *testing.T) {
	for _, class := range link.Classes {
		t.Run(class.Name, func(t *testing.T) {
			it := itemOn(t, class.Name)
			d, err := Simulate(it)
			if err != nil {
				t.Fatal(err)
			}
			folder := t.TempDir()
			if err := Save(folder, it); err != nil {
				t.Fatal(err)
			}
			rec, err := recording.Open(t.Context(), filepath.Join(folder, "recording.csv"), recording.Options{})
			if err != nil {
				t.Fatal(err)
			}
			sameRecording(t, d.Recording, rec)
			data, err := os.ReadFile(filepath.Join(folder, "vehicle.json"))
			if err != nil {
				t.Fatal(err)
			}
			vehicle, day, err := vehiclefile.Read(bytes.NewReader(data), "vehicle.json")
			if err != nil {
				t.Fatal(err)
			}
			read := *d
			read.facts = rpc.FactsFromProto(vehicle, day)
			straight, err := d.Assess(d.Recording)
			if err != nil {
				t.Fatal(err)
			}
			written, err := read.Assess(rec)
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(bytesOf(t, straight), bytesOf(t, written)) {
				t.Error("the assessment of what was written and read is another")
			}
		})
	}
}

func sameRecording(t *testing.T, got, want *recording.Recording) {
	t.Helper()
	if !reflect.DeepEqual(got.Samples, want.Samples) || got.Clock != want.Clock || len(got.Signals) != len(want.Signals) {
		t.Fatalf("%d samples of %d signals by clock %s; what was written and read has %d of %d by %s",
			len(got.Samples), len(got.Signals), got.Clock, len(want.Samples), len(want.Signals), want.Clock)
	}
	for i, w := range want.Signals {
		if g := got.Signals[i]; g.Path != w.Path || g.Unit != w.Unit || g.TimeUncertaintyUS != w.TimeUncertaintyUS {
			t.Errorf("signal %d is %+v, and written and read %+v", i, g, w)
		}
	}
}

func TestScoringLooksAtTheTruth(t *testing.T) {
	d, err := Simulate(itemOn(t, "serial_20"))
	if err != nil {
		t.Fatal(err)
	}
	before, err := d.Assess(d.Recording)
	if err != nil {
		t.Fatal(err)
	}
	d.Truth.Condition, d.Truth.Cause, d.Truth.Sufficient = "CONDITION_FUEL_RICH", "CAUSE_FUEL_VAPOUR", !d.Truth.Sufficient
	after, err := d.Assess(d.Recording)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(bytesOf(t, before), bytesOf(t, after)) {
		t.Error("another truth gives another verdict")
	}
}
