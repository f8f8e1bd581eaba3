// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package ecu

import (
	"math/rand/v2"
	"slices"
	"time"

	"github.com/airassay/airassay/sdk/j1979"
)

// Trouble is one thing that goes wrong with an answer.
type Trouble int

// Troubles.
const (
	// Late sends the answer Faults.LateBy after its time.
	Late Trouble = iota
	// Lost sends no answer.
	Lost
	// Duplicated sends the answer twice.
	Duplicated
	// Truncated cuts one or more bytes off the end.
	Truncated
	// Reordered swaps the bytes behind the service byte, from a place drawn on, as a unit
	// with a muddled buffer does.
	Reordered
	// Malformed changes a byte.
	Malformed
	// Busy answers 7F with code 21 instead.
	Busy
	// Pending asks for patience first, with code 78, and answers Faults.LateBy later.
	Pending
	numTroubles
)

// Chances are how likely each trouble is for each answer, 0 to 1, as in
// Chances{Lost: 0.01}.
type Chances [numTroubles]float64

// Scripted is a trouble that happens for certain.
type Scripted struct {
	Trouble Trouble
	// From is when, since the start of the drive. For is for how long; 0 for the first
	// answer after From only.
	From, For time.Duration
}

// Faults decide what goes wrong with answers. The zero value is a sound link.
type Faults struct {
	Chances Chances
	Script  []Scripted
	// LateBy is how late a late answer is, and how long a pending one takes; 0 for 100 ms.
	LateBy time.Duration
	// Pendings is how often code 78 comes before a pending answer; 0 for once.
	Pendings int
}

const usualLateness = 100 * time.Millisecond

// plight is a unit's faults at work.
type plight struct {
	Faults

	random *rand.Rand
	done   map[int]bool // entries of the script that happen once
}

// strikes says whether a trouble happens to an answer.
func (p *plight) strikes(t Trouble, driven time.Duration) bool {
	by := p.Chances[t] > 0 && p.random.Float64() < p.Chances[t]
	for i, s := range p.Script {
		switch {
		case s.Trouble != t || driven < s.From:
		case s.For > 0:
			by = by || driven < s.From+s.For
		case !p.done[i]:
			if p.done == nil {
				p.done = map[int]bool{}
			}
			p.done[i], by = true, true
		}
	}
	return by
}

// visit makes of one reply what becomes of it.
func (p *plight) visit(driven time.Duration, r Reply, service byte) []Reply {
	late := p.LateBy
	if late == 0 {
		late = usualLateness
	}
	if p.strikes(Lost, driven) {
		return nil
	}
	if p.strikes(Late, driven) {
		r.After += late
	}
	var out []Reply
	if p.strikes(Pending, driven) {
		for range max(1, p.Pendings) {
			out = append(out, Reply{j1979.AppendNegative(nil, service, j1979.CodePending), r.After})
			r.After += late
		}
	}
	if p.strikes(Busy, driven) {
		r.Payload = j1979.AppendNegative(nil, service, j1979.CodeBusy)
	}
	r.Payload = p.spoil(driven, r.Payload)
	out = append(out, r)
	if p.strikes(Duplicated, driven) {
		out = append(out, Reply{slices.Clone(r.Payload), r.After})
	}
	return out
}

// spoil damages a payload. What is left is never empty.
func (p *plight) spoil(driven time.Duration, payload []byte) []byte {
	if p.strikes(Truncated, driven) && len(payload) > 1 {
		payload = payload[:1+p.random.IntN(len(payload)-1)]
	}
	if p.strikes(Reordered, driven) && len(payload) > 3 {
		from := 1 + p.random.IntN(len(payload)-2)
		payload = slices.Clone(payload)
		slices.Reverse(payload[from:])
	}
	if p.strikes(Malformed, driven) {
		payload = slices.Clone(payload)
		payload[p.random.IntN(len(payload))] ^= 1 << p.random.IntN(8)
	}
	return payload
}
