// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package engine

// SignalFault is what happens to an electrical signal.
type SignalFault int

// Electrical faults.
const (
	SignalSound SignalFault = iota
	// SignalStuck shows one plausible value for ever.
	SignalStuck
	// SignalOpen shows the limit of an open circuit.
	SignalOpen
	// SignalShort shows the limit of a short circuit.
	SignalShort
	// SignalIntermittent drops out at random.
	SignalIntermittent
	// SignalReplaced shows the control unit's substitute (air meter only).
	SignalReplaced
)

// MeterFault is what is wrong with one air meter.
type MeterFault struct {
	// DirtLoss is δ in √(kg/s)·√1000, that is in √(g/s): extra loss of a dirty element at low flow.
	DirtLoss float64
	// DirtFlow is m_f in g/s, the flow at which dirt and boundary layer resist equally; 0 for a clean element.
	DirtFlow float64
	// Gain multiplies the indicated flow; 0 means 1.
	Gain float64
	// Slope bends it over flow: (m/30 g/s)^Slope.
	Slope float64
	// Offset is added, in kg/s.
	Offset float64
	// Lag is an extra time constant in s.
	Lag float64
	// Sticking is the relative change of flow that a vane's flap needs before it moves.
	Sticking float64
	// WornAt is the flow in kg/s at whose angle a vane's wiper loses contact; 0 for a sound track.
	WornAt float64
	// LostPulses is the largest share of its pulses that a vortex counter misses; the reading falls in steps.
	LostPulses float64
	// Signal is an electrical fault.
	Signal SignalFault
	// StuckAt is the value of a stuck signal in kg/s.
	StuckAt float64
}

// Faults is all that can be wrong. The zero value is a sound engine.
type Faults struct {
	Meter [2]MeterFault
	// DuctLeakArea is an effective area in m² between meter and throttle or compressor.
	DuctLeakArea float64
	// BoostLeakArea is an effective area in m² between compressor and throttle.
	BoostLeakArea float64
	// ManifoldLeakArea is an effective area in m² behind the throttle.
	ManifoldLeakArea float64
	// PurgeArea is an effective area in m² of a purge valve or crankcase ventilation that stays open; its gas is air with PurgeVapour of fuel.
	PurgeArea, PurgeVapour float64
	// FilterDrop is extra pressure drop before the meter in Pa at the rated flow.
	FilterDrop float64
	// ExhaustDrop is extra back-pressure in Pa at the rated flow.
	ExhaustDrop float64
	// FuelPressure is delivered over nominal rail pressure; 0 means 1.
	FuelPressure float64
	// FuelLimit is the highest fuel flow in kg/s that the pump can deliver; 0 for none.
	FuelLimit float64
	// FuelVapour is unmetered fuel in kg/s.
	FuelVapour float64
	// InjectorBank multiplies the delivery of each bank; 0 means 1.
	InjectorBank [2]float64
	// IntakeTempBias is in K.
	IntakeTempBias float64
	// IntakeTemp is an electrical fault, IntakeTempStuck its value in K.
	IntakeTemp      SignalFault
	IntakeTempStuck float64
	// MAPBias is in Pa, MAPGain relative.
	MAPBias, MAPGain float64
	// MAP is an electrical fault, MAPStuck its value in Pa.
	MAP      SignalFault
	MAPStuck float64
	// BaroBias is in Pa, Baro an electrical fault, BaroStuck its value in Pa.
	BaroBias  float64
	Baro      SignalFault
	BaroStuck float64
	// PlateLimit is the largest opening of the plate, 0…1; 0 means 1.
	PlateLimit float64
	// ExhaustLeak is false air before the oxygen sensor: relative lean bias at idle flow.
	ExhaustLeak float64
	// OxygenBias is a constant relative lean bias of the sensor.
	OxygenBias float64
	// EGRLeakArea is an effective area in m².
	EGRLeakArea float64
	// ValveTiming is the loss of volumetric efficiency at low speed, relative.
	ValveTiming float64
}

func orOne(v float64) float64 {
	if v == 0 {
		return 1
	}
	return v
}
