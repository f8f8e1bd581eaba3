// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import (
	"math"
	"slices"
)

// featureKind is what one number compares.
type featureKind uint8

const (
	// featAir is ln(metered / sound engine), featFuel ln((1+short)(1+long)),
	// featRate ln(air that the fuel rate implies / metered), featLambda
	// ln(measured / commanded lambda) at full load.
	featAir featureKind = iota
	featFuel
	featRate
	featLambda
	// featDeficit is (baro−pressure)/baro at full load less a sound engine's.
	featDeficit
	// featTable is ln(control unit's full-load volumetric efficiency / prior).
	featTable
	// featDisplacement is ln(entered / control unit's displacement).
	featDisplacement
	// featRestGap is pressure less barometer at rest in kPa, featRestFlow the meter at
	// rest in g/s, featBaro the barometer less the standard atmosphere in kPa.
	featRestGap
	featRestFlow
	featBaro
	// featSoak and featRoad are intake less outside temperature in K, less what is usual;
	// featSoakSensor and featRoadSensor the same against the vehicle's own outside sensor.
	featSoak
	featRoad
	featSoakSensor
	featRoadSensor
	// featBank is the total trim of bank 1 less bank 2, featMeters ln(meter A / meter B).
	featBank
	featMeters
	// featLoad is ln(calculated load at full load), less a sound engine's.
	featLoad
)

// feature is one number with what is needed to predict it.
type feature struct {
	kind  featureKind
	class int
	// y is measured less expected of a sound engine with true sensors; sd is its own
	// standard uncertainty, what it shares with others left out.
	y, sd float64
	n     int64
	// The mean operating point: g/s, 1/min, pressure and barometer in kPa, K, °C.
	flow, rpm, pressure, baro, tempK, coolantC float64
	// pseudo: the manifold pressure was inferred from the barometer. unseen: full load was inferred from speed and flow.
	pseudo, unseen bool
	// assumed: the commanded mixture was not recorded.
	assumed bool
	// clamped: the measured value stands at the end of its scale.
	clamped bool
	// measured and expected in the unit of the report.
	measured, expected float64
}

// minCellSlots is how many independent seconds a level of flow needs.
const minCellSlots = 2.0

// features turns the memory of the drive into comparable numbers.
func (a *Assay) features() []feature {
	fs := make([]feature, 0, 64)
	for class := range a.cells {
		cells := a.cells[class]
		if class == fullLoad {
			gatherSparse(&cells)
		}
		for i := range cells {
			fs = a.cellFeatures(fs, class, &cells[i])
		}
	}
	fs = dropDependentRates(fs)
	fs = a.thin(fs)
	fs = a.bankFeature(fs)
	fs = a.tableFeatures(fs)
	fs = a.restFeatures(fs)
	fs = a.temperatureFeatures(fs)
	return fs
}

func (a *Assay) cellFeatures(fs []feature, class int, c *cell) []feature {
	base := feature{
		class: class, flow: c.flow.value(), rpm: c.rpm.value(), pressure: c.pressure.value(),
		baro: or(c.baro.value(), a.baroGuess()), tempK: or(c.intake.value(), 25) + zeroC,
		coolantC: or(c.coolant.value(), 90), pseudo: class == fullLoad && (2*c.pseudo > c.air.n || !a.pressureSeen()), unseen: 2*c.unseen > c.air.n,
	}
	if !known(base.flow) {
		return fs
	}
	if f, ok := spreadFeature(base, featAir, &c.air, a.independence()); ok && a.airMeans(&base) {
		f.y += math.Log(a.nominal.volumeL / a.engine.volumeL * a.nominal.veTop / a.engine.veTop)
		fs = append(fs, f)
	}
	if f, ok := spreadFeature(base, featFuel, &c.fuel, 1); ok && c.regulated() {
		f.y -= a.humidTrim()
		f.sd = math.Hypot(f.sd, 0.03*c.trimsAtEnd/float64(c.fuel.n))
		fs = append(fs, f)
	} else if f, ok := spreadFeature(base, featFuel, &c.purged, 1); ok && c.regulated() {
		f.y -= a.humidTrim()
		f.sd = math.Hypot(f.sd, purgedGS/f.flow)
		fs = append(fs, f)
	}
	if f, ok := spreadFeature(base, featRate, &c.rate, 1); ok {
		fs = append(fs, f)
	}
	if class == fullLoad {
		fs = a.fullLoadFeatures(fs, base, c)
	}
	return fs
}

// regulated: the mixture was regulated for most of what was seen at full load. A moment of it at the edge of a pull is one
// that the control unit told late, or that was read with the time of before.
func (c *cell) regulated() bool {
	return float64(c.fuel.n+c.purged.n) >= 4*c.open && c.fuel.slots+c.purged.slots >= minTrimSlots
}

// minTrimSlots is how many seconds of trims a level of flow needs: a correction takes seconds to settle, and the edges of a
// few pulls make up one or two.
const minTrimSlots = 4.0

// airMeans: metered air beside pressure, or beside the barometer at a natural engine's full load, tells something.
func (a *Assay) airMeans(f *feature) bool {
	return a.movementOK() && !a.pressureStuck() && (!f.pseudo || !a.boosted())
}

// purgedGS is the standard deviation of what purge adds to or takes from the air that fuel is trimmed
// for, in g/s: a valve half open passes some tenths, of air or of vapour. Trade judgement.
const purgedGS = 0.5

// dropDependentRates leaves out the fuel rate where trims were seen: the control unit
// computes it from metered air and trims, so it is the same evidence again.
func dropDependentRates(fs []feature) []feature {
	trims := 0
	for i := range fs {
		if fs[i].kind == featFuel {
			trims++
		}
	}
	if trims < 2 {
		return fs
	}
	return slices.DeleteFunc(fs, func(f feature) bool { return f.kind == featRate && f.class == partLoad })
}

// humidTrim is the trim of a sound car that meters its air on a humid day: the meter
// weighs the vapour, the lambda sensor sees only the oxygen [DOMAIN 3.2].
func (a *Assay) humidTrim() float64 {
	humidity := firstKnown(a.facts.HumidityPercent, a.held(sigHumidity, a.now))
	outside := firstKnown(a.facts.AmbientC, a.held(sigExterior, a.now), validTemperature(a.held(sigAmbient, a.now)))
	if !known(humidity) || !known(outside) || !a.metered() {
		return 0
	}
	return math.Log1p(-humidity / 100 * vapourPressure(outside) / a.baroGuess())
}

// independence is the share of the slots that count as independent for the air
// ratio: rows without a clock are not simultaneous in a way nobody can state.
func (a *Assay) independence() float64 {
	if a.clock == ClockRowOrder {
		return 0.25
	}
	return 1
}

func spreadFeature(f feature, kind featureKind, s *spread, independence float64) (feature, bool) {
	if s.slots*independence < minCellSlots || s.n < 4 {
		return f, false
	}
	var width float64
	f.kind = kind
	f.y, width = s.centre()
	f.sd = width / math.Sqrt(s.slots*independence)
	f.n = s.n
	return f, true
}

// mixtureFeature compares the mixture with the one that was asked for, or, where that was not told, with the usual one.
func mixtureFeature(fs []feature, f feature, c *cell) []feature {
	l := c.lambda
	if !c.enoughMixture(&l) {
		l, f.assumed = c.assumedLambda, true
	}
	if !c.enoughMixture(&l) {
		return fs
	}
	f.kind, f.y, f.n = featLambda, l.mean, int64(l.n)
	f.sd = math.Hypot(l.sd()/math.Sqrt(math.Min(l.n, 20)), 0.005)
	// What was read while it moved is off to the same side each time.
	f.sd = math.Hypot(f.sd, settledLambdaSD*math.Sqrt(math.Max(0, l.n/l.w-1)))
	return append(fs, f)
}

// gatherSparse puts neighbouring levels of flow together of which each has too few points: a logger that writes a row every
// other second has one or two of a pull at each.
func gatherSparse(cells *[cellCount]cell) {
	sparse := func(c *cell) bool {
		spreads := max(c.air.n, c.fuel.n, c.purged.n, c.rate.n)
		return c.flow.n > 0 && max(float64(spreads), c.lambda.n, c.assumedLambda.n, c.deficit.n, c.settled.n, c.load.n) < enoughLambda
	}
	for i := 1; i < cellCount; i++ {
		if below := &cells[i-1]; sparse(below) && sparse(&cells[i]) {
			cells[i].absorb(below)
			*below = cell{}
		}
	}
}

// enoughMixture: so many points make up a mixture at one level of flow, one less where each is of another second and none
// can be the edge of the other.
func (c *cell) enoughMixture(l *mean) bool {
	return l.n >= enoughLambda || l.n >= enoughLambda-1 && c.mixtureSlots >= c.lambda.n+c.assumedLambda.n
}

const enoughLambda = 4

func (a *Assay) fullLoadFeatures(fs []feature, f feature, c *cell) []feature {
	fs = mixtureFeature(fs, f, c)
	if d := a.deficitOf(c, f.baro); d.n >= 3 && !a.boosted() && !a.pressureStuck() {
		g := f
		g.kind, g.n = featDeficit, int64(d.n)
		g.measured, g.expected = d.mean, a.soundDeficitAt(f.flow)
		g.y = g.measured - g.expected
		g.sd = math.Hypot(d.sd()/math.Sqrt(math.Min(d.n, 20)), 0.004)
		fs = append(fs, g)
	}
	if c.load.n >= 3 && !c.air.hasEnough() && a.airflowLoad() != no && a.facts.Fuel != FuelDiesel && !a.boosted() {
		g := f
		g.kind, g.n = featLoad, int64(c.load.n)
		g.measured, g.expected = c.load.mean, soundFullLoadPercent
		g.y = math.Log(g.measured / g.expected)
		g.sd = 0.02
		g.clamped = c.load.mean > 99
		fs = append(fs, g)
	}
	if c.meters.n >= 4 {
		g := f
		g.kind, g.y, g.sd, g.n = featMeters, c.meters.mean, 0.01, int64(c.meters.n)
		fs = append(fs, g)
	}
	return fs
}

// deficitOf is how far the manifold stands below the barometer, as a share of it; where nothing tells
// the barometer, below the one that is guessed: then only how it changes with flow means much.
func (a *Assay) deficitOf(c *cell, baro float64) mean {
	if c.deficit.n >= 3 || c.settled.n == 0 {
		return c.deficit
	}
	d := c.settled
	d.mean = (baro - d.mean) / baro
	d.m2 /= sq(baro)
	return d
}

// soundFullLoadPercent is the calculated load of a sound engine at full load; it scatters by
// soundFullLoadSD [DOMAIN 2.3].
const (
	soundFullLoadPercent = 95.0
	soundFullLoadSD      = 5.0
)

func (s *spread) hasEnough() bool { return s.slots >= minCellSlots && s.n >= 4 }

// soundDeficitAt is what filter, meter and throttle cost a sound engine at a flow,
// as a share of the barometer: it grows with the square of the flow.
func (a *Assay) soundDeficitAt(flow float64) float64 {
	x := math.Min(1.2, flow/a.ratedFlow())
	return 0.006 + 0.026*x*x
}

// ratedFlow is the flow of a sound engine at rated speed and full load, in g/s;
// where the engine's size is not known, the highest that was tested.
func (a *Assay) ratedFlow() float64 {
	if a.engine.scaleSD > 0.3 {
		return math.Max(a.tested, 20)
	}
	b := a.baroGuess()
	m := a.engine.air(a.engine.peakRPM/0.75, b*(1-soundDeficit), b, 305)
	return math.Max(m, a.tested*0.8)
}

// maxPerKind bounds the levels of flow that enter the inference for one kind.
const maxPerKind = 9

// thin merges neighbouring levels of one kind and class until few remain: what
// they share is far more than what each adds.
func (a *Assay) thin(fs []feature) []feature {
	for kind := featAir; kind <= featLoad; kind++ {
		for class := range loadClasses {
			for {
				idx := indices(fs, kind, class)
				if len(idx) <= maxPerKind {
					break
				}
				fs = mergeClosest(fs, idx)
			}
		}
	}
	return fs
}

func indices(fs []feature, kind featureKind, class int) []int {
	var idx []int
	for i := range fs {
		if fs[i].kind == kind && fs[i].class == class {
			idx = append(idx, i)
		}
	}
	return idx
}

func mergeClosest(fs []feature, idx []int) []feature {
	best, at := math.Inf(1), 0
	for k := 1; k < len(idx); k++ {
		if d := math.Log(fs[idx[k]].flow / fs[idx[k-1]].flow); d < best {
			best, at = d, k
		}
	}
	i, j := idx[at-1], idx[at]
	fs[i] = mergeFeatures(&fs[i], &fs[j])
	return slices.Delete(fs, j, j+1)
}

func mergeFeatures(a, b *feature) feature {
	wa, wb := 1/sq(math.Max(a.sd, 1e-3)), 1/sq(math.Max(b.sd, 1e-3))
	mix := func(x, y float64) float64 {
		if !known(x) {
			return y
		}
		if !known(y) {
			return x
		}
		return (wa*x + wb*y) / (wa + wb)
	}
	f := *a
	f.y, f.sd, f.n = mix(a.y, b.y), 1/math.Sqrt(wa+wb), a.n+b.n
	f.flow, f.rpm, f.pressure = mix(a.flow, b.flow), mix(a.rpm, b.rpm), mix(a.pressure, b.pressure)
	f.baro, f.tempK, f.coolantC = mix(a.baro, b.baro), mix(a.tempK, b.tempK), mix(a.coolantC, b.coolantC)
	f.measured, f.expected = mix(a.measured, b.measured), mix(a.expected, b.expected)
	return f
}

// bankFeature is the difference between the banks' trims over all part load.
func (a *Assay) bankFeature(fs []feature) []feature {
	var diff, flow, pressure mean
	for i := range a.cells[partLoad] {
		c := &a.cells[partLoad][i]
		w := math.Min(c.bank.n, 200)
		diff.add(c.bank.value(), w)
		flow.add(c.flow.value(), w)
		pressure.add(c.pressure.value(), w)
	}
	if diff.w < 20 {
		return fs
	}
	return append(fs, feature{
		kind: featBank, y: diff.mean, sd: 0.01, n: int64(diff.w), flow: flow.mean,
		pressure: pressure.value(), baro: a.baroGuess(), tempK: 300, measured: 100 * diff.mean,
	})
}

// airflowLoad tells whether the calculated load is proportional to air (yes) or
// to torque (no) [DOMAIN 2.4(3)].
func (a *Assay) airflowLoad() tri {
	var intercept, weight float64
	for i := range a.table {
		l := &a.table[i].line
		// The relative spread must be wide for an intercept to mean anything.
		if l.n < 12 || l.sdX() < 0.15*l.mx {
			continue
		}
		intercept += l.n * (l.my - l.slope()*l.mx)
		weight += l.n
	}
	if weight < 20 {
		return unknown
	}
	if math.Abs(intercept/weight) > maxLoadIntercept {
		return no
	}
	return yes
}

// maxLoadIntercept in points of calculated load at no flow: torque at no air is
// negative by 10 to 20 points; air by definition is nought.
const maxLoadIntercept = 7.0

func (a *Assay) tableFeatures(fs []feature) []feature {
	if a.airflowLoad() == no || !a.movementOK() || a.facts.Fuel == FuelDiesel || a.boosted() {
		return fs
	}
	var sum, n, rpm float64
	for i := range a.table {
		c := &a.table[i]
		if c.ratio.n < 5 {
			continue
		}
		w := math.Min(c.ratio.n, 60)
		sum += w * c.ratio.mean
		rpm += w * c.rpm.mean
		n += w
	}
	if n >= 15 && !a.tableContradicted(sum/n) {
		f := feature{
			kind: featTable, y: sum / n, sd: 0.01, n: int64(n), rpm: rpm / n, pressure: 98,
			baro: 100, tempK: 298, coolantC: 90,
		}
		f.y += math.Log(a.nominal.volumeL / a.engine.volumeL * a.nominal.veTop / a.engine.veTop)
		f.expected = a.engine.volumetricEfficiency(f.rpm, 98, 100)
		f.measured = f.expected * math.Exp(f.y)
		fs = append(fs, f)
	}
	if v, ok := a.controlUnitDisplacement(); ok && known(a.facts.DisplacementL) {
		f := feature{kind: featDisplacement, sd: 0.012, n: a.displacement.n}
		f.measured, f.expected = v, a.facts.DisplacementL
		f.y = math.Log(a.facts.DisplacementL / v)
		fs = append(fs, f)
	}
	return fs
}

// maxTableGap is how far, in logarithm, the full-load air that calculated load implies at part load may be
// from what it implies at full load before it is called a load of torque rather than air [DOMAIN 2.4(3)].
const maxTableGap = 0.08

// tableContradicted: ratio is what part load implies, in ln of the prior's volumetric efficiency.
func (a *Assay) tableContradicted(ratio float64) bool {
	var full mean
	for i := range a.cells[fullLoad] {
		c := &a.cells[fullLoad][i]
		if c.load.n < 3 || !known(c.flow.value()) {
			continue
		}
		f := or(c.baro.value(), 99) / 101.325 * math.Sqrt(298/(or(c.intake.value(), 28)-8+zeroC))
		ve := c.flow.mean / (c.load.mean / 100 * f) * 120 * gasConstant * 298.15 / (a.nominal.volumeL * c.rpm.mean * 101.325)
		full.add(math.Log(ve/a.nominal.volumetricEfficiency(c.rpm.mean, 98, 100)), c.load.n)
	}
	return full.n > 0 && ratio-full.mean > maxTableGap
}

// controlUnitDisplacement is the displacement in litres that the control unit
// computes absolute load with; only where absolute load is computed from the
// meter, so that the ratio is constant over load [DOMAIN 2.4(1)].
func (a *Assay) controlUnitDisplacement() (litres float64, ok bool) {
	d := &a.displacement
	if d.n < 30 || !a.movementOK() {
		return 0, false
	}
	centre, width := d.centre()
	if width > 0.025 || math.Abs(a.displacementOverLoad.slope()) > 0.025 {
		return 0, false
	}
	return nominalLitre * math.Exp(centre), true
}

// baroGuess is the barometric pressure in kPa from whatever tells it. A natural engine's
// manifold at its highest is a little below; 99 is a day at 200 m.
func (a *Assay) baroGuess() float64 {
	b := a.baroAt(a.lastT)
	if known(b) {
		return b
	}
	if !a.boosted() && a.pressureSeen() {
		if m := math.Max(a.tracks[sigMAP].max, a.tracks[sigMAPHigh].max); m > 70 && m < 106 {
			return m / (1 - 0.01)
		}
	}
	return 99
}

func (a *Assay) restFeatures(fs []feature) []feature {
	r := &a.rest
	baroOK := 2*a.baroImpossible <= a.tracks[sigBaro].total
	if r.gap.n >= 2 && a.tracks[sigBaro].seen() && baroOK && !a.pressureStuck() {
		fs = append(fs, feature{
			kind: featRestGap, y: r.gap.mean, sd: 0.5, n: int64(r.gap.n), measured: r.gap.mean,
			baro: a.baroGuess(), pressure: r.pressure.mean, tempK: 298,
		})
	}
	if r.flow.n >= 2 {
		fs = append(fs, feature{kind: featRestFlow, y: r.flow.mean, sd: 0.15, n: int64(r.flow.n), measured: r.flow.mean})
	}
	if b := a.held(sigBaro, a.lastT); known(b) && known(a.facts.AltitudeM) && baroOK {
		e := standardPressure(a.facts.AltitudeM)
		fs = append(fs, feature{kind: featBaro, y: b - e, sd: 0.5, n: a.tracks[sigBaro].total, measured: b, expected: e, baro: b})
	}
	return fs
}

// baroSD is the standard uncertainty of baroGuess in kPa.
func (a *Assay) baroSD() float64 {
	switch {
	case a.tracks[sigBaro].seen() || a.tracks[sigPressureExterior].seen() || a.rest.pressure.n > 0:
		return barometerSD
	case known(a.facts.AltitudeM):
		return weatherSD
	case !a.boosted() && a.pressureSeen():
		return guessedBaroSD
	}
	return unknownBaroSD
}

// driverSignals tell what the driver does.
var driverSignals = [...]signal{sigThrottle, sigThrottleRelative, sigPedalD, sigPedalE, sigPedalRelative}

// driverSeen: what the driver does was recorded.
func (a *Assay) driverSeen() bool {
	for _, s := range driverSignals {
		if a.tracks[s].seen() {
			return true
		}
	}
	return false
}

// minSoakHours after which coolant, oil, intake and outside temperature agree [DOMAIN 5.4].
const minSoakHours = 6.0

// soaked tells whether the recording starts on an engine that stood for hours.
func (a *Assay) soaked() bool {
	if known(a.facts.HoursSinceRun) {
		return a.facts.HoursSinceRun >= minSoakHours
	}
	s := &a.soak
	if !s.restSeen && !s.runTimeLow || s.ranBefore || s.coolant.n == 0 {
		return false
	}
	// Nobody says how long it stood: coolant at outside temperature does.
	o := firstKnown(a.facts.AmbientC, s.outside.value())
	return known(o) && math.Abs(s.coolant.mean-o) < 5
}

func (a *Assay) temperatureFeatures(fs []feature) []feature {
	s := &a.soak
	if a.soaked() && s.intake.n > 0 {
		if ref := firstKnown(a.soakReference()); known(ref) {
			fs = append(fs, temperatureFeature(featSoak, s.intake.mean, ref, 1.5, int64(s.intake.n)))
		}
		if s.sensorOutside.n > 0 {
			fs = append(fs, temperatureFeature(featSoakSensor, s.intake.mean, s.sensorOutside.mean, 2.5, int64(s.intake.n)))
		}
	}
	usual, sd := a.usualIntakeRise()
	if r := &a.road; r.intake.n >= 10 {
		if r.thermometer.n >= 10 {
			fs = append(fs, temperatureFeature(featRoad, r.thermometer.mean, usual, sd, int64(r.thermometer.n)))
		}
		if r.sensor.n >= 10 {
			fs = append(fs, temperatureFeature(featRoadSensor, r.sensor.mean, usual, sd, int64(r.sensor.n)))
		}
	}
	return fs
}

func temperatureFeature(kind featureKind, measured, expected, sd float64, n int64) feature {
	return feature{kind: kind, measured: measured, expected: expected, y: measured - expected, sd: sd, n: n}
}

// soakReference is the median of what the intake air sensor should agree with.
func (a *Assay) soakReference() float64 {
	var xs []float64
	for _, x := range [...]float64{a.soak.coolant.value(), a.soak.oil.value(), firstKnown(a.facts.AmbientC, a.soak.outside.value())} {
		if known(x) {
			xs = append(xs, x)
		}
	}
	if len(xs) == 0 {
		return math.NaN()
	}
	slices.Sort(xs)
	if len(xs)%2 == 1 {
		return xs[len(xs)/2]
	}
	return (xs[len(xs)/2-1] + xs[len(xs)/2]) / 2
}

// usualIntakeRise is how far intake air is above outside air on the road, in K,
// with its standard deviation over vehicles and days.
func (a *Assay) usualIntakeRise() (mean, sd float64) {
	if a.boosted() && a.facts.Location != LocationInMeter && a.facts.Location != LocationSeparate {
		return 14, 9
	}
	return 8, 5
}

// movementOK tells whether the meter moves with the engine at all; where it does
// not, its ratios mean nothing.
func (a *Assay) movementOK() bool {
	m := &a.movement
	return m.n < 20 || m.sdX() < 0.15 || m.slope() > 0.35
}

func (a *Assay) boosted() bool {
	if a.facts.Aspiration == AspirationNatural {
		return false
	}
	return a.facts.boosted() || a.breathesBeyondNatural() || math.Max(a.tracks[sigMAP].max, a.tracks[sigMAPHigh].max) > a.baroCeiling()
}

// baroCeiling is the pressure in kPa that only a compressor makes.
func (a *Assay) baroCeiling() float64 {
	if b, _ := a.tracks[sigBaro].latest(); known(b) {
		return b + 14
	}
	return 116
}
