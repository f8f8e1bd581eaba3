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
	for _, c := range []struct{ amplitude, slow, fast float64 }{
		{0.3, -0.011, 0}, {0.5, -0.033, 0}, {0.8, -0.095, 0}, {1, -0.19, 0}, {1.2, math.NaN(), 0.049}, {1.5, math.NaN(), 0.176}, {2, math.NaN(), 0.44},
	} {
		maybe(t, "slow", slow.pulsationError(c.amplitude), c.slow, 0.002)
		near(t, "fast", meterOf(HotWire, MeterFault{}).pulsationError(c.amplitude), c.fast, 0.005)
	}
}

// sweep runs a meter through rising and falling flow, and gives the reading over the flow.
func sweep(m *meterState, each func(flow, shown float64, rising bool)) {
	random := rand.New(rand.NewPCG(3, 1))
	for i := range 8000 {
		now := float64(i) * 0.01
		flow := 30 - 25*math.Cos(2*math.Pi*now/40)
		shown := m.step(now, 0.01, flow, 1.18, 1.18, 0, random)
		if now > 1 {
			each(flow, shown, math.Mod(now, 40) < 20)
		}
	}
}

func TestStickingFlapLagsBehindInBothDirections(t *testing.T) {
	up, down := 0.0, 0.0
	sweep(meterOf(Vane, MeterFault{Sticking: 0.1}), func(flow, shown float64, rising bool) {
		if rising {
			up = math.Max(up, 1-shown/flow)
		} else {
			down = math.Max(down, shown/flow-1)
		}
	})
	if up < 0.05 || up > 0.15 || down < 0.05 || down > 0.15 {
		t.Errorf("a flap that sticks by 10 %% lags by %.3f rising and %.3f falling", up, down)
	}
}

func TestWornTrackDropsOutAtOneAngleOnly(t *testing.T) {
	near, far := 0, 0
	sweep(meterOf(Vane, MeterFault{WornAt: 0.02}), func(flow, shown float64, _ bool) {
		if shown > 0 {
			return
		}
		if math.Abs(flow/20-1) < 0.1 {
			near++
		} else {
			far++
		}
	})
	if near < 20 || far > 0 {
		t.Errorf("%d drop-outs at the worn angle and %d elsewhere", near, far)
	}
}

func TestVortexCounterThatLosesPulsesReadsLowInSteps(t *testing.T) {
	levels := map[int]int{}
	sweep(meterOf(Karman, MeterFault{LostPulses: 0.3}), func(flow, shown float64, _ bool) {
		levels[int(math.Round(20*shown/flow))]++
	})
	if levels[20] == 0 || levels[17] == 0 || levels[14] == 0 || levels[12] > 0 || levels[22] > 0 {
		t.Errorf("readings over flow in twentieths: %v, want 20, 17 and 14", levels)
	}
}
