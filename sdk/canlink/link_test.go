// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canlink

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"math/rand/v2"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/isotp"
)

func TestAnswerHasItsTimes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWire(t)
		w.join(Bits11, 0, table(10*ms, usual))
		l := w.link(Options{Addressing: Bits11, Fill: 0x55})
		a := mustAsk(t, l, "010C", "E8:410C1F40")
		one := a.Answers[0]
		if one.Source != 0x7E8 || one.Received.Sub(a.Sent) != 10*ms || one.Uncertainty != 500*time.Microsecond {
			t.Errorf("from %X, %v after the request, ± %v", one.Source, one.Received.Sub(a.Sent), one.Uncertainty)
		}
		if got := w.log(); !slices.Equal(got, []string{"7DF#02010C5555555555"}) {
			t.Errorf("sent %v", got)
		}
	})
}

func TestReceivedIsTheTimeOfTheFirstFrame(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWire(t)
		w.join(Bits11, 0, table(10*ms, usual))
		l := w.link(Options{Addressing: Bits11})
		a := mustAsk(t, l, "010C10040B110F", "E8:410C1F40101AF804D90B6211D00F46")
		if got := a.Answers[0].Received.Sub(a.Sent); got != 10*ms {
			t.Errorf("received %v after the request", got)
		}
		if got := w.log(); len(got) != 2 || got[1] != "7E0#3000000000000000" {
			t.Errorf("sent %v", got)
		}
	})
}

func TestTwoUnitsAnswerAtOnceInManyFrames(t *testing.T) {
	for _, kind := range []Addressing{Bits11, Bits29} {
		synctest.Test(t, func(t *testing.T) {
			w := newWire(t)
			w.join(kind, 1, table(12*ms, map[string]string{"0902": "490201" + strings.Repeat("32", 17)}))
			w.join(kind, 0, table(12*ms, map[string]string{"0902": "490201" + strings.Repeat("31", 17)}))
			l := w.link(Options{Addressing: kind})
			answers, err := ask(t, l, "0902")
			if err != nil || len(answers.Answers) != 2 || len(answers.Answers[0].Payload) != 20 || len(answers.Answers[1].Payload) != 20 {
				t.Fatalf("%v: %v, %v", kind, said(answers), err)
			}
			if kind == Bits29 && !slices.Contains(w.log(), "18DA01F1#3000000000000000") {
				t.Errorf("no flow control to the second unit: %v", w.log())
			}
			if kind == Bits29 && answers.Answers[0].Source&^1 != 0x98DAF100 {
				t.Errorf("answer from %X", answers.Answers[0].Source)
			}
		})
	}
}

func TestKnownRespondersAreNotWaitedForLonger(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWire(t)
		w.join(Bits11, 0, table(10*ms, usual))
		second := w.join(Bits11, 1, table(20*ms, usual))
		l := w.link(Options{Addressing: Bits11})
		took := func(want ...string) time.Duration {
			begun := time.Now()
			mustAsk(t, l, "010C", want...)
			return time.Since(begun)
		}
		both := []string{"E8:410C1F40", "E9:410C1F40"}
		for range rounds {
			if d := took(both...); d < 50*ms || d > 60*ms {
				t.Errorf("the first requests took %v; nobody is known yet, so P2 is to be waited for", d)
			}
		}
		if d := took(both...); d > 21*ms {
			t.Errorf("the next request took %v, though all had answered after 20 ms", d)
		}
		second.mu.Lock()
		second.answer = table(0, nil)
		second.mu.Unlock()
		for range misses {
			if d := took("E8:410C1F40"); d < 50*ms {
				t.Errorf("a missing unit was not waited for: %v", d)
			}
		}
		if d := took("E8:410C1F40"); d > 11*ms {
			t.Errorf("a unit that fell silent is still waited for: %v", d)
		}
		second.mu.Lock()
		second.answer = table(20*ms, usual)
		second.mu.Unlock()
		time.Sleep(memory + time.Second)
		took(both...)
	})
}

// One answer in three of the second unit is lost. It must be waited for all the same, however the first requests went.
func TestAUnitWhoseAnswersAreOftenLostIsStillWaitedFor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWire(t)
		w.join(Bits11, 0, table(10*ms, usual))
		rng := rand.New(rand.NewPCG(1, 1))
		w.join(Bits11, 1, func(request string) []reply {
			if rng.IntN(3) == 0 {
				return nil
			}
			return []reply{{20 * ms, usual[request]}}
		})
		l := w.link(Options{Addressing: Bits11})
		both := 0
		for range 300 {
			if answers, err := ask(t, l, "010C"); err == nil && len(answers.Answers) == 2 {
				both++
			}
		}
		if both < 180 {
			t.Errorf("both units were heard %d times of 300, want about 200", both)
		}
	})
}

func TestProbedUnitsAreEnoughForOtherRequests(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWire(t)
		w.join(Bits11, 0, table(10*ms, usual))
		l := w.link(Options{Addressing: Bits11})
		for range rounds {
			mustAsk(t, l, "0100", "E8:4100BE3FA813")
		}
		begun := time.Now()
		mustAsk(t, l, "010C", "E8:410C1F40")
		if d := time.Since(begun); d > 11*ms {
			t.Errorf("it took %v, though the only unit there is had answered", d)
		}
	})
}

func TestAVehicleThatFallsSilentIsWaitedForAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWire(t)
		n := w.join(Bits11, 0, table(10*ms, usual))
		l := w.link(Options{Addressing: Bits11})
		for _, payload := range []string{"0100", "010C"} {
			mustAsk(t, l, payload, "E8:"+usual[payload])
		}
		n.mu.Lock()
		n.answer = table(0, nil)
		n.mu.Unlock()
		for range 2 * misses {
			for _, payload := range []string{"0100", "010C", "010D"} {
				begun := time.Now()
				if _, err := ask(t, l, payload); !errors.Is(err, adapter.ErrSilent) || time.Since(begun) < 200*ms {
					t.Errorf("%s after %v: %v", payload, time.Since(begun), err)
				}
			}
		}
		n.mu.Lock()
		n.answer = table(100*ms, usual)
		n.mu.Unlock()
		mustAsk(t, l, "010D", "E8:410D32")
	})
}

func TestExpectedAnswersEndTheWait(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWire(t)
		w.join(Bits11, 0, table(10*ms, usual))
		w.join(Bits11, 1, table(20*ms, usual))
		l := w.link(Options{Addressing: Bits11})
		for _, tc := range []struct {
			expected int
			target   int64
			least    time.Duration
		}{{1, 0, 10 * ms}, {2, 0, 20 * ms}, {0, 0x7E1, 20 * ms}, {0, 0x7E9, 20 * ms}} {
			time.Sleep(100 * ms) // what was not waited for comes meanwhile
			begun := time.Now()
			a, err := l.Request(t.Context(), adapter.Request{Payload: []byte{1, 0x0C}, Expected: tc.expected, Target: tc.target})
			if d := time.Since(begun); err != nil || len(a.Answers) != max(tc.expected, 1) || d < tc.least || d > tc.least+ms {
				t.Errorf("%+v: %v after %v (%v)", tc, said(a), d, err)
			}
		}
	})
}

func TestPatienceIsGranted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWire(t)
		replies := []reply{{10 * ms, "7F0178"}, {4 * time.Second, "7F0178"}, {8 * time.Second, "410C1F40"}}
		w.join(Bits11, 0, func(string) []reply { return replies })
		l := w.link(Options{Addressing: Bits11})
		a := mustAsk(t, l, "010C", "E8:410C1F40")
		if got := a.Answers[0].Received.Sub(a.Sent); got != 8*time.Second {
			t.Errorf("received after %v", got)
		}
		replies = replies[:1]
		begun := time.Now()
		_, err := ask(t, l, "010C")
		if !errors.Is(err, adapter.ErrSilent) || !strings.Contains(err.Error(), "patience") || time.Since(begun) > 6*time.Second {
			t.Errorf("after %v: %v", time.Since(begun), err)
		}
		replies = nil
		for range 20 {
			replies = append(replies, reply{time.Duration(len(replies)) * ms, "7F0178"})
		}
		mustAsk(t, l, "010C", "E8:7F0178")
	})
}

func TestNobodyAnswers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWire(t)
		w.join(Bits11, 0, table(10*ms, usual))
		l := w.link(Options{Addressing: Bits11})
		begun := time.Now()
		if _, err := ask(t, l, "015E"); !errors.Is(err, adapter.ErrSilent) || time.Since(begun) > 201*ms {
			t.Errorf("after %v: %v", time.Since(begun), err)
		}
		begun = time.Now()
		if _, err := l.Request(t.Context(), adapter.Request{Payload: []byte{1, 0x5E}}); !errors.Is(err, adapter.ErrSilent) || time.Since(begun) < time.Second {
			t.Errorf("without a time-out, after %v: %v", time.Since(begun), err)
		}
		mustAsk(t, l, "010C", "E8:410C1F40")
	})
}

func TestLateAnswerIsNotTheNextOne(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWire(t)
		w.join(Bits11, 0, func(request string) []reply {
			if request == "010C" {
				return []reply{{230 * ms, "410C1F40"}}
			}
			return []reply{{50 * ms, usual[request]}}
		})
		l := w.link(Options{Addressing: Bits11})
		if _, err := ask(t, l, "010C"); !errors.Is(err, adapter.ErrSilent) {
			t.Fatal(err)
		}
		mustAsk(t, l, "010D", "E8:410D32")
		if s := l.Statistics(); s.Late != 1 || s.Strange != 0 || s.Silent != 1 || s.Answers != 1 || s.Requests != 2 {
			t.Errorf("%+v", s)
		}
	})
}

func TestLateAnswerOfManyFramesIsStopped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWire(t)
		w.join(Bits11, 0, func(request string) []reply {
			if request == "0902" {
				return []reply{{210 * ms, usual[request]}}
			}
			return []reply{{50 * ms, usual[request]}}
		})
		l := w.link(Options{Addressing: Bits11})
		if _, err := ask(t, l, "0902"); !errors.Is(err, adapter.ErrSilent) {
			t.Fatal(err)
		}
		mustAsk(t, l, "010D", "E8:410D32")
		if got := w.log(); len(got) != 3 || got[2] != "7E0#3200000000000000" {
			t.Errorf("sent %v", got)
		}
	})
}

// A planner asks for other parameters each time, and some of the same: the late answer begins with one that is asked again.
func TestALateAnswerThatBeginsAlikeIsNotTheNextOne(t *testing.T) {
	for _, tc := range []struct{ late, lateAnswer, next, nextAnswer string }{
		{"010C05", "410C1F400578", "010C0D", "410C1F400D32"},
		{"010C0B05", "410C1F400B640578", "010C0D0B", "410C1F400D320B64"},
		{"22F40CF405", "62F40C1F40F40578", "22F40CF40D", "62F40C1F40F40D32"},
	} {
		synctest.Test(t, func(t *testing.T) {
			w := newWire(t)
			w.join(Bits11, 0, func(request string) []reply {
				if request == tc.late {
					return []reply{{230 * ms, tc.lateAnswer}}
				}
				return []reply{{100 * ms, tc.nextAnswer}}
			})
			l := w.link(Options{Addressing: Bits11})
			if _, err := ask(t, l, tc.late); !errors.Is(err, adapter.ErrSilent) {
				t.Fatal(err)
			}
			mustAsk(t, l, tc.next, "E8:"+tc.nextAnswer)
			if s := l.Statistics(); s.Late != 1 || s.Garbled != 0 {
				t.Errorf("%+v", s)
			}
		})
	}
}

// Each case garbles the answer to the first request; the second must work.
func TestGarbledAnswers(t *testing.T) {
	same := func(f isotp.Frame) []isotp.Frame { return []isotp.Frame{f} }
	at := func(number int, do func(f isotp.Frame) []isotp.Frame) func(int, isotp.Frame) []isotp.Frame {
		return func(n int, f isotp.Frame) []isotp.Frame {
			if n == number {
				return do(f)
			}
			return same(f)
		}
	}
	cut := func(f isotp.Frame) []isotp.Frame { f.Length = 3; return same(f) }
	lose := func(isotp.Frame) []isotp.Frame { return nil }
	alike := func(f isotp.Frame) []isotp.Frame { // a second one that differs in its last byte
		other := f
		other.Data[other.Length-1] ^= 1
		return []isotp.Frame{f, other}
	}
	var kept isotp.Frame
	for name, tc := range map[string]struct {
		request string
		mangle  func(int, isotp.Frame) []isotp.Frame
		detail  string
	}{
		"single frame cut":       {"010C", at(0, cut), "too short"},
		"first frame cut":        {"0902", at(0, cut), "too short"},
		"consecutive frame cut":  {"0902", at(1, cut), "3 bytes"},
		"last frame cut":         {"0902", at(2, cut), "3 bytes"},
		"consecutive frame lost": {"0902", at(1, lose), "sequence"},
		"last frame lost":        {"0902", at(2, lose), "N_Cr"},
		"two first frames":       {"0902", at(0, alike), "before the old one"},
		"two of one number":      {"0902", at(1, alike), "sequence"},
		"swapped": {"0902", func(n int, f isotp.Frame) []isotp.Frame {
			if n == 1 {
				kept = f
				return nil
			}
			if n == 2 {
				return []isotp.Frame{f, kept}
			}
			return same(f)
		}, "sequence"},
		"two answers": {"010C", at(0, func(f isotp.Frame) []isotp.Frame {
			other := f
			other.Data[3] ^= 1
			return []isotp.Frame{f, other}
		}), "twice"},
		"length of 0":      {"010C", at(0, func(f isotp.Frame) []isotp.Frame { f.Data[0] = 0; return same(f) }), "control bytes"},
		"another's answer": {"010C", at(0, func(f isotp.Frame) []isotp.Frame { f.Data[2] = 0x99; return same(f) }), "410C"[:2] + "99"},
		"short refusal":    {"010C", at(0, func(f isotp.Frame) []isotp.Frame { f.Data = [64]byte{2, 0x7F, 1}; return same(f) }), "refusal"},
		"endless answer": {"0902", at(0, func(f isotp.Frame) []isotp.Frame {
			f.Data = [64]byte{0x10, 0, 0xFF, 0xFF, 0, 0, 0x49, 2}
			return same(f)
		}), "too long"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w := newWire(t)
				n := w.join(Bits11, 0, table(10*ms, usual))
				n.mangle = tc.mangle
				l := w.link(Options{Addressing: Bits11})
				begun := time.Now()
				answers, err := ask(t, l, tc.request)
				if !errors.Is(err, adapter.ErrGarbled) || !strings.Contains(err.Error(), "7E8") || !strings.Contains(err.Error(), tc.detail) {
					t.Fatalf("%v (%v), want %q", err, said(answers), tc.detail)
				}
				if d := time.Since(begun); d > 400*ms {
					t.Errorf("it took %v", d)
				}
				n.mu.Lock()
				n.mangle = nil
				n.mu.Unlock()
				mustAsk(t, l, "010C", "E8:410C1F40")
				mustAsk(t, l, "0902", "E8:"+usual["0902"])
			})
		})
	}
}

// Some gateways and drivers hand on a frame twice. One that is doubled costs nothing; asking for patience counts each time.
func TestAFrameThatComesTwiceCountsOnce(t *testing.T) {
	for _, request := range []string{"010C", "0902"} {
		synctest.Test(t, func(t *testing.T) {
			w := newWire(t)
			for unit := range byte(2) {
				w.join(Bits11, unit, table(time.Duration(10+5*unit)*ms, usual)).mangle = func(_ int, f isotp.Frame) []isotp.Frame { return []isotp.Frame{f, f} }
			}
			l := w.link(Options{Addressing: Bits11})
			for range 3 {
				mustAsk(t, l, request, "E8:"+usual[request], "E9:"+usual[request])
			}
			if s := l.Statistics(); s.Repeated == 0 || s.Garbled != 0 {
				t.Errorf("%+v", s)
			}
		})
	}
	synctest.Test(t, func(t *testing.T) {
		w := newWire(t)
		w.join(Bits11, 0, func(string) []reply {
			return []reply{{10 * ms, "7F0978"}, {4 * time.Second, "7F0978"}, {8 * time.Second, usual["0902"]}}
		})
		l := w.link(Options{Addressing: Bits11})
		mustAsk(t, l, "0902", "E8:"+usual["0902"])
	})
}

// Where a control unit answers twice, by a second message and not only by a second frame.
func TestAnAnswerThatComesTwiceCountsOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWire(t)
		w.join(Bits11, 0, func(request string) []reply { return []reply{{10 * ms, usual[request]}, {12 * ms, usual[request]}} })
		w.join(Bits11, 1, table(20*ms, usual))
		l := w.link(Options{Addressing: Bits11})
		for range 3 {
			mustAsk(t, l, "0902", "E8:"+usual["0902"], "E9:"+usual["0902"])
		}
	})
}

func TestAnswersThatCameWholeStandBesideTheGarbledOne(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWire(t)
		w.join(Bits11, 0, table(10*ms, usual))
		w.join(Bits11, 1, table(20*ms, usual)).mangle = func(_ int, f isotp.Frame) []isotp.Frame { f.Length = 2; return []isotp.Frame{f} }
		l := w.link(Options{Addressing: Bits11})
		for range 2 {
			answers, err := ask(t, l, "010C")
			if !errors.Is(err, adapter.ErrGarbled) || !slices.Equal(said(answers), []string{"E8:410C1F40"}) {
				t.Errorf("%v, %v", said(answers), err)
			}
		}
	})
}

func TestLongRequestGoesToOneUnit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWire(t)
		request := "22F40CF410F404F40B"
		w.join(Bits11, 0, table(10*ms, map[string]string{request: "62F40C1F40F4101AF8F404D9F40B62"}))
		l := w.link(Options{Addressing: Bits11})
		if _, err := ask(t, l, request); err == nil || !strings.Contains(err.Error(), "one frame") {
			t.Errorf("to all: %v", err)
		}
		one := func(target int64) (adapter.Answers, error) {
			return l.Request(t.Context(), adapter.Request{Payload: unhex(t, request), Target: target, Timeout: 2 * time.Second})
		}
		answers, err := one(0x7E0)
		if err != nil || !slices.Equal(said(answers), []string{"E8:62F40C1F40F4101AF8F404D9F40B62"}) {
			t.Errorf("to one: %v, %v", said(answers), err)
		}
		if got := answers.Answers[0].Received.Sub(answers.Sent); got != 10*ms {
			t.Errorf("received %v after the last frame of the request", got)
		}
		if _, err := one(0x7E1); !errors.Is(err, adapter.ErrSilent) || errors.Is(err, adapter.ErrGarbled) {
			t.Errorf("to one that is not there: %v", err)
		}
		for _, target := range []int64{0x123, 0x7F0, Wide | 0x18DA10F1, -1} {
			if _, err := one(target); err == nil || errors.Is(err, adapter.ErrSilent) {
				t.Errorf("to %X: %v", target, err)
			}
		}
	})
}

func TestOnlyReadingRequestsAreSent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWire(t)
		var log bytes.Buffer
		l := w.link(Options{Addressing: Bits11, Log: slog.New(slog.NewTextHandler(&log, nil))})
		refused := []string{"", "04", "0101020304050607", "08010000000000", "1002", "1101", "14FFFFFF", "2701", "2EF40C00", "2F010203", "3101FF00", "22F190", "85 02"}
		for _, payload := range refused {
			if _, err := ask(t, l, payload); !errors.Is(err, adapter.ErrNotReadOnly) {
				t.Errorf("%s: %v", payload, err)
			}
		}
		if got := w.log(); len(got) != 0 {
			t.Errorf("sent %v", got)
		}
		if s := l.Statistics(); s.Refused != uint64(len(refused)) || strings.Count(log.String(), "refused") != len(refused) {
			t.Errorf("%+v, log %s", s, log.String())
		}
	})
}

func TestRequestsWaitInTheirOrder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWire(t)
		w.join(Bits11, 0, table(10*ms, usual))
		l := w.link(Options{Addressing: Bits11})
		var mu sync.Mutex
		var order []int
		var all sync.WaitGroup
		for i := range 10 {
			all.Go(func() {
				if _, err := l.Request(t.Context(), adapter.Request{Payload: []byte{1, 0x0C}, Expected: 1}); err != nil {
					t.Error(err)
				}
				mu.Lock()
				defer mu.Unlock()
				order = append(order, i)
			})
			time.Sleep(time.Microsecond)
		}
		all.Wait()
		if !slices.IsSorted(order) {
			t.Errorf("order %v", order)
		}
	})
}

func TestCallerGoesAway(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWire(t)
		w.join(Bits11, 0, table(10*ms, usual))
		l := w.link(Options{Addressing: Bits11})
		cause := errors.New("gone")
		ctx, cancel := context.WithTimeoutCause(t.Context(), 20*ms, cause)
		defer cancel()
		var waiting sync.WaitGroup
		for range 2 { // one on the bus, one that waits for its turn
			waiting.Go(func() {
				if _, err := l.Request(ctx, adapter.Request{Payload: []byte{1, 0x5E}}); !errors.Is(err, cause) {
					t.Error(err)
				}
			})
		}
		waiting.Wait()
		if _, err := l.Request(ctx, adapter.Request{Payload: []byte{1, 0x0C}}); !errors.Is(err, cause) {
			t.Error(err)
		}
		mustAsk(t, l, "010C", "E8:410C1F40")
	})
}

func TestCloseEndsEveryRequest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWire(t)
		l := w.link(Options{Addressing: Bits11})
		var all sync.WaitGroup
		for range 3 {
			all.Go(func() {
				if _, err := ask(t, l, "010C"); !errors.Is(err, net.ErrClosed) {
					t.Error(err)
				}
			})
		}
		time.Sleep(ms)
		if err := l.Close(); err != nil {
			t.Error(err)
		}
		all.Wait()
		if _, err := ask(t, l, "010C"); !errors.Is(err, net.ErrClosed) {
			t.Error(err)
		}
	})
}

func TestUnplugIsTold(t *testing.T) {
	for name, unplug := range map[string]func(w *wire){
		"while receiving": func(w *wire) { w.happen(adapter.ErrUnplugged) },
		"while sending":   func(w *wire) { w.setFail(adapter.ErrUnplugged, false) },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w := newWire(t)
				w.join(Bits11, 0, table(10*ms, usual))
				l := w.link(Options{Addressing: Bits11})
				mustAsk(t, l, "010C", "E8:410C1F40")
				time.AfterFunc(5*ms, func() { unplug(w) })
				begun := time.Now()
				_, err := ask(t, l, "0902")
				for range 2 {
					if err == nil {
						_, err = ask(t, l, "010D")
					}
				}
				if !errors.Is(err, adapter.ErrUnplugged) || time.Since(begun) > 70*ms {
					t.Errorf("after %v: %v", time.Since(begun), err)
				}
				if _, err := ask(t, l, "010C"); !errors.Is(err, adapter.ErrUnplugged) {
					t.Errorf("the next: %v", err)
				}
			})
		})
	}
}

func TestOptionsThatCannotBe(t *testing.T) {
	for name, o := range map[string]Options{
		"time": {P2: -1}, "addressing": {Addressing: 7}, "transport": {Timeouts: isotp.Timeouts{Bs: -1}},
	} {
		if _, err := New(newWire(t), o); err == nil {
			t.Errorf("%s passes", name)
		}
	}
}
