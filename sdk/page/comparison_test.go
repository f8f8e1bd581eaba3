// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package page_test

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/page"
	"github.com/airassay/airassay/sdk/page/wording"
)

func interval(value, low, high float64) *pb.PercentInterval {
	return &pb.PercentInterval{ValuePercent: value, LowPercent: low, HighPercent: high}
}

func cleaned() *pb.Comparison {
	c := &pb.Comparison{
		EngineVersion: "airassay-engine/1", Outcome: pb.Outcome_OUTCOME_PARTLY, BetterProbability: 0.97, UnchangedProbability: 0.03, RepeatabilityPercent: 3.2,
		DeviationBefore: interval(18, 15, 22), DeviationAfter: interval(6, 3, 9), Improvement: interval(12, 8, 16),
		FindingsBefore:  []*pb.SensorFinding{finding(pb.Sensor_SENSOR_AIR_METER, 0, pb.Finding_FINDING_READS_LOW, 0.99)},
		FindingsAfter:   []*pb.SensorFinding{finding(pb.Sensor_SENSOR_AIR_METER, 0, pb.Finding_FINDING_INCONCLUSIVE, 0.55)},
		ConditionsAfter: []*pb.ConditionProbability{probable(pb.Condition_CONDITION_METER_READS_LOW, 0.55), probable(pb.Condition_CONDITION_NO_FAULT, 0.41)},
		Obstacles:       []*pb.ComparisonObstacle{{Concern: pb.ComparisonConcern_COMPARISON_CONCERN_TRIMS_NOT_LEARNED_AFTER}},
		Gaps:            []*pb.Gap{{Kind: pb.GapKind_GAP_KIND_LEARNED_TRIMS, Manoeuvre: pb.ManoeuvreKind_MANOEUVRE_KIND_STEADY_CRUISE}},
	}
	for _, flow := range []float64{3, 12, 40, 92} {
		c.MeterChanges = append(c.MeterChanges, &pb.MeterChange{FlowGPerS: flow, Before: interval(-18, -22, -15), After: interval(-6, -9, -3), Change: interval(12, 8, 16)})
	}
	return c
}

func incomparable() *pb.Comparison {
	return &pb.Comparison{
		EngineVersion: "airassay-engine/1", Outcome: pb.Outcome_OUTCOME_NOT_COMPARABLE, RepeatabilityPercent: 3.2,
		Obstacles: []*pb.ComparisonObstacle{
			{Concern: pb.ComparisonConcern_COMPARISON_CONCERN_NO_COMMON_FLOW, Prevents: true},
			{Concern: pb.ComparisonConcern_COMPARISON_CONCERN_NO_FULL_LOAD},
		},
		Gaps: []*pb.Gap{{Kind: pb.GapKind_GAP_KIND_STEADY_CRUISE, Manoeuvre: pb.ManoeuvreKind_MANOEUVRE_KIND_STEADY_CRUISE}},
	}
}

func renderComparison(tb testing.TB, c *pb.Comparison, o page.Options) string {
	tb.Helper()
	var b bytes.Buffer
	if err := page.WriteComparison(&b, c, o); err != nil {
		tb.Fatal(err)
	}
	return b.String()
}

func TestComparisonsAreAsTheyWereLookedAt(t *testing.T) {
	for name, c := range map[string]*pb.Comparison{"compared-partly": cleaned(), "compared-not": incomparable()} {
		for _, width := range []int{60, 80, 100} {
			text := renderComparison(t, c, page.Options{Width: width, Source: "before.csv, after.csv"})
			checkPage(t, text, page.Options{Width: width})
			compareGolden(t, fmt.Sprintf("%s-%d.txt", name, width), text)
		}
		text := wording.ComparisonText(c, "en")
		compareGolden(t, name+"-text.txt", text.GetHeadline()+"\n\n"+text.GetSummary()+"\n")
	}
}

// Every field may be missing or absurd: it comes from elsewhere.
func TestAbsurdComparisonStillGivesAPage(t *testing.T) {
	nan := math.NaN()
	for name, c := range map[string]*pb.Comparison{
		"nil": nil, "empty": {}, "unknown codes": {Outcome: 99, Obstacles: []*pb.ComparisonObstacle{{Concern: 99, Prevents: true}}},
		"nil entries": {MeterChanges: []*pb.MeterChange{nil, {}}, Obstacles: []*pb.ComparisonObstacle{nil}, FindingsAfter: []*pb.SensorFinding{nil}, ConditionsAfter: []*pb.ConditionProbability{nil}, Gaps: []*pb.Gap{nil}},
		"no numbers": {Outcome: pb.Outcome_OUTCOME_RESTORED, BetterProbability: nan, RepeatabilityPercent: math.Inf(1), Improvement: interval(nan, nan, nan), DeviationBefore: interval(nan, 1e300, -1e300),
			DeviationAfter: interval(math.Inf(-1), 0, 0), MeterChanges: []*pb.MeterChange{{FlowGPerS: 1e300, Before: interval(1e300, -1e300, 1e300)}}},
		"hostile": {EngineVersion: "\x1b[2J\x9b1m\n", Gaps: []*pb.Gap{{Kind: pb.GapKind_GAP_KIND_SIGNAL, Signal: "\x1b]0;x\a"}}},
	} {
		for _, o := range []page.Options{{}, {Width: 40, ASCII: true}, {Colour: true, Full: true, Language: "tlh"}} {
			text := renderComparison(t, c, o)
			checkPage(t, text, o)
			if strings.TrimSpace(text) == "" {
				t.Errorf("%s: an empty page", name)
			}
		}
	}
	broken := errors.New("broken")
	if err := page.WriteComparison(brokenWriter{broken}, cleaned(), page.Options{}); !errors.Is(err, broken) {
		t.Errorf("%v", err)
	}
}

func TestReferencesStandOnThePage(t *testing.T) {
	v := sound()
	v.Assessment.References = []*pb.ReferenceUse{
		{SameVehicle: true, Belief: pb.ReferenceBelief_REFERENCE_BELIEF_BELIEVED, Probability: 0.97, FlowGPerS: new(80.0), UncertaintyWithoutPercent: new(6.0), UncertaintyWithPercent: new(2.5)},
		{Index: 1, Belief: pb.ReferenceBelief_REFERENCE_BELIEF_NOT_BELIEVED, Probability: 0.02},
	}
	text := render(t, v, page.Options{Width: 100})
	for _, want := range []string{
		"Reference 1, an earlier drive of this vehicle: believed (97 %).",
		"Reference 2, a vehicle with the same engine: not believed: its sensors were not true, or it is of",
		"The air that this engine takes at 80 g/s is known to ±4 % instead of ±10 %.",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the page lacks %q:\n%s", want, text)
		}
	}
}
