// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canlink

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/isotp"
	"github.com/airassay/airassay/sdk/j1979"
)

func TestBusOffBacksOffAndThenStops(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWire(t)
		w.join(Bits11, 0, table(10*ms, usual))
		l := w.link(Options{Addressing: Bits11})
		off := func(after time.Duration) time.Duration {
			time.AfterFunc(after, func() { // told twice, as by Send and Receive
				w.happen(&BusError{Off: true})
				w.happen(&BusError{Off: true})
			})
			begun := time.Now()
			_, err := ask(t, l, "010C")
			e, ok := errors.AsType[*BusError](err)
			if !ok || !e.Off || !errors.Is(err, adapter.ErrSilent) {
				t.Fatal(err)
			}
			return time.Since(begun)
		}
		if d := off(5 * ms); d > 6*ms {
			t.Errorf("bus-off was told after %v", d)
		}
		begun := time.Now()
		mustAsk(t, l, "010C", "E8:410C1F40")
		if d := time.Since(begun); d < firstBackOff {
			t.Errorf("sent again after %v", d)
		}
		off(5 * ms) // an answer came in between
		off(firstBackOff + 5*ms)
		sent := len(w.log())
		for range 3 {
			time.Sleep(10 * time.Second)
			_, err := ask(t, l, "010C")
			if e, ok := errors.AsType[*BusError](err); !ok || !e.Stopped || !strings.Contains(err.Error(), "opened again") {
				t.Errorf("after two bus-offs: %v", err)
			}
		}
		if n := len(w.log()); n != sent {
			t.Errorf("%d frames were sent after two bus-offs", n-sent)
		}
		if s := l.Statistics(); s.BusOffs != 3 || s.BusErrors != 6 {
			t.Errorf("%+v", s)
		}
	})
}

func TestBackOffGrows(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWire(t)
		w.join(Bits11, 0, table(10*ms, usual))
		l := w.link(Options{Addressing: Bits11})
		w.setFail(&BusError{NoAcknowledge: true}, false)
		last := time.Duration(0)
		for range 7 {
			begun := time.Now()
			_, err := l.Request(t.Context(), adapter.Request{Payload: []byte{1, 0x0C}, Timeout: 5 * time.Second})
			if _, ok := errors.AsType[*BusError](err); !ok {
				t.Fatal(err)
			}
			if d := time.Since(begun); d < last || d > longestBackOff+ms {
				t.Errorf("waited %v after %v", d, last)
			} else {
				last = d
			}
		}
		if last < longestBackOff-ms {
			t.Errorf("waited %v in the end", last)
		}
		begun := time.Now()
		if _, err := ask(t, l, "010C"); !errors.Is(err, adapter.ErrSilent) || time.Since(begun) != 200*ms {
			t.Errorf("a back-off beyond the time-out took %v: %v", time.Since(begun), err)
		}
		w.setFail(nil, false)
		time.Sleep(longestBackOff)
		for range rounds {
			mustAsk(t, l, "010C", "E8:410C1F40")
		}
		begun = time.Now()
		mustAsk(t, l, "010C", "E8:410C1F40")
		if d := time.Since(begun); d > 11*ms {
			t.Errorf("an answer did not end the back-off: %v", d)
		}
	})
}

func TestErrorsOnTheBusExplainSilence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWire(t)
		w.join(Bits11, 0, table(10*ms, usual))
		l := w.link(Options{Addressing: Bits11})
		time.AfterFunc(5*ms, func() { w.happen(&BusError{Passive: true, Detail: "128 receive errors"}) })
		mustAsk(t, l, "010C", "E8:410C1F40")
		time.AfterFunc(5*ms, func() { w.happen(&BusError{Passive: true, Detail: "128 receive errors"}) })
		if _, err := ask(t, l, "015E"); !strings.Contains(err.Error(), "128 receive errors") {
			t.Error(err)
		}
	})
}

func TestFewErrorFramesCostNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWire(t)
		w.join(Bits11, 0, table(10*ms, usual))
		l := w.link(Options{Addressing: Bits11})
		mustAsk(t, l, "0100", "E8:4100BE3FA813")
		for n := range 8 {
			for range n % 4 {
				w.happen(&BusError{})
			}
			synctest.Wait()
			begun := time.Now()
			mustAsk(t, l, "010C", "E8:410C1F40")
			if d := time.Since(begun); (d >= firstBackOff) != (n%4 > passing) {
				t.Errorf("after %d error frames it took %v", n%4, d)
			}
		}
	})
}

func TestStuckBusIsTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWire(t)
		l := w.link(Options{Addressing: Bits11})
		w.setFail(nil, true)
		begun := time.Now()
		_, err := ask(t, l, "010C")
		if e, ok := errors.AsType[*BusError](err); !ok || !e.NoAcknowledge || time.Since(begun) != usualAs {
			t.Errorf("after %v: %v", time.Since(begun), err)
		}
	})
}

func TestBusErrorsSayWhatToDo(t *testing.T) {
	for want, e := range map[string]*BusError{
		"left the bus": {Off: true}, "ignition": {NoAcknowledge: true}, "many errors": {Passive: true}, "errors on the bus; x": {Detail: "x"},
	} {
		if !strings.Contains(e.Error(), want) {
			t.Errorf("%+v: %v", e, e)
		}
	}
}

// Both kinds of addressing and all dialects, found by a probe and by the first request.
func TestProbeFindsWhoIsThere(t *testing.T) {
	uds := map[string]string{"22F400": "62F40018180001", "22F40C": "62F40C1F40"}
	both := map[string]string{"0100": "4100BE3FA813", "22F400": "62F40018180001"}
	for name, tc := range map[string]struct {
		kind   Addressing
		rows   []map[string]string
		noise  *isotp.Frame
		speaks []j1979.Dialect
		first  string // the first request sent
	}{
		"11 bit":              {Bits11, []map[string]string{usual}, nil, []j1979.Dialect{j1979.Classic}, "7DF"},
		"29 bit":              {Bits29, []map[string]string{usual, usual}, nil, []j1979.Dialect{j1979.Classic}, "7DF"},
		"29 bit, heard":       {Bits29, []map[string]string{usual}, &isotp.Frame{ID: 0x18F00400, Extended: true, Length: 8}, []j1979.Dialect{j1979.Classic}, "18DB33F1"},
		"11 bit by service22": {Bits11, []map[string]string{uds}, nil, []j1979.Dialect{j1979.UDS}, "7DF"},
		"29 bit, both":        {Bits29, []map[string]string{usual, uds, both}, nil, []j1979.Dialect{j1979.Classic, j1979.UDS}, "7DF"},
		"only refusals":       {Bits11, []map[string]string{{"0100": "7F0122"}}, nil, nil, "7DF"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w := newWire(t)
				for i, rows := range tc.rows {
					w.join(tc.kind, byte(i+1), table(10*ms, rows))
				}
				if tc.noise != nil {
					time.AfterFunc(10*ms, func() { w.say(*tc.noise) })
				}
				l := w.link(Options{BitRate: 500_000})
				found, err := l.Probe(t.Context())
				if err != nil || found.Addressing != tc.kind || len(found.Responders) != len(tc.rows) || found.BitRate != 500_000 {
					t.Fatalf("%+v, %v", found, err)
				}
				for _, d := range []j1979.Dialect{j1979.Classic, j1979.UDS} {
					if found.Speaks(d) != slices.Contains(tc.speaks, d) {
						t.Errorf("%v spoken: %v", d, found.Speaks(d))
					}
				}
				if r := found.Responders[0]; r.Target != tc.kind.requestTo(1) || r.Source != tc.kind.answerFrom(1) {
					t.Errorf("%X answers at %X", r.Target, r.Source)
				}
				if (found.Frames29 > 0) != (tc.noise != nil) || found.Frames11 != 0 || !strings.HasPrefix(w.log()[0], tc.first) {
					t.Errorf("%+v, sent %v", found, w.log())
				}
				again, err := l.Found(t.Context())
				if err != nil || again.Addressing != tc.kind || len(again.Responders) != len(tc.rows) {
					t.Errorf("kept %+v, %v", again, err)
				}
			})
		})
	}
}

func TestUnitsThatSpeakOneDialectAreNotForgottenForTheOther(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWire(t)
		w.join(Bits11, 0, table(10*ms, map[string]string{"0100": "4100BE3FA813", "22F400": "62F40018180001", "010C": "410C1F40"}))
		w.join(Bits11, 1, table(20*ms, usual))
		l := w.link(Options{})
		mustAsk(t, l, "010C", "E8:410C1F40", "E9:410C1F40")
	})
}

func TestFirstRequestProbes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWire(t)
		w.join(Bits29, 0x10, table(10*ms, usual))
		l := w.link(Options{})
		a := mustAsk(t, l, "010C", "10:410C1F40")
		if a.Answers[0].Source != 0x98DAF110 {
			t.Errorf("answer from %X", a.Answers[0].Source)
		}
		sent := len(w.log())
		mustAsk(t, l, "010C", "10:410C1F40")
		if n := len(w.log()); n != sent+1 {
			t.Errorf("the second request sent %d frames", n-sent)
		}
	})
}

func TestProbeListensBeforeItSends(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWire(t)
		l := w.link(Options{})
		time.AfterFunc(usualListening-ms, func() {
			if sent := w.log(); len(sent) != 0 {
				t.Errorf("sent %v", sent)
			}
		})
		found, err := l.Probe(t.Context())
		if !errors.Is(err, adapter.ErrSilent) || found.Addressing != Unknown || len(w.log()) != 4 {
			t.Errorf("%+v, %v, sent %v", found, err, w.log())
		}
		time.AfterFunc(10*ms, func() { w.happen(&BusError{Passive: true}) })
		if _, err := l.Probe(t.Context()); err == nil || len(w.log()) != 4 {
			t.Errorf("errors on the bus: %v, sent %v", err, w.log())
		}
		time.Sleep(ms)
		if _, err := l.Probe(t.Context()); err == nil || len(w.log()) != 4 {
			t.Errorf("errors on the bus a moment ago: %v, sent %v", err, w.log())
		}
		ctx, cancel := context.WithTimeout(t.Context(), 10*ms)
		defer cancel()
		time.Sleep(time.Second)
		if _, err := l.Probe(ctx); !errors.Is(err, context.DeadlineExceeded) {
			t.Error(err)
		}
	})
}

func TestProbeStopsAtTheFirstErrorOnTheBus(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWire(t)
		l := w.link(Options{})
		time.AfterFunc(usualListening+10*ms, func() { w.happen(&BusError{Passive: true}) })
		if _, err := l.Probe(t.Context()); err == nil || len(w.log()) != 1 {
			t.Errorf("%v, sent %v", err, w.log())
		}
	})
}

func TestOneErrorFrameDoesNotEndAProbe(t *testing.T) {
	for _, at := range []time.Duration{20 * ms, usualListening + 70*ms} { // while it hears others; after the first answer
		synctest.Test(t, func(t *testing.T) {
			w := newWire(t)
			w.join(Bits11, 0, table(10*ms, usual))
			time.AfterFunc(10*ms, func() { w.say(isotp.Frame{ID: 0x123, Length: 8}) })
			time.AfterFunc(at, func() { w.happen(&BusError{}) })
			l := w.link(Options{})
			if found, err := l.Probe(t.Context()); err != nil || !found.Speaks(j1979.Classic) {
				t.Errorf("an error after %v: %+v, %v", at, found, err)
			}
		})
	}
}

func TestProbeAsksAgainWhereTheAnswerIsGarbled(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWire(t)
		n := w.join(Bits11, 0, table(10*ms, usual))
		garbled := false
		n.mangle = func(_ int, f isotp.Frame) []isotp.Frame {
			if !garbled {
				garbled = true
				f.Length = 2
			}
			return []isotp.Frame{f}
		}
		l := w.link(Options{Addressing: Bits11})
		if found, err := l.Probe(t.Context()); err != nil || !found.Speaks(j1979.Classic) {
			t.Errorf("%+v, %v", found, err)
		}
	})
}

// shelf is an interface that can be tuned: what the bus is at each bit rate.
type shelf struct {
	make   map[int]func() *wire
	silent bool // whether it can be quiet
	log    []string
	err    error
}

func (s *shelf) Tune(_ context.Context, bitRate int, quiet bool) (Bus, error) {
	if quiet && !s.silent {
		return nil, errors.ErrUnsupported
	}
	s.log = append(s.log, fmt.Sprintf("%d %v", bitRate/1000, quiet))
	if s.err != nil {
		return nil, s.err
	}
	return s.make[bitRate](), nil
}

func TestSearchKeepsItsOrder(t *testing.T) {
	for name, tc := range map[string]struct {
		silent  bool
		traffic int        // bit rate at which frames are heard
		wrong   []int      // bit rates at which the bus makes errors
		kind    Addressing // who answers, at
		at      int
		order   string
		err     bool
	}{
		"nothing heard, 500 answers": {true, 0, nil, Bits11, 500_000, "500 true 250 true 500 false", false},
		"29 bits":                    {true, 0, nil, Bits29, 500_000, "500 true 250 true 500 false", false},
		"250 answers":                {true, 0, nil, Bits29, 250_000, "500 true 250 true 500 false 250 false", false},
		"heard at 500":               {true, 500_000, nil, Bits11, 500_000, "500 true 500 false", false},
		"errors at 500":              {true, 250_000, []int{500_000}, Bits11, 250_000, "500 true 250 true 250 false", false},
		"errors at both":             {true, 0, []int{500_000, 250_000}, Bits11, 0, "500 true 250 true", true},
		"cannot be quiet":            {false, 0, []int{500_000}, Bits11, 250_000, "500 false 250 false", false},
		"nobody":                     {true, 0, nil, Bits11, 0, "500 true 250 true 500 false 250 false", true},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := &shelf{make: map[int]func() *wire{}, silent: tc.silent}
				for _, rate := range BitRates {
					s.make[rate] = func() *wire {
						w := newWire(t)
						if slices.Contains(tc.wrong, rate) {
							w.happen(&BusError{Passive: true})
						}
						if rate == tc.traffic {
							time.AfterFunc(10*ms, func() { w.say(isotp.Frame{ID: 0x123, Length: 8}) })
						}
						if rate == tc.at {
							w.join(tc.kind, 0, table(10*ms, usual))
						}
						return w
					}
				}
				link, found, err := Search(t.Context(), s, Options{Log: quiet})
				if got := strings.Join(s.log, " "); got != tc.order || (err != nil) != tc.err {
					t.Fatalf("tuned %s, want %s; %v", got, tc.order, err)
				}
				if err != nil {
					if !errors.Is(err, adapter.ErrSilent) {
						t.Error(err)
					}
					return
				}
				if found.BitRate != tc.at || found.Addressing != tc.kind {
					t.Errorf("%+v", found)
				}
				mustAsk(t, link, "010C", map[Addressing]string{Bits11: "E8:410C1F40", Bits29: "00:410C1F40"}[tc.kind])
				if err := link.Close(); err != nil {
					t.Error(err)
				}
			})
		})
	}
	broken := errors.New("no such interface")
	if _, _, err := Search(t.Context(), &shelf{silent: true, err: broken}, Options{}); !errors.Is(err, broken) {
		t.Error(err)
	}
	if _, _, err := Search(t.Context(), &shelf{err: broken}, Options{}); !errors.Is(err, broken) {
		t.Error(err)
	}
}
