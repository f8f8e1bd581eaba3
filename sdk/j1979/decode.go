// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1979

import (
	"bytes"
	"fmt"
)

// Decode appends to dst what an answer to AppendRequest says of signals. asked
// are the parameters of the request: others are refused, and those that the
// control unit left out are no error. With nil, all that this package knows are
// allowed.
//
// A parameter that Alone tells of takes all of the answer, and only those of its
// signals are given that its support byte names. Without a value are too: the
// trim of an oxygen sensor that is not used for trim, bytes of banks 3 and 4
// without FourBanks, and all of a parameter that is no signal.
//
// The error is a *NegativeError or a *DecodeError; dst is then returned as it
// was. Nothing is allocated where dst has room and there is no error.
func (c *Coding) Decode(dst []Value, asked, answer []byte) ([]Value, error) {
	w, err := c.walk(asked, answer)
	if err != nil {
		return dst, err
	}
	return c.collect(dst, &w)
}

// collect appends the signals of all parameters to come.
func (c *Coding) collect(dst []Value, w *walk) ([]Value, error) {
	out := dst
	for !w.done() {
		at := w.at
		pid, data, err := w.next()
		if err != nil {
			return dst, err
		}
		if out, err = c.values(out, pid, data); err != nil {
			return dst, wrong(w.what, at, err.Error(), "% X", data)
		}
	}
	return out, nil
}

// values appends the signals in a parameter's data, which are at least as long as its layout says.
func (c *Coding) values(dst []Value, pid byte, data []byte) ([]Value, error) {
	p := &parameters[pid]
	out := dst
	for i := range p.fields {
		f := &p.fields[i]
		if p.support && data[0]&(1<<f.bit) == 0 || f.second && !c.FourBanks {
			continue
		}
		if int(f.offset+f.bytes) > len(data) {
			if f.second { // a bank that the control unit does not have
				continue
			}
			return dst, fmt.Errorf("%d bytes or more for parameter %02X, whose support byte names %s", f.offset+f.bytes, pid, f.id.Path())
		}
		raw := f.read(data)
		if f.unused != 0 && raw == int(f.unused) {
			continue
		}
		zero, num, den := c.formula(f)
		out = append(out, Value{f.id, zero + float64(raw)*num/den})
	}
	return out, nil
}

func (f *field) read(data []byte) int {
	raw := int(data[f.offset])
	if f.bytes == 2 {
		raw = raw<<8 | int(data[f.offset+1])
	}
	switch {
	case !f.signed:
		return raw & int(f.mask)
	case f.bytes == 2:
		return int(int16(raw))
	default:
		return int(int8(raw))
	}
}

// walk goes through the parameters of an answer.
type walk struct {
	what   string
	answer []byte
	at     int
	page   bool // each parameter is preceded by F4
	framed bool // each parameter is followed by the number of the freeze frame
	frame  byte
	more   bool // parameters 06 to 09 have two bytes
	asked  []byte
	seen   Support
}

func (c *Coding) walk(asked, answer []byte) (walk, error) {
	w := walk{what: "the answer of service 01", answer: answer, at: 1, asked: asked, page: c.Dialect == UDS, more: c.FourBanks}
	service := byte(currentData)
	if w.page {
		w.what, service = "the answer of service 22", dataByID
	}
	return w, w.begin(service)
}

func (w *walk) begin(service byte) error {
	rest, err := head(w.what, w.answer, service)
	if err == nil && len(rest) == 0 {
		err = wrong(w.what, 1, "a parameter", "nothing")
	}
	return err
}

func (w *walk) done() bool { return w.at >= len(w.answer) }

// next takes the next parameter and its data, which have the length of the parameter's layout: at least one byte.
func (w *walk) next() (pid byte, data []byte, err error) {
	first := w.at == 1
	if pid, err = w.parameter(); err != nil {
		return 0, nil, err
	}
	p := &parameters[pid]
	rest := w.answer[w.at:]
	n, want := int(p.length), "%d data bytes of parameter %02X"
	switch {
	case p.longer && first && len(w.asked) == 1:
		// One byte or two: a control unit that has but one bank may leave the other out.
		n = min(max(len(rest), n), n+1)
	case p.longer && w.more:
		n++
	case n == 0 && first && len(w.asked) <= 1:
		n, want = max(1, len(rest)), "at least %d data byte of parameter %02X"
	case n == 0:
		return 0, nil, wrong(w.what, w.at, fmt.Sprintf("parameter %02X alone, for only then its length is known", pid), "% X", rest)
	}
	if len(rest) < n {
		return 0, nil, wrong(w.what, len(w.answer), fmt.Sprintf(want, n, pid), "%d", len(rest))
	}
	w.at += n
	return pid, rest[:n], nil
}

// parameter takes the parameter's number.
func (w *walk) parameter() (pid byte, err error) {
	at := w.at
	if w.page {
		if w.answer[at] != parameterPage {
			return 0, wrong(w.what, at, "an identifier F4xx", "% X", w.answer[at:min(at+2, len(w.answer))])
		}
		if at++; at == len(w.answer) {
			return 0, wrong(w.what, at, "the second byte of an identifier", "nothing")
		}
	}
	pid = w.answer[at]
	switch {
	case w.asked != nil && bytes.IndexByte(w.asked, pid) < 0:
		return 0, wrong(w.what, at, fmt.Sprintf("one of the parameters % X that were asked for", w.asked), "%02X", pid)
	case w.seen.Has(pid):
		return 0, wrong(w.what, at, "each parameter once", "%02X again", pid)
	case w.asked == nil && parameters[pid].length == 0 && parameters[pid].fields == nil:
		return 0, wrong(w.what, at, "a parameter with a known layout", "%02X", pid)
	}
	w.seen.Add(pid)
	w.at = at + 1
	return pid, w.number()
}

// number takes the number of the freeze frame, where there is one.
func (w *walk) number() error {
	switch {
	case !w.framed:
		return nil
	case w.done():
		return wrong(w.what, w.at, "the number of the freeze frame", "nothing")
	case w.answer[w.at] != w.frame:
		return wrong(w.what, w.at, fmt.Sprintf("freeze frame %02X", w.frame), "%02X", w.answer[w.at])
	}
	w.at++
	return nil
}
