// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package ecu

import (
	"slices"

	"github.com/airassay/airassay/plugins/simulator/engine"
	"github.com/airassay/airassay/plugins/simulator/scenario"
	"github.com/airassay/airassay/sdk/j1979"
)

// parameter is a parameter of service 01 as the vehicle fits it.
type parameter struct {
	pid byte
	// fields are the signals that the drive gives.
	fields []field
	// status gives the data of parameters that tell of the control unit itself; nil for the others.
	status func(v *Vehicle) []byte
}

// field is a signal of a parameter.
type field struct {
	signal engine.Signal
	id     j1979.ID
}

// fittedParameters lists what the engine's control unit has, by parameter.
func fittedParameters(c *scenario.Case, o Options) []parameter {
	list := statusParameters(c, o)
	for _, s := range c.Signals {
		id, ok := j1979.FindID(s.Define().Path)
		if !ok {
			continue
		}
		pid := id.Signal().PID
		i := slices.IndexFunc(list, func(p parameter) bool { return p.pid == pid })
		if i < 0 {
			i = len(list)
			list = append(list, parameter{pid: pid})
		}
		list[i].fields = append(list[i].fields, field{s, id})
	}
	slices.SortFunc(list, func(a, b parameter) int { return int(a.pid) - int(b.pid) })
	return list
}

// coding is how the vehicle's control units write parameters. The dialect of a request is put around their data.
func (o *Options) coding() j1979.Coding {
	return j1979.Coding{Scaling: j1979.Scaling{MaxMAF: 10 * float64(o.ScaledMAF), MaxMAP: 10 * float64(o.ScaledMAP)}}
}

// data are the bytes of a parameter now, without its number.
func (l *latch) data(v *Vehicle) []byte {
	if l.status != nil {
		return l.status(v)
	}
	data, _ := v.coding.AppendParameter(nil, l.pid, l.value)
	return data[1:]
}

// value is what a signal of the parameter read at the last refresh.
func (l *latch) value(id j1979.ID) (float64, bool) {
	for i, f := range l.fields {
		if f.id == id {
			return l.values[i], true
		}
	}
	return 0, false
}

// statusParameters are those that tell of the control unit itself, and facts about the vehicle.
func statusParameters(c *scenario.Case, o Options) []parameter {
	fixed := func(data ...byte) func(*Vehicle) []byte { return func(*Vehicle) []byte { return data } }
	list := []parameter{
		{pid: 0x01, status: (*Vehicle).monitorStatus},
		{pid: 0x1C, status: fixed(regulation)},
		{pid: 0x21, status: (*Vehicle).distanceWithLamp},
		{pid: 0x41, status: (*Vehicle).cycleStatus},
		{pid: 0x51, status: fixed(fuelTypes[c.Spec.Fuel])},
	}
	if c.Spec.GasolineLike() {
		list = append(list, parameter{pid: 0x13, status: fixed(oxygenSensors(c.Spec.Banks))})
	}
	if o.ScaledMAP > 0 {
		list = append(list, parameter{pid: 0x4F, status: fixed(0, 0, 0, o.ScaledMAP)})
	}
	if o.ScaledMAF > 0 {
		list = append(list, parameter{pid: 0x50, status: fixed(o.ScaledMAF, 0, 0, 0)})
	}
	return list
}

// regulation is the value of parameter 1C for European on-board diagnosis (SAE J1979).
const regulation = 0x06

// fuelTypes are the values of parameter 51 (SAE J1979).
var fuelTypes = map[engine.Fuel]byte{engine.Gasoline: 1, engine.EthanolBlend: 3, engine.Diesel: 4, engine.LPG: 5, engine.CNG: 6}

// oxygenSensors is parameter 13 with one sensor in front of each catalyst.
func oxygenSensors(banks int) byte {
	if banks == 2 {
		return 0x11
	}
	return 0x01
}
