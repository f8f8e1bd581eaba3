// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1979

import (
	"fmt"
	"slices"
)

const (
	freezeFrame = 0x02 // SAE J1979
	// freezeCode is the parameter that says which code froze the frame, SAE J1979.
	freezeCode = 0x02
	// mostFrozen is how many parameters a request for a freeze frame carries in a single frame of CAN.
	mostFrozen = 3
)

// AppendFreezeRequest appends the payload of SAE J1979 that asks for parameters of a freeze frame; frame 0 is the one that
// every control unit keeps. Over UDS AppendFrozenRequest asks for all of it. The error wraps ErrBadRequest.
func AppendFreezeRequest(dst []byte, frame byte, pids ...byte) ([]byte, error) {
	if len(pids) == 0 || len(pids) > mostFrozen {
		return dst, fmt.Errorf("%w: it would carry %d parameters; 1 to %d go", ErrBadRequest, len(pids), mostFrozen)
	}
	for i, pid := range pids {
		if len(pids) > 1 && (Alone(pid) || slices.Contains(pids[:i], pid)) {
			return dst, fmt.Errorf("%w: parameter %02X must be asked for alone, and each parameter once", ErrBadRequest, pid)
		}
	}
	dst = append(dst, freezeFrame)
	for _, pid := range pids {
		dst = append(dst, pid, frame)
	}
	return dst, nil
}

// DecodeFreeze appends to dst the signals in an answer to AppendFreezeRequest. What Decode says holds here too.
func (c *Coding) DecodeFreeze(dst []Value, frame byte, asked, answer []byte) ([]Value, error) {
	w, err := frozen(c, frame, asked, answer)
	if err != nil {
		return dst, err
	}
	return c.collect(dst, &w)
}

// ReadFreezeSupport takes the bitmaps of parameters in a freeze frame over, as ReadSupport does.
func (c *Coding) ReadFreezeSupport(s *Support, frame byte, asked, answer []byte) error {
	w, err := frozen(c, frame, asked, answer)
	if err != nil {
		return err
	}
	return w.bitmaps(s)
}

// ReadFreezeCode reads the answer to AppendFreezeRequest for parameter 02: the code that froze the frame. 0 says that
// there is no freeze frame.
func ReadFreezeCode(frame byte, answer []byte) (DTC, error) {
	w, err := frozen(&Coding{}, frame, []byte{freezeCode}, answer)
	if err != nil {
		return 0, err
	}
	_, data, err := w.next()
	if err == nil && !w.done() {
		err = wrong(w.what, w.at, "nothing more", "% X", answer[w.at:])
	}
	if err != nil {
		return 0, err
	}
	return DTC(data[0])<<8 | DTC(data[1]), nil
}

func frozen(c *Coding, frame byte, asked, answer []byte) (walk, error) {
	w := walk{what: "the answer of service 02", answer: answer, at: 1, asked: asked, more: c.FourBanks, framed: true, frame: frame}
	return w, w.begin(freezeFrame)
}

// BeginFreezeAnswer appends the byte that begins the answer to AppendFreezeRequest. AppendFrozen and AppendFrozenData
// follow.
func BeginFreezeAnswer(dst []byte) []byte { return append(dst, freezeFrame+positive) }

// AppendFrozen appends a parameter of a freeze frame of SAE J1979; all that AppendParameter says holds.
func (c *Coding) AppendFrozen(dst []byte, frame, pid byte, value func(ID) (value float64, ok bool)) ([]byte, bool) {
	classic := *c
	classic.Dialect = Classic
	out, ok := classic.AppendParameter(append(dst, 0), pid, value)
	if !ok {
		return dst, false
	}
	out[len(dst)], out[len(dst)+1] = pid, frame
	return out, true
}

// AppendFrozenData appends a parameter of a freeze frame of SAE J1979 and its data as they are.
func AppendFrozenData(dst []byte, frame, pid byte, data ...byte) []byte {
	return append(append(dst, pid, frame), data...)
}

// Frozen is a freeze frame over UDS.
type Frozen struct {
	// Fault is the code that froze it.
	Fault Fault
	// Record is the number of the frame.
	Record byte
	// Values are those of its signals.
	Values []Value
	// Rest are the bytes from the first identifier on that is no parameter with a known length; they belong to the answer.
	Rest []byte
}

// AppendFrozenRequest appends the payload that asks over UDS for a freeze frame of a code; record 00 is the first for
// emissions, FF asks for all.
func AppendFrozenRequest(dst []byte, f Fault, record byte) []byte {
	return append(dst, codeReports, reportFrozen, byte(f.Code>>8), byte(f.Code), f.Type, record)
}

// frozenHeader is how many bytes come before the first record: service, sub-function, code and status.
const frozenHeader = 6

// ReadFrozen reads the first record of the answer to AppendFrozenRequest. The error is a *NegativeError or a *DecodeError.
// An answer that ends after the code says that there is no freeze frame: Values are then nil.
//
// Parameters with a support byte have the length here that this package writes, unless they come last.
func (c *Coding) ReadFrozen(answer []byte) (Frozen, error) {
	const what = "the report 19 04"
	if _, err := head(what, answer, codeReports); err != nil {
		return Frozen{}, err
	}
	switch {
	case len(answer) < frozenHeader:
		return Frozen{}, wrong(what, len(answer), fmt.Sprintf("at least %d bytes", frozenHeader), "%d", len(answer))
	case answer[1] != reportFrozen:
		return Frozen{}, wrong(what, 1, fmt.Sprintf("sub-function %02X", reportFrozen), "%02X", answer[1])
	}
	l := layout{}
	out := Frozen{Fault: l.fault(answer[2:frozenHeader], FormatTyped)}
	rest := answer[frozenHeader:]
	if len(rest) == 0 {
		return out, nil
	}
	if len(rest) < 2 {
		return Frozen{}, wrong(what, len(answer), "the number of identifiers", "nothing")
	}
	out.Record = rest[0]
	err := c.frozenValues(&out, what, answer, frozenHeader+2, int(rest[1]))
	if err != nil {
		return Frozen{}, err
	}
	return out, nil
}

// frozenValues reads up to n identifiers from position at on.
func (c *Coding) frozenValues(out *Frozen, what string, answer []byte, at, n int) error {
	for i := range n {
		if len(answer)-at < 2 {
			return wrong(what, len(answer), fmt.Sprintf("identifier %d of %d", i+1, n), "% X", answer[at:])
		}
		pid := answer[at+1]
		p := &parameters[pid]
		length := c.lengthOf(p)
		if answer[at] != parameterPage || length == 0 {
			out.Rest = answer[at:]
			return nil
		}
		data := answer[at+2:]
		if p.support && i == n-1 && len(data) > 0 {
			length = len(data)
		}
		if len(data) < length {
			return wrong(what, len(answer), fmt.Sprintf("%d data bytes of parameter %02X", length, pid), "%d", len(data))
		}
		var err error
		if out.Values, err = c.values(out.Values, pid, data[:length]); err != nil {
			return wrong(what, at, err.Error(), "% X", data[:length])
		}
		at += 2 + length
	}
	out.Rest = answer[at:]
	return nil
}

// AppendFrozenAnswer appends the head of the answer to AppendFrozenRequest with the number of identifiers that follow;
// each is appended by AppendParameter or AppendData of a Coding with the dialect UDS.
func AppendFrozenAnswer(dst []byte, f Fault, record byte, identifiers int) []byte {
	return append(dst, codeReports+positive, reportFrozen, byte(f.Code>>8), byte(f.Code), f.Type, byte(f.Status), record, byte(identifiers))
}
