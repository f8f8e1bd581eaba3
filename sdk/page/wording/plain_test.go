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
