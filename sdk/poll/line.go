// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package poll

import (
	"context"
	"sync"

	"github.com/airassay/airassay/sdk/adapter"
)

// Cable is hardware that carries one request at a time.
type Cable interface {
	adapter.Linker
	adapter.Conn
}

// Line lets a feed and the host's own requests share a cable: one request at a time, in the order in which they come.
type Line struct {
	ending

	cable Cable
	turn  chan struct{}
	close func() error
}

// Share makes a cable safe for concurrent use.
func Share(c Cable) *Line {
	return &Line{ending: endingOf(c), cable: c, turn: make(chan struct{}, 1), close: sync.OnceValue(c.Close)}
}

// Request waits for the cable, and sends. Waiting ends with the context.
func (l *Line) Request(ctx context.Context, r adapter.Request) (adapter.Answers, error) {
	select { // those who wait for a channel are served in order
	case l.turn <- struct{}{}:
	case <-ctx.Done():
		return adapter.Answers{}, context.Cause(ctx)
	}
	defer func() { <-l.turn }()
	if ctx.Err() != nil {
		return adapter.Answers{}, context.Cause(ctx)
	}
	sent := adapter.Now()
	answers, err := l.cable.Request(ctx, r)
	if answers.Sent == 0 {
		answers.Sent = sent // and not when the wait began
	}
	return answers, err
}

// Close closes the cable, once.
func (l *Line) Close() error { return l.close() }
