// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canlink

import (
	"bytes"
	"time"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/isotp"
)

// longestAnswer is the most that 12 bits of length can say: a longer answer has no place in on-board diagnostics.
const longestAnswer = isotp.MaxPlain

// mostDelays is how often a control unit may ask for patience; then its asking is taken for its answer.
const mostDelays = 10

// unit is a control unit.
type unit struct {
	number byte
	end    *isotp.Endpoint
	// What follows concerns the request on the bus.
	began    adapter.Time // the answer under way, or the last
	answered bool
	lost     bool         // nothing more is taken from it
	patient  bool         // it asked for patience, and was not heard again yet
	until    adapter.Time // how long it may take after that
	delays   int          // how often it asked
	turned   isotp.Frame  // the late answer that was stopped
	latest   isotp.Frame  // the last frame from it
}

// unit is the control unit of a number, made at the first use.
func (l *Link) unit(number byte) (*unit, error) {
	if u := l.units[number]; u != nil {
		return u, nil
	}
	end, err := isotp.NewEndpoint(isotp.Config{
		Address: l.addressing.pair(number), Fill: l.options.Fill, MaxMessage: longestAnswer, Timeouts: l.options.Timeouts,
	})
	if err != nil {
		return nil, err
	}
	u := &unit{number: number, end: end}
	l.units[number] = u
	return u, nil
}

func (u *unit) reset() {
	u.end.Receiver().Reset()
	u.end.Sender().Abort()
	u.answered, u.lost, u.patient, u.delays = false, false, false, 0
	u.turned.Length, u.latest.Length = 0, 0
}

// repeats says that a frame is the one before once more, as some gateways and drivers make of one. ISO 15765-2 has a receiver give up
// a message whose consecutive frame, or whose first frame, comes twice. Passing over the second is safe where every byte
// is the same: the next frame of a message has another sequence number, sixteen frames that are lost between two of one number would leave the message
// too short, and no control unit begins an answer twice in one exchange. Only asking for patience is meant each time.
func (u *unit) repeats(f *isotp.Frame) bool {
	again := f.Length > 0 && bytes.Equal(f.Payload(), u.latest.Payload())
	u.latest = *f
	patient := f.Data[0] == negativeLength && f.Data[1] == negative && f.Data[3] == patience
	return again && !patient
}

// turnAway stops a late answer of many frames, which the control unit would else hold up the next one for until its time-out. A
// repeated frame is not stopped twice: that could stop the next answer.
func (u *unit) turnAway(a *arrival) {
	if a.frame.Data[0]>>4 != firstFrame || a.frame == u.turned {
		return
	}
	u.turned = a.frame
	now := max(clock(adapter.Now()), clock(a.at))
	if _, err := u.end.Receive(now, &a.frame); err == nil {
		u.end.Receiver().Refuse(now)
	}
}

// The kinds of frame that begin a message, and the control bytes before its data (ISO 15765-2, table 9).
const (
	singleFrame, singleHead = 0x0, 1
	firstFrame, firstHead   = 0x1, 2
)

// begins says that a frame begins a message.
func begins(f *isotp.Frame) bool {
	return f.Length > 0 && (f.Data[0]>>4 == singleFrame || f.Data[0]>>4 == firstFrame)
}

// beginning gives the first bytes of the message that a frame begins; none where the frame is not sound.
func beginning(f *isotp.Frame) (head []byte, ok bool) {
	if !begins(f) {
		return nil, false
	}
	b := f.Payload()
	n := int(b[0] & 0x0F)
	switch {
	case b[0]>>4 == singleFrame && n < len(b):
		return b[singleHead : singleHead+n], true
	case b[0]>>4 == firstFrame && len(b) >= isotp.MaxClassic && n+int(b[1]) > 0:
		return b[firstHead:], true
	}
	return nil, true
}

// deadline is when something is to be done next if no frame comes; over says that the exchange has all that will come.
func (x *exchange) deadline(now adapter.Time) (until adapter.Time, over bool) {
	until = x.window()
	closed, underWay := now >= until, false
	if closed {
		until = now.Add(time.Hour)
	}
	for _, u := range x.link.units {
		if at, waits := u.end.Deadline(); waits {
			underWay = true
			until = min(until, adapter.Time(at.Microseconds()))
		}
		if u.patient {
			underWay = true
			until = min(until, u.until)
		}
	}
	if underWay {
		return until, x.satisfied()
	}
	x.closed = closed
	return until, closed || x.enough()
}

// satisfied says that as many answers are there as were asked for.
func (x *exchange) satisfied() bool {
	return x.request.Expected > 0 && len(x.answers) >= x.request.Expected
}

// window is until when an answer may begin.
func (x *exchange) window() adapter.Time {
	p2 := x.link.options.P2 + allowance
	switch {
	case x.first == 0:
		return x.sent.Add(x.request.Timeout)
	case x.first.Sub(x.sent) > p2:
		return x.first.Add(p2)
	}
	return x.sent.Add(p2)
}

// enough says that nobody else is waited for.
func (x *exchange) enough() bool {
	if !x.all {
		return len(x.done) > 0
	}
	if x.satisfied() {
		return true
	}
	known := x.link.learned.whom(x.request.Payload, time.Now())
	if known == nil {
		return false
	}
	answered := 0
	for _, number := range x.done {
		if _, ok := known.units[number]; ok {
			answered++
		}
	}
	return answered == len(known.units)
}
