// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canlink

import (
	"maps"
	"time"
)

const (
	// misses is how often in a row a control unit may leave a request unanswered before it is no longer waited for.
	misses = 3
	// memory is how long the knowledge of who answers a request is trusted: then one request waits for P2 again, so that a
	// control unit that woke up is found.
	memory = 2 * time.Minute
	// mostLearned bounds how many requests are remembered: a poll repeats some twenty.
	mostLearned = 256
)

// forAll are the requests that every control unit has to answer that answers any of its kind: what it supports, after SAE
// J1979 (services 01 to 0A) and after SAE J1979-2 (those above).
var forAll = []string{"\x01\x00", "\x22\xF4\x00"}

// lastClassic is the last service of SAE J1979.
const lastClassic = 0x0A

// learned knows who answers which request to all. The zero value knows nothing.
type learned struct {
	requests map[string]*audience
}

// audience is who answers one request.
type audience struct {
	since time.Time
	units map[byte]int // how often each missed in a row
}

// whom gives those who may answer a request; nil where that is not known.
func (k *learned) whom(request []byte, now time.Time) *audience {
	a := k.requests[string(request)]
	if a == nil && len(request) > 0 {
		a = k.requests[forAll[index(request[0] > lastClassic)]]
	}
	if a == nil || len(a.units) == 0 || now.Sub(a.since) > memory {
		return nil
	}
	return a
}

// note takes in who answered. Only a request that was waited for to the end shows who does not.
func (k *learned) note(request []byte, now time.Time, answered []byte, toTheEnd bool) {
	a := k.requests[string(request)]
	switch {
	case a != nil && now.Sub(a.since) <= memory:
		a.update(answered, toTheEnd)
		if len(a.units) == 0 {
			delete(k.requests, string(request))
		}
	case toTheEnd && len(answered) > 0:
		k.put(string(request), now, answered)
	}
}

func (k *learned) put(request string, now time.Time, answered []byte) {
	if len(k.requests) >= mostLearned {
		maps.DeleteFunc(k.requests, func(_ string, a *audience) bool { return now.Sub(a.since) > memory })
	}
	if k.requests == nil || len(k.requests) >= mostLearned {
		k.requests = map[string]*audience{}
	}
	a := &audience{since: now, units: map[byte]int{}}
	for _, unit := range answered {
		a.units[unit] = 0
	}
	k.requests[request] = a
}

func (a *audience) update(answered []byte, toTheEnd bool) {
	if toTheEnd {
		for unit := range a.units {
			if a.units[unit]++; a.units[unit] >= misses {
				delete(a.units, unit)
			}
		}
	}
	for _, unit := range answered {
		a.units[unit] = 0
	}
}
