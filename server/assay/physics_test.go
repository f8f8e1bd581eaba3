// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import (
	"math"
	"testing"
)

func within(t *testing.T, what string, got, want, by float64) {
	t.Helper()
	if !(math.Abs(got-want) <= by) {
		t.Errorf("%s is %.5g, want %.5g", what, got, want)
	}
}

// An orifice chokes at half the pressure, and not elsewhere [DOMAIN 3.4, 9].
func TestOrificeChokesWhereItShould(t *testing.T) {
	within(t, "the choked flow", orificeFlow(0.2), 0.68473, 1e-5)
	within(t, "the flow at the critical ratio", orificeFlow(0.52828), 0.68473, 1e-5)
	within(t, "the flow without a difference", orificeFlow(1), 0, 0)
	last := orificeFlow(0.5283)
	for pr := 0.53; pr <= 1; pr += 0.01 {
		x := orificeFlow(pr)
		if x > last {
			t.Errorf("the flow rises from %v to %v at %v", last, x, pr)
		}
		last = x
	}
}

// The table of holes: 2 mm pass 0.593 g/s choked at 100 kPa [DOMAIN 3.9].
func TestLeakFlowFadesTowardsTheBarometer(t *testing.T) {
	const choked = 0.593
	for p, want := range map[float64]float64{33: 0.593, 45: 0.593, 60: 0.586, 80: 0.486, 95: 0.267, 98: 0.171} {
		within(t, "a 2 mm hole", choked*leakFlow(p, 100), want, 0.002)
	}
	within(t, "a hole at the barometer", leakFlow(100, 100), 0, 1e-12)
	if x := leakFlow(150, 100); x >= 0 || x < -1.6 {
		t.Errorf("under boost the hole passes %v, it should lose air", x)
	}
	within(t, "a hole of a square millimetre at 100 kPa and 20 °C", 0.189, 0.593/(math.Pi)/0.9965, 0.001)
}

// Speed density [DOMAIN 3.1, 9]: 0.85, 2.0 L, 2500/min, 98 kPa, 303 K are 39.91 g/s.
func TestSpeedDensity(t *testing.T) {
	e := engine{volumeL: 2, veTop: 0.85, peakRPM: 2500}
	// With the efficiency divided out, what is left is volume, speed and density.
	at := func(rpm, p, baro, k float64) float64 {
		return e.air(rpm, p, baro, k) / e.volumetricEfficiency(rpm, p, baro)
	}
	within(t, "speed density", 0.85*at(2500, 98, 100, 303), 39.91, 0.02)
	within(t, "an EPA-like point", 0.90*at(5500, 97.5, 99.5, 303.15), 92.4, 0.1)
	for rpm, want := range map[float64][2]float64{2000: {.86, 32.1}, 3500: {.92, 60.1}, 4500: {.94, 79.0}, 6000: {.86, 96.4}} {
		within(t, "the worked full-load table", want[0]*at(rpm, 97.5, 99.5, 303.15), want[1], 0.1)
	}
}

// Residual gas costs a sixth at idle and next to nothing at full load [DOMAIN 3.1].
func TestResidualGasCostsVolumetricEfficiency(t *testing.T) {
	e := engine{volumeL: 2, veTop: 1, peakRPM: 2500}
	for p, want := range map[float64]float64{33: 0.84, 45: 0.90, 80: 0.97} {
		within(t, "the residual-gas factor", e.volumetricEfficiency(2500, p, 102), want, 0.006)
	}
	e.diesel = true
	within(t, "a diesel's", e.volumetricEfficiency(2500, 33, 102), 1, 1e-12)
}

// Contamination [DOMAIN 3.5, 9].
func TestContaminationReadsHighAtIdleAndLowAtFullFlow(t *testing.T) {
	const delta, mf = 0.11922, 7178
	for m, want := range map[float64]float64{
		2: 1.140, 3: 1.100, 5: 1.056, 10: 1.003, 20: 0.954, 30: 0.924, 60: 0.868, 100: 0.821, 120: 0.804,
	} {
		within(t, "a dirty element", math.Exp(contamination(m, delta, mf)), want, 0.0011)
	}
	for m, want := range map[float64]float64{3: 0.960, 10: 0.929, 30: 0.882, 60: 0.839, 100: 0.800, 120: 0.784} {
		within(t, "an element with a crust only", math.Exp(contamination(m, 0, mf)), want, 0.0011)
	}
	b := 0.2
	within(t, "the crust that costs a fifth at 100 g/s", math.Exp(contamination(100, 0, 100/sq(1/math.Sqrt(1-b)-1))), 0.8, 1e-9)
}

// Humid air [DOMAIN 3.2, 9]: 80 % of saturation at 30 °C are 3.40 kPa.
func TestVapourPressure(t *testing.T) {
	within(t, "water at 30 °C", 0.8*vapourPressure(30), 3.40, 0.005)
	pv := 0.8 * vapourPressure(30)
	within(t, "the humid density", (100-0.378*pv)/(gasConstant*303.15), 1.1344, 0.0005)
	within(t, "the dry density", 100/(gasConstant*303.15), 1.1492, 0.0002)
	within(t, "water at 0 °C", vapourPressure(0), 0.61121, 1e-9)
	within(t, "water at 100 °C", vapourPressure(100), 101.3, 0.8)
}

func TestStandardAtmosphere(t *testing.T) {
	for h, want := range map[float64]float64{0: 101.325, 1000: 89.87, 2000: 79.50, 3000: 70.11, 540: 95.0} {
		within(t, "the standard atmosphere", standardPressure(h), want, 0.06)
	}
}

// The reference of absolute load: 118 g/s in 2.0 L at 5500/min are 108.72 % [DOMAIN 9].
func TestAbsoluteLoadsReference(t *testing.T) {
	within(t, "the reference density", 101.325/(gasConstant*298.15), standardDensity, 0.0005)
	within(t, "absolute load", 100*120*118/(standardDensity*2*5500), 108.72, 0.02)
}

// What each fault does at the four points [DOMAIN 4.1], in points of a hundred
// logarithms for the air ratio and in percent for the trims.
func TestSignaturesOfTheModel(t *testing.T) {
	points := [4]feature{
		{class: partLoad, flow: 2.94, rpm: 750, pressure: 33},
		{class: partLoad, flow: 14.8, rpm: 2200, pressure: 45},
		{class: partLoad, flow: 37.3, rpm: 2800, pressure: 80},
		{class: fullLoad, flow: 85, rpm: 5000, pressure: 97.5},
	}
	m := &model{engine: engine{volumeL: 2, veTop: 0.9, peakRPM: 4300}, rated: 85, metered: true, idleFlow: 2.94, baro: 99.5, applied: 0}
	none := math.NaN()
	for name, c := range map[string]struct {
		s    fault
		air  [4]float64
		trim [3]float64
		// lambda without the learned trim, deficit in points of percent.
		lambda, deficit float64
	}{
		"H1":  {fault{gain: math.Log1p(-0.15)}, [4]float64{-16, -16, -16, -16}, [3]float64{18, 18, 18}, 1.18, 0},
		"H2":  {fault{delta: 0.119, mf: 7178}, [4]float64{10, -2, -10, -18}, [3]float64{-9, 3, 10}, 1.19, 0},
		"H2'": {fault{mf: 7178}, [4]float64{-4, -9, -14, -21}, [3]float64{4, 9, 15}, 1.23, 0},
		"H3":  {fault{offset: 0.4}, [4]float64{13, 3, 1, 0}, [3]float64{-12, -3, -1}, 1.00, 0},
		"H4":  {fault{gain: math.Log(1.12)}, [4]float64{11, 11, 11, 11}, [3]float64{-11, -11, -11}, 0.89, 0},
		"H5":  {fault{leak: 0.593 * 0.995}, [4]float64{-22, -4, -1, 0}, [3]float64{25, 4, 1}, 1.00, 0},
		"H5b": {fault{leak: 1.335 * 0.995}, [4]float64{-59, -9, -3, 0}, [3]float64{80, 10, 3}, 1.00, 0},
		"H6":  {fault{duct: 0.10}, [4]float64{-11, -11, -11, -11}, [3]float64{11, 11, 11}, 1.11, 0},
		"H8":  {fault{restrict: 6.5}, [4]float64{}, [3]float64{}, 1.00, 6.5},
		"H9":  {fault{exhaust: 0.25}, [4]float64{0, -1, none, -29}, [3]float64{}, 1.00, 0},
		"H10": {fault{fuel: -math.Log(0.894)}, [4]float64{}, [3]float64{12, 12, 12}, 1.12, 0},
		"H11": {fault{fuel: -math.Log(1.095)}, [4]float64{}, [3]float64{-9, -9, -9}, 0.91, 0},
		"H12": {fault{intake: 20}, [4]float64{6, 6, 6, 6}, [3]float64{}, 1.00, 0},
		"H13": {fault{manifold: 4}, [4]float64{-11, -8, -5, -4}, [3]float64{}, 1.00, -4},
		"H14": {fault{throttle: 7.5}, [4]float64{}, [3]float64{}, 1.00, 7.5},
		"H15": {fault{displacement: math.Log(1.2)}, [4]float64{-18, -18, -18, -18}, [3]float64{}, 1.00, 0},
		"H17": {fault{recirculated: 0.10}, [4]float64{-11, none, none, 0}, [3]float64{}, 1.00, 0},
	} {
		t.Run(name, func(t *testing.T) {
			for i, f := range points {
				f.baro, f.tempK, f.coolantC = 99.5, 303.15, 90
				// Features stand at what the sensors show, the table at what is true.
				passes := f.flow * (1 - c.s.duct)
				if c.s.leak != 0 {
					passes -= c.s.leak * leakFlow(f.pressure, f.baro)
				}
				f.flow = passes * math.Exp(m.meterError(&c.s, passes, f.tempK))
				f.pressure += c.s.manifold
				f.kind = featAir
				if known(c.air[i]) {
					within(t, "the air ratio", 100*m.predict(&c.s, &f), c.air[i], 1.3+0.05*math.Abs(c.air[i]))
				}
				if i < 3 {
					f.kind = featFuel
					within(t, "the trim", 100*math.Expm1(m.predict(&c.s, &f)), c.trim[i], 1.2+0.08*math.Abs(c.trim[i]))
					continue
				}
				f.kind = featLambda
				// The model takes a dirty element's error at the flow it shows, not at the true
				// one: a tenth of a loss of a fifth.
				within(t, "lambda", math.Exp(m.predict(&c.s, &f)), c.lambda, 0.026)
				f.kind = featDeficit
				within(t, "the deficit", 100*m.predict(&c.s, &f), c.deficit, 0.4)
			}
		})
	}
}
