// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canbus

import (
	"math/rand/v2"
	"time"

	"github.com/airassay/airassay/sdk/isotp"
)

// FrameTrouble is one thing that goes wrong with a frame.
type FrameTrouble int

// Troubles of frames.
const (
	// FrameLost reaches nobody, though it is acknowledged: as where a gateway or a full
	// buffer drops it.
	FrameLost FrameTrouble = iota
	// FrameDuplicated reaches everybody twice.
	FrameDuplicated
	// ErrorFrame is destroyed on the bus and sent again; a Bus only.
	ErrorFrame
	// FrameSwapped goes after the frame that follows it, where one follows; ServeOptions only.
	FrameSwapped
	// WrongPadding fills the frame up with other bytes than it should; ServeOptions only.
	WrongPadding
	// FrameTruncated lacks its last data byte; ServeOptions only.
	FrameTruncated
	numFrameTroubles
)

// FrameChances are how likely each trouble is for each frame, 0 to 1, as in
// FrameChances{FrameLost: 0.01}.
type FrameChances [numFrameTroubles]float64

// ScriptedFrame is a trouble that happens for certain.
type ScriptedFrame struct {
	Trouble FrameTrouble
	// From is when, since the bus was made or the unit was served. For is for how long; 0
	// for the first frame after From only.
	From, For time.Duration
}

// FrameFaults decide what goes wrong with frames. The zero value is a sound bus.
type FrameFaults struct {
	Chances FrameChances
	Script  []ScriptedFrame
}

// plight are the faults at work.
type plight struct {
	FrameFaults

	random *rand.Rand
	born   time.Time
	done   []bool // entries of the script that happen once
}

func newPlight(f FrameFaults, seed, stream uint64) plight {
	return plight{f, rand.New(rand.NewPCG(seed, stream)), time.Now(), make([]bool, len(f.Script))}
}

// strikes says whether a trouble happens to a frame at an instant.
func (p *plight) strikes(t FrameTrouble, at time.Time) bool {
	by := p.Chances[t] > 0 && p.random.Float64() < p.Chances[t]
	for i, s := range p.Script {
		switch age := at.Sub(p.born); {
		case s.Trouble != t || age < s.From:
		case s.For > 0:
			by = by || age < s.From+s.For
		case !p.done[i]:
			p.done[i], by = true, true
		}
	}
	return by
}

// copies is how often a frame arrives.
func (p *plight) copies(at time.Time) int {
	switch {
	case p.strikes(FrameLost, at):
		return 0
	case p.strikes(FrameDuplicated, at):
		return 2
	}
	return 1
}

// spoil changes a frame as its troubles want. From is where its padding begins.
func (p *plight) spoil(f *isotp.Frame, from int, at time.Time) {
	if p.strikes(WrongPadding, at) {
		for i := from; i < int(f.Length); i++ {
			f.Data[i] = byte(p.random.Uint32())
		}
	}
	if p.strikes(FrameTruncated, at) && f.Length > 0 && f.Length <= isotp.MaxClassic {
		f.Length--
		f.Data[f.Length] = 0
	}
}
