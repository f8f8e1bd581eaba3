// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package host

import (
	"sync"
	"time"
)

// clock relates an adapter's clock to the host's by the messages of the lifeline. Each was made before it came, so the
// earliest that fits them all is the best; a few messages bring it within the quickest of their deliveries, some tenths
// of a millisecond.
type clock struct {
	mu   sync.Mutex
	zero time.Time // when the adapter's clock showed 0; the zero Time before the first message
}

// learn takes a message into account. Both clocks are monotonic.
func (c *clock) learn(nowUS int64, arrived time.Time) {
	zero := arrived.Add(-time.Duration(nowUS) * time.Microsecond)
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.zero.IsZero() || zero.Before(c.zero) {
		c.zero = zero
	}
}

// ClockZero is the instant at which the adapter's clock showed 0, as well as it is known by now: it may still move
// to an earlier instant, by less than a message took to arrive. What must not jump, such as the times of one feed, keeps
// the one that it began with.
func (c *Connection) ClockZero() time.Time {
	c.lifeline.clock.mu.Lock()
	defer c.lifeline.clock.mu.Unlock()
	return c.lifeline.clock.zero
}
