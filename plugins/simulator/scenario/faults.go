// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package scenario

import (
	"math"

	"github.com/airassay/airassay/plugins/simulator/engine"
)

// Severity is how bad a fault is.
type Severity int

// Severities.
const (
	None Severity = iota
	Mild
	Moderate
	Severe
)

// String is the word of the truth file.
func (s Severity) String() string { return [...]string{"none", "mild", "moderate", "severe"}[s] }

// fault is one way to break a vehicle.
type fault struct {
	condition, cause string
	weight           float64
	needs            demands
	// apply breaks it; size grows with the severity from about 1 (mild) to 4
	// (severe). It returns the size of the fault in the unit that truth names.
	apply func(d dice, s *engine.Spec, f *engine.Faults, size float64) (amount float64, unit string)
}

// level turns a severity into a multiple of the mildest fault worth the name.
func level(d dice, s Severity) float64 {
	switch s {
	case Mild:
		return d.between(1, 1.6)
	case Moderate:
		return d.between(1.6, 2.6)
	}
	return d.between(2.6, 4)
}

// onMeters sets a fault on the only meter, or, where there are two, mostly on one of them.
func onMeters(d dice, s *engine.Spec, f *engine.Faults, set func(*engine.MeterFault)) {
	if len(s.Meters) == 2 && d.chance(0.7) {
		set(&f.Meter[d.IntN(2)])
		return
	}
	set(&f.Meter[0])
	set(&f.Meter[1])
}

// ductSuction is the pressure drop in Pa at the rated flow where a torn duct would breathe.
func ductSuction(s *engine.Spec) float64 { return s.FilterDrop + 0.5*s.DuctDrop }

var faults = []fault{
	{"CONDITION_METER_READS_LOW", "CAUSE_CONTAMINATED", 3, demands{meter: true, heated: true}, contaminate},
	{"CONDITION_METER_READS_LOW", "CAUSE_GAIN", 1, demands{meter: true}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		gain := 1 - 0.08*size
		onMeters(d, s, f, func(m *engine.MeterFault) { m.Gain = gain })
		return 100 * (gain - 1), "percent"
	}},
	{"CONDITION_METER_READS_LOW", "CAUSE_AIR_BETWEEN_METER_AND_THROTTLE", 1.5, demands{meter: true}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		share := 0.075 * size
		// Both the leak and the meter's flow go with the root of the suction, so the share holds at every flow.
		metered := s.RatedFlow * (1 - share)
		suction := ductSuction(s) * (1 - share) * (1 - share)
		f.DuctLeakArea = share / (1 - share) * metered / math.Sqrt(2*1.18*suction)
		return -100 * share, "percent"
	}},
	{"CONDITION_METER_READS_LOW", "CAUSE_WRONG_PART_OR_HOUSING", 0.5, demands{meter: true}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		gain, slope := 1-0.09*size, d.normal(-0.015, 0.02)
		onMeters(d, s, f, func(m *engine.MeterFault) { m.Gain, m.Slope = gain, slope })
		return 100 * (gain - 1), "percent"
	}},
	{"CONDITION_METER_READS_LOW", "CAUSE_OFFSET", 0.3, demands{meter: true}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		offset := -0.28e-3 * s.Displacement * 1000 * size / 1.5
		onMeters(d, s, f, func(m *engine.MeterFault) { m.Offset = offset })
		return 1000 * offset, "g/s"
	}},
	{"CONDITION_METER_READS_HIGH", "CAUSE_GAIN", 1, demands{meter: true}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		gain := 1 + 0.085*size
		onMeters(d, s, f, func(m *engine.MeterFault) { m.Gain = gain })
		return 100 * (gain - 1), "percent"
	}},
	{"CONDITION_METER_READS_HIGH", "CAUSE_WRONG_PART_OR_HOUSING", 0.6, demands{meter: true}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		gain, slope := 1+0.09*size, d.normal(0.015, 0.02)
		onMeters(d, s, f, func(m *engine.MeterFault) { m.Gain, m.Slope = gain, slope })
		return 100 * (gain - 1), "percent"
	}},
	{"CONDITION_METER_READS_HIGH", "CAUSE_OFFSET", 0.8, demands{meter: true}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		offset := 0.16e-3 * s.Displacement * 1000 * size
		onMeters(d, s, f, func(m *engine.MeterFault) { m.Offset = offset })
		return 1000 * offset, "g/s"
	}},
	{"CONDITION_METER_READS_HIGH", "CAUSE_CHARGE_AIR_LOST", 1, demands{meter: true, charged: true}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		share := 0.07 * size
		ratio := math.Max(s.Charger.MaxRatio, 1.2)
		flux := standardPressure * ratio / math.Sqrt(287.05*320) * engine.Psi(1/ratio)
		f.BoostLeakArea = share * s.RatedFlow / flux
		return 100 * share, "percent"
	}},
	{"CONDITION_METER_SIGNAL_FAULT", "CAUSE_STUCK", 1, demands{meter: true}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		at := s.RatedFlow * d.between(0.04, 0.35)
		onMeters(d, s, f, func(m *engine.MeterFault) { m.Signal, m.StuckAt = engine.SignalStuck, at/float64(len(s.Meters)) })
		return 1000 * at, "g/s"
	}},
	{"CONDITION_METER_SIGNAL_FAULT", "CAUSE_OPEN_OR_SHORT_CIRCUIT", 1, demands{meter: true}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		kind := engine.SignalOpen
		if d.chance(0.25) {
			kind = engine.SignalShort
		}
		onMeters(d, s, f, func(m *engine.MeterFault) { m.Signal = kind })
		return 0, ""
	}},
	{"CONDITION_METER_SIGNAL_FAULT", "CAUSE_INTERMITTENT", 1, demands{meter: true}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		onMeters(d, s, f, func(m *engine.MeterFault) { m.Signal = engine.SignalIntermittent })
		return 0, ""
	}},
	{"CONDITION_METER_SIGNAL_FAULT", "CAUSE_REPLACED_BY_MODEL", 0.6, demands{meter: true, gasoline: true}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		f.Meter[0].Signal, f.Meter[1].Signal = engine.SignalReplaced, engine.SignalReplaced
		return 0, ""
	}},
	{"CONDITION_LEAK_AFTER_METER", "CAUSE_MANIFOLD_LEAK", 2, demands{meter: true, gasoline: true}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		diameter := math.Sqrt(size*s.Displacement*1000/2) * 1.4
		f.ManifoldLeakArea = engine.HoleArea(diameter)
		return diameter, "mm"
	}},
	{"CONDITION_LEAK_AFTER_METER", "CAUSE_PURGE_OR_CRANKCASE_FLOW", 0.8, demands{meter: true, gasoline: true}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		diameter := math.Sqrt(size*s.Displacement*1000/2) * 1.5
		f.PurgeArea = engine.HoleArea(diameter)
		f.PurgeVapour = d.between(0, 0.35)
		return diameter, "mm"
	}},
	{"CONDITION_INTAKE_RESTRICTED", "CAUSE_FILTER_OR_DUCT", 1, demands{}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		f.FilterDrop = 5000 * size
		return f.FilterDrop / 1000, "kPa"
	}},
	{"CONDITION_EXHAUST_RESTRICTED", "CAUSE_EXHAUST_CLOGGED", 1, demands{natural: true}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		f.ExhaustDrop = 45000 * size
		return f.ExhaustDrop / 1000, "kPa"
	}},
	{"CONDITION_FUEL_WEAK", "CAUSE_FUEL_PRESSURE_LOW", 1, demands{gasoline: true}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		f.FuelPressure = 1 - 0.14*size
		return 100 * (f.FuelPressure - 1), "percent"
	}},
	{"CONDITION_FUEL_WEAK", "CAUSE_FUEL_DELIVERY_LIMIT", 0.8, demands{gasoline: true}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		needed := s.RatedFlow / 14.2 / 0.87
		share := 1.02 - 0.13*size
		f.FuelLimit = needed * share
		return 100 * (share - 1), "percent"
	}},
	{"CONDITION_FUEL_WEAK", "CAUSE_FUEL_BLEND", 0.7, demands{gasoline: true}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		s.Fuel = engine.Gasoline
		s.Control.FlexFuel = false
		s.Ethanol = clamp(0.12+0.19*size, 0.25, 0.85)
		return 100 * s.Ethanol, "percent ethanol"
	}},
	{"CONDITION_FUEL_RICH", "CAUSE_FUEL_PRESSURE_HIGH", 1, demands{gasoline: true}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		f.FuelPressure = 1 + 0.18*size
		return 100 * (f.FuelPressure - 1), "percent"
	}},
	{"CONDITION_FUEL_RICH", "CAUSE_FUEL_VAPOUR", 0.6, demands{gasoline: true}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		f.FuelVapour = 0.010e-3 * s.Displacement * 1000 * size
		return 1000 * f.FuelVapour, "g/s"
	}},
	{"CONDITION_AIR_TEMPERATURE_FAULT", "CAUSE_BIAS", 1, demands{}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		f.IntakeTempBias = d.sign() * 11 * size
		return f.IntakeTempBias, "K"
	}},
	{"CONDITION_AIR_TEMPERATURE_FAULT", "CAUSE_STUCK", 0.7, demands{}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		f.IntakeTemp, f.IntakeTempStuck = engine.SignalStuck, kelvin+math.Round(d.between(-5, 65))
		return f.IntakeTempStuck - kelvin, "Cel"
	}},
	{"CONDITION_AIR_TEMPERATURE_FAULT", "CAUSE_OPEN_OR_SHORT_CIRCUIT", 0.7, demands{}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		f.IntakeTemp = engine.SignalOpen
		if d.chance(0.4) {
			f.IntakeTemp = engine.SignalShort
		}
		return 0, ""
	}},
	{"CONDITION_AIR_TEMPERATURE_FAULT", "CAUSE_INTERMITTENT", 0.5, demands{}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		f.IntakeTemp = engine.SignalIntermittent
		return 0, ""
	}},
	{"CONDITION_MANIFOLD_PRESSURE_FAULT", "CAUSE_BIAS", 1, demands{}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		f.MAPBias = d.sign() * 3800 * size
		return f.MAPBias / 1000, "kPa"
	}},
	{"CONDITION_MANIFOLD_PRESSURE_FAULT", "CAUSE_GAIN", 0.7, demands{}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		f.MAPGain = d.sign() * 0.045 * size
		return 100 * f.MAPGain, "percent"
	}},
	{"CONDITION_MANIFOLD_PRESSURE_FAULT", "CAUSE_STUCK", 0.3, demands{meter: true}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		f.MAP, f.MAPStuck = engine.SignalStuck, 1000*math.Round(d.between(25, 100))
		return f.MAPStuck / 1000, "kPa"
	}},
	{"CONDITION_MANIFOLD_PRESSURE_FAULT", "CAUSE_OPEN_OR_SHORT_CIRCUIT", 0.3, demands{meter: true}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		f.MAP = engine.SignalOpen
		if d.chance(0.5) {
			f.MAP = engine.SignalShort
		}
		return 0, ""
	}},
	{"CONDITION_BAROMETER_FAULT", "CAUSE_BIAS", 1, demands{ownBaro: true}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		f.BaroBias = -5500 * size
		if d.chance(0.4) {
			f.BaroBias = 4500 * math.Min(size, 2.5)
		}
		return f.BaroBias / 1000, "kPa"
	}},
	{"CONDITION_BAROMETER_FAULT", "CAUSE_OPEN_OR_SHORT_CIRCUIT", 0.3, demands{ownBaro: true}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		f.Baro = engine.SignalOpen
		if d.chance(0.5) {
			f.Baro = engine.SignalShort
		}
		return 0, ""
	}},
	{"CONDITION_THROTTLE_LIMITED", "CAUSE_THROTTLE_PLATE", 1, demands{gasoline: true}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		f.PlateLimit = clamp(0.72-0.11*size, 0.22, 0.65)
		return 100 * f.PlateLimit, "percent"
	}},
	{"CONDITION_VEHICLE_FACTS_WRONG", "CAUSE_DISPLACEMENT", 1, demands{meter: true}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		return d.sign() * math.Min(12+6*(size-1), 32), "percent"
	}},
	{"CONDITION_UNKNOWN", "CAUSE_EXHAUST_LEAK_BEFORE_OXYGEN_SENSOR", 1, demands{gasoline: true, meter: true}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		if d.chance(0.3) {
			f.OxygenBias = 0.05 * size
			return 100 * f.OxygenBias, "percent"
		}
		f.ExhaustLeak = 0.08 * size
		return 100 * f.ExhaustLeak, "percent at idle"
	}},
	{"CONDITION_UNKNOWN", "CAUSE_RECIRCULATION_LEAKS", 1, demands{gasoline: true, meter: true}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		f.EGRLeakArea = 2.2e-6 * s.Displacement * 1000 * size
		return f.EGRLeakArea * 1e6, "mm2"
	}},
	{"CONDITION_UNKNOWN", "CAUSE_VALVE_TIMING", 0.7, demands{meter: true}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		f.ValveTiming = 0.1 * size
		return 100 * f.ValveTiming, "percent at low speed"
	}},
	{"CONDITION_UNKNOWN", "CAUSE_ONE_BANK", 0.7, demands{gasoline: true, twoBanks: true}, func(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
		scale := 1 - 0.07*size
		f.InjectorBank[d.IntN(2)] = scale
		return 100 * (scale - 1), "percent"
	}},
}

const standardPressure = 101325.0

// contaminate chooses dirt by the loss that it causes at the top of the engine's flow range.
func contaminate(d dice, s *engine.Spec, f *engine.Faults, size float64) (float64, string) {
	loss := 0.075 * size
	top := s.RatedFlow * 1000 / float64(len(s.Meters)) * 0.92
	surface := d.between(0, 0.16)
	// loss at the top: [δ/√m + 1/(1+√(m/m_f))]² = 1 − loss
	rest := math.Sqrt(1-loss) - surface/math.Sqrt(top)
	root := 1/rest - 1
	flow := top / (root * root)
	lag := d.between(0, 0.08) * size / 2
	onMeters(d, s, f, func(m *engine.MeterFault) { m.DirtLoss, m.DirtFlow, m.Lag = surface, flow, lag })
	return -100 * loss, "percent"
}
