// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapter

import (
	"context"
	"fmt"
	"math"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"google.golang.org/grpc/codes"
)

// reading is what has been read of a feed. It holds S1 and S5 on the way.
type reading struct {
	values    []float64
	times     []int64
	gaps      []*adapterv1beta1.FeedGap
	links     []adapterv1beta1.LinkCondition
	dict      []*adapterv1beta1.FeedSignal
	none      []*adapterv1beta1.UnavailableSignal
	signals   []int32
	halfwidth []int64
	sequence  int64
	largest   int
}

func (r *reading) take(t *testing.T, m *adapterv1beta1.FeedResponse) {
	t.Helper()
	if s := m.GetSubscribed(); s != nil {
		r.dict, r.none = s.GetSignals(), s.GetUnavailable()
	}
	if l := m.GetLinkState(); l != nil {
		r.links = append(r.links, l.GetCondition())
	}
	b := m.GetBatch()
	if b == nil {
		return
	}
	if r.sequence++; b.GetSequence() != r.sequence {
		t.Fatalf("S1: sequence %d, want %d", b.GetSequence(), r.sequence)
	}
	if b.GetGap() != nil {
		r.gaps = append(r.gaps, b.GetGap())
	}
	r.largest = max(r.largest, len(b.GetValue()))
	r.values = append(r.values, b.GetValue()...)
	r.signals = append(r.signals, b.GetSignal()...)
	for i, offset := range b.GetOffsetUs() {
		r.times = append(r.times, b.GetBaseTimeUs()+offset)
		width := r.dict[b.GetSignal()[i]].GetTimeUncertaintyUs()
		if len(b.GetTimeUncertaintyUs()) > 0 {
			width = b.GetTimeUncertaintyUs()[i]
		}
		if width <= 0 {
			t.Fatalf("S5: sample %d has no uncertainty", i)
		}
		r.halfwidth = append(r.halfwidth, width)
	}
}

func (r *reading) until(t *testing.T, s stream, done func() bool) {
	t.Helper()
	for !done() {
		m, err := s.Recv()
		if err != nil {
			t.Fatal(err)
		}
		r.take(t, m)
	}
}

// feeding is a bench whose feed runs f.
func feeding(t *testing.T, f func(ctx context.Context, sink *Sink) error, change ...func(*service)) (*bench, stream) {
	t.Helper()
	c := newFakeConn()
	c.feed = f
	b := opened(t, c, change...)
	return b, b.subscribe(t.Context(), flow, "Vehicle.OBD.None")
}

func TestS1S2S5S7EverySampleArrivesInOrder(t *testing.T) {
	const n = 20000
	_, s := feeding(t, func(ctx context.Context, sink *Sink) error {
		for i := range n {
			if err := sink.Send(Sample{Path: flow, Value: float64(i)}); err != nil {
				return err
			}
		}
		<-ctx.Done()
		return ctx.Err()
	})
	var r reading
	r.until(t, s, func() bool { return len(r.values) == n })
	for i, v := range r.values {
		if v != float64(i) || i > 0 && r.times[i] < r.times[i-1] {
			t.Fatalf("sample %d is %v at %d", i, v, r.times[i])
		}
	}
	if len(r.gaps) > 0 || r.largest > 4096 {
		t.Errorf("gaps %v, largest batch %d", r.gaps, r.largest)
	}
}

func TestS7LoneSampleIsSentInTime(t *testing.T) {
	_, s := feeding(t, func(ctx context.Context, sink *Sink) error {
		if err := sink.Send(Sample{Path: flow, Value: 1}); err != nil {
			return err
		}
		<-ctx.Done()
		return ctx.Err()
	})
	var r reading
	r.until(t, s, func() bool { return len(r.values) == 1 })
	if age := int64(Now()) - r.times[0]; age > 200_000 {
		t.Errorf("arrived %d µs after it was taken", age)
	}
}

func TestS3BadSamplesBecomeAMarkedGap(t *testing.T) {
	errs := make(chan error, 4)
	_, s := feeding(t, func(ctx context.Context, sink *Sink) error {
		now := Now()
		errs <- sink.Send(Sample{Path: flow, Value: 1, Time: now}, Sample{Path: flow, Value: math.NaN(), Time: now + 1}, Sample{Path: flow, Value: 2, Time: now + 2})
		errs <- sink.Send(Sample{Path: flow, Value: 9, Time: now})
		errs <- sink.Send(Sample{Path: flow, Value: 3, Time: now + 3})
		<-ctx.Done()
		return ctx.Err()
	})
	var r reading
	r.until(t, s, func() bool { return len(r.values) == 3 })
	for i, want := range []bool{true, true, false} {
		if err := <-errs; (err != nil) != want {
			t.Errorf("Send %d: %v", i, err)
		}
	}
	if len(r.gaps) != 2 || r.gaps[0].GetReason() != reasonDefect || r.values[2] != 3 {
		t.Errorf("values %v, gaps %v", r.values, r.gaps)
	}
}

func TestS5OwnUncertaintyOfASampleIsKept(t *testing.T) {
	_, s := feeding(t, func(ctx context.Context, sink *Sink) error {
		if err := sink.Send(Sample{Path: flow}, Sample{Path: flow, Uncertainty: 5 * time.Millisecond}, Sample{Path: flow}); err != nil {
			return err
		}
		<-ctx.Done()
		return ctx.Err()
	})
	var r reading
	r.until(t, s, func() bool { return len(r.values) == 3 })
	if r.halfwidth[0] != 1000 || r.halfwidth[1] != 5000 || r.halfwidth[2] != 1000 {
		t.Errorf("got %v", r.halfwidth)
	}
}

func TestS6SlowReaderHoldsUpSend(t *testing.T) {
	sent := make(chan int, 1<<20)
	_, s := feeding(t, func(ctx context.Context, sink *Sink) error {
		for i := 0; ; i++ {
			if err := sink.Send(Sample{Path: flow, Value: float64(i)}); err != nil {
				return err
			}
			sent <- i
			if i == 200_000 {
				<-ctx.Done()
				return ctx.Err()
			}
		}
	})
	before := -1
	for now := 0; now != before; { // until nothing more gets through
		before = now
		time.Sleep(100 * time.Millisecond)
		now = len(sent)
	}
	if before > 150_000 {
		t.Fatalf("%d samples were taken although nobody reads", before)
	}
	var r reading
	r.until(t, s, func() bool { return len(r.values) > 200_000 })
	if len(r.gaps) > 0 {
		t.Errorf("gaps %v", r.gaps)
	}
}

func TestS6OfferMarksWhatItDrops(t *testing.T) {
	const n = 200_000
	full := make(chan struct{})
	_, s := feeding(t, func(ctx context.Context, sink *Sink) error {
		for i := range n {
			if err := sink.Offer(Sample{Path: flow, Value: float64(i)}); err != nil {
				return err
			}
		}
		close(full)
		// After the reader caught up, the feed goes on.
		for i := n; ; i++ {
			if err := sink.Send(Sample{Path: flow, Value: float64(i)}); err != nil {
				return err
			}
			time.Sleep(time.Millisecond)
		}
	})
	<-full
	var r reading
	r.until(t, s, func() bool { return len(r.values) > 0 && r.values[len(r.values)-1] > n })
	if len(r.values) >= n || len(r.gaps) == 0 || r.gaps[0].GetReason() != reasonOverrun {
		t.Errorf("%d values, gaps %v", len(r.values), r.gaps)
	}
}

func TestS8UnsupportedSignalIsReported(t *testing.T) {
	b, s := feeding(t, newFakeConn().feed)
	var r reading
	r.take(t, b.receive(s))
	if len(r.dict) != 1 || len(r.none) != 1 || r.none[0].GetPath() != "Vehicle.OBD.None" || codes.Code(r.none[0].GetStatus().GetCode()) != codes.NotFound {
		t.Errorf("had %v, not %v", r.dict, r.none)
	}
}

func TestS9ChangeGoesOnInTheSameStream(t *testing.T) {
	b, s := feeding(t, func(ctx context.Context, sink *Sink) error {
		for {
			if err := sink.Send(Sample{Path: flow, Value: 1}, Sample{Path: speed, Value: 2}); err != nil {
				return err
			}
			wanted, changed := sink.Wanted()
			if len(wanted) == 2 {
				<-ctx.Done()
				return ctx.Err()
			}
			select {
			case <-changed:
			case <-ctx.Done():
				return ctx.Err()
			}
		}
	})
	var r reading
	r.until(t, s, func() bool { return len(r.values) == 1 })
	if err := s.Send(wants(speed)); err != nil {
		t.Fatal(err)
	}
	r.until(t, s, func() bool { return len(r.values) == 2 })
	if len(r.dict) != 2 || r.dict[0].GetPath() != flow || r.values[1] != 2 || r.signals[1] != 1 {
		t.Errorf("dictionary %v, values %v of %v", r.dict, r.values, r.signals)
	}
	if err := s.Send(wants(flow, speed)); err != nil {
		t.Fatal(err)
	}
	r.until(t, s, func() bool { return len(r.values) == 4 })
	if err := s.Send(&adapterv1beta1.FeedRequest{DeviceId: "two"}); err != nil {
		t.Fatal(err)
	}
	refused(t, ended(s), codes.InvalidArgument, "UNSPECIFIED")
	b.closeOne()
}

func TestS10SilenceIsALinkStateAndAGap(t *testing.T) {
	tries := 0
	_, s := feeding(t, func(_ context.Context, sink *Sink) error {
		switch tries++; tries {
		case 2:
			return ErrGarbled
		case 4:
			return ErrUnplugged
		}
		if err := sink.Send(Sample{Path: flow, Value: float64(tries)}); err != nil {
			return err
		}
		return ErrSilent
	}, func(s *service) { s.retry = 20 * time.Millisecond })
	var r reading
	var err error
	for err == nil {
		var m *adapterv1beta1.FeedResponse
		if m, err = s.Recv(); err == nil {
			r.take(t, m)
		}
	}
	refused(t, err, codes.Unavailable, "UNPLUGGED")
	want := []LinkCondition{LinkSilent, LinkBusErrors, LinkUp, LinkSilent}
	if len(r.links) != len(want) || len(r.values) != 2 || len(r.gaps) != 1 || r.gaps[0].GetEndUs() <= r.gaps[0].GetStartUs() {
		t.Fatalf("links %v, values %v, gaps %v", r.links, r.values, r.gaps)
	}
	for i, w := range want {
		if r.links[i] != adapterv1beta1.LinkCondition(w) {
			t.Errorf("link state %d is %v, want %v", i, r.links[i], w)
		}
	}
}

func TestS10AChangeDuringASilenceEndsNothing(t *testing.T) {
	c := newFakeConn()
	answers := c.signals
	var silent atomic.Bool
	c.signals = func(ctx context.Context, wanted []Wanted) ([]Signal, error) {
		if silent.Load() {
			return nil, fmt.Errorf("asking what there is: %w", ErrSilent)
		}
		return answers(ctx, wanted)
	}
	c.feed = func(ctx context.Context, sink *Sink) error {
		wanted, changed := sink.Wanted()
		for len(wanted) == 1 {
			select {
			case <-changed:
				wanted, changed = sink.Wanted()
			case <-ctx.Done():
				return ctx.Err()
			}
			if err := sink.Send(Sample{Path: flow, Value: 7, Time: Now()}); err != nil {
				return err
			}
		}
		<-ctx.Done()
		return ctx.Err()
	}
	b := opened(t, c)
	s := b.subscribe(t.Context(), flow)
	var r reading
	r.take(t, b.receive(s))
	silent.Store(true)
	if err := s.Send(wants(flow, speed)); err != nil {
		t.Fatal(err)
	}
	r.until(t, s, func() bool { return len(r.values) == 1 })
	if len(r.none) != 1 || r.none[0].GetPath() != speed || codes.Code(r.none[0].GetStatus().GetCode()) != codes.DeadlineExceeded {
		t.Errorf("what cannot be had: %v", r.none)
	}
	if len(r.dict) != 1 || r.dict[0].GetUnit() != "g/s" || r.halfwidth[0] != 1000 {
		t.Errorf("what was had before is forgotten: %v, half-widths %v", r.dict, r.halfwidth)
	}
	silent.Store(false)
	if err := s.Send(wants(flow, speed)); err != nil {
		t.Fatal(err)
	}
	r.until(t, s, func() bool { return len(r.dict) == 2 && len(r.none) == 0 })
}

func TestSignalsOfASilentVehicleRefuseTheFeed(t *testing.T) {
	c := newFakeConn()
	c.signals = func(context.Context, []Wanted) ([]Signal, error) { return nil, ErrSilent }
	b := opened(t, c)
	refused(t, ended(b.subscribe(t.Context(), flow)), codes.DeadlineExceeded, "SILENT")
}

func TestASilenceThatGoesOnIsLoggedOnce(t *testing.T) {
	tries := 0
	b, s := feeding(t, func(context.Context, *Sink) error {
		if tries++; tries > 5 {
			return ErrUnplugged
		}
		return ErrSilent
	}, func(s *service) { s.retry = time.Millisecond })
	refused(t, ended(s), codes.Unavailable, "UNPLUGGED")
	if said := strings.Count(b.log.String(), `"@level":"info","@message":"the vehicle is silent`); said != 1 {
		t.Errorf("a silence of five tries is told %d times:\n%s", said, b.log.String())
	}
}

func TestS11SecondFeedIsBusyUntilTheFirstIsCancelled(t *testing.T) {
	b := opened(t, newFakeConn())
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	one := b.subscribe(ctx, flow)
	b.receive(one)
	refused(t, ended(b.subscribe(t.Context(), flow)), codes.FailedPrecondition, "BUSY")
	cancel()
	b.receive(b.subscribe(t.Context(), flow))
}

func TestS12FeedThatIgnoresItsEndLosesItsHardware(t *testing.T) {
	c := newFakeConn()
	c.feed = func(context.Context, *Sink) error { <-c.closed; return errOdd }
	b := opened(t, c)
	ctx, cancel := context.WithCancel(t.Context())
	b.receive(b.subscribe(ctx, flow))
	cancel()
	within(t, time.Second, "stopping", func() { <-c.closed })
}

func TestFeedThatReturnsOrPanicsIsADefect(t *testing.T) {
	for _, f := range []func(context.Context, *Sink) error{
		func(context.Context, *Sink) error { return nil },
		func(context.Context, *Sink) error { panic("loose wire") },
		func(context.Context, *Sink) error { return errOdd },
	} {
		_, s := feeding(t, f)
		refused(t, ended(s), codes.Internal, "DEFECT")
	}
}

func TestGapAtTheEndIsNotLost(t *testing.T) {
	_, s := feeding(t, func(_ context.Context, sink *Sink) error {
		sink.Gap(3, 5, nil)
		return ErrUnplugged
	})
	var r reading
	r.until(t, s, func() bool { return len(r.gaps) == 1 })
	if g := r.gaps[0]; g.GetStartUs() != 3 || g.GetEndUs() != 5 || g.GetReason() != reasonOverrun {
		t.Errorf("got %v", g)
	}
}

func TestSignalsThatNobodyWantsAreNamedInTheLog(t *testing.T) {
	c := newFakeConn()
	c.signals = func(context.Context, []Wanted) ([]Signal, error) {
		return []Signal{{Path: "MAF", Unit: "g/s", Uncertainty: time.Millisecond}}, nil
	}
	b := opened(t, c)
	s := b.subscribe(t.Context(), flow)
	if m := b.receive(s); len(m.GetSubscribed().GetSignals()) != 0 {
		t.Errorf("had %v", m)
	}
	if text := b.log.String(); !has(text, `"listed":["MAF"]`, flow, "COVESA VSS") {
		t.Errorf("the log does not help: %s", text)
	}
}

func TestMisspeltPathIsNamedInTheLogOnce(t *testing.T) {
	b, s := feeding(t, func(ctx context.Context, sink *Sink) error {
		for range 3 {
			if err := sink.Send(Sample{Path: "Vehicle.OBD.Maf"}); err != nil {
				return err
			}
		}
		if err := sink.Send(Sample{Path: flow}); err != nil {
			return err
		}
		<-ctx.Done()
		return ctx.Err()
	})
	var r reading
	r.until(t, s, func() bool { return len(r.values) == 1 })
	if !has(b.log.String(), "Vehicle.OBD.Maf") {
		t.Error("not in the log")
	}
}

func BenchmarkSend(b *testing.B) {
	sink := newSink(b.Context(), nil)
	if err := sink.subscribe([]Wanted{{Path: flow}}, []Signal{{Path: flow, Uncertainty: time.Millisecond}}); err != nil {
		b.Fatal(err)
	}
	go func() {
		for more := true; more; {
			more = sink.next(b.Context().Done()) != nil
		}
	}()
	defer sink.finish()
	b.ReportAllocs()
	for i := range b.N {
		if err := sink.Send(Sample{Path: flow, Value: 1, Time: Time(i + 1)}); err != nil {
			b.Fatal(err)
		}
	}
}
