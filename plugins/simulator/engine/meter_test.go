// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package engine

import (
	"math"
	"math/rand/v2"
	"testing"
)

func TestDirtReadsHighAtIdleAndLowAtFullFlow(t *testing.T) {
	for _, c := range []struct{ flow, loss, dirt, want float64 }{
		{3, 0.11922, 7178, 1.100}, {10, 0.11922, 7178, 1.003}, {100, 0.11922, 7178, 0.821},
		{3, 0, 7178, 0.960}, {30, 0, 7178, 0.882}, {120, 0, 7178, 0.784}, {50, 0, 0, 1},
	} {
		near(t, "indicated over true", heatedElement(c.flow, c.loss, c.dirt)/c.flow, c.want, 0.0006)
	}
}

func meterOf(tech MeterTechnology, fault MeterFault) *meterState {
	return &meterState{spec: Meter{Gain: 1, Tau: 0.01}, fault: &fault, tech: tech}
}

func TestVolumeMetersErrWithTheDensityTheyAreTold(t *testing.T) {
	// 20 K too warm at 300 K is a density 6.25 % too low.
	const density = 1.18
	reckoned := density * 300 / 320
	near(t, "vortex", meterOf(Karman, MeterFault{}).staticReading(50, density, reckoned)/50, 0.9375, 1e-6)
	near(t, "vane", meterOf(Vane, MeterFault{}).staticReading(50, density, reckoned)/50, math.Sqrt(0.9375), 1e-6)
	near(t, "wire", meterOf(HotWire, MeterFault{}).staticReading(50, density, reckoned)/50, 1, 1e-9)
}

func TestElectricalFaultsShowWhatTheWireShows(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 1))
	for _, c := range []struct {
		fault MeterFault
		want  float64
	}{
		{MeterFault{Signal: SignalOpen}, 0}, {MeterFault{Signal: SignalShort}, 655.35},
		{MeterFault{Signal: SignalStuck, StuckAt: 0.0123}, 12.3},
	} {
		got := meterOf(HotFilm, c.fault).step(1, 0.01, 40, 1.18, 1.18, 0, random)
		near(t, "shown", got, c.want, 1e-9)
	}
}

func TestIntermittentMeterDropsOutNowAndThen(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 1))
	m := meterOf(HotWire, MeterFault{Signal: SignalIntermittent})
	dropped, steps := 0, 60000
	for i := range steps {
		if m.step(float64(i)*0.01, 0.01, 20, 1.18, 1.18, 0, random) < 8 {
			dropped++
		}
	}
	if share := float64(dropped) / float64(steps); share < 0.005 || share > 0.3 {
		t.Errorf("dropped out for %.1f %% of the time, want some but not most", 100*share)
	}
}

func TestPulsationFoolsSlowWiresLowAndBlindFastOnesHigh(t *testing.T) {
	slow := meterOf(HotWire, MeterFault{})
	slow.spec.Tau = 0.06
	near(t, "slow, amplitude 0.5", slow.pulsationError(0.5), -0.033, 0.002)
	near(t, "fast, amplitude 1.2", meterOf(HotWire, MeterFault{}).pulsationError(1.2), 0.049, 0.003)
	near(t, "fast, amplitude 0.9", meterOf(HotWire, MeterFault{}).pulsationError(0.9), 0, 1e-9)
}
