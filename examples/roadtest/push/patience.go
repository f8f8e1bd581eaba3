// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package push

import (
	"context"
	"time"

	"github.com/cenkalti/backoff/v5"
)

const (
	// firstDelay is long enough not to meet the same instant of a restart again, and
	// short enough that nobody notices.
	firstDelay = 50 * time.Millisecond
	// maxDelay is the longest pause between attempts, jitter not counted.
	maxDelay = 3 * time.Second
	// jitter spreads the pauses: half to one and a half times as long.
	jitter = 0.5
	growth = 1.6
)

// patience decides after each failure whether to try again, and when.
type patience struct {
	wait   time.Duration
	delays *backoff.ExponentialBackOff
	// since is when the failures began; zero while all is well.
	since time.Time
	// counted is how much of the time since then has been counted.
	counted time.Duration
}

func newPatience(wait time.Duration) *patience {
	p := &patience{wait: wait, delays: &backoff.ExponentialBackOff{
		InitialInterval: firstDelay, RandomizationFactor: jitter, Multiplier: growth, MaxInterval: maxDelay,
	}}
	p.delays.Reset()
	return p
}

// well says that the server has moved the work on.
func (p *patience) well() {
	p.since, p.counted = time.Time{}, 0
	p.delays.Reset()
}

// failed takes a failure and gives the pause before the next attempt, or the error that ends the work.
func (p *patience) failed(err error) (time.Duration, error) {
	asked, again := mayPass(err)
	if !again {
		return 0, err
	}
	now := time.Now()
	if p.since.IsZero() {
		p.since = now
	}
	pause := max(p.delays.NextBackOff(), asked)
	if away := now.Sub(p.since); away+pause > p.wait {
		return 0, &UnreachableError{Away: away, Err: err}
	}
	return pause, nil
}

// away is how long the failures have lasted.
func (p *patience) away() time.Duration {
	if p.since.IsZero() {
		return 0
	}
	return time.Since(p.since)
}

// uncounted is how long the failures have lasted since the last call.
func (p *patience) uncounted() time.Duration {
	before := p.counted
	p.counted = p.away()
	return p.counted - before
}

// sleep waits, or gives the cause for which ctx ended.
func sleep(ctx context.Context, d time.Duration) error {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return context.Cause(ctx)
	case <-timer.C:
		return nil
	}
}
