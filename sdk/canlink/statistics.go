// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canlink

import (
	"errors"
	"sync/atomic"

	"github.com/airassay/airassay/sdk/adapter"
)

// Statistics count what a link has seen since New.
type Statistics struct {
	// Requests were sent, Answers came whole.
	Requests, Answers uint64
	// Silent requests had no answer; Garbled ones had one that broke the transport's rules.
	Silent, Garbled uint64
	// Late answers belonged to an earlier request, Strange ones to none.
	Late, Strange uint64
	// Repeated frames and answers came twice, and were passed over the second time.
	Repeated uint64
	// Refused requests did more than read.
	Refused uint64
	// BusErrors were reported by the bus, BusOffs among them.
	BusErrors, BusOffs uint64
	// Frames came from the bus, with identifiers of 11 and of 29 bits.
	Frames11, Frames29 uint64
}

type counters struct {
	requests, answers, silent, garbled, late, strange, repeated, refused, busErrors, busOffs atomic.Uint64
}

// note counts how a request ended.
func (c *counters) note(answers int, err error) {
	c.answers.Add(uint64(answers))
	switch {
	case errors.Is(err, adapter.ErrGarbled):
		c.garbled.Add(1)
	case errors.Is(err, adapter.ErrSilent):
		c.silent.Add(1)
	}
}

// Statistics reads the counters. Safe for concurrent use.
func (l *Link) Statistics() Statistics {
	c := &l.counters
	return Statistics{
		Requests: c.requests.Load(), Answers: c.answers.Load(), Silent: c.silent.Load(), Garbled: c.garbled.Load(),
		Late: c.late.Load(), Strange: c.strange.Load(), Repeated: c.repeated.Load(), Refused: c.refused.Load(), BusErrors: c.busErrors.Load(), BusOffs: c.busOffs.Load(),
		Frames11: l.seen[0].Load(), Frames29: l.seen[1].Load(),
	}
}
