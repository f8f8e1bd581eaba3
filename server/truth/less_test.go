// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build !race

// Arithmetic that takes the race detector minutes and shows it nothing that the smaller runs do not.

package truth

import (
	"testing"

	"github.com/airassay/airassay/plugins/simulator/scenario"
)

// Leaving out a signal, or half of the samples, may make a verdict less firm; in at
// most one of a hundred it may make a firm and right one firm and wrong, as long as
// what is left still shows the truth. No true meter is ever condemned for it.
func TestRecordingLessMakesFirmVerdictsWrong(t *testing.T) {
	const most = 0.01
	o := Options{Plan: plan(t, "less"), Cases: 210, Parallel: 2, Only: func(it *Item, c *scenario.Case) bool {
		return onSlowLink(it, c) && it.Kind != Insufficient
	}}
	changed, err := Run(t.Context(), o, Vary)
	if err != nil {
		t.Fatal(err)
	}
	r := RobustnessOf(changed)
	if r.Cases.Of < 20 || r.Shown.Of < 300 || r.Halvings.Of < 40 {
		t.Fatalf("%d firm and right cases, %d signals left out, %d halvings; want at least 20, 300 and 40", r.Cases.Of, r.Shown.Of, r.Halvings.Of)
	}
	t.Logf("cases %s, removals %s, visible %s, halvings %s, broken %v", percent(r.Cases), percent(r.Removals), percent(r.Shown), percent(r.Halvings), r.Broken)
	if less := (Rate{r.Shown.Hits + r.Halvings.Hits, r.Shown.Of + r.Halvings.Of}); less.Share() > most {
		t.Errorf("firm and wrong with less recorded: %s, want at most %g %%; %v", percent(less), 100*most, r.Broken)
	}
	if r.Condemned.Hits > 0 {
		t.Errorf("a true meter is condemned in %s", percent(r.Condemned))
	}
}
