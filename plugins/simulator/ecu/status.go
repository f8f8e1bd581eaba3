// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package ecu

import (
	"encoding/binary"

	"github.com/airassay/airassay/plugins/simulator/engine"
)

// Bits of parameters 01 and 41, SAE J1979.
const (
	lampOn      = 0x80 // byte A, beside the number of codes
	mostCounted = 0x7F
	misfire     = 0x01 // byte B
	fuelSystem  = 0x02
	components  = 0x04
	compression = 0x08
	unfinished  = 4 // bits to the left: what is not complete

	catalyst     = 0x01 // byte C, spark ignition
	evaporation  = 0x04
	oxygenSensor = 0x20
	oxygenHeater = 0x40
	recycling    = 0x80 // of exhaust gas, both ignitions
	charging     = 0x08 // byte C, compression ignition
)

// continuous and others are the readiness monitors that a vehicle has.
func (v *Vehicle) readiness() (continuous, kind, others byte) {
	s := &v.prepared.Case.Spec
	continuous, others = misfire|fuelSystem|components, catalyst|evaporation|oxygenSensor|oxygenHeater
	if s.Fuel == engine.Diesel {
		continuous, kind, others = components, compression, charging
	}
	if s.EGRShare > 0 {
		others |= recycling
	}
	return continuous, kind, others
}

// monitorStatus is parameter 01: lamp, number of codes, readiness since the codes were cleared.
func (v *Vehicle) monitorStatus() []byte {
	continuous, kind, others := v.readiness()
	data := []byte{byte(min(len(v.watch.codes(isConfirmed)), mostCounted)), continuous | kind, others, 0}
	if v.watch.lamp() {
		data[0] |= lampOn
	}
	if !v.watch.complete {
		data[1] |= continuous << unfinished
		data[3] = others
	}
	return data
}

// settleSeconds is how long an engine runs until its continuous monitors have an opinion.
const settleSeconds = 60.0

// cycleStatus is parameter 41: readiness of this drive. One drive is too short for the others.
func (v *Vehicle) cycleStatus() []byte {
	continuous, kind, others := v.readiness()
	data := []byte{0, continuous | kind, others, others}
	if v.watch.running < settleSeconds {
		data[1] |= continuous << unfinished
	}
	return data
}

// distanceWithLamp is parameter 21, in km.
func (v *Vehicle) distanceWithLamp() []byte {
	return binary.BigEndian.AppendUint16(nil, uint16(min(v.watch.distance, 65535)))
}
