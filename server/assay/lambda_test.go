// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay_test

import (
	"math"
	"testing"

	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/assay/assaytest"
)

// When the driver lifts, fuel is cut and the lambda sensor runs to the end of its
// scale. Those samples are neighbours of full load and no part of it.
func TestFuelCutAfterAPullDoesNotLeanTheFullLoadMixture(t *testing.T) {
	for _, rate := range []float64{10, 40, 100} {
		v := assaytest.Make(assaytest.Spec{Rate: rate}).Assess()
		n := 0
		for _, e := range v.Evidence {
			if e.Kind != assay.EvidenceFullLoadLambda {
				continue
			}
			n++
			if math.Abs(e.Measured-e.Expected) > 2.5 {
				t.Errorf("at %g per second: %+.1f %% lambda at %.1f g/s of a sound car", rate, e.Measured, e.Flow)
			}
		}
		if n == 0 {
			t.Errorf("at %g per second: no lambda at full load%s", rate, verdict(v))
		}
	}
}
