// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canlink

import (
	"fmt"
	"sync"
	"time"
)

const (
	// firstBackOff and longestBackOff bound how long nothing is sent after an error on the bus: it doubles with each until
	// an answer comes. The first is longer than bus-off recovery (128 times 11 bits, 5.6 ms at 250 kbit/s, ISO 11898-1).
	firstBackOff   = 100 * time.Millisecond
	longestBackOff = 2 * time.Second
	// passing is how many errors in a row are left to the bus, which sends a destroyed frame again by itself (ISO 11898-1).
	passing = 2
	// tolerated is how often in a row the interface may leave the bus before nothing more is sent.
	tolerated = 2
)

// health is how the bus stands.
type health struct {
	mu     sync.Mutex
	ended  error     // why the bus is gone
	last   *BusError // the last error since an answer came; nil for none
	offs   int       // bus-offs since an answer came
	offAt  time.Time // the last of them
	plain  int       // passing errors since an answer came
	pause  time.Duration
	until  time.Time // nothing is sent before
	errors uint64    // on the bus, ever
}

// end is for good; the first cause stays.
func (h *health) end(err error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.ended == nil {
		h.ended = err
	}
}

// fatal says why no request can be made any more; nil if one can.
func (h *health) fatal() error {
	h.mu.Lock()
	defer h.mu.Unlock()
	switch {
	case h.ended != nil:
		return fmt.Errorf("the CAN bus: %w", h.ended)
	case h.offs >= tolerated:
		stopped := *h.last
		stopped.Off, stopped.Stopped = true, true
		return &stopped
	}
	return nil
}

// trouble takes note of an error on the bus, and says whether it is the first since an answer came, and whether it is a new
// bus-off.
func (h *health) trouble(now time.Time, e *BusError) (first, off bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.errors++
	first = h.last == nil
	h.last = e
	if off = e.Off && now.Sub(h.offAt) >= firstBackOff; off { // Send and Receive may both tell of one
		h.offs++
		h.offAt = now
	}
	grave := e.Off || e.Passive || e.NoAcknowledge
	if !grave {
		h.plain++
		grave = h.plain > passing
	}
	if grave && !now.Before(h.until) { // errors of one disturbance count once
		h.pause = min(max(2*h.pause, firstBackOff), longestBackOff)
		h.until = now.Add(h.pause)
	}
	return first, off
}

// hopeless says why no answer can come to a request before which there were so many errors; nil if one can.
func (h *health) hopeless(before uint64) error {
	if err := h.fatal(); err != nil {
		return err
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.errors != before && h.last != nil && (h.last.Off || h.last.NoAcknowledge) {
		return fmt.Errorf("the CAN bus: %w", h.last)
	}
	return nil
}

// sound is for an answer that came.
func (h *health) sound() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.last, h.offs, h.plain, h.pause, h.until, h.offAt = nil, 0, 0, 0, time.Time{}, time.Time{}
}

// backOff says how long nothing may be sent, and why.
func (h *health) backOff(now time.Time) (time.Duration, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if wait := h.until.Sub(now); h.last != nil && wait > 0 {
		return wait, h.last
	}
	return 0, nil
}

// count is the number of errors on the bus, ever.
func (h *health) count() (uint64, *BusError) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.errors, h.last
}
