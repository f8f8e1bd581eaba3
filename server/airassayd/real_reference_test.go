// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package main

import (
	"path/filepath"
	"testing"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

// benchEngine are the facts of the engine on the bench.
const benchEngine = `{"displacement_l": 2.0, "cylinders": 4, "aspiration": "turbo", "fuel": "gasoline"}`

// beside judges a bench recording with the fault-free one as its reference.
func beside(t *testing.T, name string) *pb.Assessment {
	t.Helper()
	facts := filepath.Join(folder(t, map[string]string{"engine.json": benchEngine}), "engine.json")
	return judged(t, "--vehicle", facts, "--reference", realPath(t, "r3a-bench-nominal.csv"), realPath(t, name)).GetAssessment()
}

func airMeter(a *pb.Assessment) pb.Finding {
	for _, s := range a.GetSensors() {
		if s.GetSensor() == meter {
			return s.GetFinding()
		}
	}
	return pb.Finding_FINDING_UNSPECIFIED
}

// Alone, nothing can be said of these recordings: the engine breathes like no textbook.
// Beside its own fault-free drive it must be said what was done to it.
func TestReferenceTellsAMeterThatIsTenPercentLow(t *testing.T) {
	a := beside(t, "r3b-bench-meter-gain-090.csv")
	if airMeter(a) != pb.Finding_FINDING_READS_LOW || a.GetConditions()[0].GetCondition() != meterLow {
		t.Error(outline(a))
	}
	for _, e := range a.GetMeterErrors() {
		if e.GetErrorPercent() < -14 || e.GetErrorPercent() > -6 || e.GetLowPercent() > -10 || e.GetHighPercent() < -10 {
			t.Errorf("at %.1f g/s %+.1f %% (%+.1f to %+.1f), not about -10", e.GetFlowGPerS(), e.GetErrorPercent(), e.GetLowPercent(), e.GetHighPercent())
		}
	}
	if r := a.GetReferences(); len(r) != 1 || r[0].GetBelief() != pb.ReferenceBelief_REFERENCE_BELIEF_BELIEVED || !r[0].GetSameVehicle() {
		t.Errorf("references %v", r)
	}
}

func TestReferenceTellsALeakFromAMeter(t *testing.T) {
	a := beside(t, "r3c-bench-manifold-leak-6mm.csv")
	lead := a.GetConditions()[0]
	if lead.GetCondition() != leak || lead.GetProbability() < 0.5 {
		t.Error(outline(a))
	}
	if f := airMeter(a); f == pb.Finding_FINDING_READS_LOW || f == pb.Finding_FINDING_READS_HIGH || f == pb.Finding_FINDING_SIGNAL_FAULT {
		t.Error(outline(a))
	}
}

// A drive with a fault, named as a reference by mistake, must not cost the good meter.
func TestFaultyReferenceDoesNotCondemnTheGoodMeter(t *testing.T) {
	facts := filepath.Join(folder(t, map[string]string{"engine.json": benchEngine}), "engine.json")
	for _, ref := range []string{"r3b-bench-meter-gain-090.csv", "r3c-bench-manifold-leak-6mm.csv"} {
		a := judged(t, "--vehicle", facts, "--reference", realPath(t, ref), realPath(t, "r3a-bench-nominal.csv")).GetAssessment()
		r := realRecording{wrong: []pb.Condition{meterLow, meterHigh, meterSignal, leak}, meter: badMeter}
		if said := r.firmlyWrong(a); said != "" {
			t.Errorf("beside %s: %s\n%s", ref, said, outline(a))
		}
	}
}
