// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import "math"

// Facts are the facts of the vehicle and of the day. Every fact may be
// missing: NaN for numbers, the zero value for codes. NoFacts is the start.
type Facts struct {
	// DisplacementL is the swept volume in litres.
	DisplacementL float64
	Cylinders     float64
	Banks         float64
	Aspiration    Aspiration
	Fuel          Fuel
	// EthanolPercent is by volume.
	EthanolPercent float64
	AirMeter       Technology
	// RatedPowerRPM is the engine speed of rated power, in revolutions per minute.
	RatedPowerRPM float64
	Valves        float64
	Cycle         Cycle
	Hybrid        bool
	Modified      bool
	Location      Location

	AltitudeM float64
	// AmbientC is a hand thermometer's reading in degrees Celsius.
	AmbientC        float64
	HumidityPercent float64
	HoursSinceRun   float64
	Purpose         Purpose
	Inspections     []InspectionResult
	Cleanings       int
	// CleaningLimit is how often a hot wire may be cleaned; 0 for the default of 2.
	CleaningLimit int
	// Codes are trouble codes of SAE J2012, such as P0101, in any order: context, never proof.
	Codes []string
	// Said is what the vehicle's control units say of it.
	Said Said
}

// Said is what control units say of their vehicle beyond its samples. Nothing is judged by it; it makes proposals.
type Said struct {
	// Fuel that the engine burns.
	Fuel Fuel
	// Asked says that the signals that can be had are known: Signals lists their paths.
	Asked   bool
	Signals []string
}

// InspectionResult is one inspection that somebody carried out.
type InspectionResult struct {
	Inspection Inspection
	Outcome    InspectionOutcome
}

// NoFacts returns facts of which nothing is known.
func NoFacts() Facts {
	n := math.NaN()
	return Facts{
		DisplacementL: n, Cylinders: n, Banks: n, EthanolPercent: n, RatedPowerRPM: n, Valves: n,
		AltitudeM: n, AmbientC: n, HumidityPercent: n, HoursSinceRun: n,
	}
}

func (f *Facts) boosted() bool {
	return f.Aspiration == AspirationTurbo || f.Aspiration == AspirationSupercharged
}

func (f *Facts) outcome(i Inspection) InspectionOutcome {
	out := OutcomeUnspecified
	for _, r := range f.Inspections {
		if r.Inspection == i {
			out = r.Outcome
		}
	}
	return out
}

func known(x float64) bool { return !math.IsNaN(x) }

func or(x, otherwise float64) float64 {
	if math.IsNaN(x) {
		return otherwise
	}
	return x
}
