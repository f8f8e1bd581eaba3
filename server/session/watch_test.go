// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session_test

import (
	"context"
	"errors"
	"slices"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/session"
)

// pushPaced pushes a drive as fast as a hundred batches a second.
func (f *fixture) pushPaced(w *session.Writer, batches []*pb.SampleBatch) {
	for _, b := range batches {
		if err := w.Append(context.Background(), clone(b)); err != nil {
			f.t.Error(err)
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
}

type told[S any] struct {
	states []S
	times  []time.Time
	err    error
}

// follow collects the states of a watch in another goroutine, which sleeps after each.
func follow[S any](states func(func(S, error) bool), slow time.Duration) <-chan told[S] {
	return followed(states, func() { time.Sleep(slow) })
}

// followed collects the states of a watch in another goroutine, which calls each after it.
func followed[S any](states func(func(S, error) bool), each func()) <-chan told[S] {
	out := make(chan told[S], 1)
	go func() {
		var got told[S]
		for s, err := range states {
			if err != nil {
				got.err = err
				break
			}
			got.states, got.times = append(got.states, s), append(got.times, time.Now())
			each()
		}
		out <- got
	}()
	return out
}

func TestWatchersFollowADriveToItsVerdict(t *testing.T) {
	f := newFixture(t, "sqlite", session.Limits{})
	ctx := t.Context()
	s, d := f.session(), drive()
	var seen pacer
	progress := followed(f.WatchProgress(ctx, shop, s.GetName()), seen.add)
	verdicts := follow(f.WatchVerdict(ctx, shop, s.GetName()), 0)
	slow := followed(f.WatchProgress(ctx, shop, s.GetName()), func() { seen.after(3)() })
	c := f.capture(s.GetName(), d)
	w := f.writer(c.GetName(), 0)
	// However slow the machine is, a watcher that keeps up is told of every part of the drive.
	batches := cut(d.Samples, always(1+len(d.Samples)/200))
	for part := range slices.Chunk(batches, len(batches)/12) {
		next := seen.after(1)
		f.pushPaced(w, part)
		next()
	}
	seen.end()
	late := follow(f.WatchVerdict(ctx, shop, s.GetName()), 0)
	f.must(w.Close())
	time.Sleep(300 * time.Millisecond)
	closed, name, err := f.CloseSession(ctx, shop, s.GetName())
	f.must(err)
	frozen, err := f.GetVerdict(ctx, shop, name)
	f.must(err)

	p := <-progress
	f.must(p.err)
	last := p.states[len(p.states)-1]
	if !last.Closed || len(p.states) < 8 || last.Progress.GetLatestTimeUs() != d.Samples[len(d.Samples)-1].TimeUS {
		t.Errorf("%d states; the last, closed %v, is of %d µs", len(p.states), last.Closed, last.Progress.GetLatestTimeUs())
	}
	if len(last.Progress.GetManoeuvres()) == 0 || len(last.Progress.GetConditions()) == 0 {
		t.Errorf("the last state is empty: %v", last.Progress)
	}
	notFasterThan(t, "progress", p.times, 11, time.Second) // One more when it is closed.
	for _, v := range []told[session.VerdictState]{<-verdicts, <-late} {
		f.must(v.err)
		final := v.states[len(v.states)-1].Verdict
		if !proto.Equal(final, frozen) || final.GetName() != name {
			t.Errorf("the last verdict that was told is %s, not the frozen %s", final.GetName(), name)
		}
		for _, early := range v.states[:len(v.states)-1] {
			if early.Verdict.GetName() != "" || early.Verdict.GetCreateTime() != nil {
				t.Errorf("a verdict that is not stored has the name %q", early.Verdict.GetName())
			}
		}
		notFasterThan(t, "verdicts", v.times, 6, time.Second) // One when it joins, one when it is closed.
	}
	z := <-slow
	f.must(z.err)
	dropped := int64(0)
	for _, s := range z.states {
		dropped += s.Dropped
	}
	if dropped == 0 || !z.states[len(z.states)-1].Closed {
		t.Errorf("a slow watcher got %d states and %d marks of what it missed", len(z.states), dropped)
	}
	// After all is over: the same last state at once.
	for st, err := range f.WatchVerdict(ctx, shop, closed.GetName()) {
		f.must(err)
		if st.Verdict.GetName() != name {
			t.Errorf("a watcher of a closed session gets %q", st.Verdict.GetName())
		}
	}
}

// pacer counts calls of add and lets others wait for them.
type pacer struct {
	mu    sync.Mutex
	calls int
	over  bool
	cond  *sync.Cond
}

func (p *pacer) change(f func()) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.cond == nil {
		p.cond = sync.NewCond(&p.mu)
	}
	f()
	p.cond.Broadcast()
}

func (p *pacer) add() { p.change(func() { p.calls++ }) }
func (p *pacer) end() { p.change(func() { p.over = true }) }

// after gives what waits until there were so many more calls than now, or the end.
func (p *pacer) after(more int) (wait func()) {
	want := 0
	p.change(func() { want = p.calls + more })
	return func() {
		p.change(func() {
			for p.calls < want && !p.over {
				p.cond.Wait()
			}
		})
	}
}

func notFasterThan(t *testing.T, what string, times []time.Time, most int, window time.Duration) {
	t.Helper()
	for i := most; i < len(times); i++ {
		// A tenth for the way from the pump to here.
		if within := times[i].Sub(times[i-most]); within < window*9/10 {
			t.Errorf("%s: %d states within %v", what, most+1, within)
		}
	}
}

func TestLiveVerdictComesSoonAfterTheLastSample(t *testing.T) {
	f := newFixture(t, "sqlite", session.Limits{})
	s, d := f.session(), drive()
	c := f.capture(s.GetName(), d)
	want := f.straight(s, d, d.Samples)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	arrived := make(chan time.Time, 1)
	go func() {
		for st, err := range f.WatchVerdict(ctx, shop, s.GetName()) {
			if err == nil && string(f.bytes(st.Verdict.GetAssessment())) == string(want) {
				arrived <- time.Now()
			}
		}
	}()
	w := f.writer(c.GetName(), 0)
	batches := cut(d.Samples, always(1+len(d.Samples)/150))
	f.pushPaced(w, batches[:len(batches)-1])
	sent := time.Now()
	f.pushPaced(w, batches[len(batches)-1:])
	f.must(w.Close())
	select {
	case at := <-arrived:
		t.Logf("the verdict on all samples came %v after the last", at.Sub(sent))
	case <-time.After(10 * time.Second):
		t.Error("the verdict on all samples never came")
	}
}

func TestChangedConfirmationIsToldWithoutNewSamples(t *testing.T) {
	f := newFixture(t, "memory", session.Limits{})
	s := f.session()
	states := make(chan session.ProgressState)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	go func() {
		defer close(states)
		for st, err := range f.WatchProgress(ctx, shop, s.GetName()) {
			if err != nil {
				return
			}
			states <- st
		}
	}()
	if first := <-states; !first.ConfirmationMissing || asksForAPull(first.Progress) {
		t.Errorf("without a confirmation a pull is asked for, or nobody says why not: %v", first)
	}
	_, err := f.UpdateSession(ctx, shop, &pb.Session{Name: s.GetName(), DynamometerConfirmed: true}, []string{"dynamometer_confirmed"})
	f.must(err)
	if second := <-states; second.ConfirmationMissing || !asksForAPull(second.Progress) {
		t.Errorf("on a dynamometer the pull is still held back: %v", second)
	}
}

func asksForAPull(p *pb.SessionProgress) bool {
	const pull = pb.ManoeuvreKind_MANOEUVRE_KIND_FULL_LOAD_PULL
	return slices.ContainsFunc(p.GetNext(), func(a *pb.Advice) bool { return a.GetManoeuvre() == pull }) ||
		slices.ContainsFunc(p.GetGaps(), func(g *pb.Gap) bool { return g.GetManoeuvre() == pull }) ||
		slices.ContainsFunc(p.GetNextTests(), func(t *pb.NextTest) bool { return t.GetManoeuvre() == pull })
}

func TestWatchEndsWithItsContextAndLeavesNothing(t *testing.T) {
	f := newFixture(t, "memory", session.Limits{})
	s := f.session()
	c := f.capture(s.GetName(), drive())
	for name, watch := range map[string]func(ctx context.Context) error{
		"progress": func(ctx context.Context) error { return firstError(f.WatchProgress(ctx, shop, s.GetName())) },
		"verdict":  func(ctx context.Context) error { return firstError(f.WatchVerdict(ctx, shop, s.GetName())) },
		"samples":  func(ctx context.Context) error { return firstError(f.WatchSamples(ctx, shop, c.GetName(), 0)) },
	} {
		ctx, cancel := context.WithTimeout(t.Context(), 30*time.Millisecond)
		if err := watch(ctx); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("%s: ended with %v", name, err)
		}
		cancel()
	}
	for _, err := range f.WatchProgress(t.Context(), shop, s.GetName()) {
		f.must(err)
		break
	}
	if n := f.Stats(); n.Watchers != 0 {
		t.Errorf("%d watchers are left", n.Watchers)
	}
	done := follow(f.WatchVerdict(t.Context(), shop, s.GetName()), 0)
	for f.Stats().Watchers == 0 {
		time.Sleep(time.Millisecond)
	}
	f.must(f.Manager.Close(context.Background()))
	wantKind(t, (<-done).err, session.ErrUnavailable)
}

func TestWatcherThatNeverComesBackHoldsNoWriterUp(t *testing.T) {
	f := newFixture(t, "memory", session.Limits{})
	s, d := f.session(), drive()
	c := f.capture(s.GetName(), d)
	stuck, release := make(chan struct{}), make(chan struct{})
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for _, err := range f.WatchVerdict(context.Background(), shop, s.GetName()) {
			if err != nil {
				t.Error(err)
			}
			close(stuck)
			<-release
			return
		}
	}()
	<-stuck
	f.pushAll(f.writer(c.GetName(), 0), cut(d.Samples, always(30)))
	f.same("beside a stuck watcher", f.assess(s.GetName()), f.straight(s, d, d.Samples))
	close(release)
	<-ended
}

func TestSamplesAreWatchedFromAnywhereToTheEnd(t *testing.T) {
	onEachStore(t, func(t *testing.T, f *fixture) {
		s, d := f.session(), drive()
		c := f.capture(s.GetName(), d)
		batches := cut(d.Samples, always(60))
		fromStart := follow(f.WatchSamples(t.Context(), shop, c.GetName(), 0), 0)
		fromTen := follow(f.WatchSamples(t.Context(), shop, c.GetName(), 10), time.Millisecond)
		half := len(batches) / 2
		w := f.writer(c.GetName(), 0)
		f.pushAll(w, batches[:half])
		late := follow(f.WatchSamples(t.Context(), shop, c.GetName(), int64(half)), 0)
		f.pushAll(f.writer(c.GetName(), w.Epoch), batches[half:])
		if c.GetClock() == pb.ClockKind_CLOCK_KIND_HOST {
			_, err := f.FinishCapture(t.Context(), shop, c.GetName())
			f.must(err)
		}
		_, _, err := f.CloseSession(t.Context(), shop, s.GetName())
		f.must(err)
		afterwards := follow(f.WatchSamples(t.Context(), shop, c.GetName(), 1), 0)
		for name, one := range map[string]struct {
			got  told[*pb.SampleBatch]
			want []*pb.SampleBatch
		}{
			"from the start": {<-fromStart, batches},
			"from ten":       {<-fromTen, batches[9:]},
			"late":           {<-late, batches[half-1:]},
			"afterwards":     {<-afterwards, batches},
		} {
			f.must(one.got.err)
			same := func(a, b *pb.SampleBatch) bool { return proto.Equal(a, b) }
			if !slices.EqualFunc(one.got.states, one.want, same) {
				t.Errorf("%s: %d batches, want %d, the same and in order", name, len(one.got.states), len(one.want))
			}
		}
		for b, err := range f.WatchSamples(t.Context(), shop, c.GetName(), int64(len(batches)+5)) {
			t.Errorf("beyond the end: %v, %v", b, err)
		}
		wantKind(t, firstError(f.WatchSamples(t.Context(), shop, c.GetName(), -1)), session.ErrInvalid)
	})
}
