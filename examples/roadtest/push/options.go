// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package push

import "time"

// Options of calls and writers. The zero value is usable.
type Options struct {
	// Wait is how long the server may be away; 0 for a minute.
	Wait time.Duration
	// Answer is how long one answer may take before the connection counts as lost; 0 for
	// fifteen seconds, far more than a busy disk needs.
	Answer time.Duration
	// Buffer is the most samples that a writer keeps unacknowledged; 0 for 65,536, some 3 MB
	// and twenty minutes of a drive at 50 samples a second. A batch that is larger waits until it is alone.
	Buffer int
	// Notify is told when a connection is lost and when it is back. It must return soon: nothing
	// is sent meanwhile. Nil for nobody.
	Notify func(Event)
}

// Event is one change of a connection: lost where Lost is set, and back where it is nil.
type Event struct {
	// Lost is what the last attempt met.
	Lost error
	// Pause is how long the next attempt waits.
	Pause time.Duration
	// Away is how long the server has been away, counted from the first failure.
	Away time.Duration
	// Sequence is the highest that is durable, for a writer that is back.
	Sequence int64
}

const (
	defaultWait   = time.Minute
	defaultAnswer = 15 * time.Second
	defaultBuffer = 1 << 16
)

func (o Options) withDefaults() Options {
	if o.Wait <= 0 {
		o.Wait = defaultWait
	}
	if o.Answer <= 0 {
		o.Answer = defaultAnswer
	}
	if o.Buffer <= 0 {
		o.Buffer = defaultBuffer
	}
	if o.Notify == nil {
		o.Notify = func(Event) {}
	}
	return o
}
