// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay_test

import (
	"math"
	"testing"

	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/assay/assaytest"
)

// The shares that stand beside the evidence are those of the odds against no fault.
func TestSharesOnThePageAreNotThoseOfTheOdds(t *testing.T) {
	checked := 0
	for _, r := range rows() {
		r.spec.Rate = 12
		v := assaytest.Make(r.spec).Assess()
		lead := v.Conditions[0].Condition
		for _, x := range v.Alternatives {
			if x.Condition != assay.ConditionNoFault {
				continue
			}
			sum, leans := 0.0, false
			for _, e := range v.Evidence {
				for _, l := range e.Leanings {
					if l.Condition == lead {
						sum += l.Share
						leans = true
					}
				}
			}
			if leans && math.Abs(sum+x.LogRatio) > 1e-6*math.Max(1, math.Abs(sum)) {
				t.Errorf("%s: shares for condition %d sum to %v, all evidence says %v", r.name, lead, sum, -x.LogRatio)
			}
			if leans {
				checked++
			}
		}
	}
	if checked < 5 {
		t.Errorf("only %d drives were checked", checked)
	}
}

// What an explanation fails at is the evidence with the largest share against it.
func TestAlternativeFailsAtTheWrongEvidence(t *testing.T) {
	for _, r := range rows() {
		r.spec.Rate = 12
		v := assaytest.Make(r.spec).Assess()
		for _, x := range v.Alternatives {
			if x.Condition == v.Conditions[0].Condition {
				t.Errorf("%s: the leading condition is among the alternatives", r.name)
			}
			worst, at := 0.0, -1
			for _, p := range x.Predictions {
				if p.Evidence < 0 || p.Evidence >= len(v.Evidence) || !finite(p.Predicted) || !finite(p.Share) || !v.Evidence[p.Evidence].Counted {
					t.Fatalf("%s: prediction %+v of condition %d", r.name, p, x.Condition)
				}
				if p.Share < worst {
					worst, at = p.Share, p.Evidence
				}
			}
			if x.Failed >= 0 && x.Failed != at || x.Failed < 0 && worst < -0.5 {
				t.Errorf("%s: condition %d fails at %d, the worst share is %v of %d", r.name, x.Condition, x.Failed, worst, at)
			}
			for _, m := range x.Magnitudes {
				if m.Kind == assay.MagnitudeUnspecified || !finite(m.Value) || m.Unit == "" {
					t.Errorf("%s: magnitude %+v", r.name, m)
				}
			}
			if x.Condition != assay.ConditionNoFault && x.Condition != assay.ConditionUnknown && len(x.Magnitudes) == 0 && r.name != "" {
				t.Logf("%s: condition %d cause %d has no size", r.name, x.Condition, x.Cause)
			}
		}
	}
}
