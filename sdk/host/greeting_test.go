// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package host

import (
	"encoding/base64"
	"strings"
	"testing"
	"time"
)

var someCertificate = base64.RawStdEncoding.EncodeToString(make([]byte, 300))

func TestGreetingMustBeWhole(t *testing.T) {
	good := "1|1|unix|/run/s/plugin1|grpc|" + someCertificate
	if f := greet(good+"\r\n", "/run/s"); f != nil {
		t.Errorf("a good greeting: %v", f)
	}
	for line, reason := range map[string]Reason{
		"":                                     ReasonHandshake,
		"hello":                                ReasonHandshake,
		"a|b|c|d|e|f":                          ReasonHandshake,
		strings.Replace(good, "1|1", "2|1", 1): ReasonHandshake,
		strings.Replace(good, "1|1", "1|x", 1): ReasonHandshake,
		strings.Replace(good, "1|1", "1|9", 1): ReasonProtocolVersion,
		strings.Replace(good, "grpc", "netrpc", 1):  ReasonHandshake,
		strings.Replace(good, "/run/s", "/run", 1):  ReasonHandshake,
		strings.Replace(good, "/s/", "/s/../t/", 1): ReasonHandshake,
		strings.Replace(good, "unix", "pipe", 1):    ReasonHandshake,
		good[:40]:                                   ReasonHandshake,
		good + "!":                                  ReasonHandshake,
	} {
		if f := greet(line, "/run/s"); f == nil || f.Reason != reason {
			t.Errorf("%q: %v", line, f)
		}
	}
}

func FuzzGreet(f *testing.F) {
	f.Add("1|1|unix|/run/s/plugin1|grpc|" + someCertificate)
	f.Add("1|1|tcp|127.0.0.1:1|grpc|")
	f.Fuzz(func(t *testing.T, line string) {
		if f := greet(line, "/run/s"); f != nil && (f.Reason == "" || len(f.Err.Error()) > 2000) {
			t.Errorf("reason %q, message of %d bytes", f.Reason, len(f.Err.Error()))
		}
	})
}

func FuzzSplitPrint(f *testing.F) {
	f.Add([]byte("\x08\x02\x12\x02hi"))
	f.Fuzz(func(t *testing.T, raw []byte) {
		if _, data := splitPrint(raw); len(data) > len(raw) {
			t.Error("more came out than went in")
		}
	})
}

func FuzzReattach(f *testing.F) {
	f.Add(`{"protocol_version":1,"network":"unix","address":"/tmp/s","pid":7}`)
	f.Add(`{"protocol_version":1,"network":"tcp","address":"127.0.0.1:7","pid":7}`)
	f.Fuzz(func(t *testing.T, line string) {
		if _, address, err := parseReattach(line); err == nil && address == nil {
			t.Error("neither an address nor an error")
		}
	})
}

func TestBackoffDoublesUpToItsBoundAndTheBreakerCounts(t *testing.T) {
	var o Options
	o.fill()
	h := history{rules: o.Restart}
	now := time.Unix(0, 0)
	for i, want := range []time.Duration{500 * time.Millisecond, time.Second, 2 * time.Second, 4 * time.Second, 8 * time.Second, 16 * time.Second, 30 * time.Second, 30 * time.Second} {
		h.add(now)
		if got := h.wait(1); got != want {
			t.Errorf("failure %d: at most %v, want %v", i+1, got, want)
		}
		if h.wait(0) != 0 {
			t.Error("the jitter is not full")
		}
		if h.tooMany(now) != (i >= 4) {
			t.Errorf("failure %d: broken is %v", i+1, h.tooMany(now))
		}
	}
	later := now.Add(2*time.Minute + time.Second)
	if h.tooMany(later) || h.count(later) != 0 {
		t.Error("old failures still count")
	}
	h.add(later)
	if got := h.wait(1); got != 500*time.Millisecond {
		t.Errorf("after a quiet time %v", got)
	}
}
