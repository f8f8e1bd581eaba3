// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1939

import (
	"fmt"

	"github.com/airassay/airassay/sdk/j1979"
)

// SPN is the number of a quantity.
type SPN uint32

// State says what a control unit says of a quantity.
type State uint8

const (
	// Valid quantities have a value.
	Valid State = iota
	// Failing quantities have none, because the control unit sees a fault of their sensor.
	Failing
)

// Reading is what a frame says of a quantity.
type Reading struct {
	SPN   SPN
	State State
	// Value is in the unit of the signal where there is one, else in kPa or g/s; 0 unless State is Valid.
	Value float64
	// Signal is the quantity's signal; HasSignal tells whether there is one.
	Signal    j1979.ID
	HasSignal bool
}

// spn is one quantity in a group: value = zero + raw·num/den, little-endian.
type spn struct {
	pgn      PGN
	offset   uint8
	bytes    uint8
	spn      SPN
	signal   string // short name; empty where there is none
	num, den float64
	zero     float64
}

const (
	boost     SPN = 102
	barometer SPN = 108
	absolute  SPN = 3563
)

// Source of layouts and steps: SAE J1939-71. Air flow is sent in kg/h, which are 1000/3600 g/s; 0.05 kg/h a bit are 1/72 g/s.
// The charge after the cooler and the air at the filter are two temperatures: 105 and 172.
var spns = []spn{
	{Accelerator, 1, 1, 91, "AcceleratorPositionD", 2, 5, 0},
	{Accelerator, 2, 1, 92, "EngineLoad", 1, 1, 0},
	{EngineSpeed, 1, 1, 512, "TorqueDemand", 1, 1, -125},
	{EngineSpeed, 2, 1, 513, "TorqueActual", 1, 1, -125},
	{EngineSpeed, 3, 2, 190, "EngineSpeed", 1, 8, 0},
	{AirFlow, 0, 2, 2659, "", 1, 72, 0}, // exhaust gas recirculated
	{AirFlow, 2, 2, 132, "MAF", 1, 72, 0},
	{IntakeAbsolute, 4, 1, absolute, "MAP", 2, 1, 0}, // its byte is recalled, to be checked against the digital annex
	{EngineTemperatures, 0, 1, 110, "CoolantTemperature", 1, 1, -40},
	{EngineTemperatures, 2, 2, 175, "OilTemperature", 1, 32, -273},
	{Ambient, 0, 1, barometer, "BarometricPressure", 1, 2, 0},
	{Ambient, 3, 2, 171, "AmbientAirTemperature", 1, 32, -273},
	{Ambient, 5, 1, 172, "IntakeTemp", 1, 1, -40},
	{Intake, 0, 1, 81, "", 1, 2, 0},    // exhaust before the particle filter
	{Intake, 1, 1, boost, "", 2, 1, 0}, // in the manifold, above the barometer
	{Intake, 2, 1, 105, "ChargeAirTemperature11", 1, 1, -40},
	{Intake, 3, 1, 106, "", 2, 1, 0},  // at the inlet of manifold or air box: makers differ
	{Intake, 4, 1, 107, "", 1, 20, 0}, // drop over the air filter
}

// groups has for each group its quantities.
var groups = byGroup()

type quantity struct {
	spn

	id j1979.ID
}

func byGroup() map[PGN][]quantity {
	out := map[PGN][]quantity{}
	for _, s := range spns {
		id, _ := j1979.FindID(s.signal)
		out[s.pgn] = append(out[s.pgn], quantity{s, id})
	}
	return out
}

var manifold, _ = j1979.FindID("MAP")

// Groups lists the groups that a Decoder reads, for a filter.
func Groups() []PGN {
	var out []PGN
	for _, s := range spns {
		if len(out) == 0 || out[len(out)-1] != s.pgn {
			out = append(out, s.pgn)
		}
	}
	return out
}

// Decoder reads the frames of one vehicle. The zero Decoder is ready.
//
// Most engines send the pressure in the manifold above the barometer's. As soon as the barometer was heard, and while
// nobody sends the absolute pressure, the sum of both is given as MAP.
type Decoder struct {
	barometer     float64 // kPa; 0 while it was not heard
	sendsAbsolute bool
}

// frameLength is that of the groups of SAE J1939-71 that are read here.
const frameLength = 8

// Decode appends to dst what a frame says. What a control unit does not have, FF, is left out, and so are values that the
// standard reserves. A group that is not read gives nothing. The error is an *Error; dst is then returned as it was.
// Nothing is allocated where dst has room and there is no error.
func (d *Decoder) Decode(dst []Reading, pgn PGN, data []byte) ([]Reading, error) {
	group := groups[pgn]
	if group == nil {
		return dst, nil
	}
	if len(data) != frameLength {
		return dst, wrong(pgn, min(len(data), frameLength), "8 bytes", "%d", len(data))
	}
	for i := range group {
		q := &group[i]
		r, ok := q.read(data)
		if !ok {
			continue
		}
		dst = append(dst, r)
		if r.State == Valid {
			dst = d.combine(dst, r)
		}
	}
	return dst, nil
}

// combine makes the absolute pressure of the manifold.
func (d *Decoder) combine(dst []Reading, r Reading) []Reading {
	switch r.SPN {
	case barometer:
		d.barometer = r.Value
	case absolute:
		d.sendsAbsolute = true
	case boost:
		if d.barometer > 0 && !d.sendsAbsolute {
			return append(dst, Reading{SPN: boost, Value: d.barometer + r.Value, Signal: manifold, HasSignal: true})
		}
	}
	return dst
}

// Bounds of raw numbers, J1939-71: up to FA there is a value, FE says that the sensor fails; for two bytes the upper one
// counts.
const (
	lastValue = 0xFA
	failing   = 0xFE
)

func (q *quantity) read(data []byte) (Reading, bool) {
	raw, top := int(data[q.offset]), data[q.offset]
	if q.bytes == 2 {
		top = data[q.offset+1]
		raw |= int(top) << 8
	}
	r := Reading{SPN: q.spn.spn, Signal: q.id, HasSignal: q.signal != ""}
	switch {
	case top <= lastValue:
		r.Value = q.zero + float64(raw)*q.num/q.den
		return r, true
	case top == failing:
		r.State = Failing
		return r, true
	}
	return r, false
}

// String is SPN and value, for logs.
func (r Reading) String() string {
	name := ""
	if r.HasSignal {
		name = " " + r.Signal.Path()
	}
	if r.State == Failing {
		return fmt.Sprintf("SPN %d%s: sensor fails", r.SPN, name)
	}
	return fmt.Sprintf("SPN %d%s: %g", r.SPN, name, r.Value)
}
