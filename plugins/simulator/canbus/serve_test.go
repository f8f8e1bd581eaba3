// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canbus_test

import (
	"context"
	"encoding/hex"
	"fmt"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/airassay/airassay/plugins/simulator/canbus"
	"github.com/airassay/airassay/plugins/simulator/ecu"
	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/isotp"
)

// slowVehicle answers after 10 ms.
func slowVehicle() *canbus.Vehicle {
	return vehicle(ecu.Options{Latency: 10 * time.Millisecond}, canbus.Options{}, canbus.VehicleOptions{})
}

// talk runs a conversation with a vehicle in virtual time.
func talk(t *testing.T, o ecu.Options, bus canbus.Options, on canbus.VehicleOptions, test func(t *testing.T, n *canbus.Node)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		v := vehicle(o, bus, on)
		n, err := v.Tester().Open()
		if err != nil {
			t.Fatal(err)
		}
		test(t, n)
		if err := v.Close(); err != nil {
			t.Error(err)
		}
	})
}

// The conversation of ISO 15765-2 about six parameters, in its own time.
func TestSixParametersTakeFiveFramesAndOneLatency(t *testing.T) {
	for _, extended := range []bool{false, true} {
		bits, id := 135*2*time.Microsecond, uint32(0x7E0)
		if extended {
			bits, id = 160*2*time.Microsecond, 0x18DA10F1
		}
		talk(t, ecu.Options{Latency: 10 * time.Millisecond}, canbus.Options{Stuffing: canbus.WorstStuffing}, canbus.VehicleOptions{Extended: extended}, func(t *testing.T, n *canbus.Node) {
			sent, frames := converse(t, n, single(id, extended, 0x01, 0x0C, 0x10, 0x04, 0x0B, 0x11, 0x0F), time.Second)
			if len(frames) != 3 {
				t.Fatalf("%d frames came", len(frames))
			}
			const pause = 3 * 2 * time.Microsecond
			for i, want := range []time.Duration{10*time.Millisecond + bits - pause, 10*time.Millisecond + 3*bits - pause, 10*time.Millisecond + 4*bits - pause} {
				if got := frames[i].at.Sub(sent); got != want {
					t.Errorf("frame %d came after %v, want %v", i, got, want)
				}
			}
			if f := frames[0]; f.Data[0] != 0x10 || f.Data[1] != 15 || f.Data[2] != 0x41 || f.Extended != extended {
				t.Errorf("the answer begins with %v", f.String())
			}
		})
	}
}

func TestBothUnitsAnswerWhoAsksAll(t *testing.T) {
	talk(t, ecu.Options{Latency: 5 * time.Millisecond}, canbus.Options{}, canbus.VehicleOptions{}, func(t *testing.T, n *canbus.Node) {
		_, frames := converse(t, n, single(0x7DF, false, 0x01, 0x0D), time.Second)
		if len(frames) != 2 || frames[0].ID != 0x7E8 || frames[1].ID != 0x7E9 || frames[1].at.Sub(frames[0].at) > 300*time.Microsecond {
			t.Errorf("%v came: both want to send at once, the lower identifier first", frames)
		}
		if _, frames := converse(t, n, single(0x7E1, false, 0x01, 0x0D), time.Second); len(frames) != 1 || frames[0].ID != 0x7E9 {
			t.Errorf("asked alone, %v came", frames)
		}
		if _, frames := converse(t, n, single(0x7DF, false, 0x04), time.Second); len(frames) != 2 || frames[0].Data[1] != 0x7F {
			t.Errorf("to a request to clear codes, %v came", frames)
		}
	})
}

func TestUnitsPadAsTheyAreTold(t *testing.T) {
	for _, tc := range []struct {
		change func(int, *canbus.ServeOptions)
		want   string
	}{
		{nil, "7E8#03410D0000000000"},
		{func(_ int, o *canbus.ServeOptions) { o.Fill = 0xAA }, "7E8#03410D00AAAAAAAA"},
		{func(_ int, o *canbus.ServeOptions) { o.NoPadding = true }, "7E8#03410D00"},
		{func(_ int, o *canbus.ServeOptions) {
			o.Faults.Chances[canbus.FrameTruncated] = 1
		}, "7E8#03410D00000000"},
	} {
		talk(t, ecu.Options{}, canbus.Options{}, canbus.VehicleOptions{Units: 1, Change: tc.change}, func(t *testing.T, n *canbus.Node) {
			if _, frames := converse(t, n, single(0x7DF, false, 0x01, 0x0D), time.Second); len(frames) != 1 || frames[0].String() != tc.want {
				t.Errorf("%v came, want %s", frames, tc.want)
			}
		})
	}
	wrong := func(_ int, o *canbus.ServeOptions) { o.Faults.Chances[canbus.WrongPadding] = 1 }
	talk(t, ecu.Options{}, canbus.Options{}, canbus.VehicleOptions{Units: 1, Change: wrong}, func(t *testing.T, n *canbus.Node) {
		_, frames := converse(t, n, single(0x7DF, false, 0x01, 0x0D), time.Second)
		if len(frames) != 1 || frames[0].Length != 8 || frames[0].Data[4] == 0 && frames[0].Data[5] == 0 || frames[0].Data[3] != 0 {
			t.Errorf("%v came, want other padding behind the same answer", frames)
		}
	})
}

func TestSwappedFramesComeInTheOtherOrder(t *testing.T) {
	swap := func(_ int, o *canbus.ServeOptions) {
		o.Faults.Script = []canbus.ScriptedFrame{{Trouble: canbus.FrameSwapped}}
	}
	talk(t, ecu.Options{}, canbus.Options{}, canbus.VehicleOptions{Units: 1, Change: swap}, func(t *testing.T, n *canbus.Node) {
		_, frames := converse(t, n, single(0x7E0, false, 0x09, 0x02), time.Second)
		if len(frames) != 3 || frames[1].Data[0] != 0x22 || frames[2].Data[0] != 0x21 {
			t.Errorf("%v came", frames)
		}
	})
}

// A request of several frames is taken with flow control, as units of SAE J1979-2 must.
func TestLongRequestsAreTaken(t *testing.T) {
	change := func(_ int, o *canbus.ServeOptions) { o.BlockSize, o.STmin = 1, 5 }
	talk(t, ecu.Options{Dialect: ecu.UDS}, canbus.Options{}, canbus.VehicleOptions{Units: 1, Change: change}, func(t *testing.T, n *canbus.Node) {
		first := &isotp.Frame{ID: 0x7E0, Length: 8, Data: [64]byte{0x10, 9, 0x22, 0xF4, 0x0C, 0xF4, 0x10, 0xF4}}
		_, frames := converse(t, n, first, 100*time.Millisecond)
		if len(frames) != 1 || frames[0].String() != "7E8#3001050000000000" {
			t.Fatalf("%v came, want flow control", frames)
		}
		rest := &isotp.Frame{ID: 0x7E0, Length: 8, Data: [64]byte{0x21, 0x0D, 0xF4, 0x0F}}
		_, frames = converse(t, n, rest, time.Second)
		if len(frames) != 3 || frames[0].Data[1] != 15 || frames[0].Data[2] != 0x62 {
			t.Errorf("%v came, want four identifiers", frames)
		}
	})
}

// A tester that vanishes in the middle of an answer leaves the unit ready for the next request.
func TestAnAnswerThatNobodyTakesIsGivenUp(t *testing.T) {
	talk(t, ecu.Options{}, canbus.Options{}, canbus.VehicleOptions{Units: 1}, func(t *testing.T, n *canbus.Node) {
		for range 3 {
			if _, err := n.Send(t.Context(), single(0x7E0, false, 0x09, 0x02)); err != nil {
				t.Fatal(err)
			}
			time.Sleep(80 * time.Millisecond) // N_Bs is 75 ms, ISO 15765-4
			var f isotp.Frame
			if _, err := n.Receive(t.Context(), &f); err != nil || f.Data[0] != 0x10 {
				t.Fatalf("%v, %v", f.String(), err)
			}
			if _, frames := converse(t, n, single(0x7E0, false, 0x01, 0x0D), 100*time.Millisecond); len(frames) != 1 || frames[0].Data[0] != 3 {
				t.Fatalf("%v came", frames)
			}
		}
	})
}

// listened gives what comes until nothing has for a while, and sees that no frame bears another time than that at which it came.
func listened(t *testing.T, n *canbus.Node) (all []stamped) {
	t.Helper()
	for {
		ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
		var f isotp.Frame
		at, err := n.Receive(ctx, &f)
		cancel()
		if err != nil {
			return all
		}
		if now := adapter.Now(); now.Sub(at).Abs() > 2*time.Microsecond {
			t.Errorf("%s came at %d and bears %d", f.String(), now, at)
		}
		all = append(all, stamped{f, at})
	}
}

// A unit that waits for flow control, or prepares an answer, keeps one request for later and no more. What it keeps it answers in
// its own time: no frame may bear a time that was over before it was sent.
func TestAUnitKeepsOneRequestForLater(t *testing.T) {
	speed, load := single(0x7E0, false, 0x01, 0x0D), single(0x7E0, false, 0x01, 0x04)
	for name, tc := range map[string]struct {
		first *isotp.Frame
		then  []*isotp.Frame
		want  []string
	}{
		"a long answer is not taken":   {single(0x7E0, false, 0x09, 0x02), []*isotp.Frame{speed, load}, []string{"0341 0D"}},
		"an answer is being prepared":  {load, []*isotp.Frame{speed, speed}, []string{"0341 04"}},
		"asked alone, and with others": {load, []*isotp.Frame{single(0x7DF, false, 0x01, 0x0D), single(0x7DF, false, 0x01, 0x05)}, []string{"0341 04", "0341 0D"}},
	} {
		t.Run(name, func(t *testing.T) {
			talk(t, ecu.Options{Latency: 10 * time.Millisecond}, canbus.Options{}, canbus.VehicleOptions{Units: 1}, func(t *testing.T, n *canbus.Node) {
				if _, err := n.Send(t.Context(), tc.first); err != nil {
					t.Fatal(err)
				}
				if tc.first.Data[1] == 0x09 {
					time.Sleep(20 * time.Millisecond)
					var f isotp.Frame
					if _, err := n.Receive(t.Context(), &f); err != nil || f.Data[0] != 0x10 {
						t.Fatalf("%s, %v", f.String(), err)
					}
				}
				for _, f := range tc.then {
					if _, err := n.Send(t.Context(), f); err != nil {
						t.Fatal(err)
					}
				}
				var got []string
				for _, a := range listened(t, n) {
					got = append(got, fmt.Sprintf("%X %X", a.Data[:2], a.Data[2:3]))
				}
				if !slices.Equal(got, tc.want) {
					t.Errorf("answers %q, want %q", got, tc.want)
				}
			})
		})
	}
}

func TestPendingAndBusyComeOverTheBus(t *testing.T) {
	faults := ecu.Faults{LateBy: 300 * time.Millisecond, Script: []ecu.Scripted{{Trouble: ecu.Pending}, {Trouble: ecu.Busy, From: time.Second}}}
	talk(t, ecu.Options{Faults: faults}, canbus.Options{}, canbus.VehicleOptions{Units: 1}, func(t *testing.T, n *canbus.Node) {
		sent, frames := converse(t, n, single(0x7DF, false, 0x01, 0x0D), 2*time.Second)
		if len(frames) != 2 || hex.EncodeToString(frames[0].Data[:4]) != "037f0178" || frames[1].Data[1] != 0x41 || frames[1].at.Sub(sent) < 300*time.Millisecond {
			t.Errorf("%v came", frames)
		}
		if _, frames := converse(t, n, single(0x7DF, false, 0x01, 0x0D), 2*time.Second); len(frames) != 1 || hex.EncodeToString(frames[0].Data[:4]) != "037f0121" {
			t.Errorf("%v came, want busy", frames)
		}
	})
}

// The same in real time, where nothing is exact: the answer must come, and its stamps must be those of the bits.
func TestARealClockServesToo(t *testing.T) {
	v := slowVehicle()
	n := must[*canbus.Node](t)(v.Tester().Open())
	sent, frames := converse(t, n, single(0x7DF, false, 0x01, 0x0C, 0x10, 0x04, 0x0B, 0x11, 0x0F), 500*time.Millisecond)
	if len(frames) < 3 {
		t.Errorf("%d frames came", len(frames))
	} else if d := frames[0].at.Sub(sent); d < 10*time.Millisecond || d > 200*time.Millisecond {
		t.Errorf("the answer came after %v, want a little more than 10 ms", d)
	}
	if err := v.Close(); err != nil {
		t.Error(err)
	}
}
