// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

// Physics.
const (
	// gasConstant of dry air in kJ/(kg·K): kPa·L / (gasConstant·K) gives grams.
	gasConstant = 0.28705
	// standardDensity is dry air at 25 °C and 101.325 kPa in g/L, the reference of
	// absolute load (SAE J1979).
	standardDensity = 1.184
	// criticalRatio of pressures at which an orifice chokes, and chokedPsi there, for γ = 1.4.
	criticalRatio = 0.52828
	chokedPsi     = 0.68473
	// lowestBaroKPa and highestBaroKPa: the highest pass on a low day and sea level on the
	// highest day ever bound what a barometer on a road can say.
	lowestBaroKPa  = 50.0
	highestBaroKPa = 112.0
	// lowestManifoldKPa: no engine draws its manifold so empty; an open line reads less.
	lowestManifoldKPa = 6.0
	// troposphereM is the height up to which the standard atmosphere's formula holds.
	troposphereM = 11000.0
	// zeroC in kelvin.
	zeroC = 273.15
)

// The prior of a sound engine [DOMAIN 3.1]; all trade knowledge without a
// published source unless said otherwise.
const (
	// speedCurvature of volumetric efficiency over speed, dimensionless.
	// Above its peak it falls faster: valves and ports choke. [DOMAIN 2.2] gives 0.86 to
	// 0.94 and back to 0.86 at 0.45, 1 and 1.33 of the peak's speed.
	speedCurvature      = 0.30
	speedCurvatureAbove = 0.60
	// compressionRatio and residualGamma of the residual-gas term (Heywood).
	compressionRatio = 10.0
	residualGamma    = 1.3
	// exhaustPressureKPa above the barometer, 2 to 5 kPa at part load.
	exhaustPressureKPa = 3.0
	// chargeHeating is the share of the way from intake to coolant temperature that
	// the charge is heated at no flow; it halves at chargeHeatingFlow g/s a litre.
	chargeHeating     = 0.30
	chargeHeatingFlow = 8.0
	// compressorEfficiency (isentropic) and coolerEffectiveness of middling parts.
	compressorEfficiency = 0.68
	coolerEffectiveness  = 0.70
	// manifoldVolumes is the manifold's volume in displacements (1 to 2).
	manifoldVolumes = 1.5
)

// How points are recognised.
const (
	// An engine runs above runningRPM, in revolutions per minute, and stands below restRPM;
	// a starter turns it in between.
	runningRPM = 400.0
	restRPM    = 30.0
	// openCircuitC and shortCircuitC are what a thermistor's input shows when its
	// line is open or shorted, in degrees Celsius (SAE J1979: byte 00 is −40; makers
	// flag shorts above about 120) [DOMAIN 5.4].
	openCircuitC  = -39.5
	shortCircuitC = 120.0
	// FuelStatus bytes of PID 03 (SAE J1979).
	fuelClosedLoop      = 2
	fuelClosedLoopFault = 16
	// trimEndPercent: fuel trims end between 20 and 30 %; a part that stands there is clipped.
	trimEndPercent = 24.0
	// throttleOpen and pedalDown as shares of their travel; closedThrottle likewise.
	throttleOpen   = 0.85
	pedalDown      = 0.90
	closedThrottle = 0.06
	// plateAtBoost is the share of the plate's travel from which full boost means full load: the control unit of a charged
	// engine holds boost down with it. Trade judgement.
	plateAtBoost = 0.5
	// fullThrottle and fullRelativeThrottle are the lowest readings in percent that
	// an open plate is known to show (absolute 75 to 100, relative 65 to 100).
	fullThrottle         = 78.0
	fullRelativeThrottle = 72.0
	// fullLoadDeficitKPa is how far below the barometer the manifold may stand at full load.
	fullLoadDeficitKPa = 8.0
	// restrictedKPa below the barometer is the most that a filter or a plate costs an
	// engine that still pulls; minRiseRPM is how far a pull must have come to be one.
	restrictedKPa = 25.0
	minRiseRPM    = 250.0
	// calmChange and stillChange are how far the logarithm of flow may be from its
	// mean over 0.5 s and 2 s.
	calmChange  = 0.06
	stillChange = 0.10
	// maxBracketUS is the widest gap between neighbours that is still bridged: a slow
	// logger's row. What it costs enters the uncertainty.
	maxBracketUS = 6 * second
	// usualGaps is how many times its usual spacing two samples may stand apart to be bridged: links scatter by a third, and
	// lose one now and then. pullGapUS is bridged in any case: a planner reads the pedal once a second in a pull, other
	// signals every other second.
	usualGaps = 1.8
	pullGapUS = 2700 * second / 1000
	// throttledBelow: an engine whose calm manifold was ever below this share of the
	// barometer controls its load by a throttle.
	throttledBelow = 0.75
	// horizonUS is how long a point waits for its neighbours.
	horizonUS = 2500 * second / 1000
	// pointSpacingUS is the closest that points are evaluated.
	pointSpacingUS = 40 * second / 1000
)

// Gates of single points.
const (
	// maxRecirculation is the commanded exhaust gas recirculation in percent above
	// which pressure no longer tells fresh air.
	maxRecirculation = 4.0
	// lowestSpeedForAir and lowestFullLoadRPM: below, pulsation disturbs meters of
	// engines with few cylinders [DOMAIN 3.5].
	lowestSpeedForAir = 550.0
	lowestFullLoadRPM = 1800.0
	// lowestPressureShare of the barometer: below, the engine is driven by the vehicle
	// and residual gas rules what it takes in.
	lowestPressureShare = 0.18
	// maxAirSD is the relative standard deviation, from sampling apart in time, above
	// which a pairing of flow and pressure is not used.
	maxAirSD = 0.10
	// airNoiseFloor is the relative scatter of flow over speed × pressure of a calm
	// engine sampled at one instant.
	airNoiseFloor = 0.015
	// maxFilling is the share of the flow that may go into filling the manifold.
	maxFilling = 0.03
	// soundDeficit is the share of the barometer that filter, meter and throttle cost
	// a sound engine at full load (2 to 5 %) [DOMAIN 3.10].
	soundDeficit = 0.025
	// warmTrimC is the coolant temperature from which trims are believed.
	warmTrimC = 65.0
	// warmEngineC is the coolant temperature that an engine must have reached before anything
	// firm is said of its drive [DOMAIN 5.1].
	warmEngineC = 75.0
	// purgeOpen is the commanded purge in percent above which vapour from the tank bends the trims [DOMAIN 5.6].
	purgeOpen = 5.0
	// overrunRPM and overrunPressureKPa: above and below, fuel is cut.
	overrunRPM         = 1300.0
	overrunPressureKPa = 27.0
	// assumedFullLoadLambda where the control unit does not say: from best power (0.85)
	// to what keeps the catalyst cool or the mixture stoichiometric (1.00).
	assumedFullLoadLambda = 0.91
	// fullLoadSettleUS is how long mixture and boost need after the throttle opens:
	// enrichment, transport to the lambda sensor, the sensor itself [DOMAIN 3.12].
	fullLoadSettleUS = 900 * second / 1000
	// fillSettleUS is how long the manifold needs to fill once the plate opens, the plate's
	// own travel included.
	fillSettleUS = 500 * second / 1000
	// stateSettleUS is how long after that a control unit may still give the state and the trims of before: it leaves
	// closed loop some tenths of a second late, and refreshes slow values once a second.
	stateSettleUS = 1500 * second / 1000
	// lowestFullLoadPercent of calculated load: below, fuel or torque is cut, as in a gear change.
	lowestFullLoadPercent = 25.0
	// maxLambdaSD is how uncertain a mixture may be from lying between two samples, in lambda: more than that is on its way
	// to another. settledLambdaSD is how uncertain it is where it stands as good as still. Trade judgement.
	maxLambdaSD     = 0.06
	settledLambdaSD = 0.02
	// roadKmh and roadSettleS: from this speed, and after this time at it, moving air
	// has carried the engine bay's heat away from the intake.
	roadKmh     = 40.0
	roadSettleS = 60.0
	// idleGSPerLitre and drivingGSPerLitre: a warm engine idles on 1.2 to 1.9 g/s a litre [DOMAIN 2.3], and takes three
	// times that on the road.
	idleGSPerLitre    = 2.2
	drivingGSPerLitre = 5.0
)

// fuelDensity in grams per litre at 15 °C (EN 228, EN 590 mid-range; ethanol and gases by handbook).
func fuelDensity(f Fuel) float64 {
	switch f {
	case FuelDiesel:
		return 835
	case FuelEthanol:
		return 785
	case FuelLpg:
		return 540
	default:
		return 745
	}
}
