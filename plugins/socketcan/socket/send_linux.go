// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socket

import (
	"context"
	"errors"
	"fmt"
	"syscall"
	"time"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/isotp"
)

// Send puts one frame on the bus and returns when it was there, by its echo. A frame that does not get onto the bus in time,
// because no other node acknowledges it or the controller has left the bus, is a *canlink.BusError; the controller may still send
// it later.
func (b *Bus) Send(ctx context.Context, f *isotp.Frame) (adapter.Time, error) {
	if b.quiet {
		return 0, fmt.Errorf("sending on %s: %w", b.name, ErrListenOnly)
	}
	var buffer [fdSize]byte
	text, err := encode(&buffer, f)
	if err != nil {
		return 0, fmt.Errorf("sending on %s: %w", b.name, err)
	}
	select {
	case b.sending <- struct{}{}:
		defer func() { <-b.sending }()
	case <-ctx.Done():
		return 0, context.Cause(ctx)
	case <-b.dead:
		return 0, b.cause
	}
	timer := time.NewTimer(echoTimeout)
	defer timer.Stop()
	if err := b.hearOwn(f); err != nil {
		return 0, err
	}
	p := b.expect(f)
	if err := b.write(ctx, text, timer.C); err != nil {
		b.forget(p)
		return 0, err
	}
	return b.awaitEcho(ctx, p, timer.C)
}

// expect enters a frame among those whose echo is to come. It keeps the bytes that count, as the echo has no others.
func (b *Bus) expect(f *isotp.Frame) *pending {
	p := &pending{frame: isotp.Frame{ID: f.ID, Extended: f.Extended, FD: f.FD, BitRateSwitch: f.BitRateSwitch, Length: f.Length}, done: make(chan outcome, 1)}
	copy(p.frame.Data[:], f.Payload())
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.unconfirmed) >= maxUnconfirmed {
		b.unconfirmed = b.unconfirmed[1:]
	}
	b.unconfirmed = append(b.unconfirmed, p)
	return p
}

// forget takes back a frame that was not sent.
func (b *Bus) forget(p *pending) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for i, other := range b.unconfirmed {
		if other == p {
			b.unconfirmed = append(b.unconfirmed[:i:i], b.unconfirmed[i+1:]...)
			return
		}
	}
}

// write hands a frame to the interface, and waits where its queue is full.
func (b *Bus) write(ctx context.Context, text []byte, late <-chan time.Time) error {
	for {
		_, err := b.file.Write(text)
		if err == nil {
			return nil
		}
		if !errors.Is(err, syscall.ENOBUFS) {
			return b.judge("sending on", err)
		}
		retry := time.NewTimer(queueRetry)
		select {
		case <-retry.C:
		case <-late:
			return b.stuck("the interface's queue is full")
		case <-ctx.Done():
			retry.Stop()
			return context.Cause(ctx)
		case <-b.dead:
			retry.Stop()
			return b.cause
		}
	}
}

// awaitEcho waits until a frame has been on the bus. While nobody else reads the socket it does so itself, and keeps what is
// not the echo for whoever receives next.
func (b *Bus) awaitEcho(ctx context.Context, p *pending, late <-chan time.Time) (adapter.Time, error) {
	reading, cancel := context.WithTimeoutCause(ctx, echoTimeout, errLate)
	defer cancel()
	for {
		select {
		case o := <-p.done: // above all, or it would read on for nothing
			return o.at, o.err
		default:
		}
		select {
		case o := <-p.done:
			return o.at, o.err
		case <-late:
			return b.lastLook(p, nil)
		case <-ctx.Done():
			return b.lastLook(p, context.Cause(ctx))
		case <-b.dead:
			return 0, b.cause
		case b.reading <- struct{}{}:
			err := b.readFor(reading)
			<-b.reading
			switch {
			case errors.Is(err, errLate):
				return b.lastLook(p, nil)
			case err != nil && ctx.Err() != nil:
				return b.lastLook(p, err)
			case err != nil:
				return 0, err
			}
		}
	}
}

// errLate ends a sender's reading.
var errLate = errors.New("the echo did not come in time")

// lastLook gives what is known of a frame when the time is over. On a machine that was busy with other things the echo may
// wait in the socket. If it does not, the error is why; nil stands for the bus.
func (b *Bus) lastLook(p *pending, why error) (adapter.Time, error) {
	for {
		select {
		case o := <-p.done:
			return o.at, o.err
		default:
		}
		select {
		case b.reading <- struct{}{}:
			more := b.drain()
			<-b.reading
			if more {
				continue
			}
		default:
		}
		select {
		case o := <-p.done:
			return o.at, o.err
		default:
			if why == nil {
				why = b.stuck("the frame does not get onto the bus")
			}
			return 0, why
		}
	}
}

// drain reads one message if one waits.
func (b *Bus) drain() bool {
	waits := false
	err := b.raw.Control(func(fd uintptr) { waits = b.reader.once(fd) })
	if err != nil || !waits {
		return false
	}
	m, err := b.reader.take()
	if err != nil {
		return false
	}
	r, own, err := b.sort(m)
	if err == nil && !own {
		b.hold(r)
	}
	return err == nil
}

// readFor reads one message while a sender waits for its echo.
func (b *Bus) readFor(ctx context.Context) error {
	r, own, err := b.read(ctx)
	if err == nil && !own {
		b.hold(r)
	}
	return err
}

// hold keeps what a sender read for whoever receives. The caller holds reading.
func (b *Bus) hold(r received) {
	if r.skip {
		return
	}
	if len(b.held) >= maxHeld {
		b.held = b.held[1:]
		b.mu.Lock()
		b.overrun++
		b.mu.Unlock()
	}
	b.held = append(b.held, r)
}

// stuck is the error of a frame that the controller does not get rid of.
func (b *Bus) stuck(what string) error {
	b.mu.Lock()
	r := b.report
	b.mu.Unlock()
	return r.stuck(b.name, what)
}
