// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socketcan

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"github.com/airassay/airassay/plugins/socketcan/socket"
	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/canlink"
	"github.com/airassay/airassay/sdk/isotp"
)

const (
	// oneRound is how long it takes until every broadcast has come at least once: the slowest that are listened to come every
	// second (SAE J1939-71), and some for their jitter.
	oneRound = 1500 * time.Millisecond
	// quietAfter is how long nothing may come before the bus counts as silent.
	quietAfter = 2 * time.Second
)

// listener hears what control units broadcast, and sends nothing, ever.
type listener struct {
	bus     *socket.Bus
	since   time.Time
	stop    context.CancelFunc
	stopped chan struct{}
	decode  decoder

	mu      sync.Mutex
	news    chan struct{} // closed and replaced when a signal was heard for the first time
	heard   map[string]adapter.Signal
	last    time.Time // when a frame came
	trouble *canlink.BusError
	sink    *adapter.Sink // of the feed that runs; nil for none
}

// decoder turns a frame into samples, and says how each of their signals can be had. It is called by one goroutine.
type decoder interface {
	decode(f *isotp.Frame, at adapter.Time) ([]adapter.Sample, []adapter.Signal)
}

// deaf decodes nothing.
type deaf struct{}

func (deaf) decode(*isotp.Frame, adapter.Time) ([]adapter.Sample, []adapter.Signal) { return nil, nil }

func listen(bus *socket.Bus, d decoder) *listener {
	ctx, stop := context.WithCancel(context.Background())
	l := &listener{
		bus: bus, since: time.Now(), stop: stop, stopped: make(chan struct{}), decode: d,
		news: make(chan struct{}), heard: map[string]adapter.Signal{},
	}
	go l.run(ctx)
	return l
}

// Close ends the listening.
func (l *listener) Close() error {
	l.stop()
	err := l.bus.Close()
	<-l.stopped
	return err
}

// Request is adapter.ErrSilent: nothing is sent.
func (*listener) Request(context.Context, adapter.Request) (adapter.Answers, error) {
	return adapter.Answers{}, fmt.Errorf("the configuration lets this adapter listen only, so nobody was asked: %w", adapter.ErrSilent)
}

func (l *listener) run(ctx context.Context) {
	defer close(l.stopped)
	var f isotp.Frame
	for {
		at, err := l.bus.Receive(ctx, &f)
		trouble, bus := errors.AsType[*canlink.BusError](err)
		switch {
		case err == nil:
			l.take(&f, at)
		case bus:
			l.mu.Lock()
			l.trouble = trouble
			l.mu.Unlock()
		case errors.Is(err, adapter.ErrGarbled):
		default:
			return
		}
	}
}

// take hears a frame.
func (l *listener) take(f *isotp.Frame, at adapter.Time) {
	samples, signals := l.decode.decode(f, at)
	l.mu.Lock()
	defer l.mu.Unlock()
	l.last, l.trouble = time.Now(), nil
	for _, s := range signals {
		if _, known := l.heard[s.Path]; !known {
			close(l.news)
			l.news = make(chan struct{})
		}
		l.heard[s.Path] = s
	}
	if l.sink == nil || len(samples) == 0 {
		return
	}
	// What is not wanted, the sink passes over. It never waits: a bus cannot be held up.
	if err := l.sink.Offer(samples...); err != nil {
		l.trouble = &canlink.BusError{Detail: err.Error()}
	}
}

// Signals says what has been heard of the wanted signals. It listens until all were, or a round is over.
func (l *listener) Signals(ctx context.Context, wanted []adapter.Wanted) ([]adapter.Signal, error) {
	timer := time.NewTimer(time.Until(l.since.Add(oneRound)))
	defer timer.Stop()
	for {
		found, all, news := l.known(wanted)
		if all {
			return found, nil
		}
		select {
		case <-news:
		case <-timer.C:
			return found, l.silence()
		case <-l.bus.Done():
			return nil, l.bus.Err()
		case <-ctx.Done():
			return nil, context.Cause(ctx)
		}
	}
}

func (l *listener) known(wanted []adapter.Wanted) (found []adapter.Signal, all bool, news <-chan struct{}) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, s := range l.heard {
		found = append(found, s)
	}
	all = !slices.ContainsFunc(wanted, func(w adapter.Wanted) bool {
		_, ok := l.heard[w.Path]
		return !ok
	})
	return found, all, l.news
}

// silence is the error where nothing has come for long.
func (l *listener) silence() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	switch {
	case l.trouble != nil:
		return l.trouble
	case time.Since(l.last) > quietAfter:
		return fmt.Errorf("nothing is heard on %s: %w; is the ignition on, and is the bit rate right?", l.bus.Name(), adapter.ErrSilent)
	}
	return nil
}

// Feed hands on what is heard until the context ends. A bus that falls silent is adapter.ErrSilent.
func (l *listener) Feed(ctx context.Context, sink *adapter.Sink) error {
	l.attach(sink)
	defer l.attach(nil)
	begun := time.Now()
	tick := time.NewTicker(quietAfter / 4)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
			if time.Since(begun) < quietAfter {
				continue
			}
			if err := l.silence(); err != nil {
				return err
			}
		case <-l.bus.Done():
			return l.bus.Err()
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}

func (l *listener) attach(sink *adapter.Sink) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.sink = sink
}
