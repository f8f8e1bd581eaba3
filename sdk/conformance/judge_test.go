// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"google.golang.org/protobuf/proto"
)

func act(context.Context) error { return nil }

// message makes a batch of one signal at position 0.
func message(sequence int64, gap bool, values ...float64) arrival {
	b := &adapterv1beta1.FeedBatch{Sequence: sequence, Value: values, Signal: make([]int32, len(values)), OffsetUs: make([]int64, len(values))}
	if gap {
		b.Gap = &adapterv1beta1.FeedGap{Reason: adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_OVERRUN}
	}
	return arrival{time.Now(), &adapterv1beta1.FeedResponse{Message: &adapterv1beta1.FeedResponse_Batch{Batch: b}}}
}

func TestCounterShowsLostAndRepeatedValues(t *testing.T) {
	dictionary := arrival{time.Now(), &adapterv1beta1.FeedResponse{Message: &adapterv1beta1.FeedResponse_Subscribed{
		Subscribed: &adapterv1beta1.FeedSubscribed{Signals: []*adapterv1beta1.FeedSignal{{Path: "count"}}},
	}}}
	for _, tc := range []struct {
		name           string
		batches        []arrival
		lost, repeated bool
	}{
		{"all values", []arrival{message(1, false, 7, 8), message(2, false, 9)}, false, false},
		{"a hole", []arrival{message(1, false, 7, 8), message(2, false, 10)}, true, false},
		{"a hole that is marked", []arrival{message(1, false, 7, 8), message(2, true, 10)}, false, false},
		{"a hole that is marked by a batch without samples", []arrival{message(1, false, 7, 8), message(2, true), message(3, false, 10)}, false, false},
		{"a second hole after one that is marked", []arrival{message(1, false, 7), message(2, true, 10, 12)}, true, false},
		{"a repeated value", []arrival{message(1, false, 7, 7, 8)}, false, true},
		{"a value in between", []arrival{message(1, false, 7, 8.5)}, false, true},
		{"a value that goes back", []arrival{message(1, false, 7, 8, 3)}, false, true},
	} {
		t.Run(tc.name, func(t *testing.T) {
			lost, repeated := miscount(append([]arrival{dictionary}, tc.batches...), "count")
			if (lost != "") != tc.lost || (repeated != "") != tc.repeated {
				t.Errorf("got lost %q and repeated %q, want %t and %t", lost, repeated, tc.lost, tc.repeated)
			}
		})
	}
}

func TestAUnitThatVSSDoesNotGiveIsFound(t *testing.T) {
	for unit, wrong := range map[string]bool{"g/s": false, "G/S": false, "kg/h": true, "": true} {
		s := &adapterv1beta1.FeedSubscribed{Signals: []*adapterv1beta1.FeedSignal{{Path: flowSignal, Unit: unit}, {Path: countSignal, Unit: "turns"}}}
		if problem := subscribedProblem(s, nil); (problem != "") != wrong || wrong && !strings.Contains(problem, `"g/s"`) {
			t.Errorf("of air flow in %q it says %q", unit, problem)
		}
	}
}

func TestAnEndThatHasComeIsSeenWithoutWaiting(t *testing.T) {
	over := make(chan struct{})
	close(over)
	for range 100 {
		ended := &tap{over: over, err: errors.New("silent")}
		if over, err := ended.ended(0); !over || err == nil {
			t.Fatalf("a stream that has ended is said to go on: %v", err)
		}
	}
}

func TestClockTakesTheMessageThatCameFastest(t *testing.T) {
	c := newClock()
	if _, ok := c.at(time.Now()); ok {
		t.Error("it is known before the first beat")
	}
	start := time.Now()
	c.add(beat{start.Add(300 * time.Millisecond), 1_000_000}) // 300 ms on the way
	c.add(beat{start.Add(1010 * time.Millisecond), 2_000_000})
	if got, ok := c.at(start.Add(2 * time.Second)); !ok || got != 2_990_000 {
		t.Errorf("got %d, want 2990000", got)
	}
}

func TestLogLinesAreTakenApart(t *testing.T) {
	good := `{"@level":"info","@message":"m","@timestamp":"2026-01-02T03:04:05.678901Z","more":1}`
	if problem := logProblem(good); problem != "" {
		t.Error(problem)
	}
	for _, bad := range []string{
		"", "text", "[]", "5", `{"@level":"loud","@message":"m","@timestamp":"2026-01-02T03:04:05Z"}`, `{"@level":"info","@message":5,"@timestamp":"2026-01-02T03:04:05Z"}`,
		`{"@level":"info","@message":"m","@timestamp":"today"}`, `{"@level":"info","@message":"m"}`,
	} {
		if logProblem(bad) == "" {
			t.Errorf("%s passes", bad)
		}
	}
}

func FuzzLogProblem(f *testing.F) {
	f.Add(`{"@level":"info","@message":"m","@timestamp":"2026-01-02T03:04:05.678901Z"}`)
	f.Add(`{"@level":{},"@message":null,"@timestamp":[]}`)
	f.Fuzz(func(_ *testing.T, line string) { logProblem(line) })
}

// Whatever an adapter sends is judged, and brings nothing down.
func FuzzJudgingFeeds(f *testing.F) {
	for _, a := range []arrival{message(1, false, 7, 8), message(2, true)} {
		if data, err := proto.Marshal(a.message); err == nil {
			f.Add(data, data)
		}
	}
	f.Fuzz(func(_ *testing.T, one, two []byte) {
		r := &recording{wanted: []string{"count"}, began: time.Now(), clock: newClock()}
		r.clock.add(beat{time.Now(), 1})
		for _, data := range [][]byte{one, two} {
			m := &adapterv1beta1.FeedResponse{}
			if proto.Unmarshal(data, m) != nil {
				return
			}
			r.arrivals = append(r.arrivals, arrival{time.Now(), m})
		}
		b := &bench{kit: &kit{limits: contractLimits(), target: InProcess(nil), o: Options{Counter: "count"}}}
		b.recorded = func() (*recording, error) { return r, nil }
		b.stalled = func() (*stalling, error) { return &stalling{arrivals: r.arrivals, clock: r.clock}, nil }
		for _, judge := range []func(context.Context, *bench) error{feedWell, numbered, timely, losesLoudly, inventsNothing, uncertain, boundedMemory, batchesInTime} {
			_ = judge(context.Background(), b)
		}
	})
}
