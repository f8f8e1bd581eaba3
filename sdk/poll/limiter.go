// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package poll

import (
	"math"
	"slices"

	"github.com/airassay/airassay/sdk/adapter"
)

// DefaultMaxRequestsPerS is the rate cap where none is set, in requests per second. A diagnostic tester shares the bus and the
// control unit's time with the vehicle itself; more brings little, since values are refreshed every 10 to 100 ms.
const DefaultMaxRequestsPerS = 100

// burst is how many requests may go ahead of an even pace. It lets a late request be made up for.
const burst = 2

// limiter holds requests below a rate. In any window of a second (of 1/rate where the rate is below 1) there are never more
// requests than the whole number below the rate; within it they are spread evenly, save that those of one group may follow
// each other at once.
type limiter struct {
	sent   []adapter.Time // the latest, oldest at next; never where there was none
	next   int
	window adapter.Time
	gap    float64 // µs between requests at an even pace
	pace   float64 // when the next is due at that pace, µs
}

func newLimiter(perS float64) limiter {
	if !(perS > 0) || math.IsInf(perS, 0) {
		perS = DefaultMaxRequestsPerS
	}
	n := max(1, min(int(perS), maxWindow))
	gap := 1e6 / perS
	window := 1e6
	if n == 1 || n == maxWindow {
		window = math.Ceil(float64(n) * gap)
	}
	return limiter{sent: slices.Repeat([]adapter.Time{never}, n), window: adapter.Time(window), gap: gap, pace: math.Inf(-1)}
}

// maxWindow bounds the memory of a limiter; at higher rates the window is shorter than a second.
const maxWindow = 10_000

// ready tells from when on a request may be sent. What goes on with a group needs no pace.
func (l *limiter) ready(goesOn bool) adapter.Time {
	at := l.sent[l.next]
	if at != never {
		at += l.window
	}
	if paced := l.pace - burst*l.gap; !goesOn && paced > float64(at) {
		at = adapter.Time(math.Ceil(paced))
	}
	return at
}

// take notes a request.
func (l *limiter) take(now adapter.Time) {
	l.pace = max(l.pace, float64(now)) + l.gap
	l.sent[l.next] = now
	l.next = (l.next + 1) % len(l.sent)
}

// correct moves the latest request to when it was on the wire.
func (l *limiter) correct(sent adapter.Time) {
	last := &l.sent[(l.next+len(l.sent)-1)%len(l.sent)]
	*last = max(*last, sent)
}
