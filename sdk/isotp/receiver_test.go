// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package isotp

import (
	"bytes"
	"errors"
	"testing"
	"time"
)

// begun is a receiver of 20 bytes that has the first frame and has sent its flow control.
func begun(t *testing.T, c Config) *Receiver {
	t.Helper()
	r := newReceiver(t, c)
	if err := push(t, r, "10 14 00 07 0E 15 1C 23"); err != nil {
		t.Fatal(err)
	}
	if taken(t, r, 0) == "" {
		t.Fatal("no flow control")
	}
	return r
}

func push(t *testing.T, r *Receiver, data string) error {
	t.Helper()
	_, err := r.Receive(0, frame(t, tester.Receive, data))
	return err
}

func completes(t *testing.T, r *Receiver, data string, want []byte) {
	t.Helper()
	complete, err := r.Receive(0, frame(t, tester.Receive, data))
	if !complete || !bytes.Equal(r.Message(), want) {
		t.Errorf("%s: complete %v (%v) with %X, want %X", data, complete, err, r.Message(), want)
	}
}

func TestReceiverSaysWhyItEnded(t *testing.T) {
	withBr := tester
	withBr.Timeouts.Br = 20 * ms
	blocks := tester
	blocks.BlockSize = 1
	padded := tester
	padded.Check, padded.Fill = PaddedContent, 0xCC
	lengths := tester
	lengths.Check = PaddedLength
	first := "10 14 00 07 0E 15 1C 23"
	for name, tc := range map[string]struct {
		config Config
		run    func(t *testing.T, r *Receiver) error
		want   error
	}{
		"silence":  {tester, func(_ *testing.T, r *Receiver) error { return r.Tick(time.Second) }, ErrTimeoutCr},
		"sequence": {tester, func(t *testing.T, r *Receiver) error { return push(t, r, "22 00 00 00 00 00 00 00") }, ErrWrongSequence},
		"repeated": {tester, func(t *testing.T, r *Receiver) error {
			if err := push(t, r, "21 2A 31 38 3F 46 4D 54"); err != nil {
				return err
			}
			return push(t, r, "21 2A 31 38 3F 46 4D 54")
		}, ErrWrongSequence},
		"new single": {tester, func(t *testing.T, r *Receiver) error { return push(t, r, "01 7F") }, ErrUnexpected},
		"bus blocked": {tester, func(t *testing.T, r *Receiver) error {
			if err := push(t, r, first); !errors.Is(err, ErrUnexpected) {
				return err
			}
			r.Next(0, &Frame{})
			return r.Tick(time.Second)
		}, ErrTimeoutAr},
		"late program": {withBr, func(t *testing.T, r *Receiver) error {
			if err := push(t, r, first); !errors.Is(err, ErrUnexpected) {
				return err
			}
			return r.Tick(21 * ms)
		}, ErrTimeoutBr},
		"held too long": {blocks, func(t *testing.T, r *Receiver) error {
			if err := push(t, r, "21 2A 31 38 3F 46 4D 54"); err != nil {
				return err
			}
			r.Hold(0, true)
			for now := time.Duration(0); ; now += 500 * ms {
				if err := r.Tick(now); err != nil || now > 10*time.Second {
					return err
				}
				if got := taken(t, r, now); got != "7E0#3100000000000000" {
					t.Errorf("flow control %q at %v", got, now)
				}
			}
		}, ErrWaits},
		"padding": {padded, func(t *testing.T, r *Receiver) error {
			if err := push(t, r, "21 2A 31 38 3F 46 4D 54"); err != nil {
				return err
			}
			return push(t, r, "22 5B 62 69 70 77 7E 85 00")
		}, ErrMalformed},
		"padding of a single frame": {padded, func(t *testing.T, r *Receiver) error { return push(t, r, "01 7F CCCCCCCCCC 00") }, ErrPadding},
		"no padding":                {lengths, func(t *testing.T, r *Receiver) error { return push(t, r, "01 7F") }, ErrPadding},
	} {
		t.Run(name, func(t *testing.T) {
			r := begun(t, tc.config)
			if err := tc.run(t, r); !errors.Is(err, tc.want) {
				t.Fatalf("%v, want %v", err, tc.want)
			}
			if r.Busy() && !errors.Is(tc.want, ErrMalformed) {
				t.Error("it goes on after it ended")
			}
			full := newReceiver(t, tester)
			*r = Receiver{config: full.config, message: r.message}
			completes(t, r, "02 01 0C", []byte{1, 0x0C})
		})
	}
}

func TestHeldReceiverLetsGo(t *testing.T) {
	r := newReceiver(t, tester)
	r.Hold(0, true)
	if err := push(t, r, "10 08 00 07 0E 15 1C 23"); err != nil {
		t.Fatal(err)
	}
	if got := taken(t, r, 0); got != "7E0#3100000000000000" {
		t.Fatalf("flow control %q", got)
	}
	if got := taken(t, r, 499*ms); got != "" {
		t.Errorf("%s comes too early", got)
	}
	r.Hold(499*ms, false)
	if got := taken(t, r, 499*ms); got != "7E0#3000000000000000" {
		t.Errorf("flow control %q", got)
	}
	completes(t, r, "21 2A 31", counted(8))
}

func TestRefusedSenderIsToldToStop(t *testing.T) {
	r := newReceiver(t, tester)
	r.Refuse(0)
	if got := taken(t, r, 0); got != "" {
		t.Errorf("%s goes though nothing is under way", got)
	}
	if err := push(t, r, "10 08 00 07 0E 15 1C 23"); err != nil {
		t.Fatal(err)
	}
	r.Refuse(ms)
	if got := taken(t, r, ms); got != "7E0#3200000000000000" || r.Busy() {
		t.Errorf("flow control %q, busy %v", got, r.Busy())
	}
	if _, ok := r.Deadline(); ok {
		t.Error("it waits for something")
	}
}

func TestNewMessageReplacesTheOld(t *testing.T) {
	r := begun(t, tester)
	complete, err := r.Receive(0, frame(t, tester.Receive, "02 41 0C"))
	if !complete || !errors.Is(err, ErrUnexpected) || !bytes.Equal(r.Message(), []byte{0x41, 0x0C}) {
		t.Errorf("single frame: %v, %v, %X", complete, err, r.Message())
	}
	r = begun(t, tester)
	complete, err = r.Receive(0, frame(t, tester.Receive, "10 08 00 07 0E 15 1C 23"))
	if complete || !errors.Is(err, ErrUnexpected) || !r.Busy() {
		t.Errorf("first frame: %v, %v, busy %v", complete, err, r.Busy())
	}
	if taken(t, r, 0) == "" {
		t.Error("no flow control for the new message")
	}
	completes(t, r, "21 2A 31", counted(8))
}

func TestReceiverPassesOverWhatBreaksTheRules(t *testing.T) {
	r := begun(t, tester)
	for name, data := range map[string]string{
		"empty": "", "no such kind": "40 00 00", "single of 0": "00 00", "single of 8": "08 00 00 00 00 00 00 00", "cut single": "03 41 0C",
		"cut first": "10 14 00 07", "first that fits a single": "10 07 00 00 00 00 00 00", "escape that is not needed": "10 00 00 00 0F FF 00 00",
		"bare consecutive": "21", "cut consecutive": "21 2A 31", "long consecutive": "21 2A 31 38 3F 46 4D 54 00",
	} {
		if err := push(t, r, data); !errors.Is(err, ErrMalformed) || !r.Busy() {
			t.Errorf("%s: %v, busy %v", name, err, r.Busy())
		}
	}
	if _, err := r.Receive(0, fdFrame(t, tester.Receive, "02 01 0C", 8)); !errors.Is(err, ErrMalformed) {
		t.Errorf("a CAN FD frame: %v", err)
	}
	if err := push(t, r, "00 0A 00 00 00 00 00 00 00 00 00 00"); !errors.Is(err, ErrMalformed) {
		t.Errorf("a classic frame of 12 bytes: %v", err)
	}
	if err := push(t, r, "30 00 00"); err != nil {
		t.Errorf("a flow control: %v", err)
	}
	if err := push(t, r, "21 2A 31 38 3F 46 4D 54"); err != nil {
		t.Fatal(err)
	}
	completes(t, r, "22 5B 62 69 70 77 7E 85", counted(20))
	if err := push(t, r, "21 2A 31 38 3F 46 4D 54"); !errors.Is(err, ErrMalformed) {
		t.Errorf("a consecutive frame after the end: %v", err)
	}
}

func TestCutLastFrameIsPassedOver(t *testing.T) {
	r := begun(t, tester)
	if err := push(t, r, "21 2A 31 38 3F 46 4D 54"); err != nil {
		t.Fatal(err)
	}
	if err := push(t, r, "22 5B 62 69 70 77 7E"); !errors.Is(err, ErrMalformed) {
		t.Errorf("6 of 7 bytes: %v", err)
	}
	completes(t, r, "22 5B 62 69 70 77 7E 85", counted(20))
}

func TestTooLongMessageIsRefused(t *testing.T) {
	r := newReceiver(t, Config{Address: tester.Address, MaxMessage: 100})
	for _, data := range []string{"10 65 00 00 00 00 00 00", "10 00 FFFFFFFF 00 00"} {
		if err := push(t, r, data); !errors.Is(err, ErrTooLong) || r.Busy() {
			t.Fatalf("%s: %v, busy %v", data, err, r.Busy())
		}
		if got := taken(t, r, 0); got != "7E0#3200000000000000" {
			t.Errorf("flow control %q", got)
		}
	}
	if _, ok := r.Deadline(); ok {
		t.Error("it waits for something after it refused")
	}
	tiny := newReceiver(t, Config{Address: tester.Address, MaxMessage: 1})
	if err := push(t, tiny, "02 01 0C"); !errors.Is(err, ErrTooLong) {
		t.Errorf("a single frame: %v", err)
	}
	group := newReceiver(t, Config{Address: tester.Address, SingleFrames: true})
	if err := push(t, group, "10 08 00 00 00 00 00 00"); !errors.Is(err, ErrMalformed) || group.Busy() {
		t.Errorf("a first frame to a group: %v", err)
	}
}

func TestReceiverAllocatesForWhatCameNotForWhatWasClaimed(t *testing.T) {
	r := newReceiver(t, Config{Address: tester.Address, MaxMessage: 1 << 30})
	if err := push(t, r, "10 00 3FFFFFFF 00 00"); err != nil {
		t.Fatal(err)
	}
	if cap(r.message) > 1<<10 {
		t.Errorf("%d bytes are reserved", cap(r.message))
	}
}

func TestConsecutiveFrameBeforeTheProgramSaysSent(t *testing.T) {
	r := newReceiver(t, tester)
	if err := push(t, r, "10 08 00 07 0E 15 1C 23"); err != nil {
		t.Fatal(err)
	}
	r.Next(0, &Frame{})
	completes(t, r, "21 2A 31", counted(8))
	r.Sent(0)
	if _, ok := r.Deadline(); ok {
		t.Error("it waits for something")
	}
}

func TestFramesOfAnotherAddressByteArePassedOver(t *testing.T) {
	r := newReceiver(t, Config{Address: Normal11(0x600, 0x608).ByByte(0x12, 0xF1)})
	if complete, err := r.Receive(0, frame(t, 0x608, "F2 02 01 0C")); complete || err != nil {
		t.Errorf("another's: %v, %v", complete, err)
	}
	if complete, err := r.Receive(0, frame(t, 0x608, "F1 02 01 0C")); !complete || err != nil {
		t.Errorf("its own: %v, %v", complete, err)
	}
	if complete, err := r.Receive(0, frame(t, 0x608, "F1")); complete || !errors.Is(err, ErrMalformed) {
		t.Errorf("nothing behind the byte: %v, %v", complete, err)
	}
}
