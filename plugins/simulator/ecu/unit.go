// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package ecu

import (
	"math/rand/v2"
	"time"

	"github.com/airassay/airassay/sdk/j1979"
)

// Unit is one control unit of a vehicle. Its methods are safe for concurrent use.
type Unit struct {
	vehicle *Vehicle
	name    string
	// engine tells the engine's control unit, which has everything, from the others.
	engine bool
	pids   j1979.Support
	info   []infotype
	random *rand.Rand
	faults plight
	counts Counts
}

// Reply is one answer of a control unit.
type Reply struct {
	// Payload has the service byte first; 7F … for a negative response.
	Payload []byte
	// After is how long after the request its sending begins.
	After time.Duration
}

// Counts are what a control unit was asked.
type Counts struct {
	// Requests counts by service byte; those without any are not counted.
	Requests [256]int
	// Forbidden counts by service byte what may do more than read, by the rule of
	// j1979.CheckReadOnly. All of it was refused.
	Forbidden [256]int
}

// AllForbidden is the number of requests that may do more than read.
func (c *Counts) AllForbidden() (n int) {
	for _, x := range c.Forbidden {
		n += x
	}
	return n
}

// Units gives the control units of the vehicle: the engine's, which has all there is,
// and the transmission's, which answers a few parameters. They share the drive.
func (v *Vehicle) Units() []*Unit { return v.units }

func (v *Vehicle) makeUnits() {
	engineUnit := &Unit{vehicle: v, name: "ECM-EngineControl", engine: true, info: v.engineInfo()}
	for _, p := range v.fitted {
		engineUnit.pids.Add(p.pid)
	}
	gearbox := &Unit{vehicle: v, name: "TCM-TransmisCtrl", info: v.gearboxInfo()}
	gearbox.pids.Add(0x01, 0x1C)
	for _, pid := range []byte{0x0C, 0x0D} {
		if v.byPID[pid] != nil {
			gearbox.pids.Add(pid)
		}
	}
	v.units = []*Unit{engineUnit, gearbox}
	for i, u := range v.units {
		u.random = rand.New(rand.NewPCG(v.options.Seed, uint64(i)+0x2545f4914f6cdd1d))
		u.faults = plight{Faults: v.options.Faults, random: rand.New(rand.NewPCG(v.options.Seed, uint64(i)+0xd6e8feb86659fd93))}
	}
}

// Name is what service 09 says the unit is called.
func (u *Unit) Name() string { return u.name }

// Counts are what the unit was asked until now.
func (u *Unit) Counts() Counts {
	u.vehicle.mu.Lock()
	defer u.vehicle.mu.Unlock()
	return u.counts
}

// Handle takes a request whose last bit came at an instant, and gives the answers, in
// the order in which they are to be sent: none, one, or several where the unit asks
// for patience first. Functional says that all units were asked at once, which
// silences most refusals. The values are read at some moment within the latency.
//
// Instants of one vehicle should not fall; an earlier one is shown what is there now.
func (u *Unit) Handle(at time.Time, request []byte, functional bool) []Reply {
	v := u.vehicle
	v.mu.Lock()
	defer v.mu.Unlock()
	latency := v.options.Latency + time.Duration(u.random.Float64()*float64(v.options.Jitter))
	v.driveTo(at.Add(time.Duration(u.random.Float64() * float64(latency))))
	if len(request) == 0 || v.asleep() {
		return nil
	}
	u.counts.Requests[request[0]]++
	if j1979.CheckReadOnly(request) != nil {
		u.counts.Forbidden[request[0]]++
	}
	payload := u.answer(request, functional)
	if payload == nil {
		return nil
	}
	return u.faults.visit(at.Sub(v.start), Reply{payload, latency}, request[0])
}

// answer is what the unit says to a request; nil for nothing.
func (u *Unit) answer(request []byte, functional bool) []byte {
	service, rest := request[0], request[1:]
	payload, code := u.serve(service, rest)
	switch {
	case code == 0:
		return payload
	case functional && silentCodes[code], functional && service <= lastClassic && code == j1979.CodeWrongLength:
		return nil
	}
	return j1979.AppendNegative(nil, service, code)
}

// silentCodes are those that a unit does not send when all were asked, ISO 14229-1, §7.5.5.
var silentCodes = map[j1979.Code]bool{
	j1979.CodeServiceNotSupported: true, j1979.CodeSubNotSupported: true, j1979.CodeOutOfRange: true,
	j1979.CodeSubNotInSession: true, j1979.CodeServiceNotInSession: true,
}

// lastClassic is the highest service of SAE J1979.
const lastClassic = 0x0A

// guarded are services that a control unit has and that nobody here may use.
var guarded = map[byte]bool{
	0x04: true, 0x08: true, 0x11: true, 0x14: true, 0x27: true, 0x28: true, 0x2E: true, 0x2F: true, 0x31: true,
	0x34: true, 0x35: true, 0x36: true, 0x37: true, 0x85: true,
}

// serve finds the service. A code that is not 0 refuses.
func (u *Unit) serve(service byte, rest []byte) ([]byte, j1979.Code) {
	dialect := u.vehicle.options.Dialect
	switch {
	case guarded[service]:
		return nil, j1979.CodeAccessDenied
	case service == 0x10:
		return session(rest)
	case service == 0x3E:
		return present(rest)
	case service <= lastClassic && dialect == UDS, service > lastClassic && dialect == Classic:
		return nil, j1979.CodeServiceNotSupported
	}
	switch service {
	case 0x01:
		return u.current(rest)
	case 0x02:
		return u.freezeFrame(rest)
	case 0x03:
		return u.codes(0x43, rest, isConfirmed)
	case 0x06:
		return u.monitorResults(rest)
	case 0x07:
		return u.codes(0x47, rest, isPending)
	case 0x09:
		return u.information(rest)
	case 0x0A:
		return u.codes(0x4A, rest, isPermanent)
	case 0x19:
		return u.reports(rest)
	case 0x22:
		return u.byIdentifier(rest)
	}
	return nil, j1979.CodeServiceNotSupported
}
