// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assaytest

import (
	"math"
	"math/rand/v2"
	"slices"

	"github.com/airassay/airassay/server/assay"
)

// Spec says which vehicle is driven, what is wrong with it, and how it is recorded.
type Spec struct {
	Fault Fault
	// Rate in samples a second, all signals together; 40 where it is 0.
	Rate float64
	// Seed of the noise.
	Seed uint64
	// Meter is the technology as entered; NoMeter is a car that computes its air from
	// manifold pressure.
	Meter   assay.Technology
	NoMeter bool
	// TwoBanks has trims and a lambda sensor for each bank; TwoMeters two air meters.
	TwoBanks, TwoMeters bool
	// Diesel is a turbocharged diesel: no trims, recirculation at part load.
	Diesel bool
	// EnteredLitres is the displacement as entered; the true 2.0 L where it is 0 and
	// not entered at all where it is negative.
	EnteredLitres float64
	// ColdSoak starts after a night's rest, with a hand thermometer's reading.
	ColdSoak bool
	// Omit are VSS paths that are not recorded.
	Omit []string
	// Only keeps the named manoeuvres; all where it is empty.
	Only []assay.ManoeuvreKind
	// Laps repeats everything between the first idle and the last overrun; 1 where it is 0.
	Laps int
	// NoiseFree leaves out noise; quantisation stays.
	NoiseFree bool
}

// The VSS paths that the drives record.
const (
	PathEngineSpeed   = "Vehicle.OBD.EngineSpeed"
	PathMAF           = "Vehicle.OBD.MAF"
	PathMAFA          = "Vehicle.OBD.MAFA"
	PathMAFB          = "Vehicle.OBD.MAFB"
	PathMAP           = "Vehicle.OBD.MAP"
	PathBaro          = "Vehicle.OBD.BarometricPressure"
	PathIAT           = "Vehicle.OBD.IntakeTemp"
	PathAmbient       = "Vehicle.OBD.AmbientAirTemperature"
	PathCoolant       = "Vehicle.OBD.CoolantTemperature"
	PathOil           = "Vehicle.OBD.OilTemperature"
	PathThrottle      = "Vehicle.OBD.ThrottlePosition"
	PathPedal         = "Vehicle.OBD.AcceleratorPositionD"
	PathLoad          = "Vehicle.OBD.EngineLoad"
	PathLoadAbsolute  = "Vehicle.OBD.AbsoluteLoad"
	PathShortTrim1    = "Vehicle.OBD.ShortTermFuelTrim1"
	PathLongTrim1     = "Vehicle.OBD.LongTermFuelTrim1"
	PathShortTrim2    = "Vehicle.OBD.ShortTermFuelTrim2"
	PathLongTrim2     = "Vehicle.OBD.LongTermFuelTrim2"
	PathFuelStatus    = "Vehicle.OBD.FuelStatus"
	PathLambdaCommand = "Vehicle.OBD.CommandedEquivalenceRatio"
	PathLambda1       = "Vehicle.OBD.O2WR.Sensor1.Lambda"
	PathLambda2       = "Vehicle.OBD.O2WR.Sensor5.Lambda"
	PathSpeed         = "Vehicle.OBD.Speed"
	PathRunTime       = "Vehicle.OBD.RunTime"
	PathVoltage       = "Vehicle.OBD.ControlModuleVoltage"
	PathRecirculation = "Vehicle.OBD.CommandedEGR"
)

// Drive is one recorded drive, ready to be pushed.
type Drive struct {
	Facts   assay.Facts
	Clock   assay.Clock
	Defs    []assay.SignalDef
	Samples []assay.Sample
}

// Start declares the drive as capture 1 of a new assay.
func (d *Drive) Start() *assay.Assay {
	a := assay.New(d.Facts)
	if err := a.Declare(1, d.Clock, d.Defs); err != nil {
		panic(err) // The definitions are this package's own.
	}
	return a
}

// Assess pushes the whole drive and concludes.
func (d *Drive) Assess() *assay.Assessment {
	a := d.Start()
	for _, s := range d.Samples {
		a.Push(s)
	}
	return a.Assess()
}

// Without is the drive with some signals not recorded.
func (d *Drive) Without(paths ...string) *Drive {
	e := *d
	e.Samples = slices.DeleteFunc(slices.Clone(d.Samples), func(s assay.Sample) bool {
		return slices.Contains(paths, d.Defs[s.Signal].Path)
	})
	return &e
}

// stretch is one part of the script. Speeds run from their first to their second value.
type stretch struct {
	kind             assay.ManoeuvreKind
	seconds          float64
	rpm0, rpm1       float64
	kPa              float64
	kmh0, kmh1       float64
	pedal, throttle  float64
	full, cut, stood bool
}

func script(sp *Spec) []stretch {
	laps := max(1, sp.Laps)
	s := []stretch{
		{kind: assay.ManoeuvreKeyOnEngineOff, seconds: 8, kPa: math.NaN(), throttle: 15, stood: true},
		{seconds: 3, rpm0: 1200, rpm1: 800, kPa: 36, throttle: 15, stood: true},
	}
	if sp.ColdSoak {
		s = append(s, stretch{seconds: 120, rpm0: 1100, rpm1: 850, kPa: 36, throttle: 15, stood: true},
			stretch{seconds: 180, rpm0: 1900, rpm1: 2100, kPa: 42, kmh0: 50, kmh1: 55, pedal: 14, throttle: 21})
	}
	s = append(s,
		stretch{kind: assay.ManoeuvreWarmIdle, seconds: 60, rpm0: 750, rpm1: 750, kPa: 33, throttle: 15, stood: true},
		stretch{kind: assay.ManoeuvreRaisedIdle, seconds: 20, rpm0: 2500, rpm1: 2500, kPa: 27, pedal: 8, throttle: 18, stood: true})
	for range laps {
		s = append(s, lap()...)
	}
	s = append(s,
		stretch{kind: assay.ManoeuvreOverrun, seconds: 6, rpm0: 2800, rpm1: 1500, kPa: 22, kmh0: 85, kmh1: 45, throttle: 15, cut: true},
		stretch{kind: assay.ManoeuvreWarmIdle, seconds: 15, rpm0: 760, rpm1: 750, kPa: 33, throttle: 15, stood: true})
	if len(sp.Only) > 0 {
		s = slices.DeleteFunc(s, func(x stretch) bool {
			return x.kind != assay.ManoeuvreUnspecified && !slices.Contains(sp.Only, x.kind)
		})
	}
	return s
}

func lap() []stretch {
	s := []stretch{
		{kind: assay.ManoeuvreSteadyCruise, seconds: 25, rpm0: 1800, rpm1: 1800, kPa: 40, kmh0: 55, kmh1: 55, pedal: 13, throttle: 20},
		{kind: assay.ManoeuvreSteadyCruise, seconds: 30, rpm0: 2200, rpm1: 2200, kPa: 45, kmh0: 70, kmh1: 70, pedal: 17, throttle: 23},
		{kind: assay.ManoeuvreSteadyCruise, seconds: 25, rpm0: 2600, rpm1: 2600, kPa: 58, kmh0: 95, kmh1: 95, pedal: 26, throttle: 30},
		{kind: assay.ManoeuvreHighLoad, seconds: 12, rpm0: 2750, rpm1: 2850, kPa: 80, kmh0: 95, kmh1: 98, pedal: 45, throttle: 44},
	}
	for range 3 {
		s = append(s,
			stretch{kind: assay.ManoeuvreSteadyCruise, seconds: 12, rpm0: 2000, rpm1: 2000, kPa: 44, kmh0: 65, kmh1: 65, pedal: 16, throttle: 22},
			stretch{kind: assay.ManoeuvreFullLoadPull, seconds: 8, rpm0: 2000, rpm1: 5800, kmh0: 65, kmh1: 188, pedal: 100, throttle: 100, full: true},
			stretch{kind: assay.ManoeuvreOverrun, seconds: 4, rpm0: 4800, rpm1: 2600, kPa: 23, kmh0: 155, kmh1: 80, throttle: 15, cut: true})
	}
	return s
}

// dieselScript: only full load says anything; part load recirculates.
func dieselScript() []stretch {
	s := []stretch{
		{kind: assay.ManoeuvreKeyOnEngineOff, seconds: 8, kPa: math.NaN(), stood: true},
		{kind: assay.ManoeuvreWarmIdle, seconds: 40, rpm0: 800, rpm1: 800, kPa: 100, stood: true},
		{kind: assay.ManoeuvreSteadyCruise, seconds: 30, rpm0: 1900, rpm1: 1900, kPa: 115, kmh0: 70, kmh1: 70, pedal: 20},
	}
	for range 3 {
		s = append(s,
			stretch{kind: assay.ManoeuvreSteadyCruise, seconds: 10, rpm0: 1800, rpm1: 1800, kPa: 115, kmh0: 70, kmh1: 70, pedal: 20},
			stretch{kind: assay.ManoeuvreFullLoadPull, seconds: 8, rpm0: 1800, rpm1: 4000, kPa: 205, kmh0: 70, kmh1: 150, pedal: 100, full: true})
	}
	return append(s, stretch{kind: assay.ManoeuvreWarmIdle, seconds: 15, rpm0: 800, rpm1: 800, kPa: 100, stood: true})
}

// state is the vehicle at one instant.
type state struct {
	t                       float64
	rpm, kPa, kmh           float64
	pedal, throttle         float64
	full, cut, stood        bool
	intakeC, coolantC, oilC float64
	// takes is the air that the engine takes, shown what the meter says of it.
	takes, shown, shownA, shownB float64
}

// blendSeconds is how long a change from one stretch to the next takes, liftSeconds
// how long the driver's foot needs to leave the pedal and the manifold to empty.
const blendSeconds, liftSeconds = 1.2, 0.4

type driver struct {
	sp     *Spec
	plant  plant
	script []stretch
	// at is the stretch under way and startT its start.
	at     int
	startT float64
	from   state
	now    state
	lastT  float64
}

func smooth(x float64) float64 {
	x = math.Min(1, math.Max(0, x))
	return x * x * (3 - 2*x)
}

// step brings the vehicle to t and reports false when the drive is over. Calls come in rising time.
func (d *driver) step(t float64) bool {
	for t >= d.startT+d.script[d.at].seconds {
		d.startT += d.script[d.at].seconds
		d.from = d.now
		if d.at++; d.at == len(d.script) {
			return false
		}
	}
	s, n := &d.script[d.at], &d.now
	share := (t - d.startT) / s.seconds
	b := 1.0
	if d.startT > 0 {
		b = smooth((t - d.startT) / blendSeconds)
	}
	// A foot leaves the pedal faster than an engine changes speed.
	foot := b
	if s.cut {
		foot = smooth((t - d.startT) / liftSeconds)
	}
	mix := func(from, to float64) float64 { return from + b*(to-from) }
	n.t = t
	n.rpm = mix(d.from.rpm, s.rpm0+share*(s.rpm1-s.rpm0))
	n.kmh = mix(d.from.kmh, s.kmh0+share*(s.kmh1-s.kmh0))
	n.pedal = d.from.pedal + foot*(s.pedal-d.from.pedal)
	n.throttle = d.from.throttle + foot*(s.throttle-d.from.throttle)
	if d.plant.fault.ThrottleKPa > 0 {
		n.throttle = math.Min(n.throttle, 100-6*d.plant.fault.ThrottleKPa)
	}
	n.stood = s.stood
	// The mixture follows the pedal, not the script: rich while it is down, cut when it is up.
	n.full = n.pedal > 90
	n.cut = s.cut && n.pedal < 3
	d.temperatures(t)
	kPa := s.kPa
	switch {
	case math.IsNaN(kPa):
		kPa = d.plant.baro
	case s.full && !d.plant.diesel:
		kPa = d.plant.fullLoadPressure(math.Max(n.rpm, 900), n.intakeC)
	}
	if d.startT == 0 {
		d.from.kPa = kPa
	}
	n.kPa = d.from.kPa + foot*(kPa-d.from.kPa)
	d.air()
	d.lastT = t
	return true
}

// The day: outside 22 °C; intake air 8 K above it on the road, 12 K standing.
const outsideC, intakeRoadC, intakeStandingC = 22.0, 30.0, 34.0

func (d *driver) temperatures(t float64) {
	n := &d.now
	dt := t - d.lastT
	target := intakeRoadC
	if n.kmh < 10 {
		target = intakeStandingC
	}
	if d.plant.diesel && n.kPa > 150 {
		target = 42
	}
	if n.rpm < 100 {
		return
	}
	n.intakeC += (target - n.intakeC) * math.Min(1, dt/30)
	n.coolantC += (90 - n.coolantC) * math.Min(1, dt/110)
	n.oilC += (92 - n.oilC) * math.Min(1, dt/200)
}

func (d *driver) air() {
	n, p := &d.now, &d.plant
	n.takes = 0
	if n.rpm > 100 {
		n.takes = p.takes(n.rpm, n.kPa, n.intakeC)
	}
	m := 0.0
	if n.takes > 0 {
		m = p.passes(n.takes, n.kPa)
	}
	n.shown = p.meter(m, p.fault.Gain)
	n.shownA, n.shownB = p.meter(m/2, p.fault.Gain), p.meter(m/2, p.fault.Gain2)
	if d.sp.TwoMeters {
		n.shown = n.shownA + n.shownB
	}
}

// Make drives the script and records it.
func Make(sp Spec) *Drive {
	if sp.Rate == 0 {
		sp.Rate = 40
	}
	d := &driver{sp: &sp, plant: plant{litres: 2, baro: 99.5, fault: sp.Fault, diesel: sp.Diesel}}
	d.now.intakeC, d.now.coolantC, d.now.oilC = intakeStandingC-2, 88, 90
	if sp.ColdSoak {
		d.now.intakeC, d.now.coolantC, d.now.oilC = outsideC, outsideC+0.5, outsideC+0.5
	}
	d.script = script(&sp)
	if sp.Diesel {
		d.script = dieselScript()
	}
	r := newRecorder(&sp)
	out := &Drive{Facts: facts(&sp), Clock: assay.ClockHardware, Defs: r.defs}
	// The time axis does not start at nought: a session's first sample seldom does.
	const startUS = 5_000_000
	for i := 0; ; i++ {
		t := float64(i) / sp.Rate
		if !d.step(t) {
			return out
		}
		c := r.next(d)
		if c < 0 {
			continue
		}
		out.Samples = append(out.Samples, assay.Sample{
			Capture: 1, Signal: int32(c), TimeUS: startUS + int64(math.Round(t*1e6)), Value: r.read(c, d), UncertaintyUS: -1,
		})
	}
}

func facts(sp *Spec) assay.Facts {
	f := assay.NoFacts()
	f.Cylinders, f.Valves, f.Cycle = 4, 4, assay.CycleOtto
	f.Fuel, f.Aspiration, f.AirMeter = assay.FuelGasoline, assay.AspirationNatural, sp.Meter
	f.Purpose = assay.PurposeComplaint
	f.DisplacementL = 2
	f.RatedPowerRPM = 6000
	switch {
	case sp.EnteredLitres > 0:
		f.DisplacementL = sp.EnteredLitres
	case sp.EnteredLitres < 0:
		f.DisplacementL = math.NaN()
	}
	if sp.NoMeter {
		f.AirMeter = assay.TechnologyNone
	}
	if sp.Diesel {
		f.Fuel, f.Aspiration, f.Location = assay.FuelDiesel, assay.AspirationTurbo, assay.LocationAfterCooler
		f.RatedPowerRPM = 3900
	}
	if sp.ColdSoak {
		f.HoursSinceRun, f.AmbientC = 10, outsideC
	}
	return f
}

func gaussian(rng *rand.Rand, sd float64) float64 { return sd * rng.NormFloat64() }
