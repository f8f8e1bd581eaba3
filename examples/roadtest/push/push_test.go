// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package push

import (
	"context"
	"errors"
	"math/rand/v2"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

const capture = "sessions/s1/captures/c1"

func batches(n int, rng *rand.Rand) []*pb.SampleBatch {
	var all []*pb.SampleBatch
	for i := range n {
		b := &pb.SampleBatch{Sequence: int64(i + 1), BaseTimeUs: int64(i) * 200_000}
		for k := range 1 + rng.IntN(40) {
			b.OffsetUs = append(b.OffsetUs, int64(k))
			b.Signal = append(b.Signal, rng.Int32N(3))
			b.Value = append(b.Value, rng.Float64())
		}
		all = append(all, b)
	}
	return all
}

// pushAll pushes batches from the one that the server wants next.
func pushAll(ctx context.Context, w *Writer, all []*pb.SampleBatch) error {
	for _, b := range all[w.Durable():] {
		if err := w.Push(ctx, b); err != nil {
			return err
		}
	}
	return w.Close(ctx)
}

func wantStored(t *testing.T, f *fake, all []*pb.SampleBatch) {
	t.Helper()
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(f.durable) != len(all) {
		t.Fatalf("the server has %d batches, want %d", len(f.durable), len(all))
	}
	for i, b := range all {
		if !proto.Equal(f.durable[i], b) {
			t.Fatalf("batch %d is stored as %v, want %v", i+1, f.durable[i], b)
		}
	}
	if len(f.broken) > 0 {
		t.Errorf("the writer broke the rules of the stream: %q", f.broken)
	}
}

func TestEveryBatchArrivesOnceInOrderWhateverBreaks(t *testing.T) {
	for name, f := range map[string]faults{
		"nothing breaks":        {},
		"late answers":          {late: true},
		"cut":                   {cut: 0.03},
		"cut, late":             {cut: 0.03, late: true},
		"crash":                 {crash: 0.03},
		"crash, late":           {crash: 0.03, late: true},
		"going down":            {refuse: 0.03},
		"hanging":               {hang: 0.02},
		"ending without a word": {end: 0.03, late: true},
		"everything at once":    {cut: 0.01, crash: 0.01, refuse: 0.01, hang: 0.01, end: 0.01, late: true},
		"hardly ever works":     {cut: 0.1, crash: 0.04},
	} {
		t.Run(name, func(t *testing.T) {
			breaks, repeats := 0, 0
			for seed := range uint64(20) {
				synctest.Test(t, func(t *testing.T) {
					s := &fake{faults: f}
					client := serve(t, s, seed)
					rng := rand.New(rand.NewPCG(seed, 2))
					all := batches(200, rng)
					w, err := Open(t.Context(), client, capture, Options{Buffer: 1 + rng.IntN(2000), Wait: time.Hour})
					if err != nil {
						t.Fatal(err)
					}
					if err := pushAll(t.Context(), w, all); err != nil {
						t.Fatal(err)
					}
					wantStored(t, s, all)
					if got := w.Stats(); got.Batches != 200 || f == (faults{}) && got.Losses != 0 {
						t.Errorf("the writer counts %+v", got)
					}
					breaks, repeats = breaks+s.breaks, repeats+s.repeats
				})
			}
			if f != (faults{}) && f != (faults{late: true}) && breaks == 0 {
				t.Error("nothing broke")
			}
			t.Logf("%d breaks, %d repeats", breaks, repeats)
		})
	}
}

func TestLostAnswersCreateNothingTwice(t *testing.T) {
	for seed := range uint64(20) {
		synctest.Test(t, func(t *testing.T) {
			s := &fake{faults: faults{loseAnswer: 0.7, refuse: 0.3}}
			client := serve(t, s, seed)
			lost, back := 0, 0
			o := Options{Wait: time.Hour, Notify: func(e Event) {
				if e.Lost != nil {
					lost++
				} else {
					back++
				}
			}}
			r, err := Call(t.Context(), o, client.CreateSession, &pb.CreateSessionRequest{RequestId: "one"})
			if err != nil {
				t.Fatal(err)
			}
			if s.made != 1 || r.GetSession().GetName() != "sessions/s1" {
				t.Errorf("%d sessions were made, and the answer is %v", s.made, r)
			}
			if lost != s.breaks || back != min(lost, 1) {
				t.Errorf("of %d breaks %d were told, and %d returns", s.breaks, lost, back)
			}
		})
	}
}

func TestServerThatStaysAwayIsGivenUpInTime(t *testing.T) {
	for _, late := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			s := &fake{}
			client := serve(t, s, 1)
			const wait = 40 * time.Second
			var w *Writer
			if late {
				var err error
				if w, err = Open(t.Context(), client, capture, Options{Wait: wait}); err != nil {
					t.Fatal(err)
				}
			}
			if err := s.wire.Close(); err != nil {
				t.Fatal(err)
			}
			s.wire.cut()
			start := time.Now()
			var err error
			if late {
				if err = w.Push(t.Context(), batches(1, s.rng)[0]); err == nil {
					err = w.Close(t.Context())
				}
			} else {
				_, err = Open(t.Context(), client, capture, Options{Wait: wait})
			}
			if _, away := errors.AsType[*UnreachableError](err); !away {
				t.Fatalf("late %v: error %v, want an UnreachableError", late, err)
			}
			if took := time.Since(start); took < wait/2 || took > wait {
				t.Errorf("late %v: given up after %s, want nearly %s", late, took, wait)
			}
		})
	}
}

func TestNewerWriterFencesTheOlderOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &fake{}
		client := serve(t, s, 1)
		all := batches(10, s.rng)
		older, err := Open(t.Context(), client, capture, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if err := older.Push(t.Context(), all[0]); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Second)
		newer, err := Open(t.Context(), client, capture, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if err := older.Push(t.Context(), all[1]); err != nil {
			t.Fatal(err)
		}
		if err := older.Close(t.Context()); Reason(err) != pb.ErrorReason_ERROR_REASON_WRITER_FENCED {
			t.Errorf("the older writer ends with %v", err)
		}
		if err := pushAll(t.Context(), newer, all); err != nil {
			t.Fatal(err)
		}
		wantStored(t, s, all)
	})
}

func TestBrokenPromiseEndsTheWriter(t *testing.T) {
	acknowledge := func(n int64) *pb.PushSamplesResponse {
		return &pb.PushSamplesResponse{Message: &pb.PushSamplesResponse_Acknowledged{Acknowledged: &pb.PushAcknowledged{LastSequence: n}}}
	}
	for name, tc := range map[string]struct {
		answer func(int64) *pb.PushSamplesResponse
		// spoil is done to the server when the first batch is safe, and the connection is cut.
		spoil func(*fake)
	}{
		"acknowledges what was never sent": {answer: func(n int64) *pb.PushSamplesResponse { return acknowledge(n + 1) }},
		"loses what it acknowledged":       {spoil: func(f *fake) { f.durable = nil }},
		"has more than was sent":           {spoil: func(f *fake) { f.durable = append(f.durable, f.durable[0], f.durable[0]) }},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := &fake{answer: tc.answer}
				client := serve(t, s, 1)
				all := batches(2, s.rng)
				w, err := Open(t.Context(), client, capture, Options{})
				if err != nil {
					t.Fatal(err)
				}
				if err := w.Push(t.Context(), all[0]); err != nil {
					t.Fatal(err)
				}
				time.Sleep(time.Second)
				if tc.spoil != nil {
					s.mu.Lock()
					tc.spoil(s)
					s.mu.Unlock()
					s.wire.cut()
				}
				time.Sleep(time.Minute)
				if err := w.Push(t.Context(), all[1]); !errors.Is(err, ErrBroken) {
					t.Errorf("the writer ends with %v, want ErrBroken", err)
				}
			})
		})
	}
}

func TestReasonIsReadInEitherSpelling(t *testing.T) {
	for _, spelt := range []string{"SESSION_CLOSED", "ERROR_REASON_SESSION_CLOSED"} {
		if got := Reason(reasoned(codes.FailedPrecondition, spelt, 0)); got != pb.ErrorReason_ERROR_REASON_SESSION_CLOSED {
			t.Errorf("%s is read as %v", spelt, got)
		}
	}
	if got := Reason(errors.New("other")); got != pb.ErrorReason_ERROR_REASON_UNSPECIFIED {
		t.Errorf("an error without a reason is read as %v", got)
	}
}

func TestFullBufferHoldsThePusherBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &fake{faults: faults{hang: 1}}
		client := serve(t, s, 1)
		all := batches(50, s.rng)
		w, err := Open(t.Context(), client, capture, Options{Buffer: 100})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		held := 0
		for _, b := range all {
			if err = w.Push(ctx, b); err != nil {
				break
			}
			held += len(b.GetValue())
		}
		if !errors.Is(err, context.DeadlineExceeded) || held > 100 {
			t.Errorf("%d samples were taken before %v, want no more than 100", held, err)
		}
		_ = w.Close(ctx)
		if err := w.Push(t.Context(), all[0]); err == nil {
			t.Error("a closed writer takes a batch")
		}
	})
}
