// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socketcan

import (
	"math"
	"testing"
	"time"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/isotp"
	"github.com/airassay/airassay/sdk/j1939"
)

// broadcast is a frame as a control unit of a heavy vehicle sends it.
func broadcast(pgn j1939.PGN, source uint8, data ...byte) *isotp.Frame {
	head := j1939.Header{Priority: 6, PGN: pgn, Destination: j1939.Global, Source: source}
	f := &isotp.Frame{ID: head.ID(), Extended: true, Length: 8}
	for i := range f.Data[:8] {
		f.Data[i] = 0xFF
	}
	copy(f.Data[:], data)
	return f
}

const second = adapter.Time(1_000_000)

func TestAirFlowOfHeavyVehicleIsLost(t *testing.T) {
	h := newHeavy(100 * time.Microsecond)
	// 0.05 kg/h a bit: 7200 is 360 kg/h, 100 g/s.
	flow := broadcast(j1939.AirFlow, 0, 0xFF, 0xFF, 0x20, 0x1C)
	if samples, _ := h.decode(flow, second); len(samples) > 0 {
		t.Errorf("the first message, whose interval nobody knows, gives %+v", samples)
	}
	samples, signals := h.decode(flow, second+50_000)
	if len(samples) != 1 || len(signals) != 1 || signals[0].Path != "Vehicle.OBD.MAF" || signals[0].Unit != "g/s" {
		t.Fatalf("got %+v, %+v", samples, signals)
	}
	s := samples[0]
	if math.Abs(s.Value-100) > 1e-9 || s.Time != second+25_000 || s.Uncertainty != 25*time.Millisecond+100*time.Microsecond {
		t.Errorf("got %+v", s)
	}
	samples, _ = h.decode(flow, second+150_000)
	if s := samples[0]; s.Time != second+125_000 || s.Uncertainty != 75*time.Millisecond+100*time.Microsecond {
		t.Errorf("after a message was late, got %+v", s)
	}
}

func TestTimesOfBroadcastsGoBack(t *testing.T) {
	h := newHeavy(time.Microsecond)
	speed := broadcast(j1939.EngineSpeed, 0, 0xFF, 0xFF, 0xFF, 0x00, 0x40)
	at, last := second, adapter.Time(0)
	for _, interval := range []adapter.Time{100_000, 100_000, 20_000, 10_000, 90_000, 10_000, 1, 50_000} {
		at += interval
		for _, s := range first(h.decode(speed, at)) {
			if s.Time < last || s.Time > at || s.Uncertainty <= 0 {
				t.Errorf("a message at %d gives a sample of %d, the one before was of %d", at, s.Time, last)
			}
			last = s.Time
		}
	}
}

func first(samples []adapter.Sample, _ []adapter.Signal) []adapter.Sample { return samples }

func TestTwoControlUnitsAreMixed(t *testing.T) {
	h := newHeavy(time.Microsecond)
	at := second
	for range 5 {
		at += 20_000
		own, other := broadcast(j1939.EngineSpeed, 0, 0xFF, 0xFF, 0xFF, 0x00, 0x40), broadcast(j1939.EngineSpeed, 1, 0xFF, 0xFF, 0xFF, 0x00, 0x20)
		for _, s := range first(h.decode(own, at)) {
			if s.Value != 2048 {
				t.Errorf("the engine speed is %v", s.Value)
			}
		}
		if samples := first(h.decode(other, at+1)); len(samples) > 0 {
			t.Errorf("another control unit gives %+v", samples)
		}
	}
}

func TestWhatIsNoBroadcastGivesSamples(t *testing.T) {
	h := newHeavy(time.Microsecond)
	for _, f := range []*isotp.Frame{
		{ID: 0x7E8, Length: 8}, {ID: broadcast(j1939.AirFlow, 0).ID, Extended: true, Length: 3},
		broadcast(j1939.AirFlow, 0), broadcast(j1939.ActiveCodes, 0, 0, 0, 1, 2, 3, 4), broadcast(j1939.EngineSpeed, 0, 0xFF, 0xFF, 0xFF, 0xFE, 0xFE),
	} {
		for n := range adapter.Time(3) {
			if samples, _ := h.decode(f, second+n*1000); len(samples) > 0 {
				t.Errorf("%v gives %+v", f, samples)
			}
		}
	}
}

func FuzzHeavy(f *testing.F) {
	f.Add(uint32(0x18F00A00), []byte{0xFF, 0xFF, 0x20, 0x1C, 0xFF, 0xFF, 0xFF, 0xFF}, uint16(50))
	f.Add(uint32(0x18FECA00), []byte{0x40, 0xFF, 1, 2, 3, 4, 0xFF, 0xFF}, uint16(1000))
	f.Fuzz(func(t *testing.T, id uint32, data []byte, interval uint16) {
		h := newHeavy(time.Microsecond)
		frame := &isotp.Frame{ID: id & isotp.MaxExtendedID, Extended: true, Length: uint8(min(len(data), isotp.MaxClassic))}
		copy(frame.Data[:isotp.MaxClassic], data)
		at := second
		for range 3 {
			at += adapter.Time(interval) * 1000
			for _, s := range first(h.decode(frame, at)) {
				if math.IsNaN(s.Value) || math.IsInf(s.Value, 0) || s.Uncertainty <= 0 || s.Time > at {
					t.Errorf("%v gives %+v at %d", frame, s, at)
				}
			}
		}
	})
}
