// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package inquiry

import (
	"context"
	"errors"
	"fmt"
	"slices"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/j1979"
)

// codes asks for a list of trouble codes.
func (u *unit) codes(kind j1979.Kind) func(context.Context) error {
	return func(ctx context.Context) error {
		faults, err := u.list(ctx, kind)
		if err != nil {
			return err
		}
		for _, f := range faults {
			u.add(f, kind)
		}
		if kind == j1979.Confirmed {
			u.faults = faults
		}
		return nil
	}
}

// list gives the codes of a list. A control unit over UDS that knows no emission reports is asked by status alone.
func (u *unit) list(ctx context.Context, kind j1979.Kind) ([]j1979.Fault, error) {
	answer, err := u.ask(ctx, u.coding.Dialect.AppendFaultRequest(nil, kind))
	if err != nil {
		return nil, err
	}
	faults, err := u.coding.Dialect.ReadFaults(nil, kind, answer)
	var refusal *j1979.NegativeError
	if u.coding.Dialect != j1979.UDS || kind == j1979.Permanent || !errors.As(err, &refusal) || !refusal.Code.Lacks() {
		return faults, err
	}
	if answer, err = u.ask(ctx, j1979.AppendReportRequest(nil, kind)); err != nil {
		return nil, err
	}
	return j1979.ReadReport(nil, answer)
}

// add takes a code in. Codes in another form than that of SAE J2012 are left out: nobody here could say what they mean.
func (u *unit) add(f j1979.Fault, kind j1979.Kind) {
	if f.Format != j1979.FormatJ2012 && f.Format != j1979.FormatTyped || f.Code == 0 {
		return
	}
	code, failure := f.Code.String(), ""
	if f.Type != 0 {
		failure = fmt.Sprintf("%02X", f.Type)
	}
	at := slices.IndexFunc(u.out.TroubleCodes, func(c *pb.TroubleCode) bool { return c.Code == code && c.FailureType == failure })
	if at < 0 {
		if len(u.out.TroubleCodes) == maxCodes {
			return
		}
		at = len(u.out.TroubleCodes)
		u.out.TroubleCodes = append(u.out.TroubleCodes, &pb.TroubleCode{Code: code, FailureType: failure, Meaning: f.Code.Meaning()})
	}
	c := u.out.TroubleCodes[at]
	c.Confirmed = c.Confirmed || kind == j1979.Confirmed
	c.Pending = c.Pending || kind == j1979.Pending
	c.Permanent = c.Permanent || kind == j1979.Permanent
}

// freezeFrame asks for the values at the moment when a code was set.
func (u *unit) freezeFrame(ctx context.Context) error {
	code, values, err := u.frozen(ctx)
	if code == 0 || len(values) == 0 && err != nil {
		return err
	}
	frame := &pb.FreezeFrame{Code: code.String()}
	for _, v := range values[:min(len(values), maxValues)] {
		s := v.Signal.Signal()
		frame.Values = append(frame.Values, &pb.FreezeFrameValue{Path: s.Path, Value: v.Value, Unit: s.Unit})
	}
	u.out.FreezeFrame = frame
	return err
}

// frozen gives the code that froze the frame, 0 where there is none, and the values.
func (u *unit) frozen(ctx context.Context) (j1979.DTC, []j1979.Value, error) {
	if u.coding.Dialect == j1979.UDS {
		return u.frozenUDS(ctx)
	}
	payload, err := j1979.AppendFreezeRequest(nil, firstFrame, pidFreezeCode)
	if err != nil {
		return 0, nil, err
	}
	answer, err := u.ask(ctx, payload)
	if err != nil {
		return 0, nil, err
	}
	code, err := j1979.ReadFreezeCode(firstFrame, answer)
	if err != nil || code == 0 {
		return 0, nil, err
	}
	kept, err := u.kept(ctx)
	if err != nil {
		return code, nil, err
	}
	values, err := u.frozenValues(ctx, &kept)
	return code, values, err
}

// kept tells which parameters the freeze frame has.
func (u *unit) kept(ctx context.Context) (j1979.Support, error) {
	var kept j1979.Support
	for base, more := byte(0), true; more; base, more = kept.Next(base) {
		payload, err := j1979.AppendFreezeRequest(nil, firstFrame, base)
		if err != nil {
			return kept, err
		}
		answer, err := u.ask(ctx, payload)
		if err == nil {
			err = u.coding.ReadFreezeSupport(&kept, firstFrame, []byte{base}, answer)
		}
		if err != nil {
			return kept, err
		}
	}
	return kept, nil
}

// frozenValues asks for three parameters at once where that goes. What fails is left out; the error is the first.
func (u *unit) frozenValues(ctx context.Context, kept *j1979.Support) (values []j1979.Value, first error) {
	var group []byte
	ask := func(pids ...byte) {
		if len(pids) == 0 {
			return
		}
		payload, err := j1979.AppendFreezeRequest(nil, firstFrame, pids...)
		var answer []byte
		if err == nil {
			answer, err = u.ask(ctx, payload)
		}
		if err == nil {
			values, err = u.coding.DecodeFreeze(values, firstFrame, pids, answer)
		}
		if err != nil && first == nil {
			first = err
		}
	}
	const most = 3
	for pid := range kept.All() {
		switch {
		case pid == pidFreezeCode || len(j1979.SignalsOf(pid)) == 0:
		case j1979.Alone(pid):
			ask(pid)
		default:
			if group = append(group, pid); len(group) == most {
				ask(group...)
				group = nil
			}
		}
	}
	ask(group...)
	return values, first
}

// frozenUDS asks for the first confirmed code that has a freeze frame; few control units keep more than one.
func (u *unit) frozenUDS(ctx context.Context) (j1979.DTC, []j1979.Value, error) {
	const most = 3
	var first error
	for _, f := range u.faults[:min(len(u.faults), most)] {
		answer, err := u.ask(ctx, j1979.AppendFrozenRequest(nil, f, firstFrame))
		if err != nil {
			return 0, nil, err
		}
		frame, err := u.coding.ReadFrozen(answer)
		switch {
		case err != nil && first == nil:
			first = err
		case err == nil && frame.Values != nil:
			return f.Code, frame.Values, nil
		}
	}
	return 0, nil, first
}
