// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package poll

import (
	"time"

	"github.com/airassay/airassay/sdk/adapter"
)

const (
	// shortestTimeout is how long an answer is waited for at least: a control unit has P2 = 50 ms to begin it (ISO
	// 15765-3), and frames, gateways and the host's scheduler take theirs. Giving up earlier would take a late answer for
	// that to the next request.
	shortestTimeout = 75 * time.Millisecond
	// firstTimeout holds before a control unit has answered. Slow links need most of it.
	firstTimeout = time.Second
	// longestTimeout is what adapter.Request allows.
	longestTimeout = 5 * time.Second
	// patience is how many requests in a row may stay unanswered before pauses are made: frames are lost on sound links
	// too. After muchPatience it is believed that the control unit has become slower, and waited for longer.
	patience     = 5
	muchPatience = 8
	// enoughAnswers make a latency known.
	enoughAnswers = 3
)

// latency follows how long a control unit takes from the request's sending to the answer's first frame, µs.
type latency struct {
	mean, deviation float64
	shortest        adapter.Time
	answers         int
	silent          int // requests in a row without an answer
}

// took takes the time of one answer. Mean and deviation follow as the retransmission timer of RFC 6298 does.
func (l *latency) took(t adapter.Time) {
	v := float64(max(t, 0))
	if l.answers == 0 {
		l.mean, l.deviation, l.shortest = v, v/2, t
	} else {
		off := v - l.mean
		l.mean += off / 8
		l.deviation += (max(off, -off) - l.deviation) / 4
		l.shortest = min(l.shortest, t)
	}
	l.answers++
	l.silent = 0
}

// timeout is how long to wait for the next answer.
func (l *latency) timeout() time.Duration {
	t := firstTimeout
	if l.answers >= enoughAnswers {
		t = max(shortestTimeout, time.Duration(l.mean+4*l.deviation)*time.Microsecond+shortestTimeout/2)
	}
	for n := l.silent; n >= muchPatience && t < firstTimeout; n-- {
		t = min(2*t, firstTimeout)
	}
	return min(t, longestTimeout)
}
