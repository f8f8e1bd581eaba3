// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package engine

import "math"

// Signal is one quantity that a control unit shows.
type Signal int

// Signals, in the order of their J1979 parameter.
const (
	FuelStatus Signal = iota
	EngineLoad
	CoolantTemperature
	ShortTermFuelTrim1
	LongTermFuelTrim1
	ShortTermFuelTrim2
	LongTermFuelTrim2
	FuelPressure
	ManifoldPressure
	EngineSpeed
	VehicleSpeed
	TimingAdvance
	IntakeTemp
	MAF
	ThrottlePosition
	OxygenVoltage1
	OxygenVoltage2
	RunTime
	FuelRailPressureDirect
	Lambda1
	Lambda2
	CommandedEGR
	CommandedPurge
	WarmupsSinceClear
	BarometricPressure
	ControlModuleVoltage
	AbsoluteLoad
	CommandedLambda
	RelativeThrottle
	AmbientAirTemperature
	PedalD
	PedalE
	ThrottleActuator
	EthanolPercent
	OilTemperature
	FuelRate
	MAFA
	MAFB
	FuelRateMass
	TimeSinceClear
	MAPHighRes
	ExhaustPressure1
	BoostCommanded
	BoostActual
	NumSignals
)

// Definition is how a signal is written on the link: SAE J1979 scaling.
type Definition struct {
	// Path is the COVESA VSS path below Vehicle.OBD.
	Path string
	// PID is the service 01 parameter.
	PID byte
	// Step, Min and Max are resolution and range in the VSS unit.
	Step, Min, Max float64
	// Slow marks a quantity that control units refresh in tenths of seconds.
	Slow bool
}

const (
	stepPercent = 100.0 / 255
	stepTrim    = 100.0 / 128
	stepRatio   = 2.0 / 65535
	maxRatio    = 2.0
)

var definitions = [NumSignals]Definition{
	FuelStatus:             {"FuelStatus", 0x03, 1, 0, 255, true},
	EngineLoad:             {"EngineLoad", 0x04, stepPercent, 0, 100, false},
	CoolantTemperature:     {"CoolantTemperature", 0x05, 1, -40, 215, true},
	ShortTermFuelTrim1:     {"ShortTermFuelTrim1", 0x06, stepTrim, -100, 99.21875, false},
	LongTermFuelTrim1:      {"LongTermFuelTrim1", 0x07, stepTrim, -100, 99.21875, true},
	ShortTermFuelTrim2:     {"ShortTermFuelTrim2", 0x08, stepTrim, -100, 99.21875, false},
	LongTermFuelTrim2:      {"LongTermFuelTrim2", 0x09, stepTrim, -100, 99.21875, true},
	FuelPressure:           {"FuelPressure", 0x0A, 3, 0, 765, false},
	ManifoldPressure:       {"MAP", 0x0B, 1, 0, 255, false},
	EngineSpeed:            {"EngineSpeed", 0x0C, 0.25, 0, 16383.75, false},
	VehicleSpeed:           {"Speed", 0x0D, 1, 0, 255, false},
	TimingAdvance:          {"TimingAdvance", 0x0E, 0.5, -64, 63.5, false},
	IntakeTemp:             {"IntakeTemp", 0x0F, 1, -40, 215, true},
	MAF:                    {"MAF", 0x10, 0.01, 0, 655.35, false},
	ThrottlePosition:       {"ThrottlePosition", 0x11, stepPercent, 0, 100, false},
	OxygenVoltage1:         {"O2.Sensor1.Voltage", 0x14, 0.005, 0, 1.275, false},
	OxygenVoltage2:         {"O2.Sensor5.Voltage", 0x18, 0.005, 0, 1.275, false},
	RunTime:                {"RunTime", 0x1F, 1, 0, 65535, true},
	FuelRailPressureDirect: {"FuelRailPressureDirect", 0x23, 10, 0, 655350, false},
	Lambda1:                {"O2WR.Sensor1.Lambda", 0x24, stepRatio, 0, maxRatio, false},
	Lambda2:                {"O2WR.Sensor5.Lambda", 0x28, stepRatio, 0, maxRatio, false},
	CommandedEGR:           {"CommandedEGR", 0x2C, stepPercent, 0, 100, false},
	CommandedPurge:         {"CommandedEVAP", 0x2E, stepPercent, 0, 100, false},
	WarmupsSinceClear:      {"WarmupsSinceDTCClear", 0x30, 1, 0, 255, true},
	BarometricPressure:     {"BarometricPressure", 0x33, 1, 0, 255, true},
	ControlModuleVoltage:   {"ControlModuleVoltage", 0x42, 0.001, 0, 65.535, false},
	AbsoluteLoad:           {"AbsoluteLoad", 0x43, stepPercent, 0, 25700, false},
	CommandedLambda:        {"CommandedEquivalenceRatio", 0x44, stepRatio, 0, maxRatio, false},
	RelativeThrottle:       {"RelativeThrottlePosition", 0x45, stepPercent, 0, 100, false},
	AmbientAirTemperature:  {"AmbientAirTemperature", 0x46, 1, -40, 215, true},
	PedalD:                 {"AcceleratorPositionD", 0x49, stepPercent, 0, 100, false},
	PedalE:                 {"AcceleratorPositionE", 0x4A, stepPercent, 0, 100, false},
	ThrottleActuator:       {"ThrottleActuator", 0x4C, stepPercent, 0, 100, false},
	EthanolPercent:         {"EthanolPercent", 0x52, stepPercent, 0, 100, true},
	OilTemperature:         {"OilTemperature", 0x5C, 1, -40, 215, true},
	FuelRate:               {"FuelRate", 0x5E, 0.05, 0, 3212.75, false},
	MAFA:                   {"MAFA", 0x66, 0.03125, 0, 2047.96875, false},
	MAFB:                   {"MAFB", 0x66, 0.03125, 0, 2047.96875, false},
	FuelRateMass:           {"FuelRateMass", 0x9D, 0.02, 0, 1310.7, false},
	TimeSinceClear:         {"TimeSinceDTCCleared", 0x4E, 1, 0, 65535, true},
	MAPHighRes:             {"MAPHighRes", 0x87, 0.03125, 0, 2047.96875, false},
	ExhaustPressure1:       {"ExhaustPressure1", 0x73, 0.01, 0, 655.35, false},
	BoostCommanded:         {"BoostCommandedA", 0x70, 0.03125, 0, 2047.96875, false},
	BoostActual:            {"BoostActualA", 0x70, 0.03125, 0, 2047.96875, false},
}

// Define returns how a signal is written on the link.
func (s Signal) Define() Definition { return definitions[s] }

// Quantise rounds a value to the signal's step and holds it in its range.
// The result is never NaN: what cannot be computed reads as the lower limit.
func (s Signal) Quantise(value float64) float64 {
	d := &definitions[s]
	if math.IsNaN(value) || value <= d.Min {
		return d.Min
	}
	if value >= d.Max {
		return d.Max
	}
	return math.Min(d.Max, d.Min+math.Round((value-d.Min)/d.Step)*d.Step)
}
