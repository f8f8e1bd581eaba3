// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapter

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
)

// simulate runs a plan for a second of a clock of its own, with a box that takes a while for each answer, and tells what
// was asked.
func simulate(took time.Duration, wanted ...Wanted) []string {
	var p plan
	begin := time.Now()
	now := begin
	p.set(wanted, now)
	var asked []string
	for {
		t := p.next()
		if t.due.After(now) {
			now = t.due
		}
		if now.Sub(begin) >= time.Second {
			return asked
		}
		t.taken(now)
		for _, path := range t.paths {
			asked = append(asked, path)
			now = now.Add(took)
		}
	}
}

func count(asked []string, path string) int {
	n := 0
	for _, a := range asked {
		if a == path {
			n++
		}
	}
	return n
}

func TestPollAsksEachSignalAsOftenAsItIsWanted(t *testing.T) {
	for name, c := range map[string]struct {
		took   time.Duration
		wanted []Wanted
		want   map[string]int
	}{
		"a fast box": {time.Millisecond, []Wanted{{Path: "a", RateHz: 20}, {Path: "b", RateHz: 5}, {Path: "c", RateHz: 1}}, map[string]int{"a": 20, "b": 5, "c": 1}},
		"as often as goes, beside what has a rate": {
			10 * time.Millisecond, []Wanted{{Path: "a"}, {Path: "b", RateHz: 10}}, map[string]int{"a": 90, "b": 10},
		},
		"two as often as goes":       {10 * time.Millisecond, []Wanted{{Path: "a"}, {Path: "b"}}, map[string]int{"a": 50, "b": 50}},
		"more than the box can give": {50 * time.Millisecond, []Wanted{{Path: "a", RateHz: 20}, {Path: "b", RateHz: 20}, {Path: "c", RateHz: 2}}, map[string]int{"a": 9, "b": 9, "c": 2}},
	} {
		asked := simulate(c.took, c.wanted...)
		for path, want := range c.want {
			if got := count(asked, path); got < want-1 || got > want+1 {
				t.Errorf("%s: %s was asked %d times in a second, want %d", name, path, got, want)
			}
		}
	}
}

func TestPollAsksAGroupInARow(t *testing.T) {
	asked := simulate(time.Millisecond,
		Wanted{Path: "a", RateHz: 10, Group: 1}, Wanted{Path: "lone", RateHz: 30}, Wanted{Path: "b", RateHz: 10, Group: 1})
	if n := count(asked, "b"); n != 10 {
		t.Errorf("b was asked %d times, want 10", n)
	}
	for i, path := range asked {
		if path == "a" && (i+1 == len(asked) || asked[i+1] != "b") {
			t.Fatalf("after a, at %d, comes not b: %v", i, asked)
		}
	}
}

func TestPollKeepsTheTimesOfWhatIsStillWanted(t *testing.T) {
	var p plan
	now := time.Now()
	p.set([]Wanted{{Path: "a", RateHz: 1}}, now)
	p.next().taken(now)
	p.set([]Wanted{{Path: "a", RateHz: 1}, {Path: "b", RateHz: 1}}, now.Add(time.Millisecond))
	if t1 := p.next(); t1.first != "b" {
		t.Errorf("%s is asked again at once", t1.first)
	}
	p.set(nil, now)
	if p.next() != nil {
		t.Error("nothing is wanted, and something is asked")
	}
}

// questions counts what a box was asked.
type questions struct {
	mu    sync.Mutex
	paths []string
}

func (q *questions) add(path string) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.paths = append(q.paths, path)
}

func (q *questions) of(path string) int {
	q.mu.Lock()
	defer q.mu.Unlock()
	return count(q.paths, path)
}

func TestPollFeedsWithHonestTimesAndFollowsWhatIsWanted(t *testing.T) {
	var q questions
	b, s := feeding(t, func(ctx context.Context, sink *Sink) error {
		return Poll(ctx, sink, func(_ context.Context, path string) (Sample, error) {
			q.add(path)
			time.Sleep(4 * time.Millisecond)
			if path == speed {
				return Sample{Value: 2, Time: Now()}, nil
			}
			return Sample{Value: 1}, nil
		})
	})
	var r reading
	r.until(t, s, func() bool { return len(r.values) >= 10 })
	for i, width := range r.halfwidth {
		if r.values[i] != 1 || width < 2000 || width > 500_000 {
			t.Errorf("sample %d is %v with a half-width of %d µs, of a call that took 4 ms", i, r.values[i], width)
		}
	}
	if err := s.Send(wants(speed)); err != nil {
		t.Fatal(err)
	}
	r.until(t, s, func() bool { return slices.Contains(r.values, 2) })
	if own := r.halfwidth[slices.Index(r.values, 2)]; own != 1000 {
		t.Errorf("a sample with a time of its own has the half-width %d µs, want that of its signal", own)
	}
	if err := s.Send(wants()); err != nil {
		t.Fatal(err)
	}
	r.until(t, s, func() bool { return len(r.none) == 0 && len(r.dict) == 2 })
	b.closeOne()
}

func TestPollGivesUpWhatTheBoxDoesNotHave(t *testing.T) {
	c := newFakeConn()
	var q questions
	c.feed = func(ctx context.Context, sink *Sink) error {
		return Poll(ctx, sink, func(_ context.Context, path string) (Sample, error) {
			q.add(path)
			if path == speed {
				return Sample{}, fmt.Errorf("ERR UNKNOWN: %w", ErrUnsupportedSignal)
			}
			return Sample{Value: 1, Uncertainty: time.Millisecond}, nil
		})
	}
	b := opened(t, c)
	s := b.subscribe(t.Context(), speed, flow)
	var r reading
	r.until(t, s, func() bool { return len(r.values) >= 100 })
	if n := q.of(speed); n != 1 {
		t.Errorf("what the box does not have was asked for %d times", n)
	}
	if text := b.log.String(); strings.Count(text, "not to be supported") != 1 || !strings.Contains(text, "ERR UNKNOWN") {
		t.Errorf("the log does not tell once: %s", text)
	}
}

func TestPollEndsByTheErrorOfTheBox(t *testing.T) {
	for want, err := range map[string]error{"UNPLUGGED": ErrUnplugged, "DEFECT": errors.New("no table")} {
		_, s := feeding(t, func(ctx context.Context, sink *Sink) error {
			return Poll(ctx, sink, func(context.Context, string) (Sample, error) { return Sample{}, err })
		})
		code := codes.Internal
		if want == "UNPLUGGED" {
			code = codes.Unavailable
		}
		refused(t, ended(s), code, want)
	}
}
