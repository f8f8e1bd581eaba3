// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socketcan

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"sync"
	"time"

	"github.com/airassay/airassay/plugins/socketcan/socket"
	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/canlink"
	"github.com/airassay/airassay/sdk/j1979"
)

// kernelLink carries requests by the kernel's ISO-TP: one socket for each control unit, and a raw socket for requests to all.
// Safe for concurrent use; one request is on the bus at a time.
type kernelLink struct {
	bus        *socket.Bus
	name       string
	addressing canlink.Addressing // asked for
	ctx        context.Context    //nolint:containedctx // of the link's goroutines
	stop       context.CancelFunc
	running    sync.WaitGroup
	turn       chan struct{} // holds one while a request is on the bus
	messages   chan delivery

	// What follows belongs to whoever has the turn; channels also has its mutex, as the tap adds to it.
	tap      *tap // nil before the addressing is known
	mu       sync.Mutex
	channels map[byte]*socket.Channel
}

// delivery is what a control unit said.
type delivery struct {
	unit    byte
	payload []byte
	err     error
}

// waitingMessages is how many messages wait for whoever asks; more stay with the kernel.
const waitingMessages = 64

func newKernelLink(bus *socket.Bus, name string, a canlink.Addressing) (*kernelLink, error) {
	l := &kernelLink{
		bus: bus, name: name, addressing: a, turn: make(chan struct{}, 1),
		messages: make(chan delivery, waitingMessages), channels: map[byte]*socket.Channel{},
	}
	// That the kernel has ISO-TP at all is better known now than at the first request.
	probe, err := socket.OpenChannel(name, socket.ChannelOptions{Transmit: firstAsk11, Receive: firstAns11})
	if err != nil {
		return nil, err
	}
	if err := probe.Close(); err != nil {
		return nil, err
	}
	l.ctx, l.stop = context.WithCancel(context.Background())
	return l, nil
}

// Close ends all requests, closes all sockets and waits for the goroutines.
func (l *kernelLink) Close() error {
	l.stop()
	err := l.bus.Close()
	l.mu.Lock()
	for _, c := range l.channels {
		err = errors.Join(err, c.Close())
	}
	l.mu.Unlock()
	l.running.Wait()
	return err
}

// Request sends one request and gives the answer of each control unit. It ends like canlink.Link's.
func (l *kernelLink) Request(ctx context.Context, r adapter.Request) (adapter.Answers, error) {
	if err := j1979.CheckReadOnly(r.Payload); err != nil {
		slog.Warn("a request was refused", "request", fmt.Sprintf("%X", r.Payload[:min(len(r.Payload), 32)]), "error", err)
		return adapter.Answers{}, fmt.Errorf("%w: %w", adapter.ErrNotReadOnly, err)
	}
	select {
	case l.turn <- struct{}{}:
		defer func() { <-l.turn }()
	case <-ctx.Done():
		return adapter.Answers{}, context.Cause(ctx)
	case <-l.ctx.Done():
		return adapter.Answers{}, net.ErrClosed
	}
	if err := l.bus.Err(); err != nil {
		return adapter.Answers{}, err
	}
	if l.tap == nil {
		if err := l.find(ctx); err != nil {
			return adapter.Answers{}, err
		}
	}
	if err := l.tap.calm(ctx); err != nil {
		return adapter.Answers{}, err
	}
	unit, all, err := targetOf(l.tap.addressing, r.Target)
	if err != nil {
		return adapter.Answers{}, err
	}
	x := &exchange{link: l, request: r, all: all, unit: unit, done: map[byte]bool{}, patient: map[byte]time.Time{}, asking: map[byte]adapter.Time{}}
	return x.run(ctx)
}

// kept is the bus in the hands of somebody who must not close it.
type kept struct{ *socket.Bus }

func (kept) Close() error { return nil }

// find finds the addressing and who answers, as sdk/canlink does it, and then opens the kernel's sockets.
func (l *kernelLink) find(ctx context.Context) error {
	units, addressing, err := l.probe(ctx)
	if err != nil {
		return err
	}
	l.tap = newTap(l.bus, addressing)
	if addressing == canlink.Bits11 {
		units = []byte{0, 1, 2, 3, 4, 5, 6, 7}
	}
	for _, unit := range units {
		if _, err := l.channel(unit); err != nil {
			l.tap = nil
			return err
		}
	}
	l.running.Go(func() {
		l.tap.run(l.ctx, func(unit byte) {
			if _, err := l.channel(unit); err != nil && l.ctx.Err() == nil {
				slog.Debug("a control unit cannot be listened to", "interface", l.name, "unit", unit, "error", err)
			}
		})
	})
	return nil
}

func (l *kernelLink) probe(ctx context.Context) ([]byte, canlink.Addressing, error) {
	probe, err := canlink.New(kept{l.bus}, canlink.Options{Addressing: l.addressing}) //nolint:contextcheck // it is closed below
	if err != nil {
		return nil, 0, err
	}
	defer func() { _ = probe.Close() }()
	found, err := probe.Probe(ctx)
	if err != nil {
		return nil, 0, err
	}
	var units []byte
	for _, r := range found.Responders {
		if unit, ok := unitOf(found.Addressing, r.Source); ok {
			units = append(units, unit)
		}
	}
	return units, found.Addressing, nil
}

// channel gives the socket of a control unit, and opens it where there is none yet.
func (l *kernelLink) channel(unit byte) (*socket.Channel, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if c := l.channels[unit]; c != nil {
		return c, nil
	}
	if l.ctx.Err() != nil {
		return nil, net.ErrClosed
	}
	pair := pairOf(l.tap.addressing, unit)
	c, err := socket.OpenChannel(l.name, socket.ChannelOptions{Transmit: pair.Send, Receive: pair.Receive, Extended: pair.Extended, Padding: true})
	if err != nil {
		return nil, err
	}
	l.channels[unit] = c
	l.running.Go(func() { l.listen(unit, c) })
	return c, nil
}

// listen takes what a control unit says until its socket is closed.
func (l *kernelLink) listen(unit byte, c *socket.Channel) {
	buffer := make([]byte, socket.MaxMessage)
	for {
		n, err := c.Receive(l.ctx, buffer)
		if err != nil && !errors.Is(err, adapter.ErrGarbled) {
			return
		}
		select {
		case l.messages <- delivery{unit: unit, payload: append([]byte(nil), buffer[:n]...), err: err}:
		case <-l.ctx.Done():
			return
		}
	}
}
