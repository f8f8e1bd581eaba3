// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package engine

import (
	"math"
	"testing"
)

func TestValuesAreQuantisedAsTheParameterIs(t *testing.T) {
	for _, c := range []struct {
		signal   Signal
		in, want float64
	}{
		{MAF, 69.0444, 69.04}, {EngineSpeed, 2000.1, 2000}, {EngineLoad, 85.0, 85.098039}, {EngineLoad, 112, 100},
		{ShortTermFuelTrim1, 7.9, 7.8125}, {ShortTermFuelTrim1, 140, 99.21875}, {Lambda1, 0.99999, 0.99998474}, {AbsoluteLoad, 88.3, 88.2352941},
		{IntakeTemp, 30.4, 30}, {IntakeTemp, -80, -40}, {MAFA, 89.6, 89.59375}, {CommandedLambda, 0.8789, 0.878897},
		{ControlModuleVoltage, 14.0004, 14}, {FuelRateMass, 6.009, 6}, {ManifoldPressure, 300, 255}, {MAF, math.NaN(), 0}, {MAF, math.Inf(1), 655.35},
	} {
		near(t, c.signal.Define().Path, c.signal.Quantise(c.in), c.want, 2e-5)
	}
}

func TestEverySignalIsDefinedOnce(t *testing.T) {
	seen := map[string]bool{}
	for s := range NumSignals {
		d := s.Define()
		if d.Path == "" || d.Step <= 0 || d.Max <= d.Min || seen[d.Path] {
			t.Errorf("signal %d: %+v is incomplete or a repeat", s, d)
		}
		seen[d.Path] = true
	}
}
