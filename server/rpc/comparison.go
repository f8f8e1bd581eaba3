// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package rpc

import (
	"context"
	"math"
	"time"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/page/wording"
	"github.com/airassay/airassay/server/assay"
)

// CompareSessions is airassay.v1beta1.VerdictService.CompareSessions.
func (s *verdicts) CompareSessions(ctx context.Context, r *pb.CompareSessionsRequest) (*pb.CompareSessionsResponse, error) {
	defer s.evaluated(ctx, time.Now())
	c, err := s.manager.CompareSessions(ctx, shopOf(ctx), r.GetBefore(), r.GetAfter())
	if err != nil {
		return nil, err
	}
	out := ComparisonToProto(c)
	out.Text = wording.ComparisonText(out, r.GetLanguageCode())
	return &pb.CompareSessionsResponse{Comparison: out}, nil
}

// ComparisonToProto converts a comparison of the domain to the API's message, without text.
func ComparisonToProto(c *assay.Comparison) *pb.Comparison {
	return &pb.Comparison{
		EngineVersion:        c.EngineVersion,
		Outcome:              pb.Outcome(c.Outcome),
		BetterProbability:    finite(c.Better),
		UnchangedProbability: finite(c.Same),
		WorseProbability:     finite(c.Worse),
		RepeatabilityPercent: finite(c.RepeatabilityPct),
		DeviationBefore:      intervalToProto(c.Before),
		DeviationAfter:       intervalToProto(c.After),
		Improvement:          intervalToProto(c.Change),
		MeterChanges: mapSlice(c.Meter, func(m *assay.MeterChange) *pb.MeterChange {
			return &pb.MeterChange{FlowGPerS: finite(m.Flow), Before: intervalToProto(m.Before), After: intervalToProto(m.After), Change: intervalToProto(m.Change)}
		}),
		Obstacles: mapSlice(c.Concerns, func(o *assay.Concern) *pb.ComparisonObstacle {
			return &pb.ComparisonObstacle{Concern: pb.ComparisonConcern(o.Kind), Prevents: o.Prevents}
		}),
		FindingsBefore:   mapSlice(c.FindingsBefore, sensorToProto),
		FindingsAfter:    mapSlice(c.FindingsAfter, sensorToProto),
		ConditionsBefore: mapSlice(c.ConditionsBefore, conditionToProto),
		ConditionsAfter:  mapSlice(c.ConditionsAfter, conditionToProto),
		Gaps:             mapSlice(c.Gaps, gapToProto),
	}
}

func intervalToProto(b assay.Bounded) *pb.PercentInterval {
	if math.IsNaN(b.Value) {
		return nil
	}
	return &pb.PercentInterval{ValuePercent: finite(b.Value), LowPercent: finite(b.Low), HighPercent: finite(b.High)}
}
