// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1979

import (
	"slices"
	"strings"
)

// Prefix is the VSS branch of on-board diagnostics; short names leave it out.
const Prefix = "Vehicle.OBD."

// Signal is one quantity: its name, its unit and how service 01 transports it.
//
// The raw field of Bytes bytes at Offset, big-endian, means
//
//	value = Zero + raw · Step
//
// for every linear parameter under the default scaling. Min and Max are the
// values of the smallest and the largest raw field.
type Signal struct {
	// Path is the VSS path, such as Vehicle.OBD.MAF.
	Path string
	// Unit is the unit as VSS spells it (g/s, kPa, rpm, Celsius, percent, ratio …);
	// empty for counts, codes and flags.
	Unit string
	// Description says in a few words what the quantity is.
	Description string
	// Step is the value of one raw count, in Unit; 0 where no parameter defines it.
	Step float64
	// Zero is the value of the raw field 0, in Unit.
	Zero float64
	// Min is the smallest value that can be expressed, in Unit.
	Min float64
	// Max is the largest value that can be expressed with the default scaling, in Unit.
	Max float64
	// RescaledMin and RescaledMax are the smallest and the largest value that can
	// be expressed when the vehicle declares another scaling (PID 4F or 50); 0
	// where there is none.
	RescaledMin, RescaledMax float64
	// PID is the service 01 parameter; 0 for a signal without one (PID 00 is a
	// support bitmap and never a signal).
	PID uint8
	// AlternativePID also carries the signal, in the same bytes; 0 for none.
	AlternativePID uint8
	// Offset is the position of the first data byte after the echoed PID, from 0.
	Offset uint8
	// Bytes is the width of the raw field in bytes, 1 or 2; 0 without a parameter.
	Bytes uint8
	// Signed fields are two's complement.
	Signed bool
	// CircuitLimits tells that Min is what an open sensor line reads and Max what
	// a shorted one reads: evidence about the wiring, not a temperature.
	CircuitLimits bool
	// Code marks whole-numbered codes, counts and flags: half of one means nothing.
	Code bool
	// Overlay marks names of our own that the VSS catalogue lacks.
	Overlay bool

	// The step as a fraction, which rounds better.
	num, den float64
}

// Short returns the path without "Vehicle.OBD."; a path of another branch is
// returned whole.
func (s Signal) Short() string { return strings.TrimPrefix(s.Path, Prefix) }

// Limits returns the range of values that the signal can express under any
// scaling, in Unit, inclusive. The upper end is half a step above the largest
// value, because loggers round: +99.21875 % is often written 99.22.
func (s Signal) Limits() (low, high float64) {
	low, high = min(s.Min, s.RescaledMin), max(s.Max, s.RescaledMax)
	if s.RescaledMin == 0 {
		low = s.Min
	}
	slack := (high - low) * 1e-12
	return low - slack, high + s.Step/2 + slack
}

// Lookup finds a signal by its full path or by its short name. Case counts.
func Lookup(name string) (Signal, bool) {
	if i, ok := index[name]; ok {
		return table[i], true
	}
	return Signal{}, false
}

// ByPath finds a signal by its full VSS path.
func ByPath(path string) (Signal, bool) {
	s, ok := Lookup(path)
	if !ok || s.Path != path {
		return Signal{}, false
	}
	return s, true
}

// Signals returns every signal, by parameter and byte; weather comes last.
// The caller owns the slice.
func Signals() []Signal { return slices.Clone(table) }

var (
	table = build()
	index = indexOf(table)
)

func indexOf(signals []Signal) map[string]int {
	m := make(map[string]int, 2*len(signals))
	for i, s := range signals {
		m[s.Path] = i
		m[s.Short()] = i
	}
	return m
}
