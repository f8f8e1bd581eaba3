// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package host

import (
	"testing"
	"time"
)

func TestALateMessageDoesNotMoveTheClock(t *testing.T) {
	var c clock
	start := time.Now()
	at := func(ms, late int) { // A message made after ms that came late.
		c.learn(int64(ms)*1000, start.Add(time.Duration(ms+late)*time.Millisecond))
	}
	at(1000, 30)
	at(2000, 2)
	at(3000, 900)
	if off := c.zero.Sub(start); off != 2*time.Millisecond {
		t.Errorf("the clock is off by %v, the quickest message took 2ms", off)
	}
}
