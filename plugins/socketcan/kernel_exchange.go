// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socketcan

import (
	"bytes"
	"context"
	"errors"
	"slices"
	"time"

	"github.com/airassay/airassay/sdk/adapter"
)

// Times of ISO 15765-4 and ISO 15765-3.
const (
	// furtherAnswers is P2CAN,max, and some for the frames' own time on a busy bus: how long others may take to begin theirs
	// after the first answer.
	furtherAnswers = 55 * time.Millisecond
	// patience is P2*CAN,max: how long a control unit may take for its answer after it asked for patience.
	patience = 5 * time.Second
	// wholeAnswer bounds an answer under way: the kernel's own N_Cr is a second (net/can/isotp.c), between any two frames.
	wholeAnswer = 2 * time.Second
	// usualTimeout serves a request that states none.
	usualTimeout = time.Second
)

// Bytes of an answer (ISO 14229-1).
const (
	negative     = 0x7F
	askPatience  = 0x78
	answerOffset = 0x40
)

// exchange is one request and its answers.
type exchange struct {
	link    *kernelLink
	request adapter.Request
	all     bool
	unit    byte // asked, unless all are

	from    adapter.Time // nothing that came before belongs to it
	answers adapter.Answers
	done    map[byte]bool         // whose answer is whole
	patient map[byte]time.Time    // who asked for patience, and until when
	asking  map[byte]adapter.Time // when they did
	garbled error
}

func (x *exchange) run(ctx context.Context) (adapter.Answers, error) {
	x.forgetEarlier()
	x.from = adapter.Now()
	if err := x.send(ctx); err != nil {
		return x.answers, err
	}
	timeout := x.request.Timeout
	if timeout <= 0 {
		timeout = usualTimeout
	}
	err := x.collect(ctx, time.Now().Add(timeout))
	if len(x.answers.Answers) > 0 {
		x.link.tap.sound()
	}
	return x.answers, err
}

// forgetEarlier drops what came late for requests before.
func (x *exchange) forgetEarlier() {
	for {
		select {
		case <-x.link.messages:
		default:
			return
		}
	}
}

func (x *exchange) send(ctx context.Context) error {
	if x.all {
		f, err := functional(x.link.tap.addressing, x.request.Payload)
		if err != nil {
			return err
		}
		x.answers.Sent, err = x.link.bus.Send(ctx, &f)
		return err
	}
	c, err := x.link.channel(x.unit)
	if err != nil {
		return err
	}
	if err := c.Send(ctx, x.request.Payload); err != nil {
		return err
	}
	// The tap has the time of the frame itself, its first one where there are several.
	if at, ok := x.link.tap.since(ctx, x.link.tap.asked, x.unit, x.from); ok {
		x.answers.Sent = at
	} else {
		x.answers.Sent = x.from
	}
	return nil
}

// collect takes answers until all that can be expected are there.
func (x *exchange) collect(ctx context.Context, first time.Time) error {
	until := first
	timer := time.NewTimer(time.Until(until))
	defer timer.Stop()
	for !x.complete() {
		select {
		case m := <-x.link.messages:
			if !x.take(ctx, m) {
				continue
			}
			until = x.deadline(first)
			timer.Reset(time.Until(until))
		case <-timer.C:
			if x.link.tap.underWay(x.from, x.done) && time.Now().Before(until.Add(wholeAnswer)) {
				timer.Reset(furtherAnswers)
				continue
			}
			return x.over()
		case <-x.link.bus.Done():
			return x.link.bus.Err()
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
	return x.garbled
}

// complete says whether nothing more is to be waited for.
func (x *exchange) complete() bool {
	n := len(x.answers.Answers)
	return x.request.Expected > 0 && n >= x.request.Expected || !x.all && (n > 0 || x.garbled != nil)
}

// over is the error when the time is over.
func (x *exchange) over() error {
	switch {
	case x.garbled != nil:
		return x.garbled
	case len(x.answers.Answers) > 0:
		return nil
	}
	return x.link.tap.silence()
}

// deadline is how long to wait after something came.
func (x *exchange) deadline(first time.Time) time.Time {
	until := first
	if len(x.done) > 0 {
		until = time.Now().Add(furtherAnswers)
	}
	for _, t := range x.patient {
		if t.After(until) {
			until = t
		}
	}
	return until
}

// take takes what a control unit said; false if it does not belong here.
func (x *exchange) take(ctx context.Context, m delivery) bool {
	if !x.all && m.unit != x.unit {
		return false
	}
	switch {
	case m.err != nil:
		if !errors.Is(m.err, adapter.ErrGarbled) {
			return false
		}
		x.garbled, x.done[m.unit] = m.err, true
		delete(x.patient, m.unit)
		return true
	case !answersTo(x.request.Payload, m.payload):
		return false
	case m.payload[0] == negative && m.payload[2] == askPatience:
		x.patient[m.unit] = time.Now().Add(patience)
		x.asking[m.unit], _ = x.link.tap.since(ctx, x.link.tap.began, m.unit, max(x.from, x.asking[m.unit]+1))
		x.done[m.unit] = true // its first frame is no answer under way
		return true
	}
	delete(x.patient, m.unit)
	x.done[m.unit] = true
	a := adapter.Answer{Source: sourceOf(x.link.tap.addressing, m.unit), Payload: m.payload}
	if at, ok := x.link.tap.since(ctx, x.link.tap.began, m.unit, max(x.from, x.asking[m.unit]+1)); ok {
		a.Received, a.Uncertainty = at, frameTime/2+usbLatency
	}
	x.answers.Answers = append(x.answers.Answers, a)
	return true
}

// answersTo says whether a message answers a request: of the same service, and beginning with something that was asked for.
func answersTo(request, answer []byte) bool {
	if len(answer) == 0 {
		return false
	}
	if answer[0] == negative {
		return len(answer) >= 3 && answer[1] == request[0]
	}
	if answer[0] != request[0]+answerOffset {
		return false
	}
	switch {
	case len(request) == 1 || len(answer) == 1:
		return true
	case request[0] == 0x22: // identifiers of two bytes
		return len(answer) > 2 && slices.ContainsFunc(pairs(request[1:]), func(id []byte) bool { return bytes.Equal(id, answer[1:3]) })
	}
	return bytes.IndexByte(request[1:], answer[1]) >= 0
}

func pairs(ids []byte) [][]byte {
	var list [][]byte
	for at := 0; at+1 < len(ids); at += 2 {
		list = append(list, ids[at:at+2])
	}
	return list
}
