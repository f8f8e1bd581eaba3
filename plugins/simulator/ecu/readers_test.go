// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package ecu

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/airassay/airassay/plugins/simulator/engine"
	"github.com/airassay/airassay/plugins/simulator/scenario"
	"github.com/airassay/airassay/sdk/j1979"
)

// answers asks an old vehicle with an open meter line in one dialect.
type answers struct {
	t *testing.T
	u *Unit
}

func (a answers) to(request []byte) []byte {
	a.t.Helper()
	replies := a.u.Handle(noon.Add(time.Hour), request, false)
	if len(replies) != 1 {
		a.t.Fatalf("% X: %v", request, replies)
	}
	return replies[0].Payload
}

// What the units write by hand, the readers of the SDK must understand, in both dialects.
func TestReadersUnderstandEveryAnswer(t *testing.T) {
	p := faulty(t, func(c *scenario.Case) { c.Faults.Meter[0].Signal = engine.SignalOpen })
	v := driven(p, Options{Dialect: Both})
	a := answers{t, v.Units()[0]}
	for _, d := range []j1979.Dialect{j1979.Classic, j1979.UDS} {
		vin, err := d.ReadVIN(a.to(d.AppendInformationRequest(nil, j1979.VIN)))
		if err != nil || vin != v.VIN() || !j1979.CheckDigit(vin) {
			t.Errorf("%v: identification number %q, %v; want %q", d, vin, err, v.VIN())
		}
		ids, err := d.ReadCalibrationIDs(a.to(d.AppendInformationRequest(nil, j1979.CalibrationIDs)))
		if err != nil || len(ids) != len(v.identity.calibrations) || ids[0] != strings.TrimRight(v.identity.calibrations[0], "\x00") {
			t.Errorf("%v: calibrations %q, %v", d, ids, err)
		}
		if sums, err := d.ReadCalibrationNumbers(a.to(d.AppendInformationRequest(nil, j1979.CalibrationNumbers))); err != nil || len(sums) != len(ids) {
			t.Errorf("%v: check numbers %X, %v", d, sums, err)
		}
		if name, err := d.ReadUnitName(a.to(d.AppendInformationRequest(nil, j1979.UnitName))); err != nil || name != "ECM -EngineControl" {
			t.Errorf("%v: name %q, %v", d, name, err)
		}
		var have j1979.Support
		if err := d.ReadMonitorSupport(&have, 0x80, a.to(d.AppendMonitorRequest(nil, 0x80))); err != nil || !have.Has(fuelMonitor) {
			t.Errorf("%v: monitors %v, %v", d, have.String(), err)
		}
		results, err := d.ReadResults(nil, fuelMonitor, a.to(d.AppendMonitorRequest(nil, fuelMonitor)))
		if err != nil || len(results) != 1 {
			t.Fatalf("%v: results %v, %v", d, results, err)
		}
		if value, low, high, unit, ok := results[0].Scaled(); !ok || unit != "percent" && unit != "%" || low > -trimLimitLow || high < trimLimitLow || value < low || value > high {
			t.Errorf("%v: the fuel monitor says %v of %v to %v %s", d, value, low, high, unit)
		}
		for _, kind := range []j1979.Kind{j1979.Confirmed, j1979.Pending, j1979.Permanent} {
			faults, err := d.ReadFaults(nil, kind, a.to(d.AppendFaultRequest(nil, kind)))
			if err != nil || len(faults) != 1 || faults[0].Code != codeMeterLow {
				t.Errorf("%v: %v codes %v, %v", d, kind, faults, err)
			}
		}
	}
	a.frozen()
}

// frozen reads the freeze frame in both dialects and compares them.
func (a answers) frozen() {
	t := a.t
	code, err := j1979.ReadFreezeCode(0, a.to([]byte{0x02, 0x02, 0x00}))
	if err != nil || code != codeMeterLow {
		t.Errorf("the freeze frame is of %v, %v", code, err)
	}
	coding := j1979.Coding{}
	request, err := j1979.AppendFreezeRequest(nil, 0, 0x0C, 0x10, 0x0F)
	if err != nil {
		t.Fatal(err)
	}
	values, err := coding.DecodeFreeze(nil, 0, []byte{0x0C, 0x10, 0x0F}, a.to(request))
	if err != nil || len(values) != 3 {
		t.Fatalf("freeze frame %v, %v", values, err)
	}
	coding.Dialect = j1979.UDS
	whole, err := coding.ReadFrozen(a.to(j1979.AppendFrozenRequest(nil, j1979.Fault{Code: code}, 0)))
	if err != nil || len(whole.Rest) > 0 || whole.Fault.Code != code {
		t.Fatalf("freeze frame by service 19: %+v, %v", whole, err)
	}
	for _, v := range values {
		if !slices.Contains(whole.Values, v) {
			t.Errorf("%v is %v by service 02, and missing or different in %v", v.Signal, v.Value, whole.Values)
		}
	}
}
