// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package scenario_test

import (
	"encoding/json"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/airassay/airassay/plugins/simulator/engine"
	"github.com/airassay/airassay/plugins/simulator/scenario"
)

func TestSameSeedGivesTheSameDrive(t *testing.T) {
	o := scenario.Options{HealthyShare: 0.3, BadDrivingShare: 0.2, DoubleShare: 0.3, Link: "serial_20"}
	for i := range 3 {
		seed := scenario.CaseSeed(11, i)
		a, b := scenario.Draw(o, seed), scenario.Draw(o, seed)
		ra, rb := a.Run(), b.Run()
		if !reflect.DeepEqual(ra.Samples, rb.Samples) || !reflect.DeepEqual(ra.Truth, rb.Truth) {
			t.Errorf("seed %d: two runs differ", seed)
		}
	}
	one, two := scenario.Draw(o, scenario.CaseSeed(11, 0)), scenario.Draw(o, scenario.CaseSeed(12, 0))
	if reflect.DeepEqual(one.Spec, two.Spec) {
		t.Error("two seeds drew the same engine")
	}
}

func TestEveryConditionGivesValuesInRange(t *testing.T) {
	for _, condition := range scenario.Conditions {
		t.Run(condition, func(t *testing.T) {
			t.Parallel()
			for i := range 2 {
				c := scenario.Draw(scenario.Options{Condition: condition, Link: "serial_20"}, scenario.CaseSeed(31, i))
				r := c.Run()
				if r.Truth.Condition != condition || len(r.Samples) == 0 {
					t.Fatalf("seed %d: truth is %s with %d samples", c.Seed, r.Truth.Condition, len(r.Samples))
				}
				for _, s := range r.Samples {
					d := s.Signal.Define()
					if math.IsNaN(s.Value) || s.Value < d.Min || s.Value > d.Max {
						t.Fatalf("seed %d: %s shows %v", c.Seed, d.Path, s.Value)
					}
				}
				if _, err := json.Marshal(r.Truth); err != nil {
					t.Fatalf("seed %d: truth cannot be written: %v", c.Seed, err)
				}
			}
		})
	}
}

func TestSoundVehiclesLookSound(t *testing.T) {
	var loads []float64
	for i := range 12 {
		c := scenario.Draw(scenario.Options{Condition: "CONDITION_NO_FAULT", Style: "good", Link: "can_50"}, scenario.CaseSeed(41, i))
		r := c.Run()
		if r.Truth.Stalls != 0 {
			t.Errorf("seed %d: stalled %d times", c.Seed, r.Truth.Stalls)
		}
		if !r.Truth.Sufficient || !r.Truth.HasFullLoad {
			t.Errorf("seed %d: a good drive is not sufficient: %s", c.Seed, r.Truth.InsufficientWhy)
		}
		if e := r.Truth.ErrorAtTopFlow; e != nil && math.Abs(e.Error) > 8 {
			t.Errorf("seed %d: a sound meter is off by %.1f %%", c.Seed, e.Error)
		}
		loads = append(loads, checkIdle(t, &c, r)...)
	}
	if mean := average(loads); mean < 90 || mean > 100 {
		t.Errorf("calculated load at full load is %.1f %% in the mean, want 90 to 100", mean)
	}
}

// checkIdle looks at warm idle and returns the calculated loads at full load.
func checkIdle(t *testing.T, c *scenario.Case, r scenario.Recording) (loads []float64) {
	t.Helper()
	last := map[engine.Signal]float64{engine.PedalD: -1}
	var idle []float64
	for _, s := range r.Samples {
		last[s.Signal] = s.Value
		rpm, speed := last[engine.EngineSpeed], last[engine.VehicleSpeed]
		steady := math.Abs(rpm-c.Spec.IdleRPM) < 40 && speed == 0 && last[engine.CoolantTemperature] > 80
		if s.Signal == engine.MAF && steady && c.Spec.GasolineLike() {
			idle = append(idle, s.Value/(c.Spec.Displacement*1000))
		}
		full := last[engine.ThrottlePosition] > 75 && rpm > 2500 && last[engine.FuelStatus] == 4
		if s.Signal == engine.EngineLoad && full && !c.Spec.Control.LoadTorque {
			loads = append(loads, s.Value)
		}
	}
	if mean := average(idle); len(idle) > 50 && (mean < 0.8 || mean > 2.4) {
		t.Errorf("seed %d: idle air is %.2f g/s per litre, want 0.8 to 2.4", c.Seed, mean)
	}
	return loads
}

func average(v []float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	return sum / math.Max(1, float64(len(v)))
}

func TestTruthOfLowAndHighMetersHasTheirSign(t *testing.T) {
	for condition, sign := range map[string]float64{"CONDITION_METER_READS_LOW": -1, "CONDITION_METER_READS_HIGH": 1} {
		for _, cause := range []string{"CAUSE_GAIN", "CAUSE_AIR_BETWEEN_METER_AND_THROTTLE", "CAUSE_CONTAMINATED", "CAUSE_CHARGE_AIR_LOST"} {
			o := scenario.Options{Condition: condition, Cause: cause, Style: "good", Link: "serial_20"}
			if o.Check() != nil {
				continue
			}
			c := scenario.Draw(o, scenario.CaseSeed(51, 2))
			top := c.Run().Truth.ErrorAtTopFlow
			if top == nil || sign*top.Error < 2 {
				t.Errorf("%s by %s: error at the highest flow is %+v", condition, cause, top)
			}
		}
	}
}

func TestExampleVanIsAContaminatedHotWireDrivenWell(t *testing.T) {
	c, err := scenario.Named("van")
	if err != nil {
		t.Fatal(err)
	}
	truth := c.Run().Truth
	if !truth.Sufficient || !truth.ColdSoak || !truth.HasWarmIdle || truth.FullLoadTime < 8 {
		t.Errorf("the drive is not good enough: %+v", truth)
	}
	if truth.Seconds < 450 || truth.Seconds > 660 {
		t.Errorf("the drive takes %.0f s, want 8 to 10 minutes", truth.Seconds)
	}
	if e := truth.ErrorAtTopFlow.Error; e > -11 || e < -20 {
		t.Errorf("error at the highest flow is %.1f %%, want 11 to 20 low", e)
	}
	for _, e := range truth.MeterErrors {
		if e.Flow < 4 && e.Error < 3 {
			t.Errorf("at %.1f g/s the dirty wire shows %.1f %%, want too much", e.Flow, e.Error)
		}
	}
}

func TestSeverityThatIsAskedForIsThatOfTheFault(t *testing.T) {
	for _, severity := range []scenario.Severity{scenario.Mild, scenario.Moderate, scenario.Severe} {
		for i := range 8 {
			c := scenario.Draw(scenario.Options{Condition: "CONDITION_FUEL_WEAK", Severity: severity}, scenario.CaseSeed(61, i))
			if c.Severity != severity {
				t.Errorf("seed %d: severity is %s, want %s", c.Seed, c.Severity, severity)
			}
		}
	}
}

func TestStopAndGoIsNoSufficientDrive(t *testing.T) {
	for i, style := range []string{"town", "town_aborted_pull", "town", "town_aborted_pull"} {
		c := scenario.Draw(scenario.Options{HealthyShare: 1, Style: style, Link: "serial_20"}, scenario.CaseSeed(71, i))
		truth := c.Run().Truth
		if !truth.EngineWarm || truth.HasFullLoad || truth.HasSteadyCruise {
			t.Errorf("seed %d: warm %t, full load %t, steady cruise %t; want a warm engine and neither", c.Seed, truth.EngineWarm, truth.HasFullLoad, truth.HasSteadyCruise)
		}
	}
}

func TestFaultStaysVisibleWithoutTheSignalThatShowsIt(t *testing.T) {
	c := scenario.Draw(scenario.Options{Condition: "CONDITION_AIR_TEMPERATURE_FAULT", Cause: "CAUSE_OPEN_OR_SHORT_CIRCUIT", Style: "good", Link: "serial_20"}, scenario.CaseSeed(101, 0))
	truth := c.Run().Truth
	if !truth.FaultVisible || !c.Visible(&truth, c.Signals) {
		t.Fatal("an open thermistor that was recorded is not visible")
	}
	without := slices.DeleteFunc(slices.Clone(c.Signals), func(s engine.Signal) bool { return s == engine.IntakeTemp })
	if c.Visible(&truth, without) || !slices.Contains(c.Signals, engine.IntakeTemp) {
		t.Error("the fault is visible without the thermistor's signal, or the case itself lost it")
	}
}

func TestConnectionThatLosesNearlyEverythingLeavesTooFewSamples(t *testing.T) {
	o := scenario.Options{HealthyShare: 1, Style: "good", Link: "can_50", Lost: 0.995}
	c := scenario.Draw(o, scenario.CaseSeed(81, 0))
	truth := c.Run().Truth
	if truth.HasFullLoad || truth.HasSteadyCruise || truth.SampleCount == 0 {
		t.Errorf("%d samples show full load %t, steady cruise %t; want too few", truth.SampleCount, truth.HasFullLoad, truth.HasSteadyCruise)
	}
}

func TestWrongFactChangesWhatWasEnteredAndNotTheVehicle(t *testing.T) {
	for i := range 20 {
		seed := scenario.CaseSeed(91, i)
		right := scenario.Draw(scenario.Options{HealthyShare: 1}, seed)
		fuel := scenario.Draw(scenario.Options{HealthyShare: 1, WrongFact: scenario.WrongFuel}, seed)
		air := scenario.Draw(scenario.Options{HealthyShare: 1, WrongFact: scenario.WrongAspiration}, seed)
		if !reflect.DeepEqual(right.Spec, fuel.Spec) || !reflect.DeepEqual(right.Spec, air.Spec) {
			t.Errorf("seed %d: a wrong entry changed the vehicle", seed)
		}
		if fuel.Facts.Fuel == right.Spec.Fuel.String() || fuel.Facts.Fuel == "" {
			t.Errorf("seed %d: fuel %s was entered as %q", seed, right.Spec.Fuel, fuel.Facts.Fuel)
		}
		if boosted := right.Spec.Aspiration != engine.Natural; (air.Facts.Aspiration == "natural") != boosted {
			t.Errorf("seed %d: a %s engine was entered as %q", seed, right.Spec.Aspiration, air.Facts.Aspiration)
		}
	}
}

func TestWrongOptionsAreRefusedByName(t *testing.T) {
	for _, c := range []struct {
		options scenario.Options
		names   string
	}{
		{scenario.Options{Condition: "CONDITION_X"}, "CONDITION_X"}, {scenario.Options{Cause: "CAUSE_X"}, "CAUSE_X"},
		{scenario.Options{Link: "string"}, "string"}, {scenario.Options{Style: "wild"}, "wild"},
		{scenario.Options{HealthyShare: 2}, "healthy share"}, {scenario.Options{Aspiration: "steam"}, "steam"},
		{scenario.Options{Height: 9000}, "9000"}, {scenario.Options{Without: []string{"MPA"}}, "MPA"}, {scenario.Options{DoubleShare: math.NaN()}, "double fault share"},
		{scenario.Options{Condition: "CONDITION_FUEL_WEAK", Cause: "CAUSE_GAIN"}, "CAUSE_GAIN"},
		{scenario.Options{Severity: 9}, "severity is 9"}, {scenario.Options{WrongFact: "colour"}, "colour"}, {scenario.Options{Lost: 1.5}, "lost answers"},
	} {
		if err := c.options.Check(); err == nil || !strings.Contains(err.Error(), c.names) {
			t.Errorf("%+v: error is %v, want one that names %s", c.options, err, c.names)
		}
	}
	if err := (scenario.Options{Condition: "CONDITION_UNKNOWN", Link: "kline_8", HealthyShare: 1}).Check(); err != nil {
		t.Error(err)
	}
	if _, err := scenario.Named("nothing"); err == nil {
		t.Error("an unknown scenario was made")
	}
}

func BenchmarkCase(b *testing.B) {
	c, _ := scenario.Named("van")
	seconds := 0.0
	for b.Loop() {
		seconds += c.Run().Seconds
	}
	b.ReportMetric(seconds/b.Elapsed().Seconds(), "simulated-s/s")
}
