// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package scenario

import (
	"fmt"
	"math"
	"math/rand/v2"
	"regexp"
	"slices"
	"strings"

	"github.com/airassay/airassay/plugins/simulator/engine"
	"github.com/airassay/airassay/plugins/simulator/link"
	"github.com/airassay/airassay/plugins/simulator/road"
)

func newRandom(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 0xa0761d6478bd642f)) }

// or sets a field that is still zero.
func or[T comparable](to *T, value T) {
	var zero T
	if *to == zero {
		*to = value
	}
}

// pick gives the first value whose condition holds, and else the last one.
func pick(diesel bool, ifDiesel float64, charged bool, ifCharged, otherwise float64) float64 {
	switch {
	case diesel:
		return ifDiesel
	case charged:
		return ifCharged
	}
	return otherwise
}

// derive fills in what follows from what is given: a typical vehicle of its kind.
func (f *File) derive() {
	f.Vehicle.derive()
	f.Day.derive()
	f.Fault.derive()
	if class, ok := link.ByName(f.Link.Class); ok {
		or(&f.Link.ValuesPerS, class.Rate)
		or(&f.Link.ValuesPerRequest, class.Group)
		or(&f.Link.Jitter, class.Jitter)
		or(&f.Link.Lost, class.Lost)
	}
	if f.Driver.Script == nil {
		f.Driver.Script = f.roadTest()
	}
}

func (v *Vehicle) derive() {
	diesel, charged := v.Fuel == "diesel", v.Aspiration != "natural"
	litres := clamp(v.DisplacementL, 0.3, 8)
	or(&v.Cylinders, [...]int{3, 4, 6, 8}[slices.IndexFunc([]float64{1.1, 2.6, 3.7, 99}, func(most float64) bool { return litres < most })])
	or(&v.Banks, 1+min(1, v.Cylinders/6))
	if v.Fuel == "ethanol" {
		or(&v.EthanolPercent, 70)
		v.Control.FlexFuel = true
	}
	if v.Fuel == "gasoline" {
		or(&v.EthanolPercent, 5)
	}
	or(&v.CompressionRatio, pick(diesel, 16.5, charged, 9.5, 10.5))
	or(&v.RatedRPM, pick(diesel, 4000, charged, 5500, 6000))
	v.deriveBreathing(diesel)
	if charged {
		super := v.Aspiration == "supercharged"
		or(&v.Charger.MaxRatio, pick(super, 1.5, true, 1.75, 0))
		or(&v.Charger.FullRPM, 2100)
		or(&v.Charger.SpoolSeconds, 0.45)
		or(&v.Charger.Efficiency, pick(super, 0.58, true, 0.68, 0))
		or(&v.Charger.Cooler, 0.72)
	}
	v.deriveIntake(litres)
	v.deriveMeters()
	v.deriveBody(litres, diesel)
	if v.Control.InjectorScale == nil {
		v.Control.InjectorScale = []float64{1, 1}[:v.Banks]
	}
	if v.Signals == nil {
		v.Signals = v.usualSignals()
	}
}

func (v *Vehicle) deriveBreathing(diesel bool) {
	b := &v.Breathing
	two := v.ValvesPerCyl == 2
	or(&b.Max, pick(v.Cycle == "atkinson", 0.75, diesel, 0.86, pick(two, 0.835, false, 0, 0.905)))
	or(&b.PeakRPM, v.RatedRPM*pick(diesel, 0.55, two, 0.62, 0.68))
	or(&b.TypeMax, b.Max)
	or(&b.TypePeakRPM, b.PeakRPM)
	or(&b.Overlap, pick(diesel, 0.01, false, 0, 0.035))
	or(&b.EGRShare, pick(diesel, 0.28, false, 0, 0))
}

func (v *Vehicle) deriveIntake(litres float64) {
	i := &v.Intake
	// Density of the charge in kg/m³ at the throttle, and the drop in Pa that a wide open one may cost.
	density, drop := v.chargeDensity(), 900.0
	or(&i.RatedFlow, v.usualFlow())
	or(&i.ThrottleMM2, 1e3*i.RatedFlow/math.Sqrt(2*density*drop))
	or(&i.ManifoldVolumeL, 1.55*litres)
}

func (v *Vehicle) chargeDensity() float64 {
	return 1.16 * math.Pow(math.Max(1, v.Charger.MaxRatio), 0.9)
}

// usualFlow is the air in g/s that such an engine takes at its rated speed.
func (v *Vehicle) usualFlow() float64 {
	curve := engine.BreathingCurve{Max: v.Breathing.TypeMax, PeakRPM: v.Breathing.TypePeakRPM, DroopLow: v.Breathing.DroopLow, DroopHigh: v.Breathing.DroopHigh}
	for j, b := range v.Breathing.Bumps {
		curve.Bumps[j] = engine.Bump{RPM: b.RPM, Width: b.WidthRPM, Height: b.Height}
	}
	return curve.At(v.RatedRPM) * v.DisplacementL * v.RatedRPM / 120 * v.chargeDensity()
}

func (v *Vehicle) deriveMeters() {
	a := &v.AirMeter
	if a.Meters == nil && a.Technology != "none" {
		a.Meters = make([]Meter, 1)
		applyDefaults(&a.Meters[0])
	}
	tau := map[string]float64{"hot_wire": 20, "hot_film": 12, "vane": 70, "karman": 15}[a.Technology]
	for j := range a.Meters {
		or(&a.Meters[j].TauMS, tau)
	}
	if v.Sensors.IntakeTempLocation == "" {
		v.Sensors.IntakeTempLocation = "in_meter"
		if a.Technology == "none" {
			v.Sensors.IntakeTempLocation = "separate"
		}
	}
}

func (v *Vehicle) deriveBody(litres float64, diesel bool) {
	b := &v.Body
	or(&b.MassKg, math.Round(clamp(950+260*litres, 900, 2600)))
	if b.Gears == nil {
		b.Gears = []float64{3.5, 2.06, 1.36, 1.0, 0.78}
	}
	perThousand := pick(diesel, 44, false, 0, 34) / 3.6 // m/s in top gear
	or(&b.Final, clamp(1000*2*math.Pi/60*b.WheelM/perThousand/b.Gears[len(b.Gears)-1], 1, 10))
	or(&b.Inertia, 0.06+0.07*litres)
}

// usualSignals is what a control unit of the kind usually shows.
func (v *Vehicle) usualSignals() (paths []string) {
	spark := v.Fuel != "diesel"
	meters := len(v.AirMeter.Meters)
	two := v.Banks == 2
	k := &v.Control
	for _, x := range []struct {
		signal engine.Signal
		has    bool
	}{
		{engine.FuelStatus, spark}, {engine.EngineLoad, true}, {engine.CoolantTemperature, true}, {engine.ShortTermFuelTrim1, spark},
		{engine.LongTermFuelTrim1, spark}, {engine.ShortTermFuelTrim2, spark && two}, {engine.LongTermFuelTrim2, spark && two}, {engine.ManifoldPressure, true},
		{engine.EngineSpeed, true}, {engine.VehicleSpeed, true}, {engine.TimingAdvance, spark}, {engine.IntakeTemp, true}, {engine.MAF, meters > 0},
		{engine.ThrottlePosition, spark}, {engine.RunTime, true}, {engine.OxygenVoltage1, spark && !k.WideBand}, {engine.OxygenVoltage2, spark && two && !k.WideBand},
		{engine.Lambda1, spark && k.WideBand}, {engine.Lambda2, spark && two && k.WideBand}, {engine.CommandedEGR, v.Breathing.EGRShare > 0},
		{engine.CommandedPurge, spark}, {engine.BarometricPressure, true}, {engine.ControlModuleVoltage, true}, {engine.AbsoluteLoad, spark},
		{engine.CommandedLambda, spark}, {engine.AmbientAirTemperature, true}, {engine.PedalD, k.ElectronicThrottle || !spark},
		{engine.EthanolPercent, k.FlexFuel}, {engine.MAFA, meters == 2}, {engine.MAFB, meters == 2}, {engine.BoostCommanded, v.Aspiration == "turbo"},
		{engine.BoostActual, v.Aspiration == "turbo"},
	} {
		if x.has {
			paths = append(paths, x.signal.Define().Path)
		}
	}
	return paths
}

func (d *Day) derive() {
	or(&d.PressureKPa, engine.StandardPressureAt(d.AltitudeM)/1000)
	if d.ColdSoak {
		or(&d.HoursSinceRun, 10)
		or(&d.CoolantC, d.TemperatureC)
		or(&d.BonnetC, d.TemperatureC)
		return
	}
	or(&d.HoursSinceRun, 0.2)
	or(&d.CoolantC, 87)
	or(&d.BonnetC, d.TemperatureC+12)
}

func (x *Fault) derive() {
	if x.Condition == soundCondition {
		or(&x.Cause, "CAUSE_NONE")
		or(&x.Severity, None.String())
		return
	}
	or(&x.Severity, Moderate.String())
}

// roadTest is the test that a technician is asked to drive, or what a bad driver makes of it.
func (f *File) roadTest() (list []Segment) {
	add := func(s ...Segment) { list = append(list, s...) }
	add(Segment{Do: "key_on", Seconds: 8}, Segment{Do: "start"})
	style := f.Driver.Style
	if style == StyleIdle {
		add(Segment{Do: "idle", Seconds: 110})
		return list
	}
	if f.Day.CoolantC < 60 && style != StyleCold && style != StyleShort {
		add(Segment{Do: "cruise", SpeedKmh: 60, Seconds: 100}, Segment{Do: "cruise", SpeedKmh: 80, Seconds: 100})
	}
	if style == StyleShort {
		add(Segment{Do: "idle", Seconds: 12}, Segment{Do: "cruise", SpeedKmh: 60, Seconds: 6})
		return list
	}
	if style == StyleTown || style == StyleTownAborted {
		for range 4 {
			add(Segment{Do: "cruise", Gear: 2, SpeedKmh: 38, Seconds: 4})
			if style == StyleTownAborted {
				add(f.pulls(1)[0])
			}
			add(Segment{Do: "stop"}, Segment{Do: "idle", Seconds: 12})
		}
		return list
	}
	add(Segment{Do: "idle", Seconds: 70}, Segment{Do: "raised_idle", RPM: 2500, Seconds: 24})
	if style == StyleCold {
		add(Segment{Do: "cruise", SpeedKmh: 55, Seconds: 12})
		add(f.pulls(1)...)
		return list
	}
	rated := f.Vehicle.RatedRPM
	add(Segment{Do: "cruise", SpeedKmh: 52, Seconds: 22}, Segment{Do: "cruise", SpeedKmh: 78, Seconds: 22}, Segment{Do: "cruise", SpeedKmh: 100, Seconds: 22},
		Segment{Do: "high_load", Gear: 3, RPM: math.Round(0.44 * rated), Fill: 0.82, Seconds: 12}, Segment{Do: "high_load", Gear: 4, RPM: math.Round(0.42 * rated), Fill: 0.86, Seconds: 12})
	if style != StyleNoFullLoad {
		add(f.pulls(3)...)
	}
	add(Segment{Do: "overrun", RPM: 1450}, Segment{Do: "stop"}, Segment{Do: "idle", Seconds: 35})
	return list
}

// pulls are runs at full load.
func (f *File) pulls(count int) (list []Segment) {
	rated := f.Vehicle.RatedRPM
	body := road.Body{Mass: f.Vehicle.Body.MassKg, DragArea: f.Vehicle.Body.DragAreaM2, Wheel: f.Vehicle.Body.WheelM, Gears: f.Vehicle.Body.Gears, Final: f.Vehicle.Body.Final}
	spec := engine.Spec{Displacement: f.Vehicle.DisplacementL / 1000, RatedRPM: rated, Charger: engine.Charger{MaxRatio: f.Vehicle.Charger.MaxRatio}}
	for range count {
		s := Segment{Do: "pull", Gear: pullGear(&spec, &body), RPM: 1800, UntilRPM: math.Round(0.965 * rated), Pedal: 1}
		switch f.Driver.Style {
		case StyleAborted, StyleTownAborted:
			s.AbortS = 0.9
		case StylePartThrottle:
			s.Pedal = 0.55
		case StyleShift:
			s.Gear, s.ShiftRPM = 2, math.Round(0.58*rated)
		}
		list = append(list, s, Segment{Do: "cruise", SpeedKmh: 60, Seconds: 9})
	}
	return list
}

var nameForm = regexp.MustCompile(`^[a-z0-9.-]{1,60}$`)

// check finds what each field alone does not show.
func (f *File) check(p *problems) {
	if !nameForm.MatchString(f.Name) {
		p.addf("name", "is %.70q; expected 1 to 60 lower-case letters, digits, hyphens and dots", f.Name)
	}
	f.Vehicle.check(p)
	f.checkFault(p)
	if styles := slices.Concat([]string{StyleGood}, badStyles, namedStyles); !slices.Contains(styles, f.Driver.Style) {
		p.addf("driver.style", "is %.40q; expected one of %s", f.Driver.Style, strings.Join(styles, ", "))
	}
	for i, s := range f.Driver.Script {
		s.check(p, i, len(f.Vehicle.Body.Gears))
	}
	if f.Day.PressureKPa < 50 {
		p.addf("day.pressure_kpa", "follows from the altitude as %.1f; expected 50 to 110 kPa", f.Day.PressureKPa)
	}
}

func (v *Vehicle) check(p *problems) {
	if v.DisplacementL == 0 {
		p.addf("vehicle.displacement_l", "is missing; expected 0.3 to 8 L")
	}
	if v.Cylinders%v.Banks != 0 {
		p.addf("vehicle.banks", "is 2 for %d cylinders; expected as many cylinders in each bank", v.Cylinders)
	}
	if v.Aspiration == "natural" && v.Charger != (Charger{}) {
		p.addf("vehicle.charger", "is given, but vehicle.aspiration is natural; say turbo or supercharged, or leave the charger out")
	}
	if len(v.Control.InjectorScale) != v.Banks {
		p.addf("vehicle.control.injector_scale", "has %d values; expected one for each of %d bank(s)", len(v.Control.InjectorScale), v.Banks)
	}
	for i := 1; i < len(v.Body.Gears); i++ {
		if v.Body.Gears[i] >= v.Body.Gears[i-1] {
			p.addf("vehicle.body.gears", "does not fall from %g to %g; expected first gear first", v.Body.Gears[i-1], v.Body.Gears[i])
		}
	}
	if usual := v.usualFlow(); v.Intake.RatedFlow < usual/3 || v.Intake.RatedFlow > 3*usual {
		p.addf("vehicle.intake.rated_flow_g_per_s", "is %g for an engine that takes about %.3g; expected a third to three times that", v.Intake.RatedFlow, usual)
	}
	v.checkMeters(p)
	v.checkSignals(p)
}

func (v *Vehicle) checkMeters(p *problems) {
	meters := len(v.AirMeter.Meters)
	switch none := v.AirMeter.Technology == "none"; {
	case none && meters > 0:
		p.addf("vehicle.air_meter.meters", "has %d, but the technology is none; expected none", meters)
	case !none && (meters == 0 || meters > v.Banks):
		p.addf("vehicle.air_meter.meters", "has %d for %d bank(s); expected 1, or one for each bank", meters, v.Banks)
	case none && v.Sensors.IntakeTempLocation == "in_meter":
		p.addf("vehicle.sensors.intake_air_temperature_location", "is in_meter, but there is no meter; expected separate or after_cooler")
	}
	if v.Fuel == "diesel" && v.AirMeter.Technology == "none" {
		p.addf("vehicle.air_meter.technology", "is none for a diesel; expected a meter, which its recirculation is held by")
	}
	for i, m := range v.AirMeter.Meters {
		if v.AirMeter.Technology == "vane" && m.TauMS < 20 {
			p.addf(fmt.Sprintf("vehicle.air_meter.meters[%d].tau_ms", i), "is %g for a vane; expected 20 or more: a flap has mass", m.TauMS)
		}
	}
}

func (v *Vehicle) checkSignals(p *problems) {
	var seen []engine.Signal
	for _, path := range v.Signals {
		x, ok := signalBy(path)
		switch {
		case !ok:
			p.addf("vehicle.signals", "holds %.60q, which the simulator does not show; README.md lists what it shows", path)
		case slices.Contains(seen, x):
			p.addf("vehicle.signals", "holds %s twice", path)
		case x == engine.MAF && len(v.AirMeter.Meters) == 0, (x == engine.MAFA || x == engine.MAFB) && len(v.AirMeter.Meters) < 2:
			p.addf("vehicle.signals", "holds %s; expected it with as many meters only", path)
		case slices.Contains([]engine.Signal{engine.ShortTermFuelTrim2, engine.LongTermFuelTrim2, engine.OxygenVoltage2, engine.Lambda2}, x) && v.Banks < 2:
			p.addf("vehicle.signals", "holds %s; expected it with two banks only", path)
		}
		if ok {
			seen = append(seen, x)
		}
	}
}

func (f *File) checkFault(p *problems) {
	x := &f.Fault
	if !slices.Contains(Conditions, x.Condition) {
		p.addf("fault.condition", "is %.60q; expected one of %s", x.Condition, strings.Join(Conditions, ", "))
		return
	}
	sound := x.Condition == soundCondition
	if sound != (x.Severity == None.String()) {
		p.addf("fault.severity", "is %s for %s; expected none without a fault and only then", x.Severity, x.Condition)
	}
	if sound {
		if x.Cause != "CAUSE_NONE" && x.Cause != "CAUSE_UNFILTERED_AIR" {
			p.addf("fault.cause", "is %.60q without a fault; expected CAUSE_NONE or CAUSE_UNFILTERED_AIR", x.Cause)
		}
		return
	}
	var causes []string
	var chosen *fault
	for i := range faults {
		if faults[i].condition == x.Condition {
			causes = append(causes, faults[i].cause)
			if faults[i].cause == x.Cause {
				chosen = &faults[i]
			}
		}
	}
	if chosen == nil {
		p.addf("fault.cause", "is %.60q; expected one of %s", x.Cause, strings.Join(causes, ", "))
		return
	}
	if c := (Case{Spec: f.kind()}); !c.fits(chosen) {
		p.addf("fault.cause", "%s does not go with this vehicle; expected %s", x.Cause, chosen.needs)
	}
	if m := x.Magnitudes; m != nil && m.FilterDropKPa < -f.Vehicle.Intake.FilterDropKPa {
		p.addf("fault.magnitudes.filter_drop_kpa", "is %g; expected %g or more, the filter's own drop taken away", m.FilterDropKPa, -f.Vehicle.Intake.FilterDropKPa)
	}
	if m := x.Magnitudes; m != nil && (len(m.Meters) > len(f.Vehicle.AirMeter.Meters) || len(m.InjectorBank) > f.Vehicle.Banks) {
		p.addf("fault.magnitudes", "concern more meters or banks than the vehicle has")
	}
}

// kind is what a fault asks of a vehicle.
func (f *File) kind() engine.Spec {
	v := &f.Vehicle
	return engine.Spec{
		Banks: v.Banks, Fuel: word(v.Fuel, engine.CNG, engine.Fuel.String), Aspiration: word(v.Aspiration, engine.Supercharged, engine.Aspiration.String),
		Meter: word(v.AirMeter.Technology, engine.Karman, engine.MeterTechnology.String), Control: engine.Control{BaroFromMAP: v.Control.BaroFromMAP},
	}
}

// String says in words what the demands are.
func (n demands) String() string {
	var list []string
	for _, x := range []struct {
		is   bool
		what string
	}{
		{n.meter, "an air meter"}, {n.heated, "a hot wire or hot film"}, {n.gasoline, "a throttled engine with lambda control"}, {n.charged, "a charged engine"},
		{n.natural, "a naturally aspirated engine"}, {n.twoBanks, "two banks"}, {n.ownBaro, "a barometer of its own"},
	} {
		if x.is {
			list = append(list, x.what)
		}
	}
	return strings.Join(list, ", ")
}

func (s *Segment) check(p *problems, i, gears int) {
	need := func(ok bool, key, expected string) {
		if !ok {
			p.addf(fmt.Sprintf("driver.script[%d].%s", i, key), "of %s: expected %s", s.Do, expected)
		}
	}
	need(s.Do != "", "do", "one of "+strings.Join(segmentKinds, ", "))
	need(s.Gear <= gears, "gear", fmt.Sprintf("at most %d, as many as there are", gears))
	switch s.Do {
	case "key_on", "idle":
		need(s.Seconds > 0, "seconds", "more than 0")
	case "raised_idle":
		need(s.Seconds > 0, "seconds", "more than 0")
		need(s.RPM >= 1000, "rpm", "1000 or more")
	case "cruise":
		need(s.Seconds > 0, "seconds", "more than 0")
		need(s.SpeedKmh >= 5, "speed_kmh", "5 or more")
	case "high_load":
		need(s.Seconds > 0, "seconds", "more than 0")
		need(s.Gear > 0, "gear", "1 or more")
		need(s.SpeedKmh >= 5 || s.RPM >= 1000, "rpm", "1000 or more, or speed_kmh")
		need(s.Fill >= 0.4, "fill", "0.4 or more")
	case "pull":
		need(s.Gear > 0, "gear", "1 or more")
		need(s.RPM >= 1000, "rpm", "1000 or more")
		need(s.UntilRPM > s.RPM, "until_rpm", "more than rpm")
		need(s.Pedal >= 0.1, "pedal", "0.1 or more")
	case "overrun":
		need(s.RPM >= 800, "rpm", "800 or more")
	case "snap":
		need(s.Pedal >= 0.1, "pedal", "0.1 or more")
	}
}
