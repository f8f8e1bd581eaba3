// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session

import (
	"testing"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

// Where nobody has confirmed a second person, the worth of a pull is as much held back as the advice to drive one, and
// the next best drive stands in for it.
func TestPullSlipsThroughAmongTheNextTests(t *testing.T) {
	const cruise, koeo = pb.ManoeuvreKind_MANOEUVRE_KIND_STEADY_CRUISE, pb.ManoeuvreKind_MANOEUVRE_KIND_KEY_ON_ENGINE_OFF
	a := &pb.Assessment{
		Advice:    []*pb.Advice{{Action: pb.AdviceAction_ADVICE_ACTION_DRIVE_AGAIN, Manoeuvre: pull}},
		Gaps:      []*pb.Gap{{Kind: pb.GapKind_GAP_KIND_KEY_ON_ENGINE_OFF, Manoeuvre: koeo}},
		NextTests: []*pb.NextTest{{Manoeuvre: pull, Minutes: 7}, {Inspection: pb.Inspection_INSPECTION_AIR_FILTER_AND_BOX, Minutes: 5}, {Manoeuvre: cruise, Minutes: 5}},
	}
	p, held := progressOf(a, 1, false)
	if !held || len(p.GetNextTests()) != 2 || p.GetNextTests()[1].GetManoeuvre() != cruise {
		t.Errorf("held %v, tests %v", held, p.GetNextTests())
	}
	if len(p.GetNext()) != 1 || p.GetNext()[0].GetManoeuvre() != cruise {
		t.Errorf("instead of the pull %v is advised, expected the cruise", p.GetNext())
	}
	if p, held = progressOf(a, 1, true); held || len(p.GetNextTests()) != 3 {
		t.Errorf("confirmed: held %v, tests %v", held, p.GetNextTests())
	}
	a.NextTests = a.NextTests[:1]
	if _, held = progressOf(&pb.Assessment{NextTests: a.NextTests}, 1, false); !held {
		t.Error("a pull that is only among the tests is held back and nobody says so")
	}
}
