// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package truth

import (
	"reflect"
	"testing"

	"github.com/airassay/airassay/plugins/simulator/scenario"
)

// Floors that an engine which has lost its way falls through. What it really reaches
// stands in README.md; 60 cases could not prove that.
func TestAssayHasLostItsWay(t *testing.T) {
	o := Options{Plan: plan(t, "smoke"), Cases: 60, Parallel: 2}
	outcomes, err := Run(t.Context(), o, Score)
	if err != nil {
		t.Fatal(err)
	}
	r := NewReport("smoke", "", outcomes)
	a := &r.Assay
	if a.Sufficient < 30 || a.MeterCondemned.Of < 20 {
		t.Fatalf("%d cases are sufficient, %d of them with a true meter; want at least 30 and 20", a.Sufficient, a.MeterCondemned.Of)
	}
	if a.Right.Share() < 0.60 {
		t.Errorf("the leading condition is right in %s, want 60 %%", percent(a.Right))
	}
	if a.Right.Share() <= r.Load.Right.Share() || a.Right.Share() <= r.Trim.Right.Share() {
		t.Errorf("the assay is right in %s, thresholds on load in %s and on trim in %s", percent(a.Right), percent(r.Load.Right), percent(r.Trim.Right))
	}
	if a.MeterCondemned.Hits > 2 || a.ThermistorCondemned.Hits > 2 {
		t.Errorf("true sensors are condemned: meters in %s, thermistors in %s", percent(a.MeterCondemned), percent(a.ThermistorCondemned))
	}
	if a.FirmWrong.Share() > 0.20 {
		t.Errorf("verdicts are firm and wrong in %s", percent(a.FirmWrong))
	}
	if a.Brier >= r.Load.Brier || a.Brier >= r.Trim.Brier || a.Brier > 0.6 {
		t.Errorf("Brier score is %.2f; naive judges reach %.2f and %.2f", a.Brier, r.Load.Brier, r.Trim.Brier)
	}
	if a.OpenDrive.Share() < 0.5 {
		t.Errorf("insufficient drives are called inconclusive in %s", percent(a.OpenDrive))
	}
}

func TestResultHangsOnTheNumberOfCores(t *testing.T) {
	o := Options{Plan: plan(t, "cores"), Cases: 8, Parallel: 1, Only: onSlowLink}
	one, err := Run(t.Context(), o, Score)
	if err != nil {
		t.Fatal(err)
	}
	o.Parallel = 3
	three, err := Run(t.Context(), o, Score)
	if err != nil {
		t.Fatal(err)
	}
	if len(one) == 0 || !reflect.DeepEqual(one, three) {
		t.Errorf("%d cases on one core and %d on three differ", len(one), len(three))
	}
}

// onSlowLink picks the drives with few samples, which are quick to judge.
func onSlowLink(it *Item, _ *scenario.Case) bool {
	switch it.Options.Link {
	case "kline_6", "kline_8", "row_logger", "serial_20":
		return it.Options.Lost == 0
	}
	return false
}
