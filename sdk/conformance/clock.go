// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

import (
	"slices"
	"sync"
	"time"
)

// beat is one message of a lifeline.
type beat struct {
	at  time.Time
	now int64 // microseconds of the adapter's clock
}

// clock relates the adapter's clock to the kit's by the messages of the lifeline.
type clock struct {
	mu    sync.Mutex
	beats []beat
	news  chan struct{} // closed and replaced with each beat
}

func newClock() *clock { return &clock{news: make(chan struct{})} }

func (c *clock) add(b beat) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.beats = append(c.beats, b)
	close(c.news)
	c.news = make(chan struct{})
}

// heard gives the beats so far, and a channel that is closed with the next.
func (c *clock) heard() ([]beat, <-chan struct{}) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return slices.Clip(c.beats), c.news
}

// at converts an instant to the adapter's clock. A message is never read before it is sent, so the smallest distance that
// was seen is the nearest to the truth.
func (c *clock) at(t time.Time) (us int64, ok bool) {
	beats, _ := c.heard()
	for i, b := range beats {
		if here := b.now + t.Sub(b.at).Microseconds(); i == 0 || here > us {
			us = here
		}
	}
	return us, len(beats) > 0
}
