// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package scenario

import (
	"fmt"
	"math"
	"slices"

	"github.com/airassay/airassay/plugins/simulator/engine"
	"github.com/airassay/airassay/plugins/simulator/link"
	"github.com/airassay/airassay/plugins/simulator/road"
)

// Conditions are the names of the conditions that can be drawn.
var Conditions = []string{
	"CONDITION_NO_FAULT", "CONDITION_METER_READS_LOW", "CONDITION_METER_READS_HIGH", "CONDITION_METER_SIGNAL_FAULT",
	"CONDITION_LEAK_AFTER_METER", "CONDITION_INTAKE_RESTRICTED", "CONDITION_EXHAUST_RESTRICTED", "CONDITION_FUEL_WEAK",
	"CONDITION_FUEL_RICH", "CONDITION_AIR_TEMPERATURE_FAULT", "CONDITION_MANIFOLD_PRESSURE_FAULT", "CONDITION_BAROMETER_FAULT",
	"CONDITION_THROTTLE_LIMITED", "CONDITION_VEHICLE_FACTS_WRONG", "CONDITION_UNKNOWN",
}

const soundCondition = "CONDITION_NO_FAULT"

// Options steer the draw.
type Options struct {
	// Condition and Cause, when set, are the names of what must be drawn.
	Condition, Cause string
	// Link, when set, is the name of the link class.
	Link string
	// Style, when set, is the style of driving.
	Style string
	// Aspiration, when set, is that of every vehicle whose fault allows it.
	Aspiration string
	// Height, when positive, is that of every place in m, up to 2500.
	Height float64
	// Without names signals, by path, that no recording shall have.
	Without []string
	// Severity, when not None, is that of every fault.
	Severity Severity
	// WrongFact, when set, is what was entered wrongly beside whatever else is wrong:
	// fuel or aspiration. A wrong displacement is a condition of its own.
	WrongFact string
	// Lost, when positive, is the share of the answers that a failing connection loses.
	Lost float64
	// HealthyShare is the share of cases without a fault, BadDrivingShare of badly driven
	// ones, DoubleShare the share of faulty ones that have a second fault.
	HealthyShare, BadDrivingShare, DoubleShare float64
}

// Check refuses options that name nothing known.
func (o Options) Check() error {
	if o.Condition != "" && !slices.Contains(Conditions, o.Condition) {
		return fmt.Errorf("condition %q is not known; expected one of %v", o.Condition, Conditions)
	}
	if o.Cause != "" && !slices.ContainsFunc(faults, func(f fault) bool {
		return f.cause == o.Cause && (o.Condition == "" || f.condition == o.Condition)
	}) {
		return fmt.Errorf("cause %q cannot be simulated for condition %q", o.Cause, o.Condition)
	}
	if _, ok := link.ByName(o.Link); o.Link != "" && !ok {
		return fmt.Errorf("link %q is not known; expected one of %v", o.Link, linkNames())
	}
	if o.Style != "" && o.Style != StyleGood && !slices.Contains(badStyles, o.Style) && !slices.Contains(namedStyles, o.Style) {
		return fmt.Errorf("driver style %q is not known; expected good or one of %v %v", o.Style, badStyles, namedStyles)
	}
	if !slices.Contains([]string{"", "natural", "turbo", "supercharged"}, o.Aspiration) {
		return fmt.Errorf("aspiration %q is not known; expected natural, turbo or supercharged", o.Aspiration)
	}
	if !(o.Height >= 0 && o.Height <= 2500) {
		return fmt.Errorf("height is %v m; expected 0 to 2500", o.Height)
	}
	for _, path := range o.Without {
		if !known(path) {
			return fmt.Errorf("signal %q is not known; expected a path such as MAP or BarometricPressure", path)
		}
	}
	return o.checkSizes()
}

// checkSizes concerns how bad and how much.
func (o Options) checkSizes() error {
	if o.Severity < None || o.Severity > Severe {
		return fmt.Errorf("severity is %d; expected %d (drawn) to %d (severe)", o.Severity, None, Severe)
	}
	if !slices.Contains([]string{"", WrongFuel, WrongAspiration}, o.WrongFact) {
		return fmt.Errorf("wrong fact %q is not known; expected %s or %s", o.WrongFact, WrongFuel, WrongAspiration)
	}
	for name, v := range map[string]float64{"healthy share": o.HealthyShare, "bad driving share": o.BadDrivingShare, "double fault share": o.DoubleShare, "share of lost answers": o.Lost} {
		if !(v >= 0 && v <= 1) {
			return fmt.Errorf("%s is %v; expected 0 to 1", name, v)
		}
	}
	return nil
}

func known(path string) bool {
	for s := range engine.NumSignals {
		if s.Define().Path == path {
			return true
		}
	}
	return false
}

func linkNames() (names []string) {
	for _, c := range link.Classes {
		names = append(names, c.Name)
	}
	return names
}

// Case is a drawn case before it is driven.
type Case struct {
	Seed   uint64
	Spec   engine.Spec
	Body   road.Body
	Air    engine.Weather
	Height float64 // m
	Faults engine.Faults

	Condition, Cause   string
	Severity           Severity
	Amount             float64
	AmountUnit         string
	Second             *SecondFault
	DisplacementFactor float64 // entered over true
	WrongFact          string

	Facts   Facts
	Signals []engine.Signal
	Link    link.Class
	Plan    Plan

	refreshScale float64
	restless     float64
}

// Draw draws one case. The same options and seed give the same case.
func Draw(o Options, seed uint64) Case {
	d := dice{newRandom(seed)}
	c := Case{Seed: seed, Condition: soundCondition, Cause: "CAUSE_NONE", DisplacementFactor: 1}
	chosen := drawFault(d, o)
	want := demands{}
	if chosen != nil {
		want = chosen.needs
	}
	want.aspiration = o.Aspiration
	c.Spec = drawSpec(d, want)
	c.Severity = Mild + Severity(d.weighted(0.3, 0.4, 0.3))
	if o.Severity != None {
		c.Severity = o.Severity
	}
	if chosen != nil {
		c.Condition, c.Cause = chosen.condition, chosen.cause
		c.apply(d, chosen, c.Severity)
		if d.chance(o.DoubleShare) {
			c.applySecond(d, chosen)
		}
	} else {
		c.harmless(d)
	}
	c.Body = drawBody(d, &c.Spec)
	c.drawDay(d, o.Height)
	c.Link = drawLink(d, o)
	c.Link.Lost = max(c.Link.Lost, o.Lost)
	c.Plan = drawPlan(d, &c.Spec, &c.Body, c.Air, drawStyle(d, o))
	c.refreshScale = [...]float64{1, 2, 5}[d.weighted(0.5, 0.35, 0.15)]
	c.restless = d.between(0, 1)
	c.Signals = slices.DeleteFunc(drawSignals(d, &c), func(s engine.Signal) bool { return slices.Contains(o.Without, s.Define().Path) })
	c.Facts = drawFacts(d, &c)
	c.WrongFact = o.WrongFact
	c.Facts.mistake(o.WrongFact, &c.Spec)
	return c
}

func drawFault(d dice, o Options) *fault {
	if o.Condition == soundCondition || o.Condition == "" && o.Cause == "" && d.chance(o.HealthyShare) {
		return nil
	}
	var names []string
	for _, n := range Conditions[1:] {
		if o.Condition == "" || n == o.Condition {
			names = append(names, n)
		}
	}
	name := names[d.IntN(len(names))]
	var candidates []*fault
	var weights []float64
	for i := range faults {
		f := &faults[i]
		if (o.Cause != "" && f.cause == o.Cause && (o.Condition == "" || f.condition == o.Condition)) || o.Cause == "" && f.condition == name {
			candidates = append(candidates, f)
			weights = append(weights, f.weight)
		}
	}
	return candidates[d.weighted(weights...)]
}

func (c *Case) apply(d dice, f *fault, severity Severity) {
	amount, unit := f.apply(d, &c.Spec, &c.Faults, level(d, severity))
	c.Amount, c.AmountUnit = amount, unit
	if f.cause == "CAUSE_DISPLACEMENT" {
		c.DisplacementFactor = 1 + amount/100
	}
}

// applySecond adds another fault that fits the same vehicle.
func (c *Case) applySecond(d dice, first *fault) {
	for range 40 {
		f := &faults[d.IntN(len(faults))]
		if f.condition == first.condition || !c.fits(f) {
			continue
		}
		severity := Mild + Severity(d.weighted(0.4, 0.4, 0.2))
		amount, unit := c.Amount, c.AmountUnit
		c.apply(d, f, severity)
		c.Second = &SecondFault{Condition: f.condition, Cause: f.cause, Severity: severity.String(), Amount: round(c.Amount, 3), Unit: c.AmountUnit}
		c.Amount, c.AmountUnit = amount, unit
		return
	}
}

func (c *Case) fits(f *fault) bool {
	n, s := f.needs, &c.Spec
	return (!n.meter || s.Meter != engine.NoMeter) && (!n.gasoline || s.GasolineLike()) &&
		(!n.charged || s.Aspiration != engine.Natural) && (!n.natural || s.Aspiration == engine.Natural) &&
		(!n.twoBanks || s.Banks == 2) && (!n.ownBaro || !s.Control.BaroFromMAP) &&
		(!n.heated || s.Meter == engine.HotWire || s.Meter == engine.HotFilm)
}

// harmless gives a sound vehicle the small flaws that many have.
func (c *Case) harmless(d dice) {
	c.Severity = None
	if d.chance(0.06) {
		// A torn element: the air by-passes the filter, all of it metered.
		c.Cause = "CAUSE_UNFILTERED_AIR"
		c.Faults.FilterDrop = -d.between(0.2, 0.6) * c.Spec.FilterDrop
		return
	}
	if d.chance(0.3) {
		c.Faults.FilterDrop = d.between(0, 1500)
	}
	if d.chance(0.2) {
		c.Faults.ManifoldLeakArea = engine.HoleArea(d.between(0, 0.5))
	}
	if d.chance(0.2) {
		c.Faults.FuelPressure = d.normal(1, 0.03)
	}
}

func (c *Case) drawDay(d dice, height float64) {
	c.Height = clamp(math.Abs(d.normal(0, 450))+d.between(0, 200), 0, 2500)
	if d.chance(0.12) {
		c.Height = d.between(900, 2500)
	}
	if height > 0 {
		c.Height = height
	}
	celsius := clamp(d.normal(16, 11), -15, 40)
	c.Air = engine.Weather{
		Pressure:    engine.StandardPressureAt(c.Height) + d.normal(0, 900),
		Temperature: kelvin + celsius,
		Humidity:    d.between(0.25, 0.95),
	}
}

func drawLink(d dice, o Options) link.Class {
	if o.Link != "" {
		class, _ := link.ByName(o.Link)
		return class
	}
	return link.Classes[d.weighted(0.14, 0.2, 0.24, 0.18, 0.08, 0.06, 0.1)]
}

func drawStyle(d dice, o Options) string {
	switch {
	case o.Style != "":
		return o.Style
	case d.chance(o.BadDrivingShare):
		return badStyles[d.IntN(len(badStyles))]
	}
	return StyleGood
}

// offer is a signal that a control unit may have, with its probability.
type offer struct {
	signal engine.Signal
	chance float64
}

// drawSignals is what this vehicle and this logger have in common.
func drawSignals(d dice, c *Case) (list []engine.Signal) {
	s := &c.Spec
	spark := s.GasolineLike()
	two := s.Banks == 2
	metered := s.Meter != engine.NoMeter
	when := func(ok bool, p float64) float64 {
		if ok {
			return p
		}
		return 0
	}
	needsBaro := c.Condition == "CONDITION_BAROMETER_FAULT"
	pressure := chanceOfPressure(d, c)
	separate := len(s.Meters) == 2 && d.chance(0.8)
	offers := []offer{
		{engine.FuelStatus, when(spark, 0.88)}, {engine.EngineLoad, 0.97}, {engine.CoolantTemperature, 0.98},
		{engine.ShortTermFuelTrim1, when(spark, 0.96)}, {engine.LongTermFuelTrim1, when(spark, 0.96)},
		{engine.ShortTermFuelTrim2, when(spark && two, 0.95)}, {engine.LongTermFuelTrim2, when(spark && two, 0.95)},
		{engine.FuelPressure, when(spark, 0.08)}, {engine.ManifoldPressure, pressure}, {engine.EngineSpeed, 1},
		{engine.VehicleSpeed, 0.97}, {engine.TimingAdvance, when(spark, 0.5)}, {engine.IntakeTemp, 0.97},
		{engine.MAF, when(metered, 1)}, {engine.MAFA, when(separate, 1)}, {engine.MAFB, when(separate, 1)},
		{engine.ThrottlePosition, when(spark, 0.95)}, {engine.RelativeThrottle, when(spark, 0.45)},
		{engine.ThrottleActuator, when(spark && s.Control.Electronic, 0.5)},
		{engine.PedalD, when(s.Control.Electronic || !spark, 0.7)}, {engine.RunTime, 0.7},
		{engine.OxygenVoltage1, when(spark && !s.Control.WideBand, 0.7)}, {engine.OxygenVoltage2, when(spark && two && !s.Control.WideBand, 0.6)},
		{engine.Lambda1, when(spark && s.Control.WideBand, 0.75)}, {engine.Lambda2, when(spark && two && s.Control.WideBand, 0.7)},
		{engine.CommandedLambda, when(spark, 0.65)}, {engine.CommandedEGR, when(s.EGRShare > 0, 0.8)},
		{engine.CommandedPurge, when(spark, 0.6)}, {engine.WarmupsSinceClear, 0.35}, {engine.TimeSinceClear, 0.25},
		{engine.BarometricPressure, 0.75}, {engine.ControlModuleVoltage, 0.6}, {engine.AbsoluteLoad, when(spark, 0.7)},
		{engine.AmbientAirTemperature, 0.55}, {engine.EthanolPercent, when(s.Control.FlexFuel, 0.8)},
		{engine.OilTemperature, 0.15}, {engine.FuelRate, 0.2}, {engine.FuelRateMass, 0.06},
		{engine.MAPHighRes, when(s.Aspiration != engine.Natural, 0.15)}, {engine.ExhaustPressure1, 0.02},
		{engine.BoostCommanded, when(s.Aspiration != engine.Natural, 0.22)}, {engine.BoostActual, when(s.Aspiration != engine.Natural, 0.22)},
	}
	for _, o := range offers {
		chance := o.chance
		if o.signal == engine.BarometricPressure && needsBaro {
			chance = 1
		}
		if d.chance(chance) {
			list = append(list, o.signal)
		}
	}
	return list
}

// chanceOfPressure that manifold pressure was recorded: always where the control unit
// cannot do without it or the fault is in it, and less often beside some faults, so that
// verdicts without it are tried too.
func chanceOfPressure(d dice, c *Case) float64 {
	needed := c.Condition == "CONDITION_MANIFOLD_PRESSURE_FAULT"
	s := &c.Spec
	switch {
	case needed || s.Aspiration != engine.Natural || s.Meter == engine.NoMeter:
		return 1
	case c.Condition != "CONDITION_NO_FAULT" && d.chance(0.1):
		return 0.5
	}
	return 0.72
}
