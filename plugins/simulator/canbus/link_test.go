// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canbus_test

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"math/rand/v2"
	"testing"
	"testing/synctest"
	"time"

	"github.com/airassay/airassay/plugins/simulator/canbus"
	"github.com/airassay/airassay/plugins/simulator/ecu"
	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/canlink"
	"github.com/airassay/airassay/sdk/isotp"
	"github.com/airassay/airassay/sdk/j1979"
)

// linked runs a test with a vehicle on a bus and a place to plug a tester in, in virtual time.
func linked(t *testing.T, e ecu.Options, bus canbus.Options, on canbus.VehicleOptions, test func(t *testing.T, v *canbus.Vehicle)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		car := ecu.NewVehicle(prepared(), e)
		car.Start(time.Now().Add(-intoTheDrive))
		v := canbus.NewVehicle(car, bus, on)
		test(t, v)
		if err := v.Close(); err != nil {
			t.Error(err)
		}
	})
}

var discard = slog.New(slog.DiscardHandler)

func TestALinkFindsTheEmulatedVehicle(t *testing.T) {
	for _, extended := range []bool{false, true} {
		for _, tc := range []struct {
			speaks       ecu.Dialect
			classic, uds bool
		}{{ecu.Classic, true, false}, {ecu.UDS, false, true}, {ecu.Both, true, true}} {
			linked(t, ecu.Options{Latency: 10 * time.Millisecond, Dialect: tc.speaks}, canbus.Options{}, canbus.VehicleOptions{Extended: extended}, func(t *testing.T, v *canbus.Vehicle) {
				link := must[*canlink.Link](t)(canlink.New(must[*canbus.Node](t)(v.Tester().Open()), canlink.Options{Log: discard}))
				defer link.Close() //nolint:errcheck // the bus in memory has no error
				found := must[canlink.Found](t)(link.Probe(t.Context()))
				if found.Speaks(j1979.Classic) != tc.classic || found.Speaks(j1979.UDS) != tc.uds || len(found.Responders) != 2 || (found.Addressing == canlink.Bits29) != extended {
					t.Errorf("29 bit %v, dialect %v: %+v", extended, tc.speaks, found)
				}
			})
		}
	}
}

// tuner tunes a place on the bus.
type tuner struct{ bus *canbus.Bus }

func (u tuner) Tune(_ context.Context, bitRate int, quiet bool) (canlink.Bus, error) {
	return u.bus.Port(canbus.NodeOptions{BitRate: bitRate, ListenOnly: quiet}).Open()
}

func TestALinkFindsTheBitRateWithoutDisturbing(t *testing.T) {
	engine := canbus.Periodic{Frame: isotp.Frame{ID: 0x123, Length: 8}, Every: 20 * time.Millisecond}
	for _, rate := range canlink.BitRates {
		for _, background := range [][]canbus.Periodic{nil, {engine}} {
			linked(t, ecu.Options{Latency: 10 * time.Millisecond}, canbus.Options{BitRate: rate, Background: background}, canbus.VehicleOptions{}, func(t *testing.T, v *canbus.Vehicle) {
				link, found, err := canlink.Search(t.Context(), tuner{v.Bus}, canlink.Options{Log: discard})
				if err != nil {
					t.Fatal(err)
				}
				defer link.Close() //nolint:errcheck // the bus in memory has no error
				if found.BitRate != rate || len(found.Responders) != 2 {
					t.Errorf("%d bit/s, traffic %v: %+v", rate, background != nil, found)
				}
				if load := v.Load(); background != nil && load.Errors > 0 {
					t.Errorf("%d bit/s: %d frames were destroyed on a bus that could be heard", rate, load.Errors)
				}
			})
		}
	}
}

// Frames are lost, repeated, destroyed, cut and padded wrongly. A request ends with answers to it, or with an error that
// says what happened, and soon; no answer is a mixture. A first frame that overtakes a whole message is left out: nothing in
// the protocol tells whose the frames after it are.
func TestALinkTakesNoWrongAnswerFromABadBus(t *testing.T) {
	faults := func(_ int, o *canbus.ServeOptions) {
		o.Faults.Chances = canbus.FrameChances{
			canbus.FrameLost: 0.03, canbus.WrongPadding: 0.2, canbus.FrameTruncated: 0.03,
		}
	}
	bus := canbus.Options{Seed: 3, Faults: canbus.FrameFaults{Chances: canbus.FrameChances{canbus.FrameDuplicated: 0.03, canbus.ErrorFrame: 0.02}}}
	linked(t, ecu.Options{Latency: 5 * time.Millisecond, Jitter: 10 * time.Millisecond, Seed: 3, Dialect: ecu.Both, StayOn: true}, bus, canbus.VehicleOptions{Change: faults}, func(t *testing.T, v *canbus.Vehicle) {
		link := must[*canlink.Link](t)(canlink.New(must[*canbus.Node](t)(v.Tester().Open()), canlink.Options{Addressing: canlink.Bits11, Log: discard}))
		defer link.Close() //nolint:errcheck // the bus in memory has no error
		requests := []struct {
			payload []byte
			target  int64
			whole   map[int64][]byte
		}{
			{payload: []byte{0x09, 0x02}}, {payload: []byte{0x09, 0x04}}, {payload: []byte{0x09, 0x0A}}, {payload: []byte{0x01, 0x00}},
			{payload: []byte{0x22, 0xF8, 0x02, 0xF4, 0x00, 0xF4, 0x20, 0xF4, 0x40}, target: 0x7E0},
		}
		good, garbled, silent := 0, 0, 0
		rng := rand.New(rand.NewPCG(3, 3))
		for range 3000 {
			r := &requests[rng.IntN(len(requests))]
			begun := time.Now()
			answers, err := link.Request(t.Context(), adapter.Request{Payload: r.payload, Target: r.target, Timeout: 100 * time.Millisecond})
			if d := time.Since(begun); d > 3*time.Second {
				t.Errorf("%X took %v: %v", r.payload, d, err)
			}
			switch {
			case err == nil:
				good++
			case errors.Is(err, adapter.ErrGarbled):
				garbled++
			case errors.Is(err, adapter.ErrSilent):
				silent++
			default:
				t.Fatal(err)
			}
			if err != nil {
				time.Sleep(80 * time.Millisecond) // a control unit whose first frame was lost waits for N_Bs
			}
			for _, a := range answers.Answers { // these never change
				if r.whole == nil {
					r.whole = map[int64][]byte{}
				}
				if r.whole[a.Source] == nil {
					r.whole[a.Source] = a.Payload
				}
				if !bytes.Equal(a.Payload, r.whole[a.Source]) {
					t.Fatalf("%X: %X answered %X, before %X", r.payload, a.Source, a.Payload, r.whole[a.Source])
				}
			}
		}
		t.Logf("%d answered, %d garbled, %d silent; %+v", good, garbled, silent, link.Statistics())
		if good < 1500 || garbled == 0 || silent == 0 {
			t.Errorf("%d answered, %d garbled, %d silent", good, garbled, silent)
		}
	})
}

func TestALinkIsMadeAnewAfterEachUnplugging(t *testing.T) {
	linked(t, ecu.Options{Latency: 5 * time.Millisecond}, canbus.Options{}, canbus.VehicleOptions{}, func(t *testing.T, v *canbus.Vehicle) {
		port := v.Tester()
		rng := rand.New(rand.NewPCG(5, 5))
		for range 100 {
			link := must[*canlink.Link](t)(canlink.New(must[*canbus.Node](t)(port.Open()), canlink.Options{Addressing: canlink.Bits11, Log: discard}))
			timer := time.AfterFunc(time.Duration(rng.IntN(200_000))*time.Microsecond, port.Unplug)
			var err error
			for err == nil || errors.Is(err, adapter.ErrGarbled) { // the unit may still answer what the link before asked
				_, err = link.Request(t.Context(), adapter.Request{Payload: []byte{0x09, 0x02}})
			}
			if !errors.Is(err, adapter.ErrUnplugged) {
				t.Fatal(err)
			}
			timer.Stop()
			if err := link.Close(); err != nil && !errors.Is(err, adapter.ErrUnplugged) {
				t.Fatal(err)
			}
			port.Replug()
		}
	})
}

func TestALinkStopsAfterTwoBusOffs(t *testing.T) {
	linked(t, ecu.Options{Latency: 5 * time.Millisecond}, canbus.Options{}, canbus.VehicleOptions{}, func(t *testing.T, v *canbus.Vehicle) {
		node := v.Attach(canbus.NodeOptions{RestartAfter: 50 * time.Millisecond})
		link := must[*canlink.Link](t)(canlink.New(node, canlink.Options{Addressing: canlink.Bits11, Log: discard}))
		defer link.Close() //nolint:errcheck // the bus in memory has no error
		ask := func() *canlink.BusError {
			_, err := link.Request(t.Context(), adapter.Request{Payload: []byte{0x01, 0x0C}})
			trouble, _ := errors.AsType[*canlink.BusError](err)
			return trouble
		}
		off := func() *canlink.BusError {
			time.AfterFunc(3*time.Millisecond, node.BusOff)
			return ask()
		}
		if e := off(); e == nil || !e.Off || e.Stopped {
			t.Fatalf("the first: %+v", e)
		}
		if e := ask(); e != nil {
			t.Fatalf("between the two: %+v", e)
		}
		if e := off(); e == nil || !e.Off || e.Stopped {
			t.Fatalf("after an answer: %+v", e)
		}
		time.Sleep(time.Second)
		if e := off(); e == nil || !e.Stopped {
			t.Fatalf("the second in a row: %+v", e)
		}
		time.Sleep(time.Minute)
		if e := ask(); e == nil || !e.Stopped {
			t.Fatalf("later: %+v", e)
		}
	})
}
