// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socket

import (
	"time"

	"github.com/airassay/airassay/sdk/adapter"
)

const (
	// stepped is how far the time of day may drift against the monotonic clock between two readings before it counts as
	// set by somebody: clock discipline slews by at most 500 ppm (adjtimex(2)), which is 0.5 ms in a second.
	stepped = 2 * time.Millisecond
	// oldest is how old a kernel's time may be. A frame that waited longer in a socket was of no use anyway.
	oldest = 10 * time.Second
)

// clock converts the kernel's receive times, which are the time of day, to the adapter's monotonic clock. Its zero value
// is ready. It is for one goroutine at a time.
type clock struct {
	known  bool
	offset time.Duration // time of day less the monotonic clock at the last reading
	last   adapter.Time  // of the last frame
}

// at converts the kernel's time of a frame; now is read right after the frame was fetched. Where the time of day was set
// meanwhile, or the kernel gave no time, the frame counts as received now. Times never go back.
func (c *clock) at(stamp time.Time, now time.Time) adapter.Time {
	fetched := adapter.At(now)
	offset := time.Duration(now.UnixMicro()-int64(fetched)) * time.Microsecond
	moved := offset - c.offset
	sound := !c.known || moved.Abs() <= stepped
	c.known, c.offset = true, offset
	received := fetched
	// Round strips the monotonic reading, so that the time of day is compared.
	if age := now.Round(0).Sub(stamp); sound && !stamp.IsZero() && age >= 0 && age <= oldest {
		received = fetched.Add(-age)
	}
	c.last = max(c.last, received)
	return c.last
}
