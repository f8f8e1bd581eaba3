// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canlink

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/isotp"
)

// exchange is one request on the bus and what comes back.
type exchange struct {
	link    *Link
	request adapter.Request
	all     bool
	target  byte // the control unit asked, unless all are
	sent    adapter.Time
	first   adapter.Time // when the first answer began; zero before
	answers []adapter.Answer
	done    []byte // the control units that nothing more is awaited of
	closed  bool   // whether all were given the time to answer
	garbled error  // what broke the rules first
	strange error  // an answer to nothing that was asked
	hushed  error  // a control unit that asked for patience and was not heard again
	errors  uint64 // on the bus before the request
}

// run makes the exchange. Answers are returned beside adapter.ErrGarbled too.
func (x *exchange) run(ctx context.Context) (adapter.Answers, error) {
	x.errors, _ = x.link.health.count()
	if err := x.begin(); err != nil {
		return adapter.Answers{}, err
	}
	x.listen()
	err := x.serve(ctx)
	x.close()
	if err == nil && x.all {
		x.link.learned.note(x.request.Payload, time.Now(), x.done, x.closed)
	}
	slices.SortStableFunc(x.answers, func(a, b adapter.Answer) int { return int(a.Received - b.Received) })
	answers := adapter.Answers{Sent: x.sent, Answers: x.answers}
	switch {
	case err != nil:
		return answers, err
	case x.garbled != nil:
		return answers, x.garbled
	case len(x.answers) == 0:
		return answers, x.silence()
	}
	return answers, nil
}

// begin gives the request to the transport.
func (x *exchange) begin() error {
	l := x.link
	for _, u := range l.units {
		u.reset()
	}
	now := clock(adapter.Now())
	if !x.all {
		u, err := l.unit(x.target)
		if err != nil {
			return err
		}
		return u.end.Start(now, x.request.Payload)
	}
	x.link.group.Abort()
	if err := x.link.group.Start(now, x.request.Payload); err != nil {
		return fmt.Errorf("a request to all control units has one frame; ask less at once, or one control unit: %w", err)
	}
	return nil
}

// clock is the transport's time.
func clock(t adapter.Time) time.Duration { return time.Duration(t) * time.Microsecond }

// listen lets answers in. What came before the request is none of its answers.
func (x *exchange) listen() {
	x.drain()
	x.link.wanted.Store(uint32(x.link.addressing))
}

// close lets no more answers in.
func (x *exchange) close() {
	x.link.wanted.Store(uint32(Unknown))
	x.link.timer.Stop()
	x.drain()
}

func (x *exchange) drain() {
	for {
		select {
		case <-x.link.frames:
		default:
			return
		}
	}
}

// serve sends and receives until the exchange is over.
func (x *exchange) serve(ctx context.Context) error {
	l := x.link
	for {
		if err := x.send(ctx); err != nil {
			return err
		}
		until, over := x.deadline(adapter.Now())
		if over {
			return nil
		}
		l.timer.Reset(until.Sub(adapter.Now()))
		select {
		case a := <-l.frames:
			x.take(&a)
		case <-l.timer.C:
			x.tick(clock(adapter.Now()))
		case <-l.kick:
			if err := l.health.hopeless(x.errors); err != nil {
				return err
			}
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}

// send puts on the bus what is due: the request, and flow controls.
func (x *exchange) send(ctx context.Context) error {
	if x.all {
		if err := x.drive(ctx, x.link.group); err != nil {
			return err
		}
	}
	for _, u := range x.link.units {
		if err := x.drive(ctx, u.end); err != nil {
			return err
		}
	}
	return nil
}

// machine is what has frames to send.
type machine interface {
	Next(now time.Duration, f *isotp.Frame) bool
	Sent(now time.Duration)
}

func (x *exchange) drive(ctx context.Context, m machine) error {
	l := x.link
	for m.Next(clock(adapter.Now()), &l.out) {
		at, err := l.send(ctx)
		if err != nil {
			return err
		}
		if x.sent == 0 {
			l.counters.requests.Add(1)
		}
		if x.sent == 0 || x.sending() {
			x.sent = at
		}
		m.Sent(clock(adapter.Now()))
	}
	return nil
}

// sending says that the request itself is not on the bus as a whole.
func (x *exchange) sending() bool {
	if x.all {
		return x.link.group.State() == isotp.Sending
	}
	return x.link.units[x.target].end.Sending()
}

// send puts the frame on the bus that the transport made.
func (l *Link) send(ctx context.Context) (adapter.Time, error) {
	limited, cancel := context.WithTimeout(ctx, l.options.Timeouts.As)
	defer cancel()
	at, err := l.bus.Send(limited, &l.out)
	if err == nil {
		return at, nil
	}
	if errors.Is(err, adapter.ErrUnplugged) {
		l.health.end(err)
	}
	if ended := l.health.fatal(); ended != nil {
		return 0, ended
	}
	if ctx.Err() != nil {
		return 0, context.Cause(ctx)
	}
	if errors.Is(err, context.DeadlineExceeded) {
		err = &BusError{NoAcknowledge: true, Detail: fmt.Sprintf("the bus did not take a frame within %v", l.options.Timeouts.As)}
	}
	if trouble, ok := errors.AsType[*BusError](err); ok {
		l.trouble(trouble)
		if stopped := l.health.fatal(); stopped != nil {
			return 0, stopped
		}
	}
	return 0, fmt.Errorf("sending on the CAN bus: %w", err)
}

// take looks at a frame of a control unit.
func (x *exchange) take(a *arrival) {
	number, ok := x.link.addressing.sender(&a.frame)
	if !ok || a.at < x.sent || !x.all && number != x.target {
		return
	}
	u, err := x.link.unit(number)
	if err != nil || u.lost {
		return
	}
	if u.repeats(&a.frame) {
		x.link.counters.repeated.Add(1)
		return
	}
	if head, begins := beginning(&a.frame); begins {
		if len(head) > 0 && !x.belongs(u, a, head) {
			return
		}
		u.patient = false
		u.began = a.at
		if x.first == 0 {
			x.first = a.at
		}
	}
	x.feed(u, a)
}

// belongs says whether what may be only the beginning of an answer answers the request, and takes note if not.
func (x *exchange) belongs(u *unit, a *arrival, head []byte) bool {
	l := x.link
	switch {
	case answers(x.request.Payload, head):
		return true
	case u.end.Receiver().Busy(): // what comes now may be part of either
		x.garble(u, fmt.Errorf("%w: %X", isotp.ErrUnexpected, head))
		return false
	case l.earlier.answered(head):
		l.counters.late.Add(1)
	default:
		l.counters.strange.Add(1)
		if x.strange == nil {
			x.strange = x.broke(u.number, fmt.Errorf("it answered %X to %X", head, x.request.Payload))
		}
		return false
	}
	u.turnAway(a)
	return false
}

// feed gives the frame to the transport.
func (x *exchange) feed(u *unit, a *arrival) {
	busy, sending := u.end.Receiver().Busy(), u.end.Sending()
	complete, err := u.end.Receive(max(clock(adapter.Now()), clock(a.at)), &a.frame)
	if err != nil && (busy || sending || begins(&a.frame)) {
		x.garble(u, err)
		return
	}
	if complete {
		x.complete(u)
	}
}

// complete takes a whole answer.
func (x *exchange) complete(u *unit) {
	message := u.end.Message()
	x.link.health.sound()
	switch {
	case message[0] == negative && len(message) != negativeLength:
		x.garble(u, fmt.Errorf("a refusal of %d bytes, not %d: %X", len(message), negativeLength, message))
	case !answers(x.request.Payload, message):
		x.garble(u, fmt.Errorf("it answered %X to %X", message, x.request.Payload))
	case x.belated(message):
		x.link.counters.late.Add(1)
		if x.first == u.began { // the answer to this request is still to begin
			x.first = 0
		}
	case u.answered:
		x.again(u, message)
	case message[0] == negative && message[2] == patience && u.delays < mostDelays:
		u.patient, u.until = true, u.began.Add(x.link.options.P2Star)
		u.delays++
	default:
		u.answered = true
		x.done = append(x.done, u.number)
		x.answers = append(x.answers, adapter.Answer{
			Source: x.link.addressing.answerFrom(u.number), Payload: bytes.Clone(message),
			Received: u.began, Uncertainty: x.link.options.Uncertainty,
		})
	}
}

// belated says that an answer belongs to an earlier request, though it begins with something that this one asked for too.
func (x *exchange) belated(message []byte) bool {
	all, known := holds(x.request.Payload, message)
	return known && !all && message[0] != negative && x.link.earlier.held(message)
}

// again takes the second answer of one control unit. The same once more changes nothing. Of two that differ one is late, and
// nobody can tell which: neither is taken.
func (x *exchange) again(u *unit, message []byte) {
	mine := func(a adapter.Answer) bool { return a.Source == x.link.addressing.answerFrom(u.number) }
	if i := slices.IndexFunc(x.answers, mine); i >= 0 && bytes.Equal(x.answers[i].Payload, message) {
		x.link.counters.repeated.Add(1)
		return
	}
	x.answers = slices.DeleteFunc(x.answers, mine)
	x.garble(u, fmt.Errorf("it answered twice: %X", message))
}

// tick ends what is over its time.
func (x *exchange) tick(now time.Duration) {
	for _, u := range x.link.units {
		err := u.end.Tick(now)
		switch {
		case errors.Is(err, isotp.ErrTimeoutBs): // it took no notice of the request
			x.give(u)
		case err != nil:
			x.garble(u, err)
		case u.patient && now >= clock(u.until):
			x.hushed = fmt.Errorf("control unit %X: %w: it asked for patience and was not heard again within %v",
				x.link.addressing.answerFrom(u.number), adapter.ErrSilent, x.link.options.P2Star)
			x.give(u)
		}
	}
}

// give gives a control unit up.
func (x *exchange) give(u *unit) {
	u.end.Receiver().Reset()
	u.end.Sender().Abort()
	u.lost, u.patient = true, false
	if !u.answered {
		x.done = append(x.done, u.number)
	}
}

// garble takes note of what broke the rules.
func (x *exchange) garble(u *unit, err error) {
	if x.garbled == nil {
		x.garbled = x.broke(u.number, err)
	}
	x.give(u)
}

func (x *exchange) broke(number byte, err error) error {
	return fmt.Errorf("control unit %X: %w: %w", x.link.addressing.answerFrom(number), adapter.ErrGarbled, err)
}

// silence says why no answer came.
func (x *exchange) silence() error {
	if n, last := x.link.health.count(); n != x.errors && last != nil {
		return fmt.Errorf("the CAN bus: %w", last)
	}
	if err := cmp.Or(x.hushed, x.strange); err != nil {
		return err
	}
	return fmt.Errorf("%w: %X with %v, waited %v", adapter.ErrSilent, x.request.Payload, x.link.addressing, x.request.Timeout)
}
