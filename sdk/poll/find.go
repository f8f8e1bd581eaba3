// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package poll

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/j1979"
)

const (
	// findTimeout is how long the first answer of a vehicle is waited for: a link may have to find the protocol first.
	findTimeout = 2 * time.Second
	// probeTimeout is how long a control unit may take to answer at an address of its own: P2 = 50 ms, and what the link
	// adds.
	probeTimeout = 300 * time.Millisecond
	// attempts is how often a request is made that the rest depends on.
	attempts = 5
	// probes is how often an address is tried that may not exist.
	probes = 2
	// rolls is how often all are called: in one, the answer of some may be lost.
	rolls = 2
)

// vehicle is what was found: control units, the one of the engine first.
type vehicle struct {
	units []controlUnit
}

type controlUnit struct {
	source, target int64 // target is 0 where only all can be asked
	coding         j1979.Coding
	support        j1979.Support
}

// engine are the parameters by which the engine's control unit is known: load, coolant, trims, pressure, speed, intake air and air flow.
var engine = []byte{0x04, 0x05, 0x06, 0x07, 0x0B, 0x0C, 0x0F, 0x10}

func (u *controlUnit) score() (n int) {
	for _, pid := range engine {
		if u.support.Has(pid) {
			n++
		}
	}
	return n
}

// carrier finds who has a signal, and in which parameter.
func (v *vehicle) carrier(id j1979.ID) (unit int, pid byte, ok bool) {
	for i := range v.units {
		if pid, ok := id.Carrier(&v.units[i].support); ok {
			return i, pid, true
		}
	}
	return 0, 0, false
}

// answering is how many answers to wait for: one, or those of all that have any of the parameters where all are asked.
func (v *vehicle) answering(unit *controlUnit, pids []byte) (n int) {
	if unit.target != 0 {
		return 1
	}
	for i := range v.units {
		if slices.ContainsFunc(pids, v.units[i].support.Has) {
			n++
		}
	}
	return n
}

// find looks at the vehicle unless that was done; again says that this includes one that was silent meanwhile.
func (f *Feeder) find(ctx context.Context, again bool) error {
	select {
	case f.finding <- struct{}{}:
		defer func() { <-f.finding }()
	case <-ctx.Done():
		return ctx.Err()
	}
	f.mu.Lock()
	found := f.vehicle != nil && (!f.stale || !again)
	f.mu.Unlock()
	if found {
		return nil
	}
	v, err := f.look(ctx)
	if err != nil {
		return err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	same := f.vehicle != nil && slices.Equal(f.vehicle.units, v.units)
	f.vehicle, f.stale = v, false
	if same { // what was learned of it holds
		return nil
	}
	units := make([]Unit, len(v.units))
	for i := range v.units {
		units[i] = v.units[i].limits()
		f.log.InfoContext(ctx, "a control unit answers", "source", fmt.Sprintf("%X", v.units[i].source), "target", fmt.Sprintf("%X", v.units[i].target),
			"by", v.units[i].coding.Dialect.String(), "supports", v.units[i].support.String())
	}
	f.planner.SetUnits(units)
	clear(f.told)
	return nil
}

func (u *controlUnit) limits() Unit {
	l := Unit{MaxParameters: u.coding.Dialect.MaxParameters(), NameBytes: 1}
	if u.coding.Dialect == j1979.UDS {
		l.NameBytes = 2
		if u.target == 0 {
			l.MaxParameters = 3 // what goes to all must fit one frame, ISO 15765-4
		}
	}
	return l
}

// look finds the control units and what they support.
func (f *Feeder) look(ctx context.Context) (*vehicle, error) {
	v := &vehicle{}
	var last error
	for _, d := range []j1979.Dialect{j1979.Classic, j1979.UDS} {
		var err error
		for range rolls {
			var units []controlUnit
			if units, err = f.call(ctx, d); err != nil && !f.mayGoOn(ctx, err) {
				return nil, err
			}
			v.enrol(units)
			if len(v.units) == 0 && !errors.Is(err, adapter.ErrGarbled) {
				break // a link has waited long for a first answer
			}
		}
		if len(v.units) > 0 {
			break
		}
		last = err
	}
	if len(v.units) == 0 {
		if last == nil {
			last = adapter.ErrSilent
		}
		return nil, fmt.Errorf("no control unit tells what it supports: %w", last)
	}
	for i := range v.units {
		u := &v.units[i]
		if err := f.address(ctx, u); err != nil {
			return nil, err
		}
		if err := f.complete(ctx, u); err != nil {
			return nil, err
		}
	}
	slices.SortStableFunc(v.units, func(a, b controlUnit) int { return b.score() - a.score() })
	return v, nil
}

// enrol takes over who answered.
func (v *vehicle) enrol(units []controlUnit) {
	for _, u := range units {
		if !slices.ContainsFunc(v.units, func(o controlUnit) bool { return o.source == u.source }) {
			v.units = append(v.units, u)
		}
	}
}

// failed is a failure as an error.
func (r *reply) failed(unit *controlUnit, service byte) error {
	switch r.failure.Kind {
	case 0:
		return nil
	case Refused:
		return &adapter.NegativeResponseError{Source: unit.source, Service: service, Code: byte(r.failure.Code)}
	case Garbled, Mangled:
		return adapter.ErrGarbled
	default:
		return adapter.ErrSilent
	}
}

// call asks all control units what they support first, and gives those that answer.
func (f *Feeder) call(ctx context.Context, d j1979.Dialect) ([]controlUnit, error) {
	payload, err := d.AppendRequest(nil, 0)
	if err != nil {
		return nil, err
	}
	if err := f.pace(ctx); err != nil {
		return nil, err
	}
	answers, _, failure, err := f.send(ctx, adapter.Request{Payload: payload, Timeout: findTimeout})
	if err != nil {
		return nil, err
	}
	if failure.Kind != 0 && len(answers) == 0 {
		r := reply{failure: failure}
		return nil, r.failed(&controlUnit{}, payload[0])
	}
	var units []controlUnit
	for _, a := range answers {
		u := controlUnit{source: a.Source, coding: j1979.Coding{Dialect: d}}
		if err := u.coding.ReadSupport(&u.support, []byte{0}, a.Payload); err != nil {
			f.log.DebugContext(ctx, "a control unit does not tell what it supports", "source", fmt.Sprintf("%X", a.Source), "error", err)
			continue
		}
		units = append(units, u)
	}
	return units, nil
}

// address finds where a control unit can be asked alone.
func (f *Feeder) address(ctx context.Context, u *controlUnit) error {
	target := int64(0)
	if f.options.Target != nil {
		target = f.options.Target(u.source)
	}
	if target == 0 {
		target = physical(u.source)
	}
	if target == 0 {
		return nil
	}
	try := *u
	try.target = target
	_, err := f.support(ctx, &try, 0, probes)
	switch {
	case err == nil:
		u.target = target
	case !f.mayGoOn(ctx, err):
		return err
	}
	return nil
}

// extended marks a 29-bit identifier.
const extended = 1 << 31

// physical is where the control unit that answers as source is asked: ISO 15765-4 for identifiers of CAN, else where it
// answers.
func physical(source int64) int64 {
	const first, last = 0x7E8, 0x7EF
	flag := source & extended
	switch id := source &^ extended; {
	case id >= first && id <= last && flag == 0:
		return id - 8
	case id>>8 == 0x18DAF1:
		return flag | 0x18DA00F1 | id&0xFF<<8
	default:
		return source
	}
}

// complete asks for the rest of what a control unit supports, and for its scaling.
func (f *Feeder) complete(ctx context.Context, u *controlUnit) error {
	for base, ok := u.support.Next(0); ok; base, ok = u.support.Next(base) {
		s, err := f.support(ctx, u, base, attempts)
		if err != nil {
			if !f.mayGoOn(ctx, err) {
				return fmt.Errorf("asking %X what it supports after %02X: %w", u.source, base, err)
			}
			f.log.WarnContext(ctx, "a control unit says that it supports more, and does not tell what", "source", fmt.Sprintf("%X", u.source), "after", fmt.Sprintf("%02X", base), "error", err)
			break
		}
		u.support = s
	}
	u.coding.FourBanks = u.support.Has(0x1D)
	for _, pid := range []byte{0x4F, 0x50} {
		if !u.support.Has(pid) {
			continue
		}
		r, err := f.insist(ctx, u, pid, attempts)
		if err == nil {
			var values []j1979.Value
			if values, err = u.coding.Decode(nil, []byte{pid}, r.payload); err == nil {
				u.coding.Learn(values)
			}
		}
		if err != nil && !refuses(err) {
			return fmt.Errorf("asking %X for its scaling, parameter %02X: %w", u.source, pid, err)
		}
	}
	return nil
}

// refuses tells an answer that refuses from none.
func refuses(err error) bool {
	_, ok := errorAs[*adapter.NegativeResponseError](err)
	return ok
}

// support asks for one bitmap, and gives the whole set with it.
func (f *Feeder) support(ctx context.Context, u *controlUnit, base byte, times int) (j1979.Support, error) {
	r, err := f.insist(ctx, u, base, times)
	s := u.support
	if err != nil {
		return s, err
	}
	if err := u.coding.ReadSupport(&s, []byte{base}, r.payload); err != nil {
		return s, fmt.Errorf("%w: %w", adapter.ErrGarbled, err)
	}
	return s, nil
}

// insist asks for one parameter, up to so many times where frames are lost or the control unit is busy.
func (f *Feeder) insist(ctx context.Context, u *controlUnit, pid byte, times int) (reply, error) {
	payload, err := u.coding.Dialect.AppendRequest(nil, pid)
	if err != nil {
		return reply{}, err
	}
	var r reply
	for n := range times {
		if err := f.pace(ctx); err != nil {
			return r, err
		}
		expected := 0
		if u.target != 0 {
			expected = 1
		}
		r, err = f.request(ctx, adapter.Request{Payload: payload, Target: u.target, Timeout: probeTimeout, Expected: expected}, u)
		if err == nil {
			err = r.failed(u, payload[0])
		}
		if err == nil || n == times-1 || !f.mayGoOn(ctx, err) || refuses(err) && !r.failure.Code.Again() {
			break
		}
		if err := sleep(ctx, backOff(firstSilence, longestPause, n)); err != nil {
			return r, err
		}
	}
	return r, err
}

// mayGoOn tells an error of one request from one of the link.
func (f *Feeder) mayGoOn(ctx context.Context, err error) bool {
	return ctx.Err() == nil && !isAny(err, adapter.ErrUnplugged, adapter.ErrBusy, adapter.ErrNotReadOnly)
}

// pace waits until the rate cap allows a request, and counts it.
func (f *Feeder) pace(ctx context.Context) error {
	f.mu.Lock()
	at := f.planner.Pace()
	f.mu.Unlock()
	now := adapter.Now()
	if err := sleep(ctx, max(at, now).Sub(now)); err != nil {
		return err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.planner.Spent(adapter.Now())
	return nil
}

func sleep(ctx context.Context, d time.Duration) error {
	if d <= 0 {
		return ctx.Err()
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// markOf mixes the values of a parameter's signals into a number that differs where they do.
func markOf(pid byte, values []j1979.Value) (mark uint64, found bool) {
	const prime = 1099511628211 // FNV-1a's, 64 bits
	mark = 14695981039346656037
	for _, v := range values {
		if carries(pid, v.Signal) {
			mark, found = (mark^math.Float64bits(v.Value))*prime, true
		}
	}
	return mark, found
}
