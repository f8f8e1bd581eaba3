// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socketcan

import (
	"context"
	"errors"
	"sync"
	"time"

	"github.com/airassay/airassay/plugins/socketcan/socket"
	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/canlink"
	"github.com/airassay/airassay/sdk/isotp"
)

// tap sees the frames of the kernel's conversations on a raw socket, for what the kernel's ISO-TP does not tell: when a request
// was out, when the first frame of an answer came, and how the bus is.
type tap struct {
	bus        *socket.Bus
	addressing canlink.Addressing
	ended      chan struct{} // closed when the bus is of no more use

	mu      sync.Mutex
	news    chan struct{}         // closed and replaced with each of what follows
	asked   map[byte]adapter.Time // the last frame to a control unit
	began   map[byte]adapter.Time // the last first frame of one
	trouble *canlink.BusError     // the last since an answer came
	offs    int                   // bus-offs since an answer came
	pause   time.Duration
	until   time.Time // nothing is sent before
}

// How long nothing is sent after an error on the bus: it doubles with each until an answer comes. The first is longer than
// bus-off recovery (128 times 11 bits, 5.6 ms at 250 kbit/s, ISO 11898-1).
const (
	firstPause   = 100 * time.Millisecond
	longestPause = 2 * time.Second
	// toleratedOffs is how often in a row the interface may leave the bus before nothing more is sent.
	toleratedOffs = 2
)

// First bytes of the frames that begin an answer (ISO 15765-2): a single frame, a first frame.
const (
	singleFrame = 0
	firstFrame  = 1
)

func newTap(bus *socket.Bus, a canlink.Addressing) *tap {
	return &tap{
		bus: bus, addressing: a, ended: make(chan struct{}), news: make(chan struct{}),
		asked: map[byte]adapter.Time{}, began: map[byte]adapter.Time{},
	}
}

// run notes what passes until the bus is of no more use. unknown is called with each control unit that answers.
func (t *tap) run(ctx context.Context, heard func(unit byte)) {
	defer close(t.ended)
	var f isotp.Frame
	for {
		at, err := t.bus.Receive(ctx, &f)
		trouble, bus := errors.AsType[*canlink.BusError](err)
		switch {
		case err == nil:
			t.note(&f, at, heard)
		case bus:
			t.suffer(trouble)
		case errors.Is(err, adapter.ErrGarbled):
		default:
			return
		}
	}
}

func (t *tap) note(f *isotp.Frame, at adapter.Time, heard func(unit byte)) {
	id := int64(f.ID)
	if f.Extended {
		id |= canlink.Wide
	}
	unit, ok := unitOf(t.addressing, id)
	if !ok || f.Length == 0 {
		return
	}
	kind := f.Data[0] >> 4
	if kind != singleFrame && kind != firstFrame {
		return
	}
	answer := id == sourceOf(t.addressing, unit)
	t.mu.Lock()
	if answer {
		t.began[unit] = at
	} else {
		t.asked[unit] = at
	}
	close(t.news)
	t.news = make(chan struct{})
	t.mu.Unlock()
	if answer {
		heard(unit)
	}
}

func (t *tap) suffer(e *canlink.BusError) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.trouble = e
	if e.Off {
		t.offs++
	}
	if now := time.Now(); now.After(t.until) { // errors of one disturbance count once
		t.pause = min(max(2*t.pause, firstPause), longestPause)
		t.until = now.Add(t.pause)
	}
	close(t.news)
	t.news = make(chan struct{})
}

// sound is for an answer that came.
func (t *tap) sound() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.trouble, t.offs, t.pause, t.until = nil, 0, 0, time.Time{}
}

// calm waits until something may be sent again after an error on the bus.
func (t *tap) calm(ctx context.Context) error {
	t.mu.Lock()
	wait, trouble, offs := time.Until(t.until), t.trouble, t.offs
	t.mu.Unlock()
	if offs >= toleratedOffs {
		stopped := *trouble
		stopped.Off, stopped.Stopped = true, true
		return &stopped
	}
	if wait <= 0 {
		return nil
	}
	timer := time.NewTimer(wait)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-t.ended:
		return t.bus.Err()
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

// silence is the error where nobody answers.
func (t *tap) silence() error {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.trouble != nil {
		return t.trouble
	}
	return adapter.ErrSilent
}

// tapWait is how long the raw socket's goroutine may be behind the kernel's ISO-TP.
const tapWait = 50 * time.Millisecond

// since waits until the tap has seen what happened in a map at or after an instant; false if it does not.
func (t *tap) since(ctx context.Context, of map[byte]adapter.Time, unit byte, from adapter.Time) (adapter.Time, bool) {
	timer := time.NewTimer(tapWait)
	defer timer.Stop()
	for {
		t.mu.Lock()
		at, news := of[unit], t.news
		t.mu.Unlock()
		if at >= from && at != 0 {
			return at, true
		}
		select {
		case <-news:
		case <-timer.C:
			return 0, false
		case <-t.ended:
			return 0, false
		case <-ctx.Done():
			return 0, false
		}
	}
}

// underWay says whether a control unit has begun an answer since an instant, and is none of those that have ended theirs.
func (t *tap) underWay(from adapter.Time, done map[byte]bool) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	for unit, at := range t.began {
		if at >= from && !done[unit] {
			return true
		}
	}
	return false
}
