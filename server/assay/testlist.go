// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import (
	"math"
	"slices"
)

// look is what an inspection is worth: how long it takes, how often it finds its fault where that is there
// (sensitivity), and how often it finds nothing where that is not there (specificity). Trade judgement, no
// published source; DOMAIN 6.6 names the order that must come out.
type look struct {
	minutes, sensitivity, specificity float64
}

var looks = map[Inspection]look{
	// Eyes and hands; a crack on the far side of a bellows, or one that opens only under torque, is missed.
	InspectDuctBetweenMeterAndThrottle: {5, 0.85, 0.97},
	// A clogged element is seen at once and a fresh one proves it; dirt that does not choke is taken for a cause.
	InspectAirFilterAndBox:  {5, 0.90, 0.85},
	InspectDustBehindFilter: {5, 0.80, 0.90},
	// Smoke shows holes of a millimetre; valves that leak only when hot stay hidden.
	InspectIntakeLeakTest: {25, 0.92, 0.93},
	// A gauge with the maker's values; a pump that falls short only at full load needs a loaded run.
	InspectFuelPressure: {30, 0.85, 0.93},
	// A gauge in place of the oxygen sensor; a hot thread may need heat and patience.
	InspectExhaustBackPressure: {30, 0.90, 0.93},
	// A second person at the pedal, a look at the plate.
	InspectThrottleTravel: {8, 0.93, 0.97},
	// Wiggled at idle: contact that fails only when hot or under vibration is missed.
	InspectMeterWiring: {8, 0.75, 0.95},
	// The number is read off in minutes; a right number does not clear a part, which weighByFacts knows.
	InspectMeterPartNumber: {5, 0.90, 0.97},
	// A hand thermometer is good to 1 K; the sensor must be left to settle beside it.
	InspectAirTemperatureWithThermometer: {10, 0.92, 0.97},
	InspectManifoldPressureWithGauge:     {12, 0.92, 0.96},
	InspectVehicleFacts:                  {3, 0.97, 0.99},
	InspectExhaustLeak:                   {15, 0.80, 0.92},
	InspectRecirculationAndValveTiming:   {40, 0.80, 0.92},
	// Closed off one after the other at idle while the trim is watched.
	InspectPurgeAndCrankcaseVentilation: {12, 0.88, 0.92},
	InspectBarometerReference:           {4, 0.93, 0.97},
	// A test tube and water, or a sensor in the tank line.
	InspectFuelBlend:          {12, 0.90, 0.95},
	InspectBoostLeak:          {20, 0.92, 0.94},
	InspectInjectorsOfOneBank: {35, 0.85, 0.92},
}

// lookOf is what an inspection is worth; one without a line takes a quarter of an hour and is middling.
func lookOf(i Inspection) look {
	if l, ok := looks[i]; ok {
		return l
	}
	return look{15, 0.80, 0.90}
}

// Minutes of what is driven or read, from the decision to the number: the way to a fit road and its traffic
// included, and for a pull the pause between two. Trade judgement.
const (
	minutesAtRest     = 2.0
	minutesIdle       = 2.0
	minutesRaisedIdle = 2.0
	minutesCruise     = 5.0
	minutesHighLoad   = 6.0
	minutesPull       = 7.0
	// minutesSoak is what a night in the yard costs: not the hours, but the second visit.
	minutesSoak = 60.0
	minutesFact = 3.0
)

// regretPerMinute turns time into regret: another drive of a quarter of an hour is driveRegret.
const regretPerMinute = driveRegret / 15

// Relative standard uncertainties with which one good run reads, beyond what the run shares with others; from the
// features of sound development drives.
const (
	runAirSD      = 0.008
	runFuelSD     = 0.008
	runLambdaSD   = 0.010
	runDeficitSD  = 0.006
	runLoadSD     = 0.020
	runRestGapSD  = 0.5 // kPa
	runRestFlowSD = 0.15
	runBaroSD     = 0.5 // kPa
	runSoakSD     = 1.5 // K
)

// promised is a number that a test would add.
type promised struct {
	f   feature
	own float64
	j   [nuisanceCount]float64
	// silent: no fault moves it, it only tells of a nuisance.
	silent bool
}

// testRun is a test as far as it gives numbers.
type testRun struct {
	manoeuvre ManoeuvreKind
	fact      string
	minutes   float64
	promises  []promised
}

// operatingPoint of a manoeuvre: engine speed as a share of the speed of best breathing where it is below 50,
// and pressure as a share of the barometer.
type operatingPoint struct{ rpm, pressure float64 }

var pointsOf = map[ManoeuvreKind][]operatingPoint{
	ManoeuvreWarmIdle:     {{750, 0.36}},
	ManoeuvreRaisedIdle:   {{2500, 0.28}},
	ManoeuvreSteadyCruise: {{1900, 0.42}, {2500, 0.55}},
	ManoeuvreHighLoad:     {{2600, 0.80}},
	ManoeuvreFullLoadPull: {{0.65, 0.975}, {1.15, 0.965}},
}

// testRuns lists what can be driven, read or asked now, each with the numbers that it promises from the signals
// that there are. A test that promises none is left out.
func (r *result) testRuns() []testRun {
	var out []testRun
	add := func(t testRun) {
		if len(t.promises) > 0 {
			out = append(out, t)
		}
	}
	add(testRun{manoeuvre: ManoeuvreKeyOnEngineOff, minutes: minutesAtRest, promises: r.promisesAtRest()})
	add(testRun{manoeuvre: ManoeuvreWarmIdle, minutes: minutesIdle, promises: r.promisesOf(ManoeuvreWarmIdle)})
	if r.warm() {
		add(testRun{manoeuvre: ManoeuvreRaisedIdle, minutes: minutesRaisedIdle, promises: r.promisesOf(ManoeuvreRaisedIdle)})
		add(testRun{manoeuvre: ManoeuvreSteadyCruise, minutes: minutesCruise, promises: append(r.promisesOf(ManoeuvreSteadyCruise), r.promisesOnTheRoad()...)})
		add(testRun{manoeuvre: ManoeuvreHighLoad, minutes: minutesHighLoad, promises: r.promisesOf(ManoeuvreHighLoad)})
		add(testRun{manoeuvre: ManoeuvreFullLoadPull, minutes: minutesPull, promises: r.promisesOf(ManoeuvreFullLoadPull)})
	}
	add(testRun{manoeuvre: ManoeuvreColdSoak, minutes: minutesSoak, promises: r.promisesAfterSoak()})
	add(testRun{fact: "displacement_l", minutes: minutesFact, promises: r.promisesOfSize()})
	add(testRun{fact: "altitude_m", minutes: minutesFact, promises: r.promisesOfHeight()})
	add(testRun{fact: "ambient_c", minutes: minutesFact, promises: r.promisesOfWeather()})
	return out
}

// warm: the engine was seen warm, or has run for so long that it must be where nobody tells its temperature. Before
// that nothing but idling is asked of it.
func (r *result) warm() bool {
	a := r.a
	if known(a.warmest) {
		return a.warmest >= warmTrimC
	}
	const runUS = 10 * 60 * second
	return a.ran && !a.offered(sigCoolant) && a.lastT-a.firstT >= runUS
}

// offered: the signal has come, or the drive has just begun and a capture has declared it.
func (a *Assay) offered(s signal) bool {
	if a.tracks[s].seen() {
		return true
	}
	const soonUS = 20 * second
	if a.used > 0 && a.lastT-a.firstT > soonUS {
		return false
	}
	for i := range a.captures {
		for _, d := range a.captures[i].signals {
			if d.sig == s {
				return true
			}
		}
	}
	return false
}

func (a *Assay) offersAny(ss ...signal) bool {
	return slices.ContainsFunc(ss, a.offered)
}

// present tells whether the drive has a number of this kind already that another reading would only repeat.
func (r *result) present(k featureKind) bool {
	return slices.ContainsFunc(r.fs, func(f feature) bool { return f.kind == k })
}

func (r *result) promise(f feature) promised {
	return promised{f: f, own: r.m.ownSD(&f), j: r.m.nuisances(&f)}
}

// promisesOf are the numbers of a manoeuvre that is driven through the engine's operating points.
func (r *result) promisesOf(k ManoeuvreKind) (out []promised) {
	o := r.offers()
	for i, at := range pointsOf[k] {
		f := r.operating(at, k == ManoeuvreFullLoadPull)
		kinds := o.partLoad()
		if f.class == fullLoad {
			kinds = o.fullLoad(i == len(pointsOf[k])-1)
		}
		for _, x := range kinds {
			g := f
			g.kind, g.sd, g.pseudo = x.kind, x.sd, x.kind == featAir && !o.pressure
			out = append(out, r.promise(g))
		}
	}
	return out
}

// offers is what there is to measure with.
type offers struct {
	meter, pressure, trims, lambda, load, boosted, diesel, throttled bool
}

func (r *result) offers() offers {
	a := r.a
	diesel := a.facts.Fuel == FuelDiesel
	return offers{
		meter: a.offersAny(sigMAF, sigMAFA) && r.m.metered, pressure: a.offersAny(sigMAP, sigMAPHigh) && !a.pressureStuck(),
		trims:  !diesel && a.offersAny(sigShortTrim1, sigLongTrim1, sigShortTrim2, sigLongTrim2),
		lambda: !diesel && a.offersAny(sigLambda1, sigLambda2), load: a.offered(sigLoad), boosted: r.m.boosted, diesel: diesel,
		throttled: !diesel && !a.loadByValvesSeen(),
	}
}

// expectedReading is a number that a run gives, with its own scatter.
type expectedReading struct {
	kind featureKind
	sd   float64
}

func (o *offers) partLoad() (out []expectedReading) {
	if o.meter && o.pressure && o.throttled {
		out = append(out, expectedReading{featAir, runAirSD})
	}
	if o.trims {
		out = append(out, expectedReading{featFuel, runFuelSD})
	}
	return out
}

// fullLoad is read at each point; top is the highest, where filter and plate cost most.
func (o *offers) fullLoad(top bool) (out []expectedReading) {
	natural := !o.boosted && !o.diesel
	if o.meter && (o.pressure || !o.boosted) {
		out = append(out, expectedReading{featAir, runAirSD})
	}
	if o.lambda {
		out = append(out, expectedReading{featLambda, runLambdaSD})
	}
	if top && o.pressure && natural {
		out = append(out, expectedReading{featDeficit, runDeficitSD})
	}
	if top && !o.meter && o.load && natural {
		out = append(out, expectedReading{featLoad, runLoadSD})
	}
	return out
}

// loadByValvesSeen: the engine ran long enough to know that pressure does not control its load.
func (a *Assay) loadByValvesSeen() bool {
	return a.ran && !math.IsInf(a.lowestRunning, 1) && a.loadByValves()
}

// operating is a number's place on this engine.
func (r *result) operating(at operatingPoint, full bool) feature {
	const charged = 1.5 // of the barometer: what a compressor gives at full load where nobody has seen it
	e := &r.m.engine
	rpm, pressure := at.rpm, at.pressure*r.m.baro
	if rpm < 50 {
		rpm *= e.peakRPM
	}
	if full && r.m.boosted {
		pressure = charged * r.m.baro
	}
	f := feature{rpm: rpm, pressure: pressure, baro: r.m.baro, coolantC: 90}
	if full {
		f.class = fullLoad
	}
	intakeC := or(r.a.road.intake.value(), 25)
	flow := 5 * e.volumeL
	for range 3 {
		f.tempK = intakeC + zeroC
		flow = e.air(rpm, pressure, r.m.baro, e.chargeTemperature(intakeC, 90, flow, pressure, r.m.baro))
	}
	f.flow = math.Max(flow, 0.5)
	return f
}

func (r *result) promisesAtRest() (out []promised) {
	a := r.a
	base := feature{baro: r.m.baro, pressure: r.m.baro, tempK: 298}
	if a.offersAny(sigMAP, sigMAPHigh) && a.offered(sigBaro) && !a.pressureStuck() && !r.present(featRestGap) {
		g := base
		g.kind, g.sd = featRestGap, runRestGapSD
		out = append(out, r.promise(g))
	}
	if a.offersAny(sigMAF, sigMAFA) && r.m.metered && !r.present(featRestFlow) {
		g := base
		g.kind, g.sd = featRestFlow, runRestFlowSD
		out = append(out, r.promise(g))
	}
	return out
}

// promisesOnTheRoad are intake air against outside air.
func (r *result) promisesOnTheRoad() (out []promised) {
	a := r.a
	if !a.offersAny(sigIAT, sigIAT11) || !a.offered(sigSpeedRoad) {
		return nil
	}
	_, sd := a.usualIntakeRise()
	if known(a.facts.AmbientC) && !r.present(featRoad) {
		out = append(out, r.promise(feature{kind: featRoad, sd: sd}))
	}
	if !known(a.facts.AmbientC) && a.offered(sigAmbient) && !r.present(featRoadSensor) {
		out = append(out, r.promise(feature{kind: featRoadSensor, sd: sd}))
	}
	return out
}

func (r *result) promisesAfterSoak() []promised {
	a := r.a
	if !a.offersAny(sigIAT, sigIAT11) || !a.offersAny(sigCoolant, sigOil) || r.present(featSoak) {
		return nil
	}
	return []promised{r.promise(feature{kind: featSoak, sd: runSoakSD})}
}

// promisesOfSize: the displacement takes away all of the uncertainty of the engine's size but that of its kind.
func (r *result) promisesOfSize() []promised {
	e := &r.m.engine
	if known(r.a.facts.DisplacementL) || e.scaleSD < 0.2 || !r.m.metered {
		return nil
	}
	p := promised{f: feature{kind: featDisplacement}, own: veScaleSD, silent: true}
	p.j[nVEScale] = math.Sqrt(math.Max(0, sq(e.scaleSD)-sq(veScaleSD)))
	return []promised{p}
}

func (r *result) promisesOfHeight() []promised {
	if known(r.a.facts.AltitudeM) || !r.a.offered(sigBaro) || r.present(featBaro) {
		return nil
	}
	return []promised{r.promise(feature{kind: featBaro, sd: runBaroSD, baro: r.m.baro})}
}

// promisesOfWeather: a hand thermometer beside what was driven on the road already.
func (r *result) promisesOfWeather() []promised {
	if known(r.a.facts.AmbientC) || r.present(featRoad) || r.a.road.intake.n < 10 {
		return nil
	}
	_, sd := r.a.usualIntakeRise()
	return []promised{r.promise(feature{kind: featRoad, sd: sd})}
}
