// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1979

import (
	"cmp"
	"fmt"
	"slices"
)

// row is one line of the table below. The step is the fraction num/den, so that
// the ends of the range come out exact.
type row struct {
	pid      uint8
	offset   uint8
	bytes    uint8
	name     string
	unit     string
	num, den float64
	zero     float64
	flags    flag
	about    string
}

type flag uint8

const (
	circuit flag = 1 << iota // the ends of the range are an open or a shorted line
	code                     // whole numbers only
	overlay                  // a name of our own
	signed                   // two's complement
)

// rescaled holds the largest values under PID 4F (one byte: lambda, volts,
// milliamperes; tens of kPa) and PID 50 (tens of g/s), SAE J1979. Early lists
// scale PID 74 by ten.
var rescaled = map[string]float64{
	"MAP":         2550,
	"MAF":         2550,
	"TurboSpeedA": 655350,
	"TurboSpeedB": 655350,
}

// Source of parameters, bytes and scaling: SAE J1979 and its digital annex.
// Source of names and units: the COVESA VSS catalogue, branch Vehicle.OBD.
var rows = []row{
	{0x01, 0, 1, "Status.DTCCount", "", 1, 1, 0, code, "confirmed emission trouble codes"},
	{0x03, 0, 1, "FuelStatus", "", 1, 1, 0, code, "fuel system 1 status, one bit a state: 2 closed loop, 4 open loop by load or overrun"},
	{0x04, 0, 1, "EngineLoad", "percent", 100, 255, 0, 0, "calculated load"},
	{0x05, 0, 1, "CoolantTemperature", "Celsius", 1, 1, -40, circuit, "coolant temperature"},
	{0x06, 0, 1, "ShortTermFuelTrim1", "percent", 100, 128, -100, 0, "short term fuel trim, bank 1"},
	{0x06, 1, 1, "ShortTermFuelTrim3", "percent", 100, 128, -100, overlay, "short term fuel trim, bank 3, only where PID 1D is supported"},
	{0x07, 0, 1, "LongTermFuelTrim1", "percent", 100, 128, -100, 0, "long term fuel trim, bank 1"},
	{0x07, 1, 1, "LongTermFuelTrim3", "percent", 100, 128, -100, overlay, "long term fuel trim, bank 3, only where PID 1D is supported"},
	{0x08, 0, 1, "ShortTermFuelTrim2", "percent", 100, 128, -100, 0, "short term fuel trim, bank 2"},
	{0x08, 1, 1, "ShortTermFuelTrim4", "percent", 100, 128, -100, overlay, "short term fuel trim, bank 4, only where PID 1D is supported"},
	{0x09, 0, 1, "LongTermFuelTrim2", "percent", 100, 128, -100, 0, "long term fuel trim, bank 2"},
	{0x09, 1, 1, "LongTermFuelTrim4", "percent", 100, 128, -100, overlay, "long term fuel trim, bank 4, only where PID 1D is supported"},
	{0x0A, 0, 1, "FuelPressure", "kPa", 3, 1, 0, 0, "fuel rail pressure, gauge"},
	{0x0B, 0, 1, "MAP", "kPa", 1, 1, 0, 0, "manifold absolute pressure"},
	{0x0C, 0, 2, "EngineSpeed", "rpm", 1, 4, 0, 0, "engine speed"},
	{0x0D, 0, 1, "Speed", "km/h", 1, 1, 0, 0, "vehicle speed"},
	{0x0E, 0, 1, "TimingAdvance", "degrees", 1, 2, -64, 0, "spark advance of cylinder 1"},
	{0x0F, 0, 1, "IntakeTemp", "Celsius", 1, 1, -40, circuit, "intake air temperature"},
	{0x10, 0, 2, "MAF", "g/s", 1, 100, 0, 0, "mass air flow"},
	{0x11, 0, 1, "ThrottlePosition", "percent", 100, 255, 0, 0, "absolute throttle position"},
	{0x12, 0, 1, "AirStatus", "", 1, 1, 0, code, "commanded secondary air, one bit a state"},
	{0x13, 0, 1, "OxygenSensorsIn2Banks", "", 1, 1, 0, code, "oxygen sensors fitted, one bit each, two banks of four"},
	{0x1C, 0, 1, "OBDStandards", "", 1, 1, 0, code, "diagnostic regime of the vehicle"},
	{0x1D, 0, 1, "OxygenSensorsIn4Banks", "", 1, 1, 0, code, "oxygen sensors fitted, one bit each, four banks of two"},
	{0x1F, 0, 2, "RunTime", "s", 1, 1, 0, 0, "time since engine start"},
	{0x21, 0, 2, "DistanceWithMIL", "km", 1, 1, 0, 0, "distance with the malfunction lamp on"},
	{0x22, 0, 2, "FuelRailPressureVac", "kPa", 79, 1000, 0, 0, "fuel rail pressure relative to the manifold"},
	{0x23, 0, 2, "FuelRailPressureDirect", "kPa", 10, 1, 0, 0, "fuel rail pressure of direct injection, gauge"},
	{0x2C, 0, 1, "CommandedEGR", "percent", 100, 255, 0, 0, "commanded exhaust gas recirculation"},
	{0x2D, 0, 1, "EGRError", "percent", 100, 128, -100, 0, "exhaust gas recirculation error"},
	{0x2E, 0, 1, "CommandedEVAP", "percent", 100, 255, 0, 0, "commanded tank purge"},
	{0x2F, 0, 1, "FuelLevel", "percent", 100, 255, 0, 0, "fuel in the tank"},
	{0x30, 0, 1, "WarmupsSinceDTCClear", "", 1, 1, 0, code, "warm-ups since codes were cleared"},
	{0x31, 0, 2, "DistanceSinceDTCClear", "km", 1, 1, 0, 0, "distance since codes were cleared"},
	{0x33, 0, 1, "BarometricPressure", "kPa", 1, 1, 0, 0, "barometric pressure"},
	{0x3C, 0, 2, "Catalyst.Bank1.Temperature1", "Celsius", 1, 10, -40, 0, "catalyst temperature, bank 1 sensor 1"},
	{0x3D, 0, 2, "Catalyst.Bank2.Temperature1", "Celsius", 1, 10, -40, 0, "catalyst temperature, bank 2 sensor 1"},
	{0x3E, 0, 2, "Catalyst.Bank1.Temperature2", "Celsius", 1, 10, -40, 0, "catalyst temperature, bank 1 sensor 2"},
	{0x3F, 0, 2, "Catalyst.Bank2.Temperature2", "Celsius", 1, 10, -40, 0, "catalyst temperature, bank 2 sensor 2"},
	{0x42, 0, 2, "ControlModuleVoltage", "V", 1, 1000, 0, 0, "control module voltage"},
	{0x43, 0, 2, "AbsoluteLoad", "percent", 100, 255, 0, 0, "absolute load"},
	{0x44, 0, 2, "CommandedEquivalenceRatio", "ratio", 2, 65535, 0, 0, "commanded lambda"},
	{0x45, 0, 1, "RelativeThrottlePosition", "percent", 100, 255, 0, 0, "relative throttle position"},
	{0x46, 0, 1, "AmbientAirTemperature", "Celsius", 1, 1, -40, circuit, "ambient air temperature"},
	{0x47, 0, 1, "ThrottlePositionB", "percent", 100, 255, 0, 0, "absolute throttle position B"},
	{0x48, 0, 1, "ThrottlePositionC", "percent", 100, 255, 0, 0, "absolute throttle position C"},
	{0x49, 0, 1, "AcceleratorPositionD", "percent", 100, 255, 0, 0, "accelerator pedal position D"},
	{0x4A, 0, 1, "AcceleratorPositionE", "percent", 100, 255, 0, 0, "accelerator pedal position E"},
	{0x4B, 0, 1, "AcceleratorPositionF", "percent", 100, 255, 0, 0, "accelerator pedal position F"},
	{0x4C, 0, 1, "ThrottleActuator", "percent", 100, 255, 0, 0, "commanded throttle"},
	{0x4D, 0, 2, "RunTimeMIL", "min", 1, 1, 0, 0, "engine run time with the malfunction lamp on"},
	{0x4E, 0, 2, "TimeSinceDTCCleared", "min", 1, 1, 0, 0, "engine run time since codes were cleared"},
	{0x4F, 0, 1, "ScalingMaxLambda", "ratio", 1, 1, 0, overlay, "largest lambda of PIDs 24 to 2B and 34 to 3B; 0 is the default scaling"},
	{0x4F, 1, 1, "ScalingMaxO2Voltage", "V", 1, 1, 0, overlay, "largest voltage of PIDs 24 to 2B; 0 is the default scaling"},
	{0x4F, 2, 1, "ScalingMaxO2Current", "A", 1, 1000, 0, overlay, "largest current of PIDs 34 to 3B; 0 is the default scaling"},
	{0x4F, 3, 1, "ScalingMaxMAP", "kPa", 10, 1, 0, overlay, "largest pressure of PID 0B; 0 is the default scaling"},
	{0x50, 0, 1, "MaxMAF", "g/s", 10, 1, 0, 0, "largest air flow of PID 10; 0 is the default scaling"},
	{0x51, 0, 1, "FuelType", "", 1, 1, 0, code, "fuel type code"},
	{0x52, 0, 1, "EthanolPercent", "percent", 100, 255, 0, 0, "ethanol in the fuel"},
	{0x55, 0, 1, "ShortTermO2Trim1", "percent", 100, 128, -100, 0, "short term rear oxygen sensor trim, bank 1"},
	{0x55, 1, 1, "ShortTermO2Trim3", "percent", 100, 128, -100, 0, "short term rear oxygen sensor trim, bank 3"},
	{0x56, 0, 1, "LongTermO2Trim1", "percent", 100, 128, -100, 0, "long term rear oxygen sensor trim, bank 1"},
	{0x56, 1, 1, "LongTermO2Trim3", "percent", 100, 128, -100, 0, "long term rear oxygen sensor trim, bank 3"},
	{0x57, 0, 1, "ShortTermO2Trim2", "percent", 100, 128, -100, 0, "short term rear oxygen sensor trim, bank 2"},
	{0x57, 1, 1, "ShortTermO2Trim4", "percent", 100, 128, -100, 0, "short term rear oxygen sensor trim, bank 4"},
	{0x58, 0, 1, "LongTermO2Trim2", "percent", 100, 128, -100, 0, "long term rear oxygen sensor trim, bank 2"},
	{0x58, 1, 1, "LongTermO2Trim4", "percent", 100, 128, -100, 0, "long term rear oxygen sensor trim, bank 4"},
	{0x59, 0, 2, "FuelRailPressureAbsolute", "kPa", 10, 1, 0, 0, "fuel rail pressure, absolute"},
	{0x5A, 0, 1, "RelativeAcceleratorPosition", "percent", 100, 255, 0, 0, "relative accelerator pedal position"},
	{0x5C, 0, 1, "OilTemperature", "Celsius", 1, 1, -40, circuit, "engine oil temperature"},
	{0x5D, 0, 2, "FuelInjectionTiming", "degrees", 1, 128, -210, 0, "fuel injection timing"},
	{0x5E, 0, 2, "FuelRate", "l/h", 1, 20, 0, 0, "engine fuel rate"},
	{0x61, 0, 1, "TorqueDemand", "percent", 1, 1, -125, overlay, "torque that the driver demands"},
	{0x62, 0, 1, "TorqueActual", "percent", 1, 1, -125, overlay, "actual engine torque"},
	{0x63, 0, 2, "TorqueReference", "Nm", 1, 1, 0, overlay, "reference torque"},
	{0x64, 0, 1, "TorqueIdle", "percent", 1, 1, -125, overlay, "torque at idle"},
	{0x64, 1, 1, "TorquePoint1", "percent", 1, 1, -125, overlay, "torque at point 1"},
	{0x64, 2, 1, "TorquePoint2", "percent", 1, 1, -125, overlay, "torque at point 2"},
	{0x64, 3, 1, "TorquePoint3", "percent", 1, 1, -125, overlay, "torque at point 3"},
	{0x64, 4, 1, "TorquePoint4", "percent", 1, 1, -125, overlay, "torque at point 4"},
	{0x66, 1, 2, "MAFA", "g/s", 1, 32, 0, overlay, "mass air flow of meter A"},
	{0x66, 3, 2, "MAFB", "g/s", 1, 32, 0, overlay, "mass air flow of meter B"},
	{0x67, 1, 1, "CoolantTemperature1", "Celsius", 1, 1, -40, circuit | overlay, "coolant temperature, sensor 1"},
	{0x67, 2, 1, "CoolantTemperature2", "Celsius", 1, 1, -40, circuit | overlay, "coolant temperature, sensor 2"},
	{0x68, 1, 1, "IntakeTemp11", "Celsius", 1, 1, -40, circuit | overlay, "intake air temperature, bank 1 sensor 1"},
	{0x68, 2, 1, "IntakeTemp12", "Celsius", 1, 1, -40, circuit | overlay, "intake air temperature, bank 1 sensor 2"},
	{0x68, 3, 1, "IntakeTemp13", "Celsius", 1, 1, -40, circuit | overlay, "intake air temperature, bank 1 sensor 3"},
	{0x68, 4, 1, "IntakeTemp21", "Celsius", 1, 1, -40, circuit | overlay, "intake air temperature, bank 2 sensor 1"},
	{0x68, 5, 1, "IntakeTemp22", "Celsius", 1, 1, -40, circuit | overlay, "intake air temperature, bank 2 sensor 2"},
	{0x68, 6, 1, "IntakeTemp23", "Celsius", 1, 1, -40, circuit | overlay, "intake air temperature, bank 2 sensor 3"},
	{0x69, 1, 1, "CommandedEGRA", "percent", 100, 255, 0, overlay, "commanded recirculation, valve A"},
	{0x69, 2, 1, "ActualEGRA", "percent", 100, 255, 0, overlay, "actual recirculation, valve A"},
	{0x69, 3, 1, "EGRErrorA", "percent", 100, 128, -100, overlay, "recirculation error, valve A"},
	{0x69, 4, 1, "CommandedEGRB", "percent", 100, 255, 0, overlay, "commanded recirculation, valve B"},
	{0x69, 5, 1, "ActualEGRB", "percent", 100, 255, 0, overlay, "actual recirculation, valve B"},
	{0x69, 6, 1, "EGRErrorB", "percent", 100, 128, -100, overlay, "recirculation error, valve B"},
	{0x6A, 1, 1, "CommandedIntakeFlapA", "percent", 100, 255, 0, overlay, "commanded intake air flow control A"},
	{0x6A, 2, 1, "IntakeFlapPositionA", "percent", 100, 255, 0, overlay, "intake air flow control position A"},
	{0x6A, 3, 1, "CommandedIntakeFlapB", "percent", 100, 255, 0, overlay, "commanded intake air flow control B"},
	{0x6A, 4, 1, "IntakeFlapPositionB", "percent", 100, 255, 0, overlay, "intake air flow control position B"},
	{0x6B, 1, 1, "EGRTemperature11", "Celsius", 1, 1, -40, circuit | overlay, "recirculation temperature, bank 1 sensor 1"},
	{0x6B, 2, 1, "EGRTemperature12", "Celsius", 1, 1, -40, circuit | overlay, "recirculation temperature, bank 1 sensor 2"},
	{0x6B, 3, 1, "EGRTemperature21", "Celsius", 1, 1, -40, circuit | overlay, "recirculation temperature, bank 2 sensor 1"},
	{0x6B, 4, 1, "EGRTemperature22", "Celsius", 1, 1, -40, circuit | overlay, "recirculation temperature, bank 2 sensor 2"},
	{0x6C, 1, 1, "ThrottleActuatorA", "percent", 100, 255, 0, overlay, "commanded throttle A"},
	{0x6C, 2, 1, "RelativeThrottlePositionA", "percent", 100, 255, 0, overlay, "relative throttle position A"},
	{0x6C, 3, 1, "ThrottleActuatorB", "percent", 100, 255, 0, overlay, "commanded throttle B"},
	{0x6C, 4, 1, "RelativeThrottlePositionB", "percent", 100, 255, 0, overlay, "relative throttle position B"},
	{0x6D, 1, 2, "CommandedFuelRailPressureA", "kPa", 10, 1, 0, overlay, "commanded fuel rail pressure A"},
	{0x6D, 3, 2, "FuelRailPressureA", "kPa", 10, 1, 0, overlay, "fuel rail pressure A"},
	{0x6D, 5, 1, "FuelTemperatureA", "Celsius", 1, 1, -40, circuit | overlay, "fuel temperature A"},
	{0x6D, 6, 2, "CommandedFuelRailPressureB", "kPa", 10, 1, 0, overlay, "commanded fuel rail pressure B"},
	{0x6D, 8, 2, "FuelRailPressureB", "kPa", 10, 1, 0, overlay, "fuel rail pressure B"},
	{0x6D, 10, 1, "FuelTemperatureB", "Celsius", 1, 1, -40, circuit | overlay, "fuel temperature B"},
	{0x6F, 1, 1, "CompressorInletPressureA", "kPa", 1, 1, 0, overlay, "compressor inlet pressure A"},
	{0x6F, 2, 1, "CompressorInletPressureB", "kPa", 1, 1, 0, overlay, "compressor inlet pressure B"},
	{0x70, 1, 2, "BoostCommandedA", "kPa", 1, 32, 0, overlay, "commanded boost pressure A, absolute"},
	{0x70, 3, 2, "BoostActualA", "kPa", 1, 32, 0, overlay, "boost pressure A, absolute"},
	{0x70, 5, 2, "BoostCommandedB", "kPa", 1, 32, 0, overlay, "commanded boost pressure B, absolute"},
	{0x70, 7, 2, "BoostActualB", "kPa", 1, 32, 0, overlay, "boost pressure B, absolute"},
	{0x73, 1, 2, "ExhaustPressure1", "kPa", 1, 100, 0, overlay, "exhaust pressure, bank 1"},
	{0x73, 3, 2, "ExhaustPressure2", "kPa", 1, 100, 0, overlay, "exhaust pressure, bank 2"},
	{0x74, 1, 2, "TurboSpeedA", "rpm", 1, 1, 0, overlay, "turbocharger speed A"},
	{0x74, 3, 2, "TurboSpeedB", "rpm", 1, 1, 0, overlay, "turbocharger speed B"},
	{0x77, 1, 1, "ChargeAirTemperature11", "Celsius", 1, 1, -40, circuit | overlay, "charge air cooler temperature, bank 1 sensor 1"},
	{0x77, 2, 1, "ChargeAirTemperature12", "Celsius", 1, 1, -40, circuit | overlay, "charge air cooler temperature, bank 1 sensor 2"},
	{0x77, 3, 1, "ChargeAirTemperature21", "Celsius", 1, 1, -40, circuit | overlay, "charge air cooler temperature, bank 2 sensor 1"},
	{0x77, 4, 1, "ChargeAirTemperature22", "Celsius", 1, 1, -40, circuit | overlay, "charge air cooler temperature, bank 2 sensor 2"},
	{0x78, 1, 2, "ExhaustGasTemperature11", "Celsius", 1, 10, -40, overlay, "exhaust gas temperature, bank 1 sensor 1"},
	{0x78, 3, 2, "ExhaustGasTemperature12", "Celsius", 1, 10, -40, overlay, "exhaust gas temperature, bank 1 sensor 2"},
	{0x78, 5, 2, "ExhaustGasTemperature13", "Celsius", 1, 10, -40, overlay, "exhaust gas temperature, bank 1 sensor 3"},
	{0x78, 7, 2, "ExhaustGasTemperature14", "Celsius", 1, 10, -40, overlay, "exhaust gas temperature, bank 1 sensor 4"},
	{0x79, 1, 2, "ExhaustGasTemperature21", "Celsius", 1, 10, -40, overlay, "exhaust gas temperature, bank 2 sensor 1"},
	{0x79, 3, 2, "ExhaustGasTemperature22", "Celsius", 1, 10, -40, overlay, "exhaust gas temperature, bank 2 sensor 2"},
	{0x79, 5, 2, "ExhaustGasTemperature23", "Celsius", 1, 10, -40, overlay, "exhaust gas temperature, bank 2 sensor 3"},
	{0x79, 7, 2, "ExhaustGasTemperature24", "Celsius", 1, 10, -40, overlay, "exhaust gas temperature, bank 2 sensor 4"},
	{0x7A, 1, 2, "ParticleFilterDeltaPressure1", "kPa", 1, 100, 0, overlay | signed, "pressure drop over the particle filter, bank 1"},
	{0x7A, 3, 2, "ParticleFilterInletPressure1", "kPa", 1, 100, 0, overlay, "pressure before the particle filter, bank 1"},
	{0x7A, 5, 2, "ParticleFilterOutletPressure1", "kPa", 1, 100, 0, overlay, "pressure after the particle filter, bank 1"},
	{0x7B, 1, 2, "ParticleFilterDeltaPressure2", "kPa", 1, 100, 0, overlay | signed, "pressure drop over the particle filter, bank 2"},
	{0x7B, 3, 2, "ParticleFilterInletPressure2", "kPa", 1, 100, 0, overlay, "pressure before the particle filter, bank 2"},
	{0x7B, 5, 2, "ParticleFilterOutletPressure2", "kPa", 1, 100, 0, overlay, "pressure after the particle filter, bank 2"},
	{0x7C, 1, 2, "ParticleFilterInletTemperature1", "Celsius", 1, 10, -40, overlay, "temperature before the particle filter, bank 1"},
	{0x7C, 3, 2, "ParticleFilterOutletTemperature1", "Celsius", 1, 10, -40, overlay, "temperature after the particle filter, bank 1"},
	{0x7C, 5, 2, "ParticleFilterInletTemperature2", "Celsius", 1, 10, -40, overlay, "temperature before the particle filter, bank 2"},
	{0x7C, 7, 2, "ParticleFilterOutletTemperature2", "Celsius", 1, 10, -40, overlay, "temperature after the particle filter, bank 2"},
	{0x84, 0, 1, "ManifoldSurfaceTemperature", "Celsius", 1, 1, -40, circuit | overlay, "manifold surface temperature"},
	{0x87, 1, 2, "MAPHighRes", "kPa", 1, 32, 0, overlay, "manifold absolute pressure A, fine steps"},
	{0x87, 3, 2, "MAPHighResB", "kPa", 1, 32, 0, overlay, "manifold absolute pressure B, fine steps"},
	{0x8D, 0, 1, "ThrottlePositionG", "percent", 100, 255, 0, overlay, "absolute throttle position G"},
	{0x8E, 0, 1, "TorqueFriction", "percent", 1, 1, -125, overlay, "friction torque"},
	{0x9D, 0, 2, "FuelRateMass", "g/s", 1, 50, 0, overlay, "engine fuel rate by mass"},
	{0x9D, 2, 2, "VehicleFuelRateMass", "g/s", 1, 50, 0, overlay, "vehicle fuel rate by mass"},
	{0x9E, 0, 2, "ExhaustMassFlow", "kg/h", 1, 5, 0, overlay, "exhaust mass flow"},
	{0xA2, 0, 2, "CylinderFuelRate", "mg/stroke", 1, 32, 0, overlay, "fuel of one injection"},
}

// weather are inputs from outside the vehicle's diagnosis. The ranges hold every
// place on the surface of the earth where people drive.
var weather = []Signal{
	{Path: "Vehicle.Exterior.AirTemperature", Unit: "Celsius", Min: -90, Max: 70, Description: "outside air temperature"},
	{Path: "Vehicle.Exterior.Humidity", Unit: "percent", Min: 0, Max: 100, Description: "relative humidity of the outside air"},
	{Path: "Vehicle.Exterior.AirPressure", Unit: "hPa", Min: 300, Max: 1100, Description: "outside air pressure"},
}

func build() []Signal {
	out := make([]Signal, 0, len(rows)+48+len(weather))
	for _, r := range rows {
		out = append(out, r.signal())
	}
	out = append(out, oxygenSensors()...)
	sortByParameter(out)
	return append(out, weather...)
}

func (r row) signal() Signal {
	low, high := 0.0, float64(uint64(1)<<(8*r.bytes)-1)
	if r.flags&signed != 0 {
		half := float64(uint64(1) << (8*r.bytes - 1))
		low, high = -half, half-1
	}
	if r.pid == monitorStatus {
		high = countMask
	}
	return Signal{
		Path: Prefix + r.name, Unit: r.unit, Description: r.about,
		Step: r.num / r.den, Zero: r.zero,
		Min: r.zero + low*r.num/r.den, Max: r.zero + high*r.num/r.den,
		RescaledMax: rescaled[r.name],
		PID:         r.pid, Offset: r.offset, Bytes: r.bytes,
		Signed:        r.flags&signed != 0,
		CircuitLimits: r.flags&circuit != 0,
		Code:          r.flags&code != 0,
		Overlay:       r.flags&overlay != 0,
		num:           r.num,
		den:           r.den,
	}
}

// oxygenSensors lists the eight sensors of PIDs 14–1B (narrow band), 24–2B (wide
// band, voltage) and 34–3B (wide band, current). VSS wants amperes where the
// parameter counts 1/256 mA.
func oxygenSensors() []Signal {
	var out []Signal
	for n := range uint8(8) {
		narrow := fmt.Sprintf("O2.Sensor%d.", n+1)
		wide := fmt.Sprintf("O2WR.Sensor%d.", n+1)
		about := fmt.Sprintf(" of oxygen sensor %d", n+1)
		lambda := row{0x24 + n, 0, 2, wide + "Lambda", "ratio", 2, 65535, 0, 0, "lambda" + about}.signal()
		lambda.AlternativePID = 0x34 + n
		lambda.RescaledMax = 255
		volts := row{0x24 + n, 2, 2, wide + "Voltage", "V", 8, 65535, 0, 0, "wide band voltage" + about}.signal()
		volts.RescaledMax = 255
		current := row{0x34 + n, 2, 2, wide + "Current", "A", 1, 256000, -0.128, 0, "pump current" + about}.signal()
		current.RescaledMin, current.RescaledMax = -0.255, 0.255
		out = append(out,
			row{0x14 + n, 0, 1, narrow + "Voltage", "V", 1, 200, 0, 0, "voltage" + about}.signal(),
			row{0x14 + n, 1, 1, narrow + "ShortTermFuelTrim", "percent", 100, 128, -100, 0, "short term fuel trim" + about + "; raw FF means not used for trim"}.signal(),
			lambda, volts, current)
	}
	return out
}

func sortByParameter(signals []Signal) {
	slices.SortStableFunc(signals, func(a, b Signal) int {
		return cmp.Or(cmp.Compare(a.PID, b.PID), cmp.Compare(a.Offset, b.Offset))
	})
}
