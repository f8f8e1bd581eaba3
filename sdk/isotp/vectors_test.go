// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package isotp

import (
	"bytes"
	"encoding/hex"
	"errors"
	"strings"
	"testing"
	"time"
)

const ms = time.Millisecond

// frame makes a classic frame with an identifier of 11 bits from its data in hex.
func frame(t testing.TB, id uint32, data string) *Frame {
	t.Helper()
	b := unhex(t, data)
	f := &Frame{ID: id, Length: uint8(len(b))}
	copy(f.Data[:], b)
	return f
}

// fdFrame makes a CAN FD frame, padded to so many bytes.
func fdFrame(t testing.TB, id uint32, data string, length int) *Frame {
	t.Helper()
	f := frame(t, id, data)
	f.FD, f.Length = true, uint8(length)
	return f
}

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// counted is a message of n bytes that differ from their neighbours.
func counted(n int) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(i*7 + i>>8)
	}
	return b
}

var (
	tester = Config{Address: Normal11(0x7E0, 0x7E8)}
	unit   = Config{Address: tester.Mirror()}
)

func newSender(t testing.TB, c Config) *Sender {
	t.Helper()
	s, err := NewSender(c)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func newReceiver(t testing.TB, c Config) *Receiver {
	t.Helper()
	r, err := NewReceiver(c)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// taken is the frame that a machine has due, which the bus takes at once.
func taken(t testing.TB, m interface {
	Next(now time.Duration, f *Frame) bool
	Sent(now time.Duration)
}, now time.Duration,
) string {
	t.Helper()
	var f Frame
	if !m.Next(now, &f) {
		return ""
	}
	if err := f.Check(); err != nil {
		t.Fatalf("%v could not be sent: %v", &f, err)
	}
	m.Sent(now)
	return f.String()
}

// The exchange of the design paper: seven parameters asked, six answered in one message of 15 bytes.
func TestExchangeOfSixParameters(t *testing.T) {
	ask := newSender(t, Config{Address: Normal11(0x7DF, 0), SingleFrames: true})
	if err := ask.Start(0, unhex(t, "01 0C 10 04 0B 11 0F")); err != nil {
		t.Fatal(err)
	}
	if got, want := taken(t, ask, 0), "7DF#07010C10040B110F"; got != want {
		t.Errorf("request %s, want %s", got, want)
	}
	answer := newSender(t, unit)
	message := unhex(t, "41 0C 1F 40 10 1A F8 04 D9 0B 62 11 D0 0F 46")
	if err := answer.Start(0, message); err != nil {
		t.Fatal(err)
	}
	r := newReceiver(t, tester)
	var f Frame
	for _, want := range []string{"7E8#100F410C1F40101A", "7E8#21F804D90B6211D0", "7E8#220F460000000000"} {
		if !answer.Next(6*ms, &f) || f.String() != want {
			t.Fatalf("answer %v, want %s", &f, want)
		}
		answer.Sent(6 * ms)
		complete, err := r.Receive(5*ms, &f)
		if err != nil {
			t.Fatal(err)
		}
		if complete != (f.Data[0] == 0x22) {
			t.Errorf("complete is %v after %v", complete, &f)
		}
		if control := taken(t, r, 5*ms); f.Data[0] == 0x10 {
			if control != "7E0#3000000000000000" {
				t.Fatalf("flow control %q", control)
			}
			if err := answer.Receive(6*ms, frame(t, 0x7E0, "300000")); err != nil {
				t.Fatal(err)
			}
		}
	}
	if !bytes.Equal(r.Message(), message) || r.Began() != 5*ms || answer.State() != Delivered {
		t.Errorf("received %X, begun at %v, sender in state %v", r.Message(), r.Began(), answer.State())
	}
}

func TestFramesOfEveryAddressing(t *testing.T) {
	fixed := Config{Address: NormalFixed(0x10, 0xF1)}
	extended := Config{Address: Normal11(0x600, 0x608).ByByte(0x12, 0xF1)}
	fd := Config{Address: tester.Address, FD: true, BitRateSwitch: true}
	for _, tc := range []struct {
		name    string
		config  Config
		message []byte
		want    string // the beginning of the first frame
		length  uint8
	}{
		{"7 bytes still fit", tester, counted(7), "7E0#0700070E151C232A", 8},
		{"8 bytes do not", tester, counted(8), "7E0#100800070E151C23", 8},
		{"one byte, padded", Config{Address: tester.Address, Fill: 0xCC}, []byte{0x3E}, "7E0#013ECCCCCCCCCCCC", 8},
		{"one byte, not padded", Config{Address: tester.Address, NoPadding: true}, []byte{0x3E}, "7E0#013E", 2},
		{"normal fixed", fixed, []byte{0x3E}, "18DA10F1#013E", 8},
		{"6 bytes fit behind an address byte", extended, counted(6), "600#120600070E151C23", 8},
		{"7 bytes do not", extended, counted(7), "600#12100700070E151C", 8},
		{"the longest length of 12 bits", Config{Address: tester.Address, MaxMessage: 1 << 20}, counted(4095), "7E0#1FFF00070E151C23", 8},
		{"the shortest length of 32 bits", Config{Address: tester.Address, MaxMessage: 1 << 20}, counted(4096), "7E0#1000000010000007", 8},
		{"CAN FD keeps short messages short", fd, counted(7), "7E0##0700070E151C232A", 8},
		{"CAN FD escapes the length", fd, counted(8), "7E0##000800070E151C232A3100", 12},
		{"CAN FD pads to the next length", fd, counted(11), "7E0##000B00", 16},
		{"CAN FD, the longest single frame", fd, counted(62), "7E0##003E00", 64},
		{"CAN FD, one byte more", fd, counted(63), "7E0##103F00", 64},
		{"CAN FD in short frames", Config{Address: tester.Address, FD: true, FrameLength: 12}, counted(11), "7E0##100B00", 12},
	} {
		t.Run(tc.name, func(t *testing.T) {
			s := newSender(t, tc.config)
			if err := s.Start(0, tc.message); err != nil {
				t.Fatal(err)
			}
			var f Frame
			if !s.Next(0, &f) || !strings.HasPrefix(f.String(), tc.want) || f.Length != tc.length {
				t.Errorf("first frame %v of %d bytes, want %s… of %d", &f, f.Length, tc.want, tc.length)
			}
			if err := f.Check(); err != nil {
				t.Error(err)
			}
		})
	}
}

func TestNormalFixedIdentifiers(t *testing.T) {
	a := NormalFixed(0x10, 0xF1)
	if a.Send != 0x18DA10F1 || a.Receive != 0x18DAF110 || !a.Extended || FixedFunctional(0x33, 0xF1) != 0x18DB33F1 {
		t.Errorf("physical %X and %X, functional %X", a.Send, a.Receive, FixedFunctional(0x33, 0xF1))
	}
}

func TestSTminCodes(t *testing.T) {
	for code, want := range map[byte]time.Duration{
		0: 0, 1: ms, 0x7F: 127 * ms, 0x80: 127 * ms, 0xF0: 127 * ms, 0xF1: 100 * time.Microsecond, 0xF9: 900 * time.Microsecond, 0xFA: 127 * ms, 0xFF: 127 * ms,
	} {
		if got := DecodeSTmin(code); got != want {
			t.Errorf("code %02X is %v, want %v", code, got, want)
		}
	}
	for d := time.Duration(0); d < 130*ms; d += 50 * time.Microsecond {
		got := DecodeSTmin(EncodeSTmin(d))
		if got < min(d, 127*ms) || got > d+ms {
			t.Errorf("%v is coded as %v", d, got)
		}
	}
	if EncodeSTmin(-ms) != 0 {
		t.Error("a negative time is not 0")
	}
}

func TestConfigurationsThatCannotBe(t *testing.T) {
	a := tester.Address
	for name, c := range map[string]Config{
		"identifier to send":       {Address: Normal11(0x800, 1)},
		"identifier to receive":    {Address: Normal29(1, 0x2000_0000)},
		"address byte without use": {Address: Address{Send: 1, Receive: 2, SendByte: 3}},
		"frame length":             {Address: a, FD: true, FrameLength: 13},
		"short frame length":       {Address: a, FrameLength: 7},
		"classic, long":            {Address: a, FrameLength: 12},
		"classic, fast":            {Address: a, BitRateSwitch: true},
		"padding check":            {Address: a, Check: 3},
		"message":                  {Address: a, MaxMessage: -1},
		"waits":                    {Address: a, MaxWaits: -1},
		"time":                     {Address: a, Timeouts: Timeouts{Cr: -1}},
	} {
		_, one := NewSender(c)
		_, two := NewReceiver(c)
		_, three := NewEndpoint(c)
		if one == nil || two == nil || three == nil {
			t.Errorf("%s: %v, %v, %v", name, one, two, three)
		}
	}
}

func TestFramesThatNoBusCarries(t *testing.T) {
	for name, f := range map[string]Frame{
		"11 bits": {ID: 0x800}, "29 bits": {ID: 0x2000_0000, Extended: true}, "classic of 9": {Length: 9},
		"CAN FD of 9": {FD: true, Length: 9}, "fast classic": {BitRateSwitch: true}, "too long": {FD: true, Length: 65},
	} {
		if f.Check() == nil {
			t.Errorf("%s: passes", name)
		}
	}
	if long := (Frame{FD: true, Length: 255}); len(long.Payload()) != MaxFD || FDLength(-1) != 0 || FDLength(65) != MaxFD {
		t.Error("a length beyond the frame is not cut")
	}
}

func TestMessagesThatCannotBeSent(t *testing.T) {
	s := newSender(t, Config{Address: tester.Address, MaxMessage: 20})
	if err := s.Start(0, nil); err == nil {
		t.Error("an empty message starts")
	}
	if err := s.Start(0, counted(21)); !errors.Is(err, ErrTooLong) {
		t.Errorf("21 bytes: %v", err)
	}
	if err := s.Start(0, counted(20)); err != nil {
		t.Fatal(err)
	}
	if err := s.Start(0, counted(1)); err == nil {
		t.Error("a second message starts while one is under way")
	}
	s.Abort()
	if err := s.Start(0, counted(1)); err != nil {
		t.Errorf("after Abort: %v", err)
	}
	group := newSender(t, Config{Address: tester.Address, SingleFrames: true})
	if err := group.Start(0, counted(8)); !errors.Is(err, ErrTooLong) {
		t.Errorf("8 bytes to a group: %v", err)
	}
}
