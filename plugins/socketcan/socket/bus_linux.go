// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socket

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"sync"
	"syscall"
	"time"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/canlink"
	"github.com/airassay/airassay/sdk/isotp"
)

const (
	// echoTimeout is how long a frame may take to get onto the bus. N_As of ISO 15765-4 is 25 ms; ten times that, for a
	// bus that others fill and a machine that is busy.
	echoTimeout = 250 * time.Millisecond
	// queueRetry is how long to wait when the interface's queue is full: about three frames at 250 kbit/s.
	queueRetry = 2 * time.Millisecond
	// maxHeld bounds what a sender that waits for its echo keeps for whoever receives.
	maxHeld = 1024
	// maxUnconfirmed bounds the frames whose echo has not come; the queues of drivers are shorter.
	maxUnconfirmed = 64
)

// Bus is a raw CAN socket on one interface. Each frame is stamped by the kernel when it arrives, and what is sent when its
// echo comes back from the controller, which is after it was on the wire. All methods are safe for concurrent use.
//
// After adapter.ErrUnplugged (the interface is down or gone) a Bus is of no more use; open another once it is back.
type Bus struct {
	name  string
	file  *os.File
	raw   syscall.RawConn
	quiet bool // listening only

	shut  sync.Once
	dead  chan struct{}
	cause error // why it is dead; set before dead is closed

	sending chan struct{}   // holds one while a frame is sent
	reading chan struct{}   // holds one while the socket is read
	reader  reader          // of whoever holds reading
	held    []received      // what senders read while nobody received; of whoever holds reading
	watched <-chan struct{} // of the context whose end ends a read; of whoever holds reading
	unwatch func() bool

	filters []Filter        // as they were asked for; nil for everything; of whoever holds sending
	own     map[Filter]bool // what is let through besides, for the echo; of whoever holds sending

	mu          sync.Mutex
	unconfirmed []*pending // sent, and not yet echoed, in order
	report      Report     // the controller's last
	lost        uint32     // frames that the kernel dropped, as it counts them
	overrun     int        // frames that were dropped from held
}

// received is what came from the socket.
type received struct {
	frame isotp.Frame
	at    adapter.Time
	err   error // a *canlink.BusError instead of a frame
	skip  bool  // it is nobody's: a remote frame, or a controller that is well
}

// pending is a frame that waits for its echo.
type pending struct {
	frame isotp.Frame
	done  chan outcome // holds one
}

type outcome struct {
	at  adapter.Time
	err error
}

var _ canlink.Bus = (*Bus)(nil)

// Open opens a raw socket on an interface. An interface that is gone or down is adapter.ErrUnplugged, a system without CAN
// sockets is ErrUnsupported.
func Open(name string, o Options) (*Bus, error) {
	if err := o.check(); err != nil {
		return nil, err
	}
	i, err := upInterface(name)
	if err != nil {
		return nil, err
	}
	file, err := openRaw(i, &o)
	if err != nil {
		return nil, fmt.Errorf("opening a CAN socket on %s: %w", name, err)
	}
	raw, err := file.SyscallConn()
	if err != nil {
		_ = file.Close()
		return nil, fmt.Errorf("opening a CAN socket on %s: %w", name, err)
	}
	b := &Bus{
		name: name, file: file, raw: raw, quiet: o.ListenOnly, dead: make(chan struct{}),
		sending: make(chan struct{}, 1), reading: make(chan struct{}, 1),
		filters: o.Filters, own: map[Filter]bool{},
	}
	b.reader.init()
	return b, nil
}

// Name is the interface's.
func (b *Bus) Name() string { return b.name }

// Close ends Send and Receive with net.ErrClosed.
func (b *Bus) Close() error {
	b.fail(net.ErrClosed)
	return nil
}

// Done is closed when the bus is of no more use, because it was closed or its interface is down or gone; Err then says why.
func (b *Bus) Done() <-chan struct{} { return b.dead }

// Err is why the bus is of no more use; nil while it is.
func (b *Bus) Err() error { return b.broken() }

// fail makes the bus useless, once, and wakes whoever waits.
func (b *Bus) fail(cause error) {
	b.shut.Do(func() {
		b.cause = cause
		close(b.dead)
		_ = b.file.Close() // a socket has nothing left to write
	})
}

// broken is why the bus is of no more use.
func (b *Bus) broken() error {
	select {
	case <-b.dead:
		return b.cause
	default:
		return nil
	}
}

// judge turns an error of a system call into one of the bus, which is then dead if the interface is.
func (b *Bus) judge(doing string, err error) error {
	if cause := b.broken(); cause != nil {
		return cause
	}
	if unplugged(err) {
		b.fail(fmt.Errorf("%s %s: %w: %w", doing, b.name, adapter.ErrUnplugged, err))
		return b.cause
	}
	return fmt.Errorf("%s %s: %w", doing, b.name, err)
}

// unplugged says whether an error means that the interface is down or gone.
func unplugged(err error) bool {
	return errors.Is(err, syscall.ENETDOWN) || errors.Is(err, syscall.ENODEV) || errors.Is(err, syscall.ENXIO)
}

// Lost is how many frames were dropped because nobody fetched them in time.
func (b *Bus) Lost() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return int(b.lost) + b.overrun
}

// Receive waits for the next frame of another node. A *canlink.BusError is what the controller reports; the bus goes on, and so may
// the caller.
func (b *Bus) Receive(ctx context.Context, f *isotp.Frame) (adapter.Time, error) {
	select {
	case b.reading <- struct{}{}:
		defer func() { <-b.reading }()
	case <-ctx.Done():
		return 0, context.Cause(ctx)
	case <-b.dead:
		return 0, b.cause
	}
	if len(b.held) > 0 {
		r := b.held[0]
		b.held = b.held[1:]
		*f = r.frame
		return r.at, r.err
	}
	for {
		r, own, err := b.read(ctx)
		if err != nil {
			return 0, err
		}
		if own || r.skip {
			continue
		}
		*f = r.frame
		return r.at, r.err
	}
}

// read fetches one message; whoever calls it holds reading. An echo goes to its sender, and own is true.
func (b *Bus) read(ctx context.Context) (r received, own bool, err error) {
	m, err := b.fetch(ctx)
	if err != nil {
		return r, false, err
	}
	return b.sort(m)
}

// sort says what a message is and tells the senders whom it concerns.
func (b *Bus) sort(m message) (r received, own bool, err error) {
	b.count(m.lost)
	k, err := decode(m.bytes, &r.frame)
	if err != nil {
		return r, false, fmt.Errorf("receiving from %s: %w: %w", b.name, adapter.ErrGarbled, err)
	}
	r.at = m.at
	switch {
	case k == kindError:
		r.err = b.heed(&r.frame)
		r.skip = r.err == nil
	case m.own:
		b.confirm(&r.frame, m.at)
		return r, true, nil
	case k == kindRemote:
		r.skip = true
	}
	return r, false, nil
}

// fetch reads from the socket until there is something or the context ends.
func (b *Bus) fetch(ctx context.Context) (message, error) {
	b.watch(ctx)
	for {
		if ctx.Err() != nil {
			return message{}, context.Cause(ctx)
		}
		m, err := b.reader.next(b.raw)
		switch {
		case err == nil:
			return m, nil
		case errors.Is(err, os.ErrDeadlineExceeded):
			// It was this context's, or came late from one before.
			_ = b.file.SetReadDeadline(time.Time{})
		default:
			return message{}, b.judge("receiving from", err)
		}
	}
}

// watch makes the end of a context end a read. It is kept for the next read with the same context, as it costs more than the
// read itself. The caller holds reading.
func (b *Bus) watch(ctx context.Context) {
	if ctx.Done() == b.watched {
		return
	}
	if b.unwatch != nil {
		b.unwatch()
	}
	b.watched, b.unwatch = ctx.Done(), nil
	if b.watched != nil {
		b.unwatch = context.AfterFunc(ctx, func() { _ = b.file.SetReadDeadline(time.Unix(1, 0)) })
	}
}

// count keeps the kernel's count of the frames that it dropped.
func (b *Bus) count(lost uint32) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.lost = max(b.lost, lost)
}

// heed takes note of what the controller reports and says whether it is an error.
func (b *Bus) heed(f *isotp.Frame) error {
	r := readError(f)
	b.mu.Lock()
	defer b.mu.Unlock()
	b.report = r
	if !r.trouble() {
		return nil
	}
	err := r.busError(b.name)
	if r.Off {
		// The controller forgets what it had to send.
		for _, p := range b.unconfirmed {
			p.done <- outcome{err: err}
		}
		b.unconfirmed = nil
	}
	return err
}

// confirm gives the time of an echo to whoever sent the frame. Echoes come in the order of sending, so what waits before
// it has lost its own.
func (b *Bus) confirm(f *isotp.Frame, at adapter.Time) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for i, p := range b.unconfirmed {
		if p.frame == *f {
			p.done <- outcome{at: at}
			b.unconfirmed = b.unconfirmed[i+1:]
			return
		}
	}
}
