// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canlink

import (
	"maps"
	"math"
	"slices"
	"time"
)

const (
	// misses is how often in a row a control unit may leave a request unanswered, at least, before it is no longer waited for.
	misses = 3
	// rarity is the natural logarithm of how improbable that must be by chance: one in a thousand, at the rate at which the
	// unit has missed before, which is taken for usualMiss at least.
	rarity    = 6.9
	usualMiss = 0.05
	// rounds is how many requests must have been waited for to the end before it is known who answers: in one, an answer may
	// have been lost.
	rounds = 2
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
	since  time.Time
	rounds int // requests that were waited for to the end
	units  map[byte]attendance
}

// attendance is how often a control unit answered and missed, and how often it missed in a row.
type attendance struct{ answered, missed, row int }

// gone says that it has missed more often in a row than by chance.
func (a attendance) gone() bool {
	rate := max(usualMiss, float64(a.missed-a.row)/float64(max(1, a.answered+a.missed-a.row)))
	return a.row >= misses && float64(a.row)*-math.Log(rate) >= rarity
}

// whom gives those who may answer a request; nil where that is not known.
func (k *learned) whom(request []byte, now time.Time) *audience {
	a := k.requests[string(request)]
	if a == nil && len(request) > 0 {
		a = k.requests[forAll[index(request[0] > lastClassic)]]
	}
	if a == nil || len(a.units) == 0 || a.rounds < rounds || now.Sub(a.since) > memory {
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
	a := &audience{since: now, units: map[byte]attendance{}}
	a.update(answered, true)
	k.requests[request] = a
}

func (a *audience) update(answered []byte, toTheEnd bool) {
	if toTheEnd {
		a.rounds++
		for unit, record := range a.units {
			if slices.Contains(answered, unit) {
				continue
			}
			record.missed++
			record.row++
			a.units[unit] = record
			if record.gone() {
				delete(a.units, unit)
			}
		}
	}
	for _, unit := range answered {
		record := a.units[unit]
		record.answered++
		record.row = 0
		a.units[unit] = record
	}
}
