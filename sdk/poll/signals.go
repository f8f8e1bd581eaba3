// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package poll

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/j1979"
)

// carries tells whether a parameter carries a signal.
func carries(pid byte, id j1979.ID) bool {
	c := &carriers[id]
	return c[0] == pid || c[1] == pid
}

// carriers are the parameters that carry each signal, by its ID.
var carriers = func() [][2]byte {
	signals := j1979.Signals()
	out := make([][2]byte, len(signals))
	for i, s := range signals {
		out[i] = [2]byte{s.PID, s.AlternativePID}
	}
	return out
}()

func readingOf(id j1979.ID, readings []Reading) int {
	return slices.IndexFunc(readings, func(r Reading) bool { return carries(r.PID, id) })
}

func errorAs[T error](err error) (T, bool) {
	var target T
	ok := errors.As(err, &target)
	return target, ok
}

func isAny(err error, targets ...error) bool {
	return slices.ContainsFunc(targets, func(t error) bool { return errors.Is(err, t) })
}

// Signals says what of the wanted signals the vehicle has, and of the others why not. It asks the vehicle once what it
// supports.
func (f *Feeder) Signals(ctx context.Context, wanted []adapter.Wanted) ([]adapter.Signal, error) {
	if err := f.find(ctx, false); err != nil {
		return nil, err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	report := f.planner.Report(nil, adapter.Now())
	out := make([]adapter.Signal, len(wanted))
	for i, w := range wanted {
		out[i] = f.signal(w.Path, report)
	}
	return out, nil
}

// signal says what is known of a signal. The caller holds f.mu.
func (f *Feeder) signal(path string, report []Status) adapter.Signal {
	out := adapter.Signal{Path: path, Uncertainty: (assumedRefresh + shortestTimeout) / 2}
	id, unit, pid, err := f.carrier(path)
	if err != nil {
		out.Err = err
		return out
	}
	s := id.Signal()
	out.Unit, out.Resolution = s.Unit, f.vehicle.units[unit].resolution(id, pid)
	i := slices.IndexFunc(report, func(s Status) bool { return s.Unit == unit && s.PID == pid })
	if i < 0 {
		return out
	}
	if r := report[i].Refresh; r > 0 {
		out.Refresh, out.Uncertainty = r, (r+f.planner.Link(unit).Latency)/2+time.Microsecond
	}
	if report[i].Lasting {
		u := &f.vehicle.units[unit]
		service := byte(0x01)
		if u.coding.Dialect == j1979.UDS {
			service = 0x22
		}
		out.Err = fmt.Errorf("parameter %02X: %w", pid, &adapter.NegativeResponseError{Source: u.source, Service: service, Code: byte(report[i].Code)})
	}
	return out
}

// carrier finds who has a signal. The caller holds f.mu.
func (f *Feeder) carrier(path string) (id j1979.ID, unit int, pid byte, err error) {
	id, ok := j1979.FindID(path)
	if !ok || id.Path() != path {
		return 0, 0, 0, fmt.Errorf("%s is no signal of SAE J1979: %w", path, adapter.ErrUnsupportedSignal)
	}
	if unit, pid, ok = f.vehicle.carrier(id); ok {
		return id, unit, pid, nil
	}
	if pid = id.Signal().PID; pid == 0 {
		return 0, 0, 0, fmt.Errorf("%s is in no parameter of SAE J1979: %w", path, adapter.ErrUnsupportedSignal)
	}
	return 0, 0, 0, fmt.Errorf("no control unit supports parameter %02X: %w", pid, adapter.ErrUnsupportedSignal)
}

// resolution is the step of a signal as the control unit scales it; 0 where that cannot be told.
func (u *controlUnit) resolution(id j1979.ID, pid byte) float64 {
	step := func(value float64) (float64, bool) {
		answer, ok := u.coding.AppendParameter(u.coding.BeginAnswer(nil), pid, func(of j1979.ID) (float64, bool) { return value, of == id })
		if !ok {
			return 0, false
		}
		values, err := u.coding.Decode(nil, []byte{pid}, answer)
		i := slices.IndexFunc(values, func(v j1979.Value) bool { return v.Signal == id })
		if err != nil || i < 0 {
			return 0, false
		}
		return values[i].Value, true
	}
	s := id.Signal()
	low, ok := step(s.Min)
	// From one value to the next that is told apart.
	for d := s.Step / 16; ok && d > 0 && d < 256*s.Step; d *= 2 {
		if next, _ := step(low + d); next > low {
			return next - low
		}
	}
	return s.Step
}

// want tells the planner what is wanted.
func (f *Feeder) want(wanted []adapter.Wanted) {
	f.mu.Lock()
	defer f.mu.Unlock()
	clear(f.wanted)
	var list []Parameter
	for _, w := range wanted {
		id, unit, pid, err := f.carrier(w.Path)
		if err != nil {
			continue // Signals has told
		}
		f.wanted[id] = true
		list = append(list, Parameter{Unit: unit, PID: pid, Bytes: f.vehicle.units[unit].bytes(pid), RateHz: w.RateHz, Group: w.Group})
	}
	f.planner.Want(adapter.Now(), list)
}

// bytes is how many data bytes a parameter has; 0 where only the answer tells.
func (u *controlUnit) bytes(pid byte) int {
	if j1979.Alone(pid) {
		return 0
	}
	empty := len(u.coding.BeginAnswer(nil))
	answer, _ := u.coding.AppendParameter(u.coding.BeginAnswer(nil), pid, func(j1979.ID) (float64, bool) { return 0, true })
	name := 1
	if u.coding.Dialect == j1979.UDS {
		name = 2
	}
	return max(0, len(answer)-empty-name)
}

// SignalStatus is how one wanted signal stands.
type SignalStatus struct {
	Status

	// Path is the signal's VSS path.
	Path string
	// Source is the control unit that has it.
	Source int64
}

// Report tells how each wanted signal stands: how often it comes, how often it is new, and what is wrong. Before a vehicle
// was found it is empty.
func (f *Feeder) Report() []SignalStatus {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.report(adapter.Now())
}

func (f *Feeder) report(now adapter.Time) []SignalStatus {
	if f.vehicle == nil {
		return nil
	}
	var out []SignalStatus
	for _, s := range f.planner.Report(nil, now) {
		for _, id := range j1979.SignalsOf(s.PID) {
			if f.wanted[id] {
				out = append(out, SignalStatus{Status: s, Path: id.Path(), Source: f.vehicle.units[s.Unit].source})
			}
		}
	}
	return out
}

// Skews tells how close together the signals of each group were asked for.
func (f *Feeder) Skews() []Skew {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.planner.Skews(nil)
}

// Links tells how each control unit answers, the one of the engine first.
func (f *Feeder) Links() []Link {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.vehicle == nil {
		return nil
	}
	var out []Link
	for i := range f.vehicle.units {
		out = append(out, f.planner.Link(i))
	}
	return out
}

// tell logs what has become of a signal, once.
func (f *Feeder) tell(ctx context.Context, now adapter.Time) {
	if now < f.nextTell {
		return
	}
	f.nextTell = now.Add(tellEvery)
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, s := range f.report(now) {
		before := f.told[s.Path]
		if f.told[s.Path] = s.Reason; s.Reason == before {
			continue
		}
		switch s.Reason {
		case NoTrouble:
			f.log.InfoContext(ctx, "a signal comes as wanted again", "path", s.Path)
		case TooSlow:
			f.log.InfoContext(ctx, "a signal comes more rarely than wanted: the link is too slow for all that is", "path", s.Path, "wanted_hz", s.WantedHz, "hz", s.SamplesHz)
		case Refusal:
			f.log.WarnContext(ctx, "a signal is not had", "path", s.Path, "why", s.Reason.String(), "code", s.Code.String(), "for_good", s.Lasting)
		default:
			f.log.WarnContext(ctx, "a signal is not had", "path", s.Path, "why", s.Reason.String())
		}
	}
}
