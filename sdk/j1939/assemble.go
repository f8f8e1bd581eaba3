// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1939

import (
	"fmt"
	"time"
)

const (
	// broadcast is the control byte that announces a message to all, J1939-21.
	broadcast = 32
	// A message of several frames has 9 to 1785 bytes in packets of 7, J1939-21.
	minMessage, maxMessage, packetLength = 9, 1785, 7
	// patience between two packets, T1 of J1939-21.
	patience = 750 * time.Millisecond
	// senders is how many may be heard at once; a bus has a handful of control units that send long messages.
	senders = 8
)

// Message is a message of several frames.
type Message struct {
	PGN    PGN
	Source uint8
	// Data belongs to the Assembler, and is overwritten with the sender's next message.
	Data []byte
}

// Assembler puts messages together that control units broadcast in several frames. Messages between two of them are none
// of our business. The zero Assembler is ready; it has a fixed size, about 14 KiB, and allocates nothing.
type Assembler struct {
	slots [senders]slot
}

type slot struct {
	busy    bool
	source  uint8
	pgn     PGN
	size    int
	packets int
	next    int // number of the next packet, from 1
	heard   time.Duration
	data    [(maxMessage + packetLength - 1) / packetLength * packetLength]byte
}

// Frame takes a frame of any group at a time since a moment of the caller's choice; times must not go back. done tells that
// it completes a message. An error, an *Error, tells that the sender's message is given up; its next one starts afresh.
// Packets without an announcement, such as those of a message that began before one listened, are ignored.
func (a *Assembler) Frame(now time.Duration, h Header, data []byte) (m Message, done bool, err error) {
	switch {
	case h.Destination != Global:
		return Message{}, false, nil
	case h.PGN == transferSetup:
		return Message{}, false, a.announce(now, h.Source, data)
	case h.PGN == transferData:
		return a.packet(now, h.Source, data)
	}
	return Message{}, false, nil
}

func (a *Assembler) announce(now time.Duration, source uint8, data []byte) error {
	if len(data) == 0 || data[0] != broadcast {
		return nil
	}
	old := a.find(source)
	if old != nil {
		old.busy = false
	}
	if len(data) != frameLength {
		return wrong(transferSetup, min(len(data), frameLength), "8 bytes", "%d", len(data))
	}
	size, packets := int(data[1])|int(data[2])<<8, int(data[3])
	switch {
	case size < minMessage || size > maxMessage:
		return wrong(transferSetup, 1, fmt.Sprintf("%d to %d bytes", minMessage, maxMessage), "%d", size)
	case packets != (size+packetLength-1)/packetLength:
		return wrong(transferSetup, 3, fmt.Sprintf("%d packets for %d bytes", (size+packetLength-1)/packetLength, size), "%d", packets)
	}
	s := a.free(old)
	s.busy, s.source, s.size, s.packets, s.next, s.heard = true, source, size, packets, 1, now
	s.pgn = PGN(data[5]) | PGN(data[6])<<8 | PGN(data[7]&3)<<16
	return nil
}

func (a *Assembler) packet(now time.Duration, source uint8, data []byte) (Message, bool, error) {
	s := a.find(source)
	if s == nil {
		return Message{}, false, nil
	}
	var err error
	switch {
	case now-s.heard > patience:
		err = wrong(s.pgn, 0, fmt.Sprintf("packet %d within %v", s.next, patience), "it after %v", now-s.heard)
	case len(data) != frameLength:
		err = wrong(s.pgn, min(len(data), frameLength), "a packet of 8 bytes", "%d", len(data))
	case int(data[0]) != s.next:
		err = wrong(s.pgn, 0, fmt.Sprintf("packet %d", s.next), "%d", data[0])
	}
	if err != nil {
		s.busy = false
		return Message{}, false, err
	}
	copy(s.data[(s.next-1)*packetLength:], data[1:])
	s.heard = now
	if s.next++; s.next <= s.packets {
		return Message{}, false, nil
	}
	s.busy = false
	return Message{s.pgn, source, s.data[:s.size]}, true, nil
}

func (a *Assembler) find(source uint8) *slot {
	for i := range a.slots {
		if s := &a.slots[i]; s.busy && s.source == source {
			return s
		}
	}
	return nil
}

// free is the sender's own slot, else one that is not busy, else the one that was silent the longest.
func (a *Assembler) free(own *slot) *slot {
	if own != nil {
		return own
	}
	best := &a.slots[0]
	for i := range a.slots {
		s := &a.slots[i]
		if !s.busy {
			return s
		}
		if s.heard < best.heard {
			best = s
		}
	}
	return best
}
