// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package isotp

import (
	"errors"
	"testing"
	"time"
)

// started is a sender of 20 bytes (a first frame and two consecutive ones) whose first frame is on the bus.
func started(t *testing.T, c Config) *Sender {
	t.Helper()
	s := newSender(t, c)
	if err := s.Start(0, counted(20)); err != nil {
		t.Fatal(err)
	}
	if taken(t, s, 0) == "" {
		t.Fatal("no first frame")
	}
	return s
}

func control(t *testing.T, s *Sender, now time.Duration, data string) error {
	t.Helper()
	return s.Receive(now, frame(t, tester.Receive, data))
}

func TestSenderKeepsBlocksAndSeparation(t *testing.T) {
	s := started(t, tester)
	if got := taken(t, s, 0); got != "" {
		t.Fatalf("%s goes before the flow control", got)
	}
	if err := control(t, s, 10*ms, "30 01 05"); err != nil {
		t.Fatal(err)
	}
	if got := taken(t, s, 10*ms); got != "7E0#212A31383F464D54" {
		t.Fatalf("first consecutive frame %q", got)
	}
	if got := taken(t, s, 500*ms); got != "" {
		t.Fatalf("%s goes although the block is over", got)
	}
	if err := control(t, s, 500*ms, "30 00 F1"); err != nil {
		t.Fatal(err)
	}
	if got := taken(t, s, 500*ms); got == "" || s.State() != Delivered {
		t.Errorf("last frame %q, state %v", got, s.State())
	}
	s = started(t, tester)
	if err := control(t, s, 0, "30 00 05"); err != nil {
		t.Fatal(err)
	}
	taken(t, s, 2*ms)
	if at, ok := s.Deadline(); !ok || at != 7*ms {
		t.Errorf("the next frame is due at %v, %v", at, ok)
	}
	if got := taken(t, s, 7*ms-1); got != "" {
		t.Errorf("%s goes before STmin is over", got)
	}
	if got := taken(t, s, 7*ms); got == "" {
		t.Error("nothing goes once STmin is over")
	}
}

func TestSenderSaysWhyItFailed(t *testing.T) {
	withCs := tester
	withCs.Timeouts.Cs = 20 * ms
	padded := tester
	padded.Check, padded.Fill = PaddedContent, 0xCC
	fewWaits := tester
	fewWaits.MaxWaits = 1
	for name, tc := range map[string]struct {
		config Config
		run    func(t *testing.T, s *Sender) error
		want   error
	}{
		"no flow control": {tester, func(_ *testing.T, s *Sender) error { return s.Tick(time.Second) }, ErrTimeoutBs},
		"overflow":        {tester, func(t *testing.T, s *Sender) error { return control(t, s, 0, "32 00 00") }, ErrOverflow},
		"flow status":     {tester, func(t *testing.T, s *Sender) error { return control(t, s, 0, "33 00 00") }, ErrInvalidFlowStatus},
		"waits": {fewWaits, func(t *testing.T, s *Sender) error {
			if err := control(t, s, 900*ms, "31 00 00"); err != nil {
				return err
			}
			if err := s.Tick(1800 * ms); err != nil {
				return err
			}
			return control(t, s, 1800*ms, "31 00 00")
		}, ErrWaits},
		"silence after a wait": {tester, func(t *testing.T, s *Sender) error {
			if err := control(t, s, 900*ms, "31 00 00"); err != nil {
				return err
			}
			return s.Tick(1900 * ms)
		}, ErrTimeoutBs},
		"bus blocked": {tester, func(t *testing.T, s *Sender) error {
			if err := control(t, s, 0, "30 00 00"); err != nil {
				return err
			}
			s.Next(0, &Frame{})
			return s.Tick(time.Second)
		}, ErrTimeoutAs},
		"late program": {withCs, func(t *testing.T, s *Sender) error {
			if err := control(t, s, 0, "30 00 00"); err != nil {
				return err
			}
			if err := s.Tick(20 * ms); err != nil {
				return err
			}
			return s.Tick(20*ms + 1)
		}, ErrTimeoutCs},
		"padding": {padded, func(t *testing.T, s *Sender) error { return control(t, s, 0, "30 00 00 00 00 00 00 00") }, ErrPadding},
		"length":  {padded, func(t *testing.T, s *Sender) error { return control(t, s, 0, "30 00 00 CC") }, ErrPadding},
	} {
		t.Run(name, func(t *testing.T) {
			s := started(t, tc.config)
			if err := tc.run(t, s); !errors.Is(err, tc.want) {
				t.Fatalf("%v, want %v", err, tc.want)
			}
			if s.State() != Failed || !errors.Is(s.Err(), tc.want) {
				t.Errorf("state %v, %v", s.State(), s.Err())
			}
			if taken(t, s, 10*time.Second) != "" || s.Tick(20*time.Second) != nil {
				t.Error("it goes on after it failed")
			}
			if err := s.Start(0, counted(1)); err != nil || s.Err() != nil {
				t.Errorf("it does not start again: %v", err)
			}
		})
	}
}

func TestSenderPassesOverWhatItDoesNotAwait(t *testing.T) {
	s := started(t, tester)
	for name, f := range map[string]*Frame{
		"another unit's": frame(t, 0x7E9, "32 00 00"),
		"29 bits":        {ID: 0x7E8, Extended: true, Length: 3, Data: [64]byte{0x32}},
		"an answer":      frame(t, 0x7E8, "03 41 0C 00"),
		"empty":          frame(t, 0x7E8, ""),
	} {
		if err := s.Receive(0, f); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := control(t, s, 0, "32 00"); !errors.Is(err, ErrMalformed) {
		t.Errorf("a short flow control: %v", err)
	}
	if err := control(t, s, 0, "30 00 00"); err != nil {
		t.Fatal(err)
	}
	if err := control(t, s, 0, "32 00 00"); !errors.Is(err, ErrMalformed) || s.State() != Sending {
		t.Errorf("a second flow control: %v, state %v", err, s.State())
	}
}

func TestFlowControlBeforeTheProgramSaysSent(t *testing.T) {
	s := newSender(t, tester)
	if err := s.Start(0, counted(8)); err != nil {
		t.Fatal(err)
	}
	var f Frame
	s.Next(0, &f)
	if err := control(t, s, ms, "30 00 00"); err != nil {
		t.Fatal(err)
	}
	s.Sent(2 * ms)
	if taken(t, s, 2*ms) == "" || s.State() != Delivered {
		t.Errorf("state %v", s.State())
	}
}
