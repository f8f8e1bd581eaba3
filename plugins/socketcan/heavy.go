// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socketcan

import (
	"fmt"
	"log/slog"
	"time"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/isotp"
	"github.com/airassay/airassay/sdk/j1939"
)

// heavy decodes the broadcasts of a heavy vehicle (SAE J1939) as samples. Of a group that several control units send, the first
// that was heard counts. Trouble codes go to the log.
//
// A value was taken at some time between the message before and its own. Its time is the middle of the shortest interval
// between two that was seen, counted back from the message: that interval only shrinks, so times do not go back. What the
// last interval was longer is in the uncertainty. The first message of a group gives no sample, as its interval is not known.
type heavy struct {
	stamp     time.Duration // half-width of a frame's time
	reader    j1939.Decoder
	assembler j1939.Assembler
	groups    map[j1939.PGN]*group
	readings  []j1939.Reading
	samples   []adapter.Sample
	signals   []adapter.Signal
	troubles  []j1939.Trouble
	codes     map[uint8]string // by source, as they were logged
}

// group is what is known of the messages of one group.
type group struct {
	source   uint8
	last     adapter.Time
	shortest time.Duration // between two; 0 before the second
}

// longestInterval bounds what counts as an interval: a message that comes after more is taken for a first one. The slowest that
// are read come every second (SAE J1939-71).
const longestInterval = 3 * time.Second

// mostCodes bounds the control units whose codes are remembered: there are 254 addresses (SAE J1939-81).
const mostCodes = 254

func newHeavy(stamp time.Duration) *heavy {
	return &heavy{stamp: stamp, groups: map[j1939.PGN]*group{}, codes: map[uint8]string{}}
}

func (h *heavy) decode(f *isotp.Frame, at adapter.Time) ([]adapter.Sample, []adapter.Signal) {
	h.samples, h.signals = h.samples[:0], h.signals[:0]
	if !f.Extended || f.FD {
		return nil, nil
	}
	head := j1939.Read(f.ID)
	if head.PGN == j1939.ActiveCodes {
		h.tellCodes(head.Source, f.Payload())
	} else if m, done, err := h.assembler.Frame(time.Duration(at)*time.Microsecond, head, f.Payload()); err == nil && done && m.PGN == j1939.ActiveCodes {
		h.tellCodes(m.Source, m.Data)
	}
	var err error
	if h.readings, err = h.reader.Decode(h.readings[:0], head.PGN, f.Payload()); err != nil {
		slog.Debug("a broadcast cannot be read", "frame", f.String(), "error", err)
		return nil, nil
	}
	if len(h.readings) == 0 {
		return nil, nil
	}
	interval, g := h.interval(head, at)
	if g == nil || interval == 0 {
		return nil, nil
	}
	for i := range h.readings {
		h.add(&h.readings[i], at, interval, g)
	}
	return h.samples, h.signals
}

// interval gives the time since the message before of the same group and control unit; 0 where there is none, and no group
// for a control unit that does not count.
func (h *heavy) interval(head j1939.Header, at adapter.Time) (time.Duration, *group) {
	g := h.groups[head.PGN]
	if g == nil || g.source != head.Source && at.Sub(g.last) > longestInterval {
		// A group that nobody sends any more may be another's, from another control unit.
		shortest := time.Duration(0)
		if g != nil {
			shortest = g.shortest
		}
		h.groups[head.PGN] = &group{source: head.Source, last: at, shortest: shortest}
		return 0, nil
	}
	if g.source != head.Source {
		return 0, nil
	}
	interval := at.Sub(g.last)
	g.last = at
	if interval <= 0 || interval > longestInterval {
		return 0, g
	}
	if g.shortest == 0 || interval < g.shortest {
		g.shortest = interval
	}
	return interval, g
}

func (h *heavy) add(r *j1939.Reading, at adapter.Time, interval time.Duration, g *group) {
	if !r.HasSignal {
		return
	}
	s := r.Signal.Signal()
	signal := adapter.Signal{
		Path: s.Path, Unit: s.Unit, Uncertainty: interval + h.stamp, Refresh: g.shortest,
	}
	if r.State != j1939.Valid {
		return
	}
	h.signals = append(h.signals, signal)
	h.samples = append(h.samples, adapter.Sample{
		Path: s.Path, Value: r.Value, Time: at.Add(-g.shortest / 2), Uncertainty: interval - g.shortest/2 + h.stamp,
	})
}

// tellCodes logs the active codes of a control unit when they change.
func (h *heavy) tellCodes(source uint8, message []byte) {
	var lamps j1939.Lamps
	var err error
	if h.troubles, lamps, err = j1939.ReadTrouble(h.troubles[:0], j1939.ActiveCodes, message); err != nil {
		slog.Debug("a message of codes cannot be read", "source", source, "error", err)
		return
	}
	text := fmt.Sprint(h.troubles, lamps)
	if h.codes[source] == text || len(h.codes) >= mostCodes {
		return
	}
	h.codes[source] = text
	slog.Info("active trouble codes", "source", source, "codes", fmt.Sprint(h.troubles), "malfunction_lamp", lamps.Malfunction)
}
