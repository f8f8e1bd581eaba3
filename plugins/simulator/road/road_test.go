// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package road_test

import (
	"math"
	"testing"

	"github.com/airassay/airassay/plugins/simulator/engine"
	"github.com/airassay/airassay/plugins/simulator/road"
	"github.com/airassay/airassay/plugins/simulator/scenario"
)

// sound is the example's van with a clean meter, at its key-on.
func sound(t *testing.T) *road.Car {
	t.Helper()
	c, err := scenario.Named("van")
	if err != nil {
		t.Fatal(err)
	}
	e := engine.New(c.Spec, engine.Faults{}, c.Air, 273.15+88, c.Air.Temperature+10, 1)
	return &road.Car{Body: c.Body, Engine: e}
}

func drive(car *road.Car, script []road.Segment, each func(s road.Segment, settled bool)) *road.Driver {
	driver := road.NewDriver(script, 0.3, 2)
	for !driver.Done() && car.Time < 600 {
		s, settled := driver.Segment()
		car.Step(0.01, driver.Next(0.01, car))
		each(s, settled)
	}
	return driver
}

func TestDriverIdlesCruisesAndPullsAsTheScriptSays(t *testing.T) {
	car := sound(t)
	script := []road.Segment{
		{Kind: road.KeyOn, Seconds: 4}, {Kind: road.Start}, {Kind: road.Idle, Seconds: 40},
		{Kind: road.RaisedIdle, RPM: 2500, Seconds: 20}, {Kind: road.Cruise, Speed: 22, Seconds: 20},
		{Kind: road.HighLoad, Gear: 3, Speed: car.Body.SpeedAt(3, 2700), Fill: 0.82, Seconds: 8},
		{Kind: road.Pull, Gear: 2, RPM: 1800, Until: 5700, Pedal: 1}, {Kind: road.Overrun, RPM: 1500}, {Kind: road.Stop},
	}
	var idle, raised, high, fastest float64
	slowest := math.Inf(1)
	driver := drive(car, script, func(s road.Segment, settled bool) {
		switch {
		case s.Kind == road.Idle:
			idle = car.RPM
		case s.Kind == road.RaisedIdle && settled:
			raised = car.RPM
		case s.Kind == road.Cruise && settled:
			if off := math.Abs(car.Speed - 22); off > 0.7 {
				t.Errorf("cruise strays by %.2f m/s", off)
			}
		case s.Kind == road.HighLoad && settled:
			high = car.Engine.State.ManifoldPressure / car.Engine.Air.Pressure
		case s.Kind == road.Pull && settled && car.Last.Pedal > 0.97:
			fastest = math.Max(fastest, car.RPM)
			slowest = math.Min(slowest, car.RPM)
		}
	})
	if !driver.Done() {
		t.Fatal("the drive never ended")
	}
	within(t, "idle speed", idle, 720, 790)
	within(t, "raised idle speed", raised, 2400, 2600)
	within(t, "share of the barometer in the manifold uphill", high, 0.78, 0.86)
	within(t, "start of the pull", slowest, 1650, 2050)
	within(t, "end of the pull", fastest, 5650, 5800)
	within(t, "speed at the end", car.Speed, 0, 0.1)
	if car.Stalls != 0 {
		t.Errorf("stalled %d times", car.Stalls)
	}
}

func TestBadDrivingSpoilsThePull(t *testing.T) {
	for name, seg := range map[string]road.Segment{
		"aborted": {Kind: road.Pull, Gear: 3, RPM: 1800, Until: 5700, Pedal: 1, Abort: 0.8},
		"shifted": {Kind: road.Pull, Gear: 2, RPM: 1800, Until: 5700, Pedal: 1, ShiftAt: 3500},
	} {
		car := sound(t)
		fastest := 0.0
		gears := map[int]bool{}
		drive(car, []road.Segment{{Kind: road.KeyOn, Seconds: 1}, {Kind: road.Start}, seg}, func(s road.Segment, settled bool) {
			if s.Kind == road.Pull && settled && car.Last.Pedal > 0.9 {
				fastest = math.Max(fastest, car.RPM)
				gears[car.Last.Gear] = true
			}
		})
		if name == "aborted" && fastest > 3000 {
			t.Errorf("aborted pull reached %.0f/min", fastest)
		}
		if name == "shifted" && len(gears) < 2 {
			t.Error("no gear change in the pull")
		}
	}
}

func within(t *testing.T, what string, got, low, high float64) {
	t.Helper()
	if !(got >= low && got <= high) {
		t.Errorf("%s is %.4g, want %.4g to %.4g", what, got, low, high)
	}
}
