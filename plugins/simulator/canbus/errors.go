// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canbus

import (
	"time"

	"github.com/airassay/airassay/sdk/canlink"
)

// failure is what destroys a frame.
type failure int

const (
	noFailure failure = iota
	// nobodyThere: no other node acknowledges.
	nobodyThere
	// foreign: another node at the wrong bit rate cries out, or this one is at it.
	foreign
	// disturbed: an error frame that a fault has ordered.
	disturbed
)

// failureOf says what will become of a frame that a node begins to send.
func (b *Bus) failureOf(from *Node, start time.Time) (failure, *Node) {
	f := b.failing(from)
	if f == foreign && from.rate() == b.options.BitRate {
		for _, n := range b.nodes {
			if n.disturbs(b) {
				return f, n
			}
		}
	}
	if f == noFailure && b.plight.strikes(ErrorFrame, start) {
		return disturbed, nil
	}
	return f, nil
}

// failing says whether a node's frames can come through as things stand.
func (b *Bus) failing(from *Node) failure {
	if from.rate() != b.options.BitRate {
		return foreign
	}
	heard := false
	for _, n := range b.nodes {
		if n == from {
			continue
		}
		if n.disturbs(b) {
			return foreign
		}
		heard = heard || n.hears(b) && !n.options.ListenOnly
	}
	if !heard {
		return nobodyThere
	}
	return noFailure
}

// disturbs is true for a node at the wrong bit rate that is not error passive yet: to it every frame is an error, and it
// says so with a dominant flag.
func (n *Node) disturbs(b *Bus) bool {
	return n.rate() != b.options.BitRate && !n.options.ListenOnly && !n.isOff() && !n.apart && n.reads < passiveFrom && n.sends < passiveFrom
}

// failed counts a destroyed frame on all sides. The sender tries again until it is bus-off.
func (b *Bus) failed(t *transmission) {
	n := t.from
	// A passive node that merely gets no acknowledgement counts no further (ISO 11898-1).
	if t.failure != nobodyThere || n.sends < passiveFrom {
		n.sends += sendPenalty
	}
	for _, other := range b.nodes {
		if other != n && !other.isOff() && !other.apart && t.failure != nobodyThere {
			other.reads = min(other.reads+readPenalty, passiveFrom+readPenalty)
			if other.rate() != b.options.BitRate || other.reads >= passiveFrom && !other.toldPassive {
				other.tell(t.end, t.failure)
			}
		}
	}
	if n.sends >= busOffFrom {
		n.goOff(t.end, t.failure)
		return
	}
	n.tell(t.end, t.failure)
	if t.item.given {
		n.drop(t.item, t.item.why)
	}
}

// tell reports a failure to whoever receives, once until something has come through or the state changes.
func (n *Node) tell(at time.Time, f failure) {
	passive := n.sends >= passiveFrom || n.reads >= passiveFrom
	if n.told && passive == n.toldPassive {
		return
	}
	n.told, n.toldPassive = true, passive
	n.push(event{at: at, err: n.busError(f)})
}

// goOff takes the node out of the traffic.
func (n *Node) goOff(at time.Time, f failure) {
	n.off, n.offUntil = true, time.Time{}
	if n.options.RestartAfter > 0 {
		n.offUntil = at.Add(n.options.RestartAfter)
	}
	err := n.busError(f)
	n.dropAll(err)
	n.push(event{at: at, err: err})
}

// isOff is true while the node is bus-off. It ends that where the time has come.
func (n *Node) isOff() bool {
	if n.off && !n.offUntil.IsZero() && !time.Now().Before(n.offUntil) {
		n.restart()
	}
	return n.off
}

func (n *Node) restart() {
	n.off, n.told = false, false
	n.sends, n.reads = 0, 0
}

// BusOff takes the node out of the traffic at once, as too many errors would.
func (n *Node) BusOff() {
	n.bus.mu.Lock()
	defer n.bus.mu.Unlock()
	n.sends = busOffFrom
	n.goOff(time.Now(), disturbed)
}

// Restart ends a bus-off.
func (n *Node) Restart() {
	n.bus.mu.Lock()
	defer n.bus.mu.Unlock()
	n.restart()
}

// busError is how the node stands, and what the failure was.
func (n *Node) busError(f failure) error {
	return &canlink.BusError{
		Off: n.off, Passive: n.sends >= passiveFrom || n.reads >= passiveFrom, NoAcknowledge: f == nobodyThere, Detail: details[f],
	}
}

var details = map[failure]string{
	foreign:   "frames are garbled, as at another bit rate",
	disturbed: "an error frame came",
}
