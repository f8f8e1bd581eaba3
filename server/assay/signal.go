// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import "math"

// signal is a signal that the assay uses.
type signal uint8

const (
	sigNone signal = iota
	sigSpeedEngine
	sigMAF
	sigMAFA
	sigMAFB
	sigMAP
	sigMAPHigh
	sigBaro
	sigIAT
	sigIAT11
	sigAmbient
	sigExterior
	sigCoolant
	sigOil
	sigThrottle
	sigThrottleRelative
	sigPedalD
	sigPedalE
	sigPedalRelative
	sigLoad
	sigLoadAbsolute
	sigShortTrim1
	sigShortTrim2
	sigLongTrim1
	sigLongTrim2
	sigFuelStatus
	sigLambdaCommand
	sigLambda1
	sigLambda2
	sigFuelRate
	sigFuelRateMass
	sigSpeedRoad
	sigRunTime
	sigVoltage
	sigRecirculation
	sigPurge
	sigEthanol
	sigSinceCleared
	sigWarmups
	sigHumidity
	sigPressureExterior
	signalCount
)

// signalInfo is what the assay must know of a signal. Ranges are what the
// parameter can express (SAE J1979); step is its quantisation.
type signalInfo struct {
	path     string
	unit     string
	min, max float64
	step     float64
	// holdUS is how long the last value of a state or a slow quantity stays useful, in
	// microseconds. It is 0 for signals that follow the engine within a stroke or two;
	// those are interpolated.
	holdUS int64
}

const second = int64(1_000_000)

const obd = "Vehicle.OBD."

// signals is indexed by signal.
var signals = [signalCount]signalInfo{
	sigSpeedEngine:      {obd + "EngineSpeed", "rpm", 0, 16383.75, 0.25, 0},
	sigMAF:              {obd + "MAF", "g/s", 0, 2550, 0.01, 0},
	sigMAFA:             {obd + "MAFA", "g/s", 0, 2047.97, 0.03125, 0},
	sigMAFB:             {obd + "MAFB", "g/s", 0, 2047.97, 0.03125, 0},
	sigMAP:              {obd + "MAP", "kPa", 0, 2550, 1, 0},
	sigMAPHigh:          {obd + "MAPHighRes", "kPa", 0, 2047.97, 0.03125, 0},
	sigBaro:             {obd + "BarometricPressure", "kPa", 0, 255, 1, 3600 * second},
	sigIAT:              {obd + "IntakeTemp", "Celsius", -40, 215, 1, 60 * second},
	sigIAT11:            {obd + "IntakeTemp11", "Celsius", -40, 215, 1, 60 * second},
	sigAmbient:          {obd + "AmbientAirTemperature", "Celsius", -40, 215, 1, 300 * second},
	sigExterior:         {"Vehicle.Exterior.AirTemperature", "Celsius", -80, 80, 0.1, 3600 * second},
	sigCoolant:          {obd + "CoolantTemperature", "Celsius", -40, 215, 1, 120 * second},
	sigOil:              {obd + "OilTemperature", "Celsius", -40, 215, 1, 120 * second},
	sigThrottle:         {obd + "ThrottlePosition", "percent", 0, 100, 0.392, 0},
	sigThrottleRelative: {obd + "RelativeThrottlePosition", "percent", 0, 100, 0.392, 0},
	sigPedalD:           {obd + "AcceleratorPositionD", "percent", 0, 100, 0.392, 0},
	sigPedalE:           {obd + "AcceleratorPositionE", "percent", 0, 100, 0.392, 0},
	sigPedalRelative:    {obd + "RelativeAcceleratorPosition", "percent", 0, 100, 0.392, 0},
	sigLoad:             {obd + "EngineLoad", "percent", 0, 100, 0.392, 0},
	sigLoadAbsolute:     {obd + "AbsoluteLoad", "percent", 0, 25700, 0.392, 0},
	sigShortTrim1:       {obd + "ShortTermFuelTrim1", "percent", -100, 99.3, 0.781, 6 * second},
	sigShortTrim2:       {obd + "ShortTermFuelTrim2", "percent", -100, 99.3, 0.781, 6 * second},
	sigLongTrim1:        {obd + "LongTermFuelTrim1", "percent", -100, 99.3, 0.781, 10 * second},
	sigLongTrim2:        {obd + "LongTermFuelTrim2", "percent", -100, 99.3, 0.781, 10 * second},
	sigFuelStatus:       {obd + "FuelStatus", "", 0, 255, 1, 10 * second},
	sigLambdaCommand:    {obd + "CommandedEquivalenceRatio", "ratio", 0, 2, 3.05e-5, 4 * second},
	sigLambda1:          {obd + "O2WR.Sensor1.Lambda", "ratio", 0, 2, 3.05e-5, 0},
	sigLambda2:          {obd + "O2WR.Sensor5.Lambda", "ratio", 0, 2, 3.05e-5, 0},
	sigFuelRate:         {obd + "FuelRate", "l/h", 0, 3212.75, 0.05, 0},
	sigFuelRateMass:     {obd + "FuelRateMass", "g/s", 0, 1310.7, 0.02, 0},
	sigSpeedRoad:        {obd + "Speed", "km/h", 0, 255, 1, 6 * second},
	sigRunTime:          {obd + "RunTime", "s", 0, 65535, 1, 60 * second},
	sigVoltage:          {obd + "ControlModuleVoltage", "V", 0, 65.5, 0.001, 60 * second},
	sigRecirculation:    {obd + "CommandedEGR", "percent", 0, 100, 0.392, 10 * second},
	sigPurge:            {obd + "CommandedEVAP", "percent", 0, 100, 0.392, 10 * second},
	sigEthanol:          {obd + "EthanolPercent", "percent", 0, 100, 0.392, 3600 * second},
	sigSinceCleared:     {obd + "TimeSinceDTCCleared", "min", 0, 65535, 1, 3600 * second},
	sigWarmups:          {obd + "WarmupsSinceDTCClear", "", 0, 255, 1, 3600 * second},
	sigHumidity:         {"Vehicle.Exterior.Humidity", "percent", 0, 100, 1, 3600 * second},
	sigPressureExterior: {"Vehicle.Exterior.AirPressure", "hPa", 300, 1100, 0.1, 3600 * second},
}

// SignalPaths lists the VSS paths that the assay uses, with the unit that it
// expects each in.
func SignalPaths() map[string]string {
	m := make(map[string]string, len(signals))
	for _, s := range signals[1:] {
		m[s.path] = s.unit
	}
	return m
}

func signalByPath(path string) signal {
	for s := signal(1); s < signalCount; s++ {
		if signals[s].path == path {
			return s
		}
	}
	return sigNone
}

// inRange tells whether v can be a measurement of s. The ends that an open or
// short circuit shows are in range: they are evidence.
func (s signal) inRange(v float64) bool {
	i := &signals[s]
	return !math.IsNaN(v) && v >= i.min && v <= i.max
}
