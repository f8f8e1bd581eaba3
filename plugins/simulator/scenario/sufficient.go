// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package scenario

import (
	"math"
	"slices"

	"github.com/airassay/airassay/plugins/simulator/engine"
	"github.com/airassay/airassay/plugins/simulator/link"
	"github.com/airassay/airassay/plugins/simulator/road"
)

// Enough samples of a flow signal (engine speed where there is no meter) for a
// stretch to count: two seconds at four a second, and one a second for a quarter of a minute.
const (
	enoughFullLoad    = 8
	enoughCruise      = 15
	enoughAtFullLoad  = 4    // of another signal
	shortestFullLoad  = 2.0  // s in one pull
	shortestCruise    = 15.0 // s in one stretch
	shortestWarmIdle  = 20.0 // s
	enoughIdleSamples = 12
)

// judge decides from the truth what the recording can show.
func (w *watch) judge(c *Case, t *Truth, samples []link.Sample) {
	end := t.Seconds
	mark(&w.full, &w.fullFrom, false, end)
	mark(&w.cruise, &w.cruiseFrom, false, end)
	mark(&w.idle, &w.idleFrom, false, end)
	key := engine.EngineSpeed
	if c.has(engine.MAF) {
		key = engine.MAF
	}
	t.HasFullLoad, t.FullLoadTime, t.FullLoadSamples = covered(w.full, samples, key, shortestFullLoad, enoughFullLoad)
	t.HasSteadyCruise, t.SteadyCruiseTime, _ = covered(w.cruise, samples, key, shortestCruise, enoughCruise)
	t.HasWarmIdle, _, _ = covered(w.idle, samples, key, shortestWarmIdle, enoughIdleSamples)
	for _, s := range c.Signals {
		if _, _, n := covered(w.full, samples, s, shortestFullLoad, enoughAtFullLoad); n >= enoughAtFullLoad {
			t.SeenAtFullLoad = append(t.SeenAtFullLoad, s.Define().Path)
		}
	}
	t.FaultVisible = c.visible(t)
	switch {
	case !t.EngineWarm:
		t.InsufficientWhy = "engine never warm"
	case !t.HasFullLoad && !t.HasSteadyCruise:
		t.InsufficientWhy = "neither full load nor steady cruise with enough samples"
	case !t.FaultVisible:
		t.InsufficientWhy = "fault not visible in the signals present"
	default:
		t.Sufficient = true
	}
}

// covered tells whether long enough stretches hold enough samples of a signal.
func covered(spans []span, samples []link.Sample, key engine.Signal, shortest float64, enough int) (ok bool, seconds float64, count int) {
	for _, s := range spans {
		if s.to-s.from < shortest {
			continue
		}
		seconds += s.to - s.from
		from, _ := slices.BinarySearchFunc(samples, int64(s.from*1e6), func(x link.Sample, at int64) int { return int(x.TimeUS - at) })
		for i := from; i < len(samples) && samples[i].TimeUS <= int64(s.to*1e6); i++ {
			if samples[i].Signal == key {
				count++
			}
		}
	}
	return seconds > 0 && count >= enough, round(seconds, 2), count
}

func (c *Case) has(s engine.Signal) bool { return slices.Contains(c.Signals, s) }

// full tells whether the signal was recorded, and often enough at full load.
func (c *Case) full(t *Truth, s engine.Signal) bool {
	return t.HasFullLoad && c.has(s) && slices.Contains(t.SeenAtFullLoad, s.Define().Path)
}

// sight is what the recording lets one see.
type sight struct {
	// trims, and trims at idle too; metered air beside pressure; lambda and calculated load at full load.
	trims, idleTrims, pressure, lambda, load bool
}

func (c *Case) sight(t *Truth) sight {
	trims := c.has(engine.ShortTermFuelTrim1) && c.has(engine.LongTermFuelTrim1)
	return sight{
		trims: trims, idleTrims: trims && t.HasWarmIdle,
		pressure: c.has(engine.ManifoldPressure) && c.has(engine.MAF) && t.FactsEntered.Displacement != nil,
		lambda:   c.full(t, engine.Lambda1) && c.has(engine.CommandedLambda),
		load:     c.full(t, engine.EngineLoad) && !c.Spec.Control.LoadTorque,
	}
}

// Visible tells whether the drive would show the fault if only these signals had been recorded.
func (c *Case) Visible(t *Truth, signals []engine.Signal) bool {
	less := *c
	less.Signals = signals
	return less.visible(t)
}

// visible tells whether the fault moves anything that was recorded by clearly
// more than a sound vehicle may differ. It looks at the drawn fault, not at what a judge makes of it.
func (c *Case) visible(t *Truth) bool {
	see, size := c.sight(t), math.Abs(c.Amount)
	switch c.Cause {
	case "CAUSE_NONE", "CAUSE_UNFILTERED_AIR":
		// That nothing is wrong shows where a fault of the meter would.
		return see.trims || see.pressure || see.lambda || see.load
	case "CAUSE_STUCK", "CAUSE_OPEN_OR_SHORT_CIRCUIT", "CAUSE_INTERMITTENT":
		return c.electricVisible()
	case "CAUSE_BIAS":
		return c.biasVisible(t, size)
	case "CAUSE_DISPLACEMENT":
		return c.has(engine.AbsoluteLoad) || see.pressure && size > 15
	case "CAUSE_CONTAMINATED", "CAUSE_GAIN", "CAUSE_WRONG_PART_OR_HOUSING", "CAUSE_AIR_BETWEEN_METER_AND_THROTTLE":
		return c.meterVisible(t, see, size)
	case "CAUSE_OFFSET", "CAUSE_MANIFOLD_LEAK", "CAUSE_PURGE_OR_CRANKCASE_FLOW":
		return see.idleTrims && t.HasSteadyCruise
	case "CAUSE_REPLACED_BY_MODEL":
		return c.has(engine.FuelStatus) && see.pressure
	}
	return c.passageVisible(t, see, size) || c.fuelVisible(t, see, size)
}

// meterVisible asks for an error of the metered air at the highest flow.
func (c *Case) meterVisible(t *Truth, see sight, size float64) bool {
	if c.Condition == "CONDITION_MANIFOLD_PRESSURE_FAULT" {
		// Beside a barometer a few kPa show; beside the air alone, what an error of the air must be.
		return c.has(engine.ManifoldPressure) && (c.barometerBeside(t) || see.pressure && size >= 13)
	}
	if t.ErrorAtTopFlow == nil {
		return false
	}
	moved := math.Abs(t.ErrorAtTopFlow.EngineError)
	return (see.trims || see.lambda) && moved >= 7 || see.pressure && moved >= 13 || see.load && moved >= 15
}

// passageVisible concerns what stands in the way of the gases, or lets them out.
func (c *Case) passageVisible(t *Truth, see sight, size float64) bool {
	switch c.Cause {
	case "CAUSE_CHARGE_AIR_LOST":
		return t.HasFullLoad && (see.pressure || see.lambda) && size >= 9
	case "CAUSE_FILTER_OR_DUCT", "CAUSE_THROTTLE_PLATE":
		return t.HasFullLoad && c.restrictionVisible(t, see.load)
	case "CAUSE_EXHAUST_CLOGGED":
		// Loss of filling by residual gas and backflow; a sound exhaust costs up to about 6 %.
		loss := c.Spec.Scavenging*t.ExhaustChoke + (math.Pow(1+t.ExhaustChoke, 1/1.3)-1)/(c.Spec.CompressionRatio-1)
		return t.HasFullLoad && see.pressure && loss >= 0.17
	case "CAUSE_RECIRCULATION_LEAKS":
		// About 0.16 g/s of fresh air give way to each mm²; an engine idles on 1.5 g/s a litre,
		// and what it takes at idle is known to a good tenth.
		gone := 0.16 * size / (1.5*c.Spec.Displacement*1000 + 0.16*size)
		return see.pressure && t.HasSteadyCruise && gone >= 0.27
	case "CAUSE_VALVE_TIMING":
		// The loss is named at the lowest speed; at cruise two thirds of it are left.
		return see.pressure && t.HasSteadyCruise && size*2/3 >= 13
	}
	return false
}

// fuelVisible concerns the fuel and what measures its mixture.
func (c *Case) fuelVisible(t *Truth, see sight, size float64) bool {
	switch c.Cause {
	case "CAUSE_FUEL_PRESSURE_LOW", "CAUSE_FUEL_BLEND", "CAUSE_FUEL_PRESSURE_HIGH":
		return see.trims && see.pressure
	case "CAUSE_FUEL_DELIVERY_LIMIT":
		return see.lambda || c.full(t, engine.OxygenVoltage1) && size > 15
	case "CAUSE_FUEL_VAPOUR":
		return see.idleTrims && t.HasSteadyCruise && see.pressure
	case "CAUSE_EXHAUST_LEAK_BEFORE_OXYGEN_SENSOR":
		// Named at idle for a leak, where trims scatter more than elsewhere.
		least := 12.0
		if c.Faults.OxygenBias != 0 {
			least = 8
		}
		return see.idleTrims && t.HasSteadyCruise && see.pressure && size >= least
	case "CAUSE_ONE_BANK":
		return see.trims && c.has(engine.ShortTermFuelTrim2) && c.has(engine.LongTermFuelTrim2)
	}
	return false
}

// restrictionVisible asks for a loss of pressure clearly beyond the 2 to 5 % of a sound intake.
func (c *Case) restrictionVisible(t *Truth, calculated bool) bool {
	plate := c.full(t, engine.ThrottlePosition) || c.full(t, engine.RelativeThrottle)
	if c.Cause == "CAUSE_THROTTLE_PLATE" && plate {
		// A half open plate is half a driver's wish, unless the pedal says more.
		return c.full(t, engine.PedalD) && c.Faults.PlateLimit < 0.75
	}
	if c.Spec.Aspiration != engine.Natural {
		return false // the charger makes up for it
	}
	barometer := c.has(engine.BarometricPressure) || t.FactsEntered.Height != nil || c.Plan.script[0].Kind == road.KeyOn
	lost := t.ManifoldDeficit
	return c.has(engine.ManifoldPressure) && barometer && lost >= 5.5 || calculated && lost >= 10
}

func (c *Case) electricVisible() bool {
	switch c.Condition {
	case "CONDITION_METER_SIGNAL_FAULT":
		return c.has(engine.MAF)
	case "CONDITION_AIR_TEMPERATURE_FAULT":
		return c.has(engine.IntakeTemp)
	case "CONDITION_MANIFOLD_PRESSURE_FAULT":
		return c.has(engine.ManifoldPressure)
	}
	return c.has(engine.BarometricPressure)
}

// barometerBeside: the manifold sensor can be held against the outside pressure, known
// from elsewhere, at rest or at full load of an engine that is not charged.
func (c *Case) barometerBeside(t *Truth) bool {
	outside := c.has(engine.BarometricPressure) && !c.Spec.Control.BaroFromMAP || t.FactsEntered.Height != nil
	rest := c.Plan.script[0].Kind == road.KeyOn
	return outside && (rest || c.Spec.Aspiration == engine.Natural && t.HasFullLoad)
}

func (c *Case) biasVisible(t *Truth, size float64) bool {
	switch c.Condition {
	case "CONDITION_AIR_TEMPERATURE_FAULT":
		known := c.has(engine.AmbientAirTemperature) && c.Spec.AmbientBias == 0 || t.FactsEntered.Ambient != nil || t.ColdSoak && c.has(engine.CoolantTemperature)
		return c.has(engine.IntakeTemp) && known && size >= 14
	case "CONDITION_MANIFOLD_PRESSURE_FAULT":
		// 6 kPa are 13 % of the pressure at cruise.
		return c.has(engine.ManifoldPressure) && (c.barometerBeside(t) || c.has(engine.MAF) && size >= 6)
	}
	return c.has(engine.BarometricPressure) && (t.FactsEntered.Height != nil || c.has(engine.ManifoldPressure))
}
