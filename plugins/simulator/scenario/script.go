// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package scenario

import (
	"math"

	"github.com/airassay/airassay/plugins/simulator/engine"
	"github.com/airassay/airassay/plugins/simulator/road"
)

// Styles of driving.
const (
	StyleGood         = "good"
	StyleAborted      = "aborted_pull"
	StylePartThrottle = "part_throttle"
	StyleShift        = "shift_in_pull"
	StyleCold         = "cold_engine"
	StyleShort        = "too_short"
	StyleIdle         = "idle_only"
	StyleNoFullLoad   = "no_full_load"
	// StyleTown stops and goes, with no steady stretch and no pull; StyleTownAborted
	// adds pulls that are given up at once.
	StyleTown        = "town"
	StyleTownAborted = "town_aborted_pull"
)

var badStyles = []string{StyleAborted, StylePartThrottle, StyleShift, StyleCold, StyleShort, StyleIdle, StyleNoFullLoad}

// namedStyles are driven only when asked for.
var namedStyles = []string{StyleTown, StyleTownAborted}

// Plan is a drive before it is driven.
type Plan struct {
	script   []road.Segment
	style    string
	coldSoak bool
	hours    float64 // since the engine last ran; 0 when warm
	coolant  float64 // K at key-on
	bonnet   float64 // K at key-on
}

func kmh(v float64) float64 { return v / 3.6 }

// pullGear is the highest gear in which a whole pull stays below about 165 km/h
// and takes no more than about ten seconds.
func pullGear(s *engine.Spec, b *road.Body) int {
	const (
		torquePerLitre = 82.0 // N·m, a mean over the speed range
		longest        = 10.0 // s
	)
	torque := torquePerLitre * s.Displacement * 1000 * math.Max(1, s.Charger.MaxRatio*0.95)
	for g := 3; g > 2; g-- {
		top := b.SpeedAt(g, 0.96*s.RatedRPM)
		force := torque*b.Gears[g-1]*b.Final/b.Wheel - 0.4*b.DragArea*top*top - 0.013*9.81*b.Mass
		if seconds := 1.1 * b.Mass * (top - b.SpeedAt(g, 1800)) / math.Max(force, 1); top < kmh(165) && seconds < longest {
			return g
		}
	}
	return 2
}

// drawPlan writes the script of a road test.
func drawPlan(d dice, s *engine.Spec, b *road.Body, air engine.Weather, style string) Plan {
	p := Plan{style: style, coolant: kelvin + d.between(82, 92)}
	p.bonnet = air.Temperature + d.between(8, 26)
	p.hours = d.between(0.05, 0.5)
	town := style == StyleTown || style == StyleTownAborted
	cold := style == StyleCold || style != StyleIdle && !town && d.chance(0.4)
	if cold {
		p.coldSoak = d.chance(0.8)
		p.hours = d.between(6.5, 14)
		off := d.normal(0, 1)
		if !p.coldSoak {
			p.hours, off = d.between(2, 5), d.between(6, 25)
		}
		p.coolant = air.Temperature + off + d.normal(1, 0.7)
		p.bonnet = air.Temperature + off*0.6 + d.normal(0.5, 0.7)
	}
	if d.chance(0.8) {
		p.add(road.Segment{Kind: road.KeyOn, Seconds: d.between(6, 14)})
	}
	p.add(road.Segment{Kind: road.Start})
	if cold && style != StyleCold && style != StyleShort {
		p.warmUp(d)
	}
	switch style {
	case StyleIdle:
		p.add(road.Segment{Kind: road.Idle, Seconds: d.between(60, 150)})
		return p
	case StyleShort:
		p.add(road.Segment{Kind: road.Idle, Seconds: d.between(8, 20)})
		p.add(road.Segment{Kind: road.Cruise, Speed: kmh(d.between(45, 70)), Seconds: d.between(4, 8)})
		return p
	}
	p.add(road.Segment{Kind: road.Idle, Seconds: d.between(60, 90)})
	if town {
		p.town(d, s, b, style)
		return p
	}
	if d.chance(0.8) {
		p.add(road.Segment{Kind: road.RaisedIdle, RPM: d.between(2350, 2650), Seconds: d.between(22, 30)})
	}
	if style == StyleCold {
		p.add(road.Segment{Kind: road.Cruise, Speed: kmh(d.between(45, 60)), Seconds: d.between(8, 16)})
		p.pulls(d, s, b, 1, style)
		return p
	}
	for _, v := range []float64{d.between(48, 58), d.between(70, 82), d.between(92, 108)} {
		p.add(road.Segment{Kind: road.Cruise, Speed: kmh(v), Seconds: d.between(18, 32)})
	}
	p.hills(d, s, b)
	if style != StyleNoFullLoad {
		p.pulls(d, s, b, 2+d.IntN(3), style)
	}
	p.add(road.Segment{Kind: road.Overrun, RPM: 1450})
	p.add(road.Segment{Kind: road.Stop})
	p.add(road.Segment{Kind: road.Idle, Seconds: d.between(25, 45)})
	if d.chance(0.5) {
		for range 3 {
			p.add(road.Segment{Kind: road.Snap, Pedal: d.between(0.5, 0.7)})
		}
	}
	return p
}

func (p *Plan) add(s road.Segment) { p.script = append(p.script, s) }

// town stops and goes.
func (p *Plan) town(d dice, s *engine.Spec, b *road.Body, style string) {
	for range 4 {
		p.add(road.Segment{Kind: road.Cruise, Gear: 2, Speed: kmh(d.between(30, 44)), Seconds: d.between(3, 6)})
		if style == StyleTownAborted {
			p.add(road.Segment{Kind: road.Pull, Gear: pullGear(s, b), RPM: d.between(1650, 1950), Until: s.RatedRPM, Pedal: 1, Abort: d.between(0.6, 1.2)})
		}
		p.add(road.Segment{Kind: road.Stop})
		p.add(road.Segment{Kind: road.Idle, Seconds: d.between(5, 15)})
	}
}

// warmUp drives gently for some minutes.
func (p *Plan) warmUp(d dice) {
	for range 3 {
		p.add(road.Segment{Kind: road.Cruise, Speed: kmh(d.between(45, 85)), Seconds: d.between(70, 120)})
	}
}

// hills are steady high load short of full load.
func (p *Plan) hills(d dice, s *engine.Spec, b *road.Body) {
	for range 2 {
		gear := min(3+d.IntN(2), len(b.Gears)-1)
		rpm := d.between(0.38, 0.52) * s.RatedRPM
		fill := d.between(0.78, 0.87)
		if s.Aspiration != engine.Natural {
			fill = d.between(0.85, 1.0)
		}
		p.add(road.Segment{Kind: road.HighLoad, Gear: gear, Speed: b.SpeedAt(gear, rpm), Fill: fill, Seconds: d.between(8, 12)})
	}
}

// pulls are runs at full load, with what a bad driver makes of them.
func (p *Plan) pulls(d dice, s *engine.Spec, b *road.Body, count int, style string) {
	gear := pullGear(s, b)
	for range count {
		seg := road.Segment{Kind: road.Pull, Gear: gear, RPM: d.between(1650, 1950), Until: s.RatedRPM * d.between(0.92, 0.99), Pedal: 1}
		switch style {
		case StyleAborted:
			seg.Abort = d.between(0.6, 1.2)
		case StylePartThrottle:
			seg.Pedal = d.between(0.45, 0.7)
		case StyleShift:
			seg.Gear = 2
			seg.ShiftAt = s.RatedRPM * d.between(0.5, 0.65)
		}
		p.add(seg)
		p.add(road.Segment{Kind: road.Cruise, Speed: kmh(d.between(50, 70)), Seconds: math.Round(d.between(6, 14))})
	}
}
