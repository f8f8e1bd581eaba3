// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import "math"

// Priors of a vehicle that was brought in with a complaint; trade judgement, no
// published source [DOMAIN 6.4]. They are per cause, so that a condition's prior
// is the sum of its causes'.
type priorOf struct {
	condition Condition
	cause     Cause
	weight    float64
}

var priors = []priorOf{
	{ConditionNoFault, CauseNone, 0.400},
	{ConditionMeterReadsLow, CauseContaminated, 0.120},
	{ConditionMeterReadsLow, CauseGain, 0.022},
	{ConditionMeterReadsLow, CauseAirBetweenMeterAndThrottle, 0.030},
	{ConditionMeterReadsLow, CauseWrongPartOrHousing, 0.006},
	{ConditionMeterReadsLow, CauseOffset, 0.006},
	{ConditionMeterReadsHigh, CauseGain, 0.014},
	{ConditionMeterReadsHigh, CauseWrongPartOrHousing, 0.008},
	{ConditionMeterReadsHigh, CauseOffset, 0.014},
	{ConditionMeterReadsHigh, CauseChargeAirLost, 0.020},
	{ConditionMeterSignalFault, CauseStuck, 0.015},
	{ConditionLeakAfterMeter, CauseManifoldLeak, 0.095},
	{ConditionLeakAfterMeter, CausePurgeOrCrankcaseFlow, 0.025},
	{ConditionIntakeRestricted, CauseFilterOrDuct, 0.050},
	{ConditionExhaustRestricted, CauseExhaustClogged, 0.030},
	{ConditionFuelWeak, CauseFuelPressureLow, 0.040},
	{ConditionFuelWeak, CauseFuelDeliveryLimit, 0.020},
	{ConditionFuelWeak, CauseFuelBlend, 0.010},
	{ConditionFuelRich, CauseFuelPressureHigh, 0.020},
	{ConditionFuelRich, CauseFuelVapour, 0.010},
	{ConditionAirTemperatureFault, CauseBias, 0.025},
	{ConditionManifoldPressureFault, CauseBias, 0.018},
	{ConditionBarometerFault, CauseBias, 0.015},
	{ConditionThrottleLimited, CauseThrottlePlate, 0.012},
	{ConditionVehicleFactsWrong, CauseDisplacement, 0.020},
	{ConditionUnknown, CauseExhaustLeakBeforeOxygenSensor, 0.010},
	{ConditionUnknown, CauseRecirculationLeaks, 0.008},
	{ConditionUnknown, CauseValveTiming, 0.007},
	{ConditionUnknown, CauseOneBank, 0.008},
	{ConditionUnknown, CauseNotModelled, 0.015},
}

// nominalEngine is what the facts alone say of the engine.
func nominalEngine(f *Facts) engine {
	e := engine{volumeL: nominalLitre, scaleSD: unknownSizeSD, veTop: 0.90, peakSD: 0.22, diesel: f.Fuel == FuelDiesel, location: f.Location}
	e.boosted = f.boosted()
	switch {
	case known(f.DisplacementL):
		e.volumeL, e.scaleSD = f.DisplacementL, veScale(f)
	case known(f.Cylinders):
		// Road cars' cylinders hold 0.3 to 0.7 litres.
		e.volumeL, e.scaleSD = 0.5*f.Cylinders, 0.30
	}
	rated := 5700.0
	switch {
	case f.Cycle == CycleAtkinson:
		e.veTop = 0.76
	case e.diesel:
		e.veTop, rated = 0.88, 3900
	case known(f.Valves) && f.Valves <= 2:
		e.veTop, rated = 0.84, 5200
	case known(f.Valves):
		e.veTop = 0.92
	}
	switch f.Fuel {
	case FuelLpg:
		// Gas takes room that air would have had: at lambda 1 up to 4 % for LPG and 9 % for
		// natural gas. The prior takes about three quarters of that; trade judgement.
		e.veTop *= 0.97
	case FuelCng:
		e.veTop *= 0.93
	}
	// Volumetric efficiency peaks at about 0.70 to 0.75 of rated speed.
	e.peakRPM = 0.72 * or(f.RatedPowerRPM, rated)
	if known(f.RatedPowerRPM) {
		e.peakSD = 0.15
	}
	return e
}

// veScale is the relative uncertainty of volumetric efficiency for what is known
// of the engine: late-closing valves, which nobody mentioned, cost a fifth.
func veScale(f *Facts) float64 {
	if f.Cycle == CycleUnspecified && f.Fuel != FuelDiesel && f.boosted() {
		return math.Hypot(veScaleSD, 0.045)
	}
	return veScaleSD
}

// veScaleSD is the relative standard deviation of a road engine's volumetric
// efficiency about the prior of its kind [DOMAIN 3.11].
const veScaleSD = 0.055

// unknownSizeSD of an engine of which nothing is known: 0.8 to 5 litres.
const unknownSizeSD = 0.5

// The common uncertainties, as standard deviations: in logarithm (deficitSD: as a share of
// the barometer) where no unit stands beside them, trade judgement where no section is
// named. What each acts on stands in nuisances.
const (
	// veTiltSD over a factor of three in speed; veVacuumSD and veVacuumCurveSD per
	// unit of 1−p/baro and its square: cam timing, overlap, recirculation.
	veTiltSD        = 0.045
	veVacuumSD      = 0.11
	veVacuumCurveSD = 0.08
	// veTuningSD and veTuningLength: bumps of volumetric efficiency over the logarithm
	// of speed (runner tuning, cam switching). veOverlapSD and veOverlapLength: the
	// same over vacuum 1−p/baro, growing with it.
	veTuningSD      = 0.045
	veTuningLength  = 0.40
	veOverlapSD     = 0.13
	veOverlapLength = 0.22
	// boostSD of volumetric efficiency at 50 kPa of boost and above: scavenging.
	boostSD     = 0.05
	manifoldSD  = 1.0 // kPa
	barometerSD = 0.7 // kPa
	// guessedBaroSD where the barometer is the manifold's highest pressure, unknownBaroSD where
	// nothing tells it: the height of the place, most of all. In kPa.
	guessedBaroSD = 2.5
	unknownBaroSD = 4.5
	chargeSD      = 3.0 // K
	heatingSD     = 0.5 // share of the charge heating
	coolerSD      = 0.5 // share of what compressor and cooler add
	// meterGainSD and meterShapeSD of a true meter: a data sheet's ±3 % is a limit.
	meterGainSD  = 0.018
	meterShapeSD = 0.010
	// mixtureSD: fuel's own air demand, injectors, pressure regulator of a sound car.
	mixtureSD = 0.036
	// hiddenLearnedSD is what a learned trim that was not recorded may hide, and
	// hiddenShortSD a short one; twice that at idle.
	hiddenLearnedSD = 0.08
	hiddenShortSD   = 0.05
	// mixtureIdleSD fades with flow: injector dead time, purge, crankcase flow.
	mixtureIdleSD = 0.030
	rateSD        = 0.05
	// rateShapeSD and rateIdleSD: the reported fuel rate is an injector model, poor where
	// injections are short.
	rateShapeSD = 0.08
	rateIdleSD  = 0.12
	lambdaSD    = 0.025
	// assumedLambdaSD and assumedLambdaOwnSD: control units command anything from 0.80 to 1.00 at
	// full load, and not the same at every speed; together 0.065.
	assumedLambdaSD    = 0.045
	assumedLambdaOwnSD = 0.047
	tableSD            = 0.035
	deficitSD          = 0.011
	// unseenPlateSD: where neither pedal nor plate was recorded, what was taken for full load may have
	// been a driver who gave a little less.
	unseenPlateSD = 0.03
	// unseenPullSD: where a logger leaves the pedal out in a pull, the driver may have given a little less than all, which
	// costs the engine less than the pedal's travel says. A share of the air; trade judgement.
	unseenPullSD = 0.08
	thermistorSD = 2.0  // K
	outsideSD    = 1.5  // K, hand thermometer
	sensorSD     = 3.0  // K, the vehicle's own outside sensor
	oddSensorSD  = 16.0 // K, an outside sensor that lies
	weatherSD    = 1.2  // kPa, weather about the standard atmosphere
	bankSD       = 0.025
	metersSD     = 0.03
	loadSD       = 0.05
	restFlowSD   = 0.20 // g/s
)

// The common uncertainties.
const (
	nVEScale = iota
	nVETilt
	nVEVacuum
	nVEVacuumCurve
	nManifold
	nBarometer
	nThermistor
	nHeating
	nMeterGain
	nMeterShape
	nMixture
	nMixtureIdle
	nDeficit
	nTable
	nRate
	nRateShape
	nLoad
	nOutside
	nSensor
	nWeather
	nBoost
	nApplied
	nLambda
	nMeters
	nPeak
	nDriver
	nuisanceCount
)

// nuisances is how one standard deviation of each common uncertainty moves the feature.
func (m *model) nuisances(f *feature) [nuisanceCount]float64 {
	var j [nuisanceCount]float64
	switch f.kind {
	case featAir:
		m.airNuisances(f, &j)
	case featFuel, featRate, featLambda:
		m.fuelNuisances(f, &j)
	case featTable:
		j[nVEScale] = m.engine.scaleSD
		j[nVETilt] = veTiltSD * m.tilt(f)
		j[nPeak] = m.peakShift(f)
		j[nTable] = tableSD
	case featDeficit:
		j[nManifold], j[nBarometer] = -manifoldSD/f.baro, m.baroSD/f.baro
		j[nDeficit] = deficitSD * math.Max(0.3, sq(math.Min(1.1, f.flow/m.rated)))
	case featRestGap:
		j[nManifold], j[nBarometer] = manifoldSD, -barometerSD
	case featBaro:
		j[nBarometer], j[nWeather] = barometerSD, weatherSD
	case featSoak, featRoad:
		j[nThermistor], j[nOutside] = thermistorSD, outsideSD
	case featSoakSensor, featRoadSensor:
		j[nThermistor] = thermistorSD
		j[nSensor] = sensorSD
	case featLoad:
		j[nMeterGain], j[nLoad] = meterGainSD, loadSD
	case featMeters:
		j[nMeters] = metersSD
	}
	return j
}

func (m *model) tilt(f *feature) float64 {
	return math.Log(math.Max(f.rpm, 400)/(0.75*m.engine.peakRPM)) / math.Log(3)
}

// peakShift is what one standard deviation of the speed of best breathing moves.
func (m *model) peakShift(f *feature) float64 {
	x := math.Min(1.5, f.rpm/m.engine.peakRPM)
	c := speedCurvature
	if x > 1 {
		c = speedCurvatureAbove
	}
	return m.engine.peakSD * 2 * c * x * (x - 1)
}

func (m *model) airNuisances(f *feature, j *[nuisanceCount]float64) {
	p := or(f.pressure, f.baro)
	vacuum := math.Max(0, 1-p/f.baro)
	j[nVEScale] = m.engine.scaleSD
	j[nVETilt] = veTiltSD * m.tilt(f)
	j[nPeak] = m.peakShift(f)
	j[nVEVacuum] = veVacuumSD * vacuum
	j[nVEVacuumCurve] = veVacuumCurveSD * vacuum * vacuum
	j[nManifold] = -manifoldSD / math.Max(p, 10)
	if f.pseudo {
		j[nManifold], j[nBarometer] = 0, -m.baroSD/f.baro
		j[nDeficit] = -deficitSD
	}
	if f.unseen {
		j[nDriver] = -unseenPullSD
	}
	j[nThermistor] = thermistorSD / f.tempK
	k := chargeHeating / (1 + f.flow/(chargeHeatingFlow*m.engine.volumeL))
	j[nHeating] = math.Hypot(heatingSD*k*math.Max(10, f.coolantC+zeroC-f.tempK), chargeSD) / f.tempK
	if m.boosted && m.engine.location != LocationAfterCooler && p > f.baro {
		j[nHeating] = math.Hypot(j[nHeating], coolerSD*m.engine.coolerRise(f.tempK-zeroC, p, f.baro)/f.tempK)
	}
	if over := p - f.baro; m.boosted && over > 0 {
		share := math.Min(1, over/50)
		j[nBoost] = boostSD * share
		// Back-pressure before the turbine and the compressor's own drive grow with speed.
		j[nVETilt] *= 1 + share
	}
	m.meterNuisances(f.flow, 1, j)
}

// shared is the covariance of two features through the roughness of volumetric
// efficiency over speed and vacuum.
func (m *model) shared(f, g *feature) float64 {
	breathes := func(k featureKind) bool { return k == featAir || k == featTable }
	if !breathes(f.kind) || !breathes(g.kind) {
		return 0
	}
	x := sq(veTuningSD) * math.Exp(-0.5*sq(math.Log(f.rpm/g.rpm)/veTuningLength))
	if f.kind == featAir && g.kind == featAir {
		v, w := vacuumOf(f), vacuumOf(g)
		x += sq(veOverlapSD) * v * w * math.Exp(-0.5*sq((v-w)/veOverlapLength))
	}
	return x
}

func vacuumOf(f *feature) float64 { return math.Max(0, 1-or(f.pressure, f.baro)/f.baro) }

func (m *model) meterNuisances(flow, sign float64, j *[nuisanceCount]float64) {
	if !m.metered {
		return
	}
	j[nMeterGain] = sign * meterGainSD
	j[nMeterShape] = sign * meterShapeSD * m.shape(flow)
}

// shape runs from about −1 at idle to +1 at rated flow.
func (m *model) shape(flow float64) float64 {
	mid := math.Sqrt(m.idleFlow * m.rated)
	return math.Log(flow/mid) / math.Log(m.rated/mid)
}

func (m *model) fuelNuisances(f *feature, j *[nuisanceCount]float64) {
	m.meterNuisances(f.flow, -1, j)
	fade := math.Min(1.3, m.idleFlow/f.flow)
	switch f.kind {
	case featFuel:
		j[nMixture] = math.Hypot(mixtureSD, m.hiddenTrim)
		j[nMixtureIdle] = math.Hypot(mixtureIdleSD, 2*m.hiddenTrim) * fade
	case featLambda:
		j[nMixture] = mixtureSD
		j[nLambda] = lambdaSD
		if f.assumed {
			j[nLambda] = math.Hypot(lambdaSD, assumedLambdaSD)
		}
		j[nApplied] = appliedSD * m.trimLevel
		j[nMeterGain] *= 1 - m.applied
		j[nMeterShape] *= 1 - m.applied
	case featRate:
		j[nRate] = rateSD
		j[nRateShape] = rateShapeSD * m.shape(f.flow)
		j[nMixtureIdle] = rateIdleSD * fade
	}
	if !m.metered && f.kind != featRate {
		p := or(f.pressure, f.baro)
		j[nManifold] = manifoldSD / math.Max(p, 10)
		j[nThermistor] = thermistorSD / f.tempK
		// A control unit without a meter knows its own engine's volumetric efficiency,
		// except for wear and deposits.
		j[nVEVacuum] = 0.03 * math.Max(0, 1-p/f.baro)
	}
}

// ownSD is the standard uncertainty that a feature shares with no other: its
// reading and the roughness of volumetric efficiency and of trims over flow.
func (m *model) ownSD(f *feature) float64 {
	own := 0.0
	switch f.kind {
	case featAir:
		own = 0.018 + 0.035*math.Max(0, 1-or(f.pressure, f.baro)/f.baro)
		if f.pseudo {
			own = 0.025
		}
	case featFuel:
		own = 0.014 + 0.012*math.Min(1, m.idleFlow/f.flow)
		// The part that was not recorded is learned for each range of load by itself.
		own = math.Hypot(own, m.hiddenTrim/2)
		if !m.metered && or(f.pressure, 0) > f.baro {
			own = math.Hypot(own, boostSD)
		}
	case featRate:
		own = 0.025
	case featLambda:
		own = 0.012
		if f.assumed {
			own = math.Hypot(own, assumedLambdaOwnSD)
		}
	case featDeficit:
		if !m.driverSeen {
			own = unseenPlateSD
		}
	case featBank:
		own = bankSD
	case featMeters:
		own = 0.01
	case featRestFlow:
		own = restFlowSD
	}
	return math.Hypot(f.sd, own)
}

// appliedSD is the spread of the share of the learned trim that is applied in open
// loop, uniform between none and all.
const appliedSD = 0.29
