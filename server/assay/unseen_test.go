// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay_test

import (
	"slices"
	"testing"

	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/assay/assaytest"
)

// sparing is the drive as a logger on a slow link records it: while the pedal is down it reads nothing but the named signals.
func sparing(d *assaytest.Drive, read ...string) *assaytest.Drive {
	const down = 60 // percent
	e := *d
	e.Samples = nil
	pressed := false
	for _, s := range d.Samples {
		path := d.Defs[s.Signal].Path
		if path == assaytest.PathPedal {
			pressed = s.Value > down
		}
		if !pressed || slices.Contains(read, path) {
			e.Samples = append(e.Samples, s)
		}
	}
	return &e
}

func driverNotRead(g assay.GapItem) bool { return g.Kind == assay.GapDriverNotRead }

func pullsUsed(v *assay.Assessment) (n int) {
	for _, m := range v.Manoeuvres {
		if m.Used && m.Kind == assay.ManoeuvreFullLoadPull {
			n++
		}
	}
	return n
}

func TestPullOfWhichOnlySpeedAndFlowWereReadIsLost(t *testing.T) {
	for name, c := range map[string]struct {
		fault assaytest.Fault
		leads assay.Condition
	}{
		"sound":    {assaytest.Fault{}, assay.ConditionNoFault},
		"low":      {assaytest.Fault{Gain: -0.22}, assay.ConditionMeterReadsLow},
		"too weak": {assaytest.Fault{FuelError: -0.22}, assay.ConditionFuelWeak},
	} {
		for _, rate := range []float64{12, 20} {
			for _, without := range [][]string{nil, {assaytest.PathMAP}} {
				d := sparing(assaytest.Make(assaytest.Spec{Seed: 71, Rate: rate, Omit: without, Fault: c.fault}), assaytest.PathEngineSpeed, assaytest.PathMAF)
				if v := d.Assess(); pullsUsed(v) < 2 || v.Conditions[0].Condition != c.leads || !slices.ContainsFunc(v.Gaps, driverNotRead) {
					t.Errorf("%s at %g per second without %v: %d pulls, led by condition %d%s", name, rate, without, pullsUsed(v), v.Conditions[0].Condition, verdict(v))
				}
			}
		}
	}
}

// Whoever never reads pedal or plate may have driven with half of either.
func TestBriskDriveWithoutPedalOrPlateIsTakenForAPull(t *testing.T) {
	omit := []string{assaytest.PathMAP, assaytest.PathPedal, assaytest.PathThrottle, assaytest.PathLoad, assaytest.PathLoadAbsolute}
	v := assaytest.Make(assaytest.Spec{Seed: 73, Rate: 20, Omit: omit}).Assess()
	if n := pullsUsed(v); n != 0 {
		t.Errorf("%d pulls are taken for full load%s", n, verdict(v))
	}
}

// A pedal that is read now and then is not left out of anything.
func TestPedalThatIsRarelyReadMakesAPullOfABriskDrive(t *testing.T) {
	const rarely = 8_000_000 // µs
	d := assaytest.Make(assaytest.Spec{Seed: 74, Rate: 20, Omit: []string{assaytest.PathMAP, assaytest.PathLoad, assaytest.PathLoadAbsolute}})
	last := map[string]int64{}
	d.Samples = slices.DeleteFunc(d.Samples, func(s assay.Sample) bool {
		path := d.Defs[s.Signal].Path
		if path != assaytest.PathPedal && path != assaytest.PathThrottle {
			return false
		}
		if at, seen := last[path]; seen && s.TimeUS-at < rarely {
			return true
		}
		last[path] = s.TimeUS
		return false
	})
	if v := d.Assess(); slices.ContainsFunc(v.Gaps, driverNotRead) {
		t.Errorf("%d pulls are known by speed and flow%s", pullsUsed(v), verdict(v))
	}
}
