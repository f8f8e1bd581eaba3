// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package engine

import (
	"math"
	"testing"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if math.Abs(got-want) > tolerance {
		t.Errorf("%s = %v, want %v ± %v", what, got, want, tolerance)
	}
}

func TestAirHasThePropertiesOfTextbooks(t *testing.T) {
	near(t, "critical flow", criticalFlow, 0.68473, 1e-5)
	near(t, "critical ratio", criticalRatio, 0.52828, 1e-5)
	hot := Weather{Pressure: 100e3, Temperature: kelvin + 30, Humidity: 0.8}
	near(t, "moist density", hot.Density(), 1.1344, 2e-4)
	dry := hot
	dry.Humidity = 0
	near(t, "dry density", dry.Density(), 1.1492, 1e-4)
	near(t, "saturation at 20 °C", SaturationPressure(20), 2338, 3)
	near(t, "E0", StoichiometricRatio(0), 14.7, 1e-9)
	near(t, "E10", StoichiometricRatio(0.1), 14.1, 0.02)
	near(t, "E85", StoichiometricRatio(0.85), 9.8, 0.05)
	near(t, "pressure at 1500 m", StandardPressureAt(1500), 84560, 60)
}

func TestTabulatedFlowFunctionStaysWithTheExactOne(t *testing.T) {
	for ratio := 0.0; ratio < 0.9999; ratio += 0.00137 {
		near(t, "flow function", Psi(ratio), psiExact(ratio), 2e-4)
	}
	if Psi(1) != 0 {
		t.Errorf("no pressure drop still drives a flow of %v", Psi(1))
	}
}

func TestLeakThroughAHoleMatchesTheOrifice(t *testing.T) {
	for _, c := range []struct{ diameter, manifold, want float64 }{
		{1, 33e3, 0.148}, {1.5, 80e3, 0.273}, {2, 33e3, 0.593}, {2, 60e3, 0.586}, {2, 95e3, 0.267}, {3, 98e3, 0.386},
	} {
		got := 1000 * OrificeFlow(HoleArea(c.diameter), 100e3, kelvin+20, c.manifold)
		near(t, "leak", got, c.want, 0.004)
	}
}

func TestOrificeFlowTurnsRoundWithThePressure(t *testing.T) {
	forth := OrificeFlow(1e-4, 100e3, 300, 90e3)
	back := OrificeFlow(1e-4, 90e3, 300, 100e3)
	near(t, "sum of both directions", forth+back, 0, 1e-12)
}
