// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package scenario

import (
	"math"
	"reflect"
	"slices"

	"github.com/airassay/airassay/plugins/simulator/engine"
	"github.com/airassay/airassay/plugins/simulator/link"
	"github.com/airassay/airassay/plugins/simulator/road"
)

// binding ties a number of the file to one inside: inner = file · scale + offset.
type binding struct {
	file, inner   *float64
	scale, offset float64
}

func (b binding) in() { *b.inner = *b.file*b.scale + b.offset }

// out finds the number that in turns into exactly the inner one, where there is one.
func (b binding) out() {
	about := (*b.inner - b.offset) / b.scale
	*b.file = about
	for _, x := range []float64{about, math.Nextafter(about, math.Inf(1)), math.Nextafter(about, math.Inf(-1))} {
		if x*b.scale+b.offset == *b.inner {
			*b.file = x
			return
		}
	}
}

// Scales from the file's units to those inside.
const (
	asIs    = 1.0
	milli   = 1e-3 // L to m³, g/s to kg/s, ms to s
	kilo    = 1e3  // kPa to Pa
	micro   = 1e-6 // mm² to m²
	percent = 1e-2
)

// bind ties the numbers of a file to those of a case, whose lists must have the same lengths.
func bind(f *File, c *Case) []binding {
	v, s := &f.Vehicle, &c.Spec
	b, i, n, k, body := &v.Breathing, &v.Intake, &v.Sensors, &v.Control, &v.Body
	e := &s.Control
	list := []binding{
		{&v.DisplacementL, &s.Displacement, milli, 0}, {&v.EthanolPercent, &s.Ethanol, percent, 0}, {&v.CompressionRatio, &s.CompressionRatio, asIs, 0},
		{&v.RatedRPM, &s.RatedRPM, asIs, 0}, {&v.IdleRPM, &s.IdleRPM, asIs, 0},
		{&b.Max, &s.Breathing.Max, asIs, 0}, {&b.PeakRPM, &s.Breathing.PeakRPM, asIs, 0}, {&b.DroopLow, &s.Breathing.DroopLow, asIs, 0},
		{&b.DroopHigh, &s.Breathing.DroopHigh, asIs, 0}, {&b.TypeMax, &s.TypeBreathing.Max, asIs, 0}, {&b.TypePeakRPM, &s.TypeBreathing.PeakRPM, asIs, 0},
		{&b.Overlap, &s.Overlap, asIs, 0}, {&b.Scavenging, &s.Scavenging, asIs, 0}, {&b.CamPhasing, &s.CamPhasing, asIs, 0},
		{&b.HeatExponent, &s.HeatExponent, asIs, 0}, {&b.PickUp, &s.PickUp, asIs, 0}, {&b.PickUpFalloff, &s.PickUpFalloff, asIs, 0},
		{&b.EGRShare, &s.EGRShare, asIs, 0}, {&b.FrictionFactor, &s.Friction, asIs, 0}, {&b.AccessoryW, &s.Accessory, asIs, 0},
		{&i.RatedFlow, &s.RatedFlow, milli, 0}, {&i.FilterDropKPa, &s.FilterDrop, kilo, 0}, {&i.DuctDropKPa, &s.DuctDrop, kilo, 0},
		{&i.ExhaustDropKPa, &s.ExhaustDrop, kilo, 0}, {&i.ThrottleMM2, &s.ThrottleArea, micro, 0}, {&i.ManifoldVolumeL, &s.ManifoldVolume, milli, 0},
		{&v.Charger.MaxRatio, &s.Charger.MaxRatio, asIs, 0}, {&v.Charger.FullRPM, &s.Charger.FullRPM, asIs, 0}, {&v.Charger.SpoolSeconds, &s.Charger.SpoolSeconds, asIs, 0},
		{&v.Charger.Efficiency, &s.Charger.Efficiency, asIs, 0}, {&v.Charger.Cooler, &s.Charger.Cooler, asIs, 0},
		{&n.IntakeTempTau, &s.IntakeTempTau, asIs, 0}, {&n.IntakeTempBias, &s.IntakeTempBias, asIs, 0}, {&n.SelfHeat, &s.SelfHeat, asIs, 0},
		{&n.SoakHeat, &s.SoakHeat, asIs, 0}, {&n.MAPOffsetKPa, &s.MAPOffset, kilo, 0}, {&n.MAPGain, &s.MAPGain, asIs, 0}, {&n.BaroOffsetKPa, &s.BaroOffset, kilo, 0},
		{&n.AmbientSun, &s.AmbientSun, asIs, 0}, {&n.AmbientBias, &s.AmbientBias, asIs, 0}, {&n.LambdaBias, &s.LambdaBias, asIs, 0}, {&n.ThermostatC, &s.Thermostat, asIs, kelvin},
		{&k.LearnedLimit, &e.LongLimit, asIs, 0}, {&k.ShortLimit, &e.ShortLimit, asIs, 0}, {&k.LearnSeconds, &e.LearnSeconds, asIs, 0},
		{&k.FullLoadLambda, &e.FullLoadLambda, asIs, 0}, {&k.FullLoadTrim, &e.FullLoadTrim, asIs, 0}, {&k.FullLoadPedal, &e.FullLoadPedal, asIs, 0},
		{&k.LoadTableScale, &e.LoadTableScale, asIs, 0}, {&k.LoadTableTilt, &e.LoadTableTilt, asIs, 0}, {&k.ModelError, &e.ModelError, asIs, 0},
		{&k.Progression, &e.Progression, asIs, 0}, {&k.ThrottleClosed, &e.ThrottleClosed, asIs, 0}, {&k.ThrottleOpen, &e.ThrottleOpen, asIs, 0},
		{&k.PedalClosed, &e.PedalClosed, asIs, 0}, {&k.PedalOpen, &e.PedalOpen, asIs, 0}, {&k.AssumedEthanol, &e.AssumedEthanol, percent, 0},
		{&k.PurgeShare, &e.PurgeShare, asIs, 0}, {&k.PurgeVapour, &e.PurgeVapour, asIs, 0}, {&k.CutRPM, &e.CutRPM, asIs, 0},
		{&body.MassKg, &c.Body.Mass, asIs, 0}, {&body.DragAreaM2, &c.Body.DragArea, asIs, 0}, {&body.Rolling, &c.Body.Rolling, asIs, 0}, {&body.WheelM, &c.Body.Wheel, asIs, 0},
		{&body.Final, &c.Body.Final, asIs, 0}, {&body.ShiftSeconds, &c.Body.ShiftSeconds, asIs, 0}, {&body.Inertia, &c.Body.Inertia, asIs, 0},
		{&f.Day.AltitudeM, &c.Height, asIs, 0}, {&f.Day.PressureKPa, &c.Air.Pressure, kilo, 0}, {&f.Day.TemperatureC, &c.Air.Temperature, asIs, kelvin},
		{&f.Day.HumidityPercent, &c.Air.Humidity, percent, 0}, {&f.Day.HoursSinceRun, &c.Plan.hours, asIs, 0}, {&f.Day.CoolantC, &c.Plan.coolant, asIs, kelvin},
		{&f.Day.BonnetC, &c.Plan.bonnet, asIs, kelvin},
		{&f.Fault.Amount, &c.Amount, asIs, 0},
		{&f.Link.ValuesPerS, &c.Link.Rate, asIs, 0}, {&f.Link.Jitter, &c.Link.Jitter, asIs, 0}, {&f.Link.Lost, &c.Link.Lost, asIs, 0}, {&f.Link.RefreshScale, &c.refreshScale, asIs, 0},
		{&f.Driver.Restless, &c.restless, asIs, 0},
	}
	for j := range b.Bumps {
		x, y := &b.Bumps[j], &s.Breathing.Bumps[j]
		list = append(list, binding{&x.RPM, &y.RPM, asIs, 0}, binding{&x.WidthRPM, &y.Width, asIs, 0}, binding{&x.Height, &y.Height, asIs, 0})
	}
	for j := range v.AirMeter.Meters {
		x, y := &v.AirMeter.Meters[j], &s.Meters[j]
		list = append(list, binding{&x.Gain, &y.Gain, asIs, 0}, binding{&x.Slope, &y.Slope, asIs, 0}, binding{&x.TauMS, &y.Tau, milli, 0},
			binding{&x.Noise, &y.Noise, asIs, 0}, binding{&x.Pulsation, &y.Pulsation, asIs, 0}, binding{&x.RestFlow, &y.RestNoise, milli, 0})
	}
	for j := range k.InjectorScale {
		list = append(list, binding{&k.InjectorScale[j], &s.InjectorScale[j], asIs, 0})
	}
	return list
}

// bindFaults ties the numbers of magnitudes to faults.
func bindFaults(m *Magnitudes, f *engine.Faults) []binding {
	list := []binding{
		{&m.DuctLeakMM2, &f.DuctLeakArea, micro, 0}, {&m.BoostLeakMM2, &f.BoostLeakArea, micro, 0}, {&m.ManifoldLeakMM2, &f.ManifoldLeakArea, micro, 0},
		{&m.PurgeLeakMM2, &f.PurgeArea, micro, 0}, {&m.PurgeLeakVapour, &f.PurgeVapour, asIs, 0}, {&m.FilterDropKPa, &f.FilterDrop, kilo, 0},
		{&m.ExhaustDropKPa, &f.ExhaustDrop, kilo, 0}, {&m.FuelPressure, &f.FuelPressure, asIs, 0}, {&m.FuelLimit, &f.FuelLimit, milli, 0},
		{&m.FuelVapour, &f.FuelVapour, milli, 0}, {&m.IntakeTempBias, &f.IntakeTempBias, asIs, 0}, {&m.IntakeTempStuckC, &f.IntakeTempStuck, asIs, kelvin},
		{&m.MAPBiasKPa, &f.MAPBias, kilo, 0}, {&m.MAPGain, &f.MAPGain, asIs, 0}, {&m.MAPStuckKPa, &f.MAPStuck, kilo, 0},
		{&m.BaroBiasKPa, &f.BaroBias, kilo, 0}, {&m.BaroStuckKPa, &f.BaroStuck, kilo, 0}, {&m.PlateLimit, &f.PlateLimit, asIs, 0},
		{&m.ExhaustLeak, &f.ExhaustLeak, asIs, 0}, {&m.OxygenBias, &f.OxygenBias, asIs, 0}, {&m.EGRLeakMM2, &f.EGRLeakArea, micro, 0},
		{&m.ValveTiming, &f.ValveTiming, asIs, 0},
	}
	for j := range m.InjectorBank {
		list = append(list, binding{&m.InjectorBank[j], &f.InjectorBank[j], asIs, 0})
	}
	for j := range m.Meters {
		x, y := &m.Meters[j], &f.Meter[j]
		list = append(list, binding{&x.DirtLoss, &y.DirtLoss, asIs, 0}, binding{&x.DirtFlow, &y.DirtFlow, asIs, 0}, binding{&x.Gain, &y.Gain, asIs, 0},
			binding{&x.Slope, &y.Slope, asIs, 0}, binding{&x.Offset, &y.Offset, milli, 0}, binding{&x.LagMS, &y.Lag, milli, 0},
			binding{&x.Sticking, &y.Sticking, asIs, 0}, binding{&x.WornAt, &y.WornAt, milli, 0}, binding{&x.LostPulses, &y.LostPulses, asIs, 0},
			binding{&x.StuckAt, &y.StuckAt, milli, 0})
	}
	return list
}

// word finds the index of a word in an enumeration whose last value is last.
func word[T ~int](text string, last T, words func(T) string) T {
	for x := range last + 1 {
		if words(x) == text {
			return x
		}
	}
	return 0
}

var signalFaults = []string{"sound", "stuck", "open", "short", "intermittent", "replaced"}

func signalFault(text string) engine.SignalFault {
	return engine.SignalFault(max(0, slices.Index(signalFaults, text)))
}

var segmentKinds = []string{"key_on", "start", "idle", "raised_idle", "cruise", "high_load", "pull", "overrun", "snap", "stop"}

var learnedTrims = []string{"additive_and_factor", "cells"}

// Case is the scenario as a case that can be driven. The file must be one that Read gave.
func (f *File) Case() Case { return f.build() }

// build makes a case of a file that has passed its checks.
func (f *File) build() Case {
	v, k := &f.Vehicle, &f.Vehicle.Control
	c := Case{Seed: f.Seed, Condition: f.Fault.Condition, Cause: f.Fault.Cause, AmountUnit: f.Fault.Unit, Second: f.Fault.Second, WrongFact: f.Fault.WrongFact, DisplacementFactor: 1}
	c.Severity = word(f.Fault.Severity, Severe, Severity.String)
	s := &c.Spec
	s.Cylinders, s.Banks, s.Valves = v.Cylinders, v.Banks, v.ValvesPerCyl
	s.Aspiration = word(v.Aspiration, engine.Supercharged, engine.Aspiration.String)
	s.Fuel = word(v.Fuel, engine.CNG, engine.Fuel.String)
	s.Atkinson = v.Cycle == "atkinson"
	s.LiftControl = v.Breathing.LiftControl
	s.Meter = word(v.AirMeter.Technology, engine.Karman, engine.MeterTechnology.String)
	if n := len(v.AirMeter.Meters); n > 0 {
		s.Meters = make([]engine.Meter, n)
	}
	s.IntakeTempLocation = word(v.Sensors.IntakeTempLocation, engine.AfterCooler, engine.SensorLocation.String)
	s.InjectorScale = [2]float64{1, 1}
	s.Control = engine.Control{
		WideBand: k.WideBand, LongTrim: engine.LongTrimKind(max(0, slices.Index(learnedTrims, k.LearnedTrim))), LoadTorque: k.LoadIsTorque, LoadFromIntake: k.LoadFromIntake,
		BaroFromMAP: k.BaroFromMAP, ShowsFixedSubstitute: k.ShowsFixedSubstitute, OpensLoopOnSubstitute: k.OpensLoop, WarmUps: float64(k.WarmUps),
		Electronic: k.ElectronicThrottle, FlexFuel: k.FlexFuel, LearnedBefore: k.LearnedBefore,
	}
	c.Body = road.Body{Gears: slices.Clone(v.Body.Gears), Automatic: v.Body.Automatic}
	c.Link = link.Class{Name: f.Link.Class, Group: f.Link.ValuesPerRequest}
	if class, ok := link.ByName(f.Link.Class); ok {
		c.Link.Few, c.Link.Rows = class.Few, class.Rows
	}
	c.Plan = Plan{style: f.Driver.Style, coldSoak: f.Day.ColdSoak}
	for _, b := range bind(f, &c) {
		b.in()
	}
	peak := s.TypeBreathing
	s.TypeBreathing = s.Breathing
	s.TypeBreathing.Max, s.TypeBreathing.PeakRPM = peak.Max, peak.PeakRPM
	for _, path := range v.Signals {
		if x, ok := signalBy(path); ok {
			c.Signals = append(c.Signals, x)
		}
	}
	c.Plan.script = f.Driver.script(&c.Body)
	f.breakIt(&c)
	if f.Facts != nil {
		c.Facts = *f.Facts
	} else {
		c.Facts = c.entered()
		c.Facts.mistake(c.WrongFact, &c.Spec)
		c.Facts.Purpose, c.Facts.Complaint = f.Day.Purpose, f.Day.Complaint
	}
	return c
}

// breakIt applies the fault, by its magnitudes or as its severity draws it.
func (f *File) breakIt(c *Case) {
	if m := f.Fault.Magnitudes; m != nil {
		for _, b := range bindFaults(m, &c.Faults) {
			b.in()
		}
		for j := range m.Meters {
			c.Faults.Meter[j].Signal = signalFault(m.Meters[j].Signal)
		}
		c.Faults.IntakeTemp, c.Faults.MAP, c.Faults.Baro = signalFault(m.IntakeTemp), signalFault(m.MAP), signalFault(m.Baro)
		return
	}
	d := dice{newRandom(f.Seed)}
	for i := range faults {
		if faults[i].condition == c.Condition && faults[i].cause == c.Cause {
			c.apply(d, &faults[i], c.Severity)
			return
		}
	}
}

// entered is what a technician enters who knows the vehicle and reads the thermometer.
func (c *Case) entered() Facts {
	f := complete(c)
	f.Displacement = new(round(*f.Displacement*c.DisplacementFactor, 1))
	f.Humidity, f.Ethanol = nil, nil
	return f
}

func signalBy(path string) (engine.Signal, bool) {
	for s := range engine.NumSignals {
		if s.Define().Path == path {
			return s, true
		}
	}
	return 0, false
}

// script turns the parts of a drive into those of the road.
func (d *Driver) script(body *road.Body) (list []road.Segment) {
	for _, s := range d.Script {
		x := road.Segment{
			Kind: road.Kind(max(0, slices.Index(segmentKinds, s.Do))), Seconds: s.Seconds, Speed: kmh(s.SpeedKmh), RPM: s.RPM, Until: s.UntilRPM, Gear: s.Gear,
			Pedal: s.Pedal, Fill: s.Fill, Abort: s.AbortS, ShiftAt: s.ShiftRPM,
		}
		if x.Kind == road.HighLoad && s.SpeedKmh == 0 {
			x.Speed, x.RPM = body.SpeedAt(s.Gear, s.RPM), 0
		}
		list = append(list, x)
	}
	return list
}

// Describe is a case as a scenario file, with everything that was drawn written out.
func (c *Case) Describe(name string) File {
	s, k := &c.Spec, &c.Spec.Control
	f := File{Name: name, Seed: c.Seed, Facts: &c.Facts}
	v := &f.Vehicle
	v.Cylinders, v.Banks, v.ValvesPerCyl = s.Cylinders, s.Banks, s.Valves
	v.Aspiration, v.Fuel, v.Cycle = s.Aspiration.String(), s.Fuel.String(), "otto"
	if s.Atkinson {
		v.Cycle = "atkinson"
	}
	for _, b := range s.Breathing.Bumps {
		if b.Width > 0 {
			v.Breathing.Bumps = append(v.Breathing.Bumps, Bump{})
		}
	}
	v.Breathing.LiftControl = s.LiftControl
	v.AirMeter = AirMeter{Technology: s.Meter.String(), Meters: make([]Meter, len(s.Meters))}
	v.Sensors.IntakeTempLocation = s.IntakeTempLocation.String()
	v.Control = Control{
		WideBand: k.WideBand, LearnedTrim: learnedTrims[k.LongTrim], LearnedBefore: k.LearnedBefore, WarmUps: int(k.WarmUps), LoadIsTorque: k.LoadTorque,
		LoadFromIntake: k.LoadFromIntake, BaroFromMAP: k.BaroFromMAP, ShowsFixedSubstitute: k.ShowsFixedSubstitute, OpensLoop: k.OpensLoopOnSubstitute,
		ElectronicThrottle: k.Electronic, FlexFuel: k.FlexFuel, InjectorScale: make([]float64, s.Banks),
	}
	v.Body = Body{Gears: slices.Clone(c.Body.Gears), Automatic: c.Body.Automatic}
	for _, x := range c.Signals {
		v.Signals = append(v.Signals, x.Define().Path)
	}
	f.Day.ColdSoak = c.Plan.coldSoak
	f.Fault = c.describeFault()
	f.Link = Link{Class: c.Link.Name, ValuesPerRequest: c.Link.Group}
	f.Driver.Style = c.Plan.style
	for _, x := range c.Plan.script {
		f.Driver.Script = append(f.Driver.Script, segment(x))
	}
	compact := *c // bumps that are none leave holes
	slices.SortStableFunc(compact.Spec.Breathing.Bumps[:], func(a, b engine.Bump) int {
		switch {
		case a.Width > 0 && b.Width == 0:
			return -1
		case a.Width == 0 && b.Width > 0:
			return 1
		}
		return 0
	})
	for _, b := range bind(&f, &compact) {
		b.out()
	}
	listsNotNil(reflect.ValueOf(&f).Elem())
	return f
}

// segment is a part of a drive as the file has it.
func segment(x road.Segment) Segment {
	s := Segment{Do: segmentKinds[x.Kind], Seconds: x.Seconds, RPM: x.RPM, UntilRPM: x.Until, Gear: x.Gear, Pedal: x.Pedal, Fill: x.Fill, AbortS: x.Abort, ShiftRPM: x.ShiftAt}
	about := x.Speed * 3.6
	s.SpeedKmh = about
	for _, v := range []float64{about, math.Nextafter(about, math.Inf(1)), math.Nextafter(about, 0)} {
		if kmh(v) == x.Speed {
			s.SpeedKmh = v
			break
		}
	}
	return s
}

// describeFault writes a case's fault out in physical terms.
func (c *Case) describeFault() Fault {
	faults := c.Faults
	for j := range faults.Meter {
		faults.Meter[j].Gain = orOne(faults.Meter[j].Gain)
	}
	for j := range faults.InjectorBank {
		faults.InjectorBank[j] = orOne(faults.InjectorBank[j])
	}
	faults.FuelPressure, faults.PlateLimit = orOne(faults.FuelPressure), orOne(faults.PlateLimit)
	m := &Magnitudes{IntakeTemp: signalFaults[faults.IntakeTemp], MAP: signalFaults[faults.MAP], Baro: signalFaults[faults.Baro]}
	m.Meters = make([]MeterMagnitudes, len(c.Spec.Meters))
	m.InjectorBank = make([]float64, c.Spec.Banks)
	if faults.IntakeTempStuck == 0 {
		faults.IntakeTempStuck = kelvin
	}
	for _, b := range bindFaults(m, &faults) {
		b.out()
	}
	for j := range m.Meters {
		m.Meters[j].Signal = signalFaults[faults.Meter[j].Signal]
	}
	return Fault{Condition: c.Condition, Cause: c.Cause, Severity: c.Severity.String(), Amount: c.Amount, Unit: c.AmountUnit, Second: c.Second, WrongFact: c.WrongFact, Magnitudes: m}
}

func orOne(v float64) float64 {
	if v == 0 {
		return 1
	}
	return v
}
