// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canlink

import (
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/isotp"
)

func TestAnswersAreMatchedByServiceAndEcho(t *testing.T) {
	for _, tc := range []struct {
		request, answer string
		want            bool
	}{
		{"010C", "410C1F40", true}, {"010C", "410D32", false}, {"010C", "41", false}, {"010C0D", "410D32", true}, {"010C", "420C", false},
		{"020C00", "420C001F40", true}, {"020C000D00", "420D00", true}, {"020C000D00", "4200", false}, {"020C", "42", false},
		{"03", "4300", true}, {"03", "4700", false}, {"0902", "490201", true}, {"0902", "4904", false}, {"0601", "4601", true},
		{"1902FF", "5902FF", true}, {"1902FF", "5901", false}, {"1902FF", "59", false}, {"3E00", "7E00", true}, {"3E80", "7E00", true}, {"1001", "5001", true},
		{"22F40C", "62F40C1F40", true}, {"22F40C", "62F40D", false}, {"22F40C", "62F4", false}, {"22F40CF40D", "62F40D32", true}, {"22F4F40C", "62F40C", false},
		{"010C", "7F0112", true}, {"010C", "7F2212", false}, {"010C", "7F", false}, {"010C", "", false}, {"", "41", false},
	} {
		if got := answers(unhex(t, tc.request), unhex(t, tc.answer)); got != tc.want {
			t.Errorf("%s answers %s: %v", tc.answer, tc.request, got)
		}
	}
}

// Whatever comes, a request ends in time, and what it returns belongs to it.
func FuzzFramesDuringARequest(f *testing.F) {
	f.Add([]byte{0xE8, 8, 0x04, 0x41, 0x0C, 0x1F, 0x40, 0, 0, 0}, byte(0))
	f.Add([]byte{0xE8, 8, 0x10, 0x0A, 0x41, 0x0C, 1, 2, 3, 4, 0xE8, 8, 0x21, 5, 6, 7, 8, 9, 10, 11}, byte(1))
	f.Add([]byte{0xE9, 4, 0x03, 0x7F, 0x01, 0x78, 0xE8, 3, 0x30, 0, 0}, byte(2))
	f.Add([]byte{0x10, 8, 0x10, 0x00, 0xFF, 0xFF, 0xFF, 0xFF, 0x41, 0x0C}, byte(4))
	f.Fuzz(func(t *testing.T, script []byte, shape byte) {
		synctest.Test(t, func(t *testing.T) {
			kind := Bits11 + Addressing(shape&1)
			w := newWire(t)
			l := w.link(Options{Addressing: kind, P2Star: time.Second})
			request := adapter.Request{Payload: []byte{1, 0x0C}, Timeout: 100 * ms, Expected: int(shape >> 1 & 3)}
			if shape&0x40 != 0 {
				request.Payload, request.Target = unhex(t, "22F40CF410F404F40B"), kind.requestTo(0)
			}
			var playing sync.WaitGroup
			defer playing.Wait()
			playing.Go(func() { w.play(kind, script) })
			for range 2 {
				begun := time.Now()
				answers, err := l.Request(t.Context(), request)
				if d := time.Since(begun); d > 60*time.Second || err == nil && len(answers.Answers) == 0 {
					t.Fatalf("after %v: %v, %v", d, said(answers), err)
				}
				for _, a := range answers.Answers {
					if a.Received < answers.Sent || len(a.Payload) == 0 || !matches(request.Payload, a.Payload) {
						t.Fatalf("%X at %v, sent %v", a.Payload, a.Received, answers.Sent)
					}
				}
			}
		})
	})
}

func matches(request, answer []byte) bool { return answers(request, answer) }

// play puts the frames of a script on the bus.
func (w *wire) play(kind Addressing, script []byte) {
	for n := 0; len(script) >= 2 && n < 500; n++ {
		f := isotp.Frame{ID: uint32(kind.answerFrom(script[0]&7)) &^ Wide, Extended: kind == Bits29, FD: script[1]&0x80 != 0, Length: script[1] & 0x0F}
		if script[0]&0x08 == 0 {
			f.ID = uint32(script[0])
		}
		script = script[2+copy(f.Data[:f.Length], script[2:]):]
		w.say(f)
		time.Sleep(frameTime * time.Duration(1+f.Data[0]&7))
	}
}

func BenchmarkRequest(b *testing.B) {
	for name, payload := range map[string]string{"single": "010C", "multi": "010C10040B110F"} {
		b.Run(name, func(b *testing.B) {
			w := &direct{frames: make(chan isotp.Frame, 16), closed: make(chan struct{})}
			l, err := New(w, Options{Addressing: Bits11, Log: quiet})
			if err != nil {
				b.Fatal(err)
			}
			defer l.Close() //nolint:errcheck // the direct bus cannot fail to close
			request := adapter.Request{Payload: unhex(b, payload), Expected: 1}
			b.ReportAllocs()
			for b.Loop() {
				if _, err := l.Request(b.Context(), request); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
