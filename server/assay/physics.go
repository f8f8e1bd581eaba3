// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import "math"

// standardPressure is the ICAO standard atmosphere at a height in metres, in kPa.
func standardPressure(altitudeM float64) float64 {
	return 101.325 * math.Pow(1-2.25577e-5*math.Min(altitudeM, troposphereM), 5.25588)
}

// vapourPressure is the saturation pressure of water in kPa over t in degrees
// Celsius (Buck 1996).
func vapourPressure(t float64) float64 {
	return 0.61121 * math.Exp((18.678-t/234.5)*t/(257.14+t))
}

// orificeFlow is Ψ(pr) of a compressible orifice, with pr the downstream over
// the upstream pressure [DOMAIN 3.4]. Choked, it is 0.6847.
func orificeFlow(pr float64) float64 {
	const g = 1.4
	pr = math.Min(1, math.Max(pr, criticalRatio))
	return math.Sqrt(math.Max(0, 2*g/(g-1)*(math.Pow(pr, 2/g)-math.Pow(pr, (g+1)/g))))
}

// leakFlow is the air that enters the manifold through a hole, in g/s, as a
// multiple of its choked flow at the barometer of the day. It is negative where
// the manifold is above the barometer.
func leakFlow(pressureKPa, baroKPa float64) float64 {
	if pressureKPa <= baroKPa {
		return orificeFlow(pressureKPa/baroKPa) / chokedPsi
	}
	return -pressureKPa / baroKPa * orificeFlow(baroKPa/pressureKPa) / chokedPsi
}

// engine is what the assay believes of a sound engine before it has seen it.
type engine struct {
	// volumeL is the displacement in litres, scaleSD the relative uncertainty of
	// displacement times volumetric efficiency.
	volumeL float64
	scaleSD float64
	// veTop is the volumetric efficiency at the speed of best breathing, full load.
	veTop float64
	// peakRPM is the speed of best breathing, peakSD its relative uncertainty.
	peakRPM, peakSD float64
	boosted         bool
	diesel          bool
	// location is where the intake temperature is taken.
	location Location
}

// volumetricEfficiency is the prior mean [DOMAIN 3.1]: a parabola over speed
// times what the residual gas leaves room for at part load.
func (e *engine) volumetricEfficiency(rpm, pressureKPa, baroKPa float64) float64 {
	x := math.Min(1.5, math.Max(0.15, rpm/e.peakRPM))
	curvature := speedCurvature
	if x > 1 {
		curvature = speedCurvatureAbove
	}
	ve := e.veTop * (1 - curvature*sq(x-1))
	if e.diesel {
		return ve
	}
	pe := baroKPa + exhaustPressureKPa
	residual := (compressionRatio - math.Pow(pe/math.Max(pressureKPa, 10), 1/residualGamma)) / (compressionRatio - 1)
	return ve * math.Max(0.3, math.Min(residual, 1.06))
}

// chargeTemperature is the temperature of the charge in kelvin [DOMAIN 3.1].
func (e *engine) chargeTemperature(intakeC, coolantC, flow, pressureKPa, baroKPa float64) float64 {
	c := or(coolantC, 90)
	k := chargeHeating / (1 + flow/(chargeHeatingFlow*e.volumeL))
	t := intakeC + k*(c-intakeC)
	if e.boosted && e.location != LocationAfterCooler && pressureKPa > baroKPa {
		t += e.coolerRise(intakeC, pressureKPa, baroKPa)
	}
	return t + zeroC
}

// coolerRise is what a compressor and a cooler of middling effectiveness add, in kelvin.
func (e *engine) coolerRise(intakeC, pressureKPa, baroKPa float64) float64 {
	rise := (intakeC + zeroC) * (math.Pow(pressureKPa/baroKPa, 0.2857) - 1) / compressorEfficiency
	return rise * (1 - coolerEffectiveness)
}

// air is the flow of a sound engine in g/s: speed density [DOMAIN 3.1].
func (e *engine) air(rpm, pressureKPa, baroKPa, tempK float64) float64 {
	ve := e.volumetricEfficiency(rpm, pressureKPa, baroKPa)
	return ve * e.volumeL * rpm / 120 * pressureKPa / (gasConstant * tempK)
}

// contamination is ln(indicated/true) of a dirty heated element [DOMAIN 3.5]:
// over by the share delta/√m at low flow, under by a resistance that equals the
// boundary layer's at the flow mf.
func contamination(flow, delta, mf float64) float64 {
	f := math.Max(flow, 0.3)
	return 2 * math.Log(delta/math.Sqrt(f)+1/(1+math.Sqrt(f/mf)))
}

// stoichiometric is the mass of air that a unit of fuel needs (E0 14.7, E100 9.0,
// pump petrol between E0 and E10; diesel 14.5; LPG 15.6; CNG 17.2) [DOMAIN 3.8].
func (a *Assay) stoichiometric() float64 {
	switch a.facts.Fuel {
	case FuelDiesel:
		return 14.5
	case FuelLpg:
		return 15.6
	case FuelCng:
		return 17.2
	}
	ethanol := firstKnown(a.facts.EthanolPercent, a.held(sigEthanol, a.now))
	if a.facts.Fuel == FuelEthanol {
		ethanol = or(ethanol, 80)
	}
	return 14.7 - 5.7*or(ethanol, 5)/100
}
