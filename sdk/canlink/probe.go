// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canlink

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/j1979"
)

// probeTimeout is how long a probe waits for a first answer: four times P2CAN,max, for gateways.
const probeTimeout = 200 * time.Millisecond

// Found is what a probe found on a bus.
type Found struct {
	// BitRate is that of the bus in bit/s; 0 where nobody knows.
	BitRate int
	// Frames11 and Frames29 were heard before anything was sent, with identifiers of 11 and of 29 bits. Behind a gateway
	// there are none, and control units answer all the same.
	Frames11, Frames29 uint64
	// Addressing is how control units are addressed; Unknown where none answered.
	Addressing Addressing
	// Responders are the control units that answered, by their identifiers.
	Responders []Responder
}

// Responder is a control unit that answered a probe.
type Responder struct {
	// Source is the identifier by which it answers, Target that by which it alone is asked, as in adapter.Answer and
	// adapter.Request.
	Source, Target int64
	// Dialects are those in which it tells what it supports: by service 01, by service 22, or both; empty for one that only refuses.
	Dialects []j1979.Dialect
}

// Speaks says that some control unit answers in a dialect.
func (f *Found) Speaks(d j1979.Dialect) bool {
	return slices.ContainsFunc(f.Responders, func(r Responder) bool { return slices.Contains(r.Dialects, d) })
}

// Probe finds out who is there: it listens first, then asks what is supported, by service 01 and by service 22, with the
// addressing that the traffic suggests first. Only the addressing of the options is tried where they give one. The error
// is adapter.ErrSilent where nobody answers, or a *BusError as soon as the bus makes errors: then nothing more is sent.
// A Request does it by itself where the addressing is unknown; Found has the result.
func (l *Link) Probe(ctx context.Context) (Found, error) {
	if err := l.enter(ctx); err != nil {
		return Found{}, err
	}
	defer l.leave()
	return l.probe(ctx)
}

// Found is what the last probe found; its Addressing that of the options where there was none. It waits for its turn.
func (l *Link) Found(ctx context.Context) (Found, error) {
	if err := l.enter(ctx); err != nil {
		return Found{}, err
	}
	defer l.leave()
	f := l.found
	f.Addressing = l.addressing
	f.Responders = slices.Clone(f.Responders)
	return f, nil
}

func (l *Link) probe(ctx context.Context) (Found, error) {
	f := Found{BitRate: l.options.BitRate}
	if err := l.overhear(ctx, &f); err != nil {
		return f, err
	}
	for _, a := range l.candidates(&f) {
		if err := l.use(a); err != nil {
			return f, err
		}
		if err := l.roll(ctx, &f); err != nil {
			return f, err
		}
		if len(f.Responders) > 0 {
			f.Addressing = a
			l.found = f
			return f, nil
		}
	}
	if err := l.use(l.options.Addressing); err != nil {
		return f, err
	}
	return f, fmt.Errorf("%w to 01 00 or 22 F4 00; check that the ignition is on", adapter.ErrSilent)
}

// overhear listens without sending. An error before any frame was heard ends it: at a wrong bit rate that is all there is to
// hear. Where frames are heard, a single error means little.
func (l *Link) overhear(ctx context.Context, f *Found) error {
	if _, err := l.health.backOff(time.Now()); err != nil {
		return fmt.Errorf("listening on the CAN bus: %w", err)
	}
	before := uint64(0)
	if l.counters.requests.Load() > 0 { // else all errors there were came while listening
		before, _ = l.health.count()
	}
	short, long := l.seen[0].Load(), l.seen[1].Load()
	l.timer.Reset(l.options.Listening)
	defer l.timer.Stop()
	for over := false; !over; {
		select {
		case <-l.timer.C:
			over = true
		case <-l.kick:
		case <-ctx.Done():
			return context.Cause(ctx)
		}
		if err := l.health.fatal(); err != nil {
			return err
		}
		f.Frames11, f.Frames29 = l.seen[0].Load()-short, l.seen[1].Load()-long
		if n, last := l.health.count(); n != before && last != nil && (f.Frames11+f.Frames29 == 0 || last.Off) {
			return fmt.Errorf("listening on the CAN bus: %w", last)
		}
	}
	return nil
}

// candidates are the addressings to try, the likely one first.
func (l *Link) candidates(f *Found) []Addressing {
	switch {
	case l.options.Addressing != Unknown:
		return []Addressing{l.options.Addressing}
	case f.Frames29 > 0 && f.Frames11 == 0:
		return []Addressing{Bits29, Bits11}
	}
	return []Addressing{Bits11, Bits29}
}

// roll calls the roll of the control units, in both dialects.
func (l *Link) roll(ctx context.Context, f *Found) error {
	for _, request := range forAll {
		answers, err := l.call(ctx, []byte(request))
		if errors.Is(err, adapter.ErrSilent) && len(f.Responders) > 0 {
			continue // where one answers, an error on the bus says nothing of bit rate and addressing
		}
		if err != nil {
			return err
		}
		for _, a := range answers {
			f.enrol(l.addressing, a)
		}
	}
	return nil
}

// call asks all, twice if what came breaks the rules. Silence is no error.
func (l *Link) call(ctx context.Context, request []byte) ([]adapter.Answer, error) {
	var answers adapter.Answers
	var err error
	for range 2 {
		answers, err = l.ask(ctx, adapter.Request{Payload: request, Timeout: probeTimeout})
		if !errors.Is(err, adapter.ErrGarbled) {
			break
		}
	}
	if _, trouble := errors.AsType[*BusError](err); trouble {
		return nil, err
	}
	if err != nil && !errors.Is(err, adapter.ErrSilent) && !errors.Is(err, adapter.ErrGarbled) {
		return nil, err
	}
	return answers.Answers, nil
}

// enrol takes an answer into what was found.
func (f *Found) enrol(addressing Addressing, a adapter.Answer) {
	number, _, err := addressing.target(a.Source)
	if err != nil {
		return
	}
	at, found := slices.BinarySearchFunc(f.Responders, a.Source, func(r Responder, source int64) int { return int(r.Source - source) })
	if !found {
		f.Responders = slices.Insert(f.Responders, at, Responder{Source: a.Source, Target: addressing.requestTo(number)})
	}
	r := &f.Responders[at]
	for dialect, service := range services {
		if a.Payload[0] == service+positive && !slices.Contains(r.Dialects, dialect) {
			r.Dialects = append(r.Dialects, dialect)
		}
	}
}

// services are those by which the dialects tell what is supported.
var services = map[j1979.Dialect]byte{j1979.Classic: 0x01, j1979.UDS: 0x22}
