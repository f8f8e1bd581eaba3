// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package scenario

import (
	"math"

	"github.com/airassay/airassay/plugins/simulator/engine"
)

// Facts are what stands beside a recording: the vehicle and the day as
// somebody entered them. What is nil was not entered.
type Facts struct {
	Displacement *float64 `json:"displacement_l,omitempty" unit:"L" range:"0.05 30"`
	Cylinders    *int     `json:"cylinders,omitempty" range:"1 16"`
	Banks        *int     `json:"banks,omitempty" range:"1 4"`
	Aspiration   string   `json:"aspiration,omitempty" oneof:"natural turbo supercharged"`
	Fuel         string   `json:"fuel,omitempty" oneof:"gasoline diesel ethanol lpg cng"`
	Ethanol      *float64 `json:"fuel_ethanol_percent,omitempty" unit:"%" range:"0 100"`
	AirMeter     string   `json:"air_meter,omitempty" oneof:"vane hot_wire hot_film karman none"`
	RatedRPM     *float64 `json:"rated_power_rpm,omitempty" unit:"1/min" range:"1000 20000"`
	Valves       *int     `json:"valves_per_cylinder,omitempty" range:"2 6"`
	Cycle        string   `json:"combustion_cycle,omitempty" oneof:"otto atkinson"`
	Modified     *bool    `json:"intake_modified,omitempty"`
	Location     string   `json:"intake_air_temperature_location,omitempty" oneof:"in_meter separate after_cooler"`
	Height       *float64 `json:"altitude_m,omitempty" unit:"m" range:"-430 6000"`
	Ambient      *float64 `json:"ambient_c,omitempty" unit:"Celsius" range:"-60 60" doc:"by a hand thermometer"`
	Humidity     *float64 `json:"relative_humidity_percent,omitempty" unit:"%" range:"0 100"`
	Hours        *float64 `json:"hours_since_run,omitempty" unit:"h" range:"0 8760"`
	Purpose      string   `json:"purpose,omitempty" oneof:"complaint routine after_service"`
	Complaint    string   `json:"complaint,omitempty" range:"0 2000"`
}

// complete is every fact as it really is.
func complete(c *Case) Facts {
	s := &c.Spec
	f := Facts{
		Displacement: new(round(s.Displacement*1000, 3)), Cylinders: new(s.Cylinders), Banks: new(s.Banks),
		Aspiration: s.Aspiration.String(), Fuel: s.Fuel.String(), AirMeter: s.Meter.String(),
		RatedRPM: new(s.RatedRPM), Valves: new(s.Valves), Cycle: "otto", Location: s.IntakeTempLocation.String(),
		Height: new(math.Round(c.Height)), Ambient: new(round(c.Air.Temperature-kelvin, 1)),
		Humidity: new(math.Round(100 * c.Air.Humidity)), Hours: new(round(c.Plan.hours, 1)),
	}
	if s.Fuel == engine.Gasoline || s.Fuel == engine.EthanolBlend {
		f.Ethanol = new(math.Round(100 * s.Ethanol))
	}
	if s.Atkinson {
		f.Cycle = "atkinson"
	}
	return f
}

// drawFacts is what a technician entered: some of it, and rounded.
func drawFacts(d dice, c *Case) Facts {
	f := complete(c)
	litres := *f.Displacement * c.DisplacementFactor
	f.Displacement = new(round(litres, 3))
	if d.chance(0.6) {
		f.Displacement = new(round(litres, 1))
	}
	wrong := c.DisplacementFactor != 1
	forget(d, 0.04, wrong, &f.Displacement)
	forget(d, 0.08, false, &f.Cylinders)
	forget(d, 0.4, false, &f.Banks)
	forget(d, 0.45, false, &f.RatedRPM)
	forget(d, 0.6, false, &f.Valves)
	forget(d, 0.4, false, &f.Height)
	forget(d, 0.5, false, &f.Ambient)
	forget(d, 0.75, false, &f.Humidity)
	forget(d, 0.35, false, &f.Hours)
	forget(d, 0.85, false, &f.Ethanol)
	if c.Cause == "CAUSE_FUEL_BLEND" || c.Second != nil && c.Second.Cause == "CAUSE_FUEL_BLEND" {
		f.Ethanol = nil // nobody knew, or there would be no question
	}
	for _, text := range []struct {
		value *string
		lost  float64
	}{{&f.Aspiration, 0.05}, {&f.Fuel, 0.08}, {&f.AirMeter, 0.18}, {&f.Cycle, 0.65}, {&f.Location, 0.5}} {
		if d.chance(text.lost) {
			*text.value = ""
		}
	}
	if f.Ambient != nil {
		f.Ambient = new(round(*f.Ambient+d.normal(0, 0.8), 1))
	}
	if f.Height != nil {
		f.Height = new(math.Round((*f.Height+d.normal(0, 12))/10) * 10)
	}
	if housing := c.Cause == "CAUSE_WRONG_PART_OR_HOUSING"; housing && d.chance(0.4) || d.chance(0.02) {
		f.Modified = new(true)
	}
	if d.chance(0.6) {
		f.Purpose = "complaint"
		if c.Condition == "CONDITION_NO_FAULT" && d.chance(0.7) {
			f.Purpose = "routine"
			if !c.Spec.Control.LearnedBefore {
				f.Purpose = "after_service"
			}
		}
	}
	return f
}

// Facts that may be entered wrongly without changing what is wrong with the vehicle.
const (
	WrongFuel       = "fuel"
	WrongAspiration = "aspiration"
)

// mistake enters the other fuel (diesel for what is lambda controlled, gasoline for
// diesel) or the other aspiration. What was not entered is entered wrongly too.
func (f *Facts) mistake(wrong string, s *engine.Spec) {
	switch {
	case wrong == WrongFuel && s.GasolineLike():
		f.Fuel, f.Ethanol = engine.Diesel.String(), nil
	case wrong == WrongFuel:
		f.Fuel = engine.Gasoline.String()
	case wrong == WrongAspiration && s.Aspiration == engine.Natural:
		f.Aspiration = engine.Turbo.String()
	case wrong == WrongAspiration:
		f.Aspiration = engine.Natural.String()
	}
}

// forget leaves a fact out.
func forget[T any](d dice, p float64, keep bool, value **T) {
	if d.chance(p) && !keep {
		*value = nil
	}
}

func round(v float64, digits int) float64 {
	k := math.Pow(10, float64(digits))
	return math.Round(v*k) / k
}
