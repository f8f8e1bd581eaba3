// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package wording

import (
	"strings"
	"testing"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

// Of a part that is wrong, a customer must not hear that nothing has to be done there because another part is to be left alone.
func TestCustomerIsToldToLeaveAFaultAlone(t *testing.T) {
	alone := &pb.Advice{Action: pb.AdviceAction_ADVICE_ACTION_LEAVE_ALONE, Sensor: pb.Sensor_SENSOR_AIR_METER}
	look := &pb.Advice{Action: pb.AdviceAction_ADVICE_ACTION_INSPECT}
	const nothing, somebody = "Nothing has to be cleaned", "somebody takes a look"
	for _, tc := range []struct {
		name   string
		lead   pb.Condition
		advice []*pb.Advice
		says   string
		not    string
	}{
		{"another sensor is wrong", pb.Condition_CONDITION_AIR_TEMPERATURE_FAULT, []*pb.Advice{alone, look}, somebody, nothing},
		{"and there is no other step", pb.Condition_CONDITION_AIR_TEMPERATURE_FAULT, []*pb.Advice{alone}, "very sure", nothing},
		{"nothing is wrong", pb.Condition_CONDITION_NO_FAULT, []*pb.Advice{alone, look}, nothing, somebody},
		{"no advice", pb.Condition_CONDITION_NO_FAULT, nil, "very sure", nothing},
		{"an empty one", pb.Condition_CONDITION_AIR_TEMPERATURE_FAULT, []*pb.Advice{nil}, "very sure", nothing},
	} {
		text := For("en").PlainSummary(&pb.Assessment{
			Conclusive: true, Advice: tc.advice, Conditions: []*pb.ConditionProbability{{Condition: tc.lead, Probability: 0.99}},
		})
		if !strings.Contains(text, tc.says) || strings.Contains(text, tc.not) {
			t.Errorf("%s: %s", tc.name, text)
		}
	}
}

// A customer whose entry was wrong is told so, and not sent to have the car looked at for it.
func TestWrongEntryIsKeptFromTheCustomer(t *testing.T) {
	c := For("en")
	wrong := &pb.Assessment{
		Conclusive: true, Conditions: []*pb.ConditionProbability{{Condition: pb.Condition_CONDITION_VEHICLE_FACTS_WRONG, Probability: 0.97}},
		Advice: []*pb.Advice{{Action: pb.AdviceAction_ADVICE_ACTION_LOOK_ELSEWHERE, Inspection: pb.Inspection_INSPECTION_VEHICLE_FACTS}},
	}
	if got := c.PlainSummary(wrong); !strings.Contains(got, "is corrected") || strings.Contains(got, "looks for the cause") {
		t.Error(got)
	}
	put := &pb.Assessment{
		Conclusive: true, Conditions: []*pb.ConditionProbability{{Condition: pb.Condition_CONDITION_NO_FAULT, Probability: 0.97}},
		Gaps: []*pb.Gap{{Kind: pb.GapKind_GAP_KIND_FUEL_CONTRADICTED}},
	}
	if got := c.PlainSummary(put); !strings.Contains(got, "cannot be right") {
		t.Error(got)
	}
}
