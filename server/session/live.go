// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session

import (
	"context"
	"sync"
	"sync/atomic"
	"time"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/store"
)

// key names a session.
type key struct{ shop, id string }

func (k key) session() store.Key { return store.Key{Shop: k.shop, Kind: kindSession, ID: k.id} }
func (k key) name() string       { return sessionName(k.id) }
func (k key) capture(id string) store.Key {
	return store.Key{Shop: k.shop, Kind: kindCapture, ID: k.id + "/" + id}
}
func (k key) verdict(id string) store.Key {
	return store.Key{Shop: k.shop, Kind: kindVerdict, ID: k.id + "/" + id}
}

func (k key) chunks(capture string) store.Capture {
	return store.Capture{Shop: k.shop, Session: k.id, ID: capture}
}

// live is what is in memory of a session that somebody uses, or whose assay is kept. Everything
// in it can be had from the store again.
type live struct {
	m *Manager
	key

	refs int          // Guarded by m.mu.
	used atomic.Int64 // When the assay was last asked for, in nanoseconds of the machine's clock.

	// admin serialises what changes the session or its captures, and who writes to them.
	admin chan struct{}
	// building lets one caller load the assay while others wait for it.
	building chan struct{}

	hub hub

	// mu guards what follows. A writer takes it after each commit, so nothing slow happens under it.
	mu       sync.Mutex
	session  *pb.Session // As it is stored now; nil while nobody has looked. Never changed, only replaced.
	captures map[string]*capture
	assay    *assay.Assay // Nil while it is not in memory.
	fed      map[string]*feed
	latest   int64 // Time of the newest sample in the assay.
	// generation counts what makes an assay useless: other facts, another capture. version counts
	// what may change the assessment.
	generation, version int64
}

// capture is what is in memory of a capture.
type capture struct {
	writer *Writer // Nil while nobody writes.
	// durable is the highest sequence that this process has seen stored.
	durable int64
	// samples is the number of samples up to the sequence counted.
	counted, samples int64
	finished         bool
	// changed is closed when durable or finished changes; nil while nobody waits.
	changed chan struct{}
}

func (c *capture) wake() {
	if c.changed != nil {
		close(c.changed)
		c.changed = nil
	}
}

// feed is how far a capture is in the assay.
type feed struct {
	index    int32 // Its number there.
	sequence int64
}

// acquire gives the session's place in memory, which is kept until release. It reads nothing.
func (m *Manager) acquire(k key) *live {
	m.mu.Lock()
	defer m.mu.Unlock()
	l := m.sessions[k]
	if l == nil {
		l = &live{
			m: m, key: k, captures: make(map[string]*capture),
			admin: make(chan struct{}, 1), building: make(chan struct{}, 1),
		}
		l.hub.live = l
		m.sessions[k] = l
	}
	l.refs++
	return l
}

func (l *live) release() {
	l.m.mu.Lock()
	defer l.m.mu.Unlock()
	l.refs--
	if _, kept := l.m.loaded[l]; l.refs == 0 && !kept {
		delete(l.m.sessions, l.key)
	}
}

// capture gives the place of a capture; the caller holds mu.
func (l *live) capture(id string) *capture {
	c := l.captures[id]
	if c == nil {
		c = new(capture)
		l.captures[id] = c
	}
	return c
}

func (l *live) openWriters() []*Writer {
	l.mu.Lock()
	defer l.mu.Unlock()
	var open []*Writer
	for _, c := range l.captures {
		if c.writer != nil {
			open = append(open, c.writer)
		}
	}
	return open
}

// endWriter ends the writer of a capture, if there is one, and waits until what it has queued is
// durable. The caller is in admin, so no other can come.
func (l *live) endWriter(ctx context.Context, id string, reason *Error) error {
	l.mu.Lock()
	w := l.capture(id).writer
	l.mu.Unlock()
	if w == nil {
		return nil
	}
	if reason.Reason == ErrFenced.Reason {
		reason = reason.with("writer_epoch", w.Epoch)
	}
	w.end(reason)
	select {
	case <-w.done:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// accept takes in what has become durable.
func (l *live) accept(id string, durable int64, batches []queued) {
	l.mu.Lock()
	c := l.capture(id)
	c.durable = max(c.durable, durable)
	for _, b := range batches {
		if b.chunk.Sequence == c.counted+1 {
			c.counted++
			c.samples += b.chunk.Samples
		}
	}
	l.feedAssay(id, batches)
	l.version++
	c.wake()
	l.mu.Unlock()
	l.hub.poke()
}

// feedAssay gives batches to the assay, each once. Where batches are missing in between (they were made durable
// by an append of which the store could not tell the outcome), the assay is built again when it is needed.
func (l *live) feedAssay(id string, batches []queued) {
	if l.assay == nil {
		return
	}
	f := l.fed[id]
	for _, b := range batches {
		switch {
		case f != nil && b.chunk.Sequence <= f.sequence:
		case f != nil && b.chunk.Sequence == f.sequence+1:
			l.latest = max(l.latest, push(l.assay, f.index, b.batch))
			f.sequence++
		default:
			l.dropAssay()
			return
		}
	}
}

// dropAssay makes the assay be built again; the caller holds mu.
func (l *live) dropAssay() {
	l.assay, l.fed, l.latest = nil, nil, 0
}

// changed replaces what is known of the session after a change; nil makes it be read again. rebuild says
// that the assay rests on what has changed.
func (l *live) changed(s *pb.Session, rebuild bool) {
	l.mu.Lock()
	l.session = s
	if rebuild {
		l.generation++
		l.dropAssay()
	}
	l.version++
	l.mu.Unlock()
	l.hub.poke()
}

// monotonic is the machine's clock: it does not jump.
func monotonic() int64 { return int64(time.Since(processStart)) }

var processStart = time.Now()

// keep puts the session among those with an assay, and drops those of others that were not asked
// for the longest, where there are too many.
func (l *live) keep() {
	l.used.Store(monotonic())
	m := l.m
	m.mu.Lock()
	m.loaded[l] = struct{}{}
	var victims []*live
	for len(m.loaded)-len(victims) > m.limits.Assays {
		v := m.oldest(l, victims)
		if v == nil {
			break
		}
		victims = append(victims, v)
	}
	m.unload(victims)
	m.mu.Unlock()
	evict(victims)
}

// oldest is the one among the loaded that may be dropped first, and is not in taken; the caller holds mu.
func (m *Manager) oldest(not *live, taken []*live) *live {
	var old *live
next:
	for l := range m.loaded {
		if l == not || l.hub.watched() || old != nil && l.used.Load() >= old.used.Load() {
			continue
		}
		for _, t := range taken {
			if t == l {
				continue next
			}
		}
		old = l
	}
	return old
}

func (m *Manager) unload(sessions []*live) {
	for _, l := range sessions {
		delete(m.loaded, l)
		if l.refs == 0 {
			delete(m.sessions, l.key)
		}
	}
}

func evict(sessions []*live) {
	for _, l := range sessions {
		l.mu.Lock()
		l.dropAssay()
		l.mu.Unlock()
	}
}

func (m *Manager) evictIdle() {
	before := monotonic() - int64(m.limits.Idle)
	var victims []*live
	m.mu.Lock()
	for l := range m.loaded {
		if l.used.Load() < before && !l.hub.watched() {
			victims = append(victims, l)
		}
	}
	m.unload(victims)
	m.mu.Unlock()
	evict(victims)
}

// stored gives the session as it is stored.
func (l *live) stored(ctx context.Context) (*pb.Session, error) {
	for {
		l.mu.Lock()
		s, generation := l.session, l.generation
		l.mu.Unlock()
		if s != nil {
			return s, nil
		}
		s, _, err := l.m.session(ctx, l.key)
		if err != nil {
			return nil, err
		}
		l.mu.Lock()
		if l.session == nil && l.generation == generation {
			l.session = s
		}
		l.mu.Unlock()
	}
}
