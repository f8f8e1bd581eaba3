// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapters

import (
	"math"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/session"
)

const minute = 60_000_000

func sound() *adapterv1beta1.FeedBatch {
	return &adapterv1beta1.FeedBatch{
		Sequence: 1, BaseTimeUs: 1000, OffsetUs: []int64{20, 0, 10}, Signal: []int32{0, 1, 0}, Value: []float64{1, 2, 3},
		TimeUncertaintyUs: []int64{5, 6, 7},
	}
}

func TestSamplesArePlacedInTheOrderOfTimeUnderTheCapturesNumbers(t *testing.T) {
	p := placing{positions: []int32{4, 2}, zeroUS: minute}
	out, err := p.place(sound(), minute)
	want := &pb.SampleBatch{
		BaseTimeUs: minute + 1000, OffsetUs: []int64{0, 10, 20}, Signal: []int32{2, 4, 4}, Value: []float64{2, 3, 1}, TimeUncertaintyUs: []int64{6, 7, 5},
	}
	if err != nil || !proto.Equal(out, want) {
		t.Errorf("placed as %v, %v", out, err)
	}
}

func TestWhatBreaksTheContractIsMarkedAsMissingAndTheRestIsKept(t *testing.T) {
	for name, c := range map[string]struct {
		spoil func(b *adapterv1beta1.FeedBatch)
		kept  int
	}{
		"a value that is no number":     {func(b *adapterv1beta1.FeedBatch) { b.Value[1] = math.NaN() }, 2},
		"an infinite value":             {func(b *adapterv1beta1.FeedBatch) { b.Value[1] = math.Inf(-1) }, 2},
		"a signal that is not there":    {func(b *adapterv1beta1.FeedBatch) { b.Signal[0] = 2 }, 2},
		"a negative signal":             {func(b *adapterv1beta1.FeedBatch) { b.Signal[0] = -1 }, 2},
		"a negative uncertainty":        {func(b *adapterv1beta1.FeedBatch) { b.TimeUncertaintyUs[2] = -1 }, 2},
		"a time before the session":     {func(b *adapterv1beta1.FeedBatch) { b.OffsetUs[2] = -2 * minute }, 2},
		"a time that overflows":         {func(b *adapterv1beta1.FeedBatch) { b.OffsetUs[2] = math.MaxInt64 }, 2},
		"columns of different lengths":  {func(b *adapterv1beta1.FeedBatch) { b.Signal = b.Signal[:2] }, 0},
		"too few uncertainties":         {func(b *adapterv1beta1.FeedBatch) { b.TimeUncertaintyUs = b.TimeUncertaintyUs[:1] }, 0},
		"more samples than are allowed": {func(b *adapterv1beta1.FeedBatch) { b.Value = make([]float64, maxBatch+1) }, 0},
	} {
		t.Run(name, func(t *testing.T) {
			p := placing{positions: []int32{0, 1}, zeroUS: minute}
			if _, err := p.place(sound(), minute); err != nil {
				t.Fatal(err)
			}
			spoiled := sound()
			spoiled.BaseTimeUs += 1000
			c.spoil(spoiled)
			n := len(spoiled.GetValue())
			out, err := p.place(spoiled, minute)
			if err == nil || len(out.GetValue()) != c.kept || p.refused != int64(n-c.kept) {
				t.Errorf("kept %v, refused %d, error %v", out, p.refused, err)
			}
			if out.GetGap() == nil {
				next := sound()
				next.BaseTimeUs += 2000
				out, _ = p.place(next, minute)
			}
			if g := out.GetGap(); g.GetReason() != pb.SampleGapReason_SAMPLE_GAP_REASON_SOURCE_FAULT || g.GetEndUs() != out.GetBaseTimeUs() {
				t.Errorf("the gap is %v", g)
			}
		})
	}
}

func TestSignalsThatTheCaptureLacksAreNoFault(t *testing.T) {
	p := placing{positions: []int32{0, -1}, zeroUS: minute}
	out, err := p.place(sound(), minute)
	if err != nil || len(out.GetValue()) != 2 || out.GetGap() != nil || p.refused != 1 {
		t.Errorf("placed as %v, %v", out, err)
	}
}

func TestAFeedThatBeginsBeforeTheLastSampleIsMovedBehindIt(t *testing.T) {
	p := placing{positions: []int32{0, 1}, zeroUS: minute}
	if _, err := p.place(sound(), minute); err != nil {
		t.Fatal(err)
	}
	p.interrupted(pb.SampleGapReason_SAMPLE_GAP_REASON_ADAPTER_RESTARTED)
	p.zeroUS = 0 // Another process, whose clock stands earlier on the axis.
	out, err := p.place(sound(), minute)
	const last = minute + 1020
	if err != nil || out.GetBaseTimeUs() != last+resumeStepUS || out.GetGap().GetStartUs() != last || out.GetGap().GetEndUs() != out.GetBaseTimeUs() {
		t.Errorf("placed as %v, %v", out, err)
	}
}

func TestAnAdaptersOwnGapAtTheEndIsKept(t *testing.T) {
	p := placing{positions: []int32{0, 1}, zeroUS: minute}
	if _, err := p.place(sound(), minute); err != nil {
		t.Fatal(err)
	}
	gap := &adapterv1beta1.FeedGap{StartUs: 1020, EndUs: 5000, Reason: adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_OVERRUN}
	out, err := p.place(&adapterv1beta1.FeedBatch{Sequence: 2, Gap: gap}, minute)
	if g := out.GetGap(); err != nil || g.GetStartUs() != minute+1020 || g.GetEndUs() != minute+5000 || g.GetReason() != pb.SampleGapReason_SAMPLE_GAP_REASON_OVERRUN {
		t.Errorf("the gap is %v, %v", g, err)
	}
}

func TestOneWildTimeDoesNotMoveAFeedThatComesBack(t *testing.T) {
	for name, wild := range map[string]int64{"before the session": -4 * minute, "before all times": math.MinInt64} {
		p := placing{positions: []int32{0, 1}, zeroUS: minute}
		if _, err := p.place(sound(), minute); err != nil {
			t.Fatal(err)
		}
		p.interrupted(pb.SampleGapReason_SAMPLE_GAP_REASON_LINK_LOST)
		b := sound()
		b.BaseTimeUs, b.OffsetUs[1] = 2*minute, wild
		out, err := p.place(b, 3*minute)
		if err == nil || out.GetBaseTimeUs() != 3*minute+10 || len(out.GetValue()) != 2 {
			t.Errorf("%s: placed as %v, %v", name, out, err)
		}
	}
}

func TestWhatIsMarkedAsMissingIsNotMarkedAgainByAnInterruption(t *testing.T) {
	p := placing{positions: []int32{0, 1}, zeroUS: minute}
	if _, err := p.place(sound(), minute); err != nil {
		t.Fatal(err)
	}
	gap := &adapterv1beta1.FeedGap{StartUs: 1020, EndUs: 5000, Reason: adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_OVERRUN}
	if out, err := p.place(&adapterv1beta1.FeedBatch{Sequence: 2, Gap: gap}, minute+6000); err != nil || out.GetGap().GetEndUs() != minute+5000 {
		t.Fatal(out, err)
	}
	p.interrupted(pb.SampleGapReason_SAMPLE_GAP_REASON_ADAPTER_RESTARTED)
	p.interrupted(pb.SampleGapReason_SAMPLE_GAP_REASON_LINK_LOST) // Again, before anything came.
	b := sound()
	b.BaseTimeUs = 9000
	out, err := p.place(b, minute+9000)
	want := &pb.SampleGap{StartUs: minute + 5000, EndUs: minute + 9000, Reason: pb.SampleGapReason_SAMPLE_GAP_REASON_ADAPTER_RESTARTED}
	if err != nil || !proto.Equal(out.GetGap(), want) {
		t.Errorf("the gap is %v, expected %v; %v", out.GetGap(), want, err)
	}
}

func TestAGapOfAFeedThatComesBackCoversNoSampleBeforeTheInterruption(t *testing.T) {
	p := placing{positions: []int32{0, 1}, zeroUS: minute}
	if _, err := p.place(sound(), minute); err != nil {
		t.Fatal(err)
	}
	p.interrupted(pb.SampleGapReason_SAMPLE_GAP_REASON_LINK_LOST)
	p.zeroUS = 0 // A recording ran ahead of the clock.
	gap := &adapterv1beta1.FeedGap{StartUs: 10, EndUs: 900, Reason: adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_SILENT}
	if out, err := p.place(&adapterv1beta1.FeedBatch{Sequence: 1, Gap: gap}, minute); out != nil || err != nil {
		t.Errorf("a gap of its own is appended before the first sample ends the interruption: %v, %v", out, err)
	}
	b := sound()
	b.Gap = gap
	out, err := p.place(b, minute)
	if g := out.GetGap(); err != nil || g.GetStartUs() != minute+1020 || g.GetEndUs() != out.GetBaseTimeUs() {
		t.Errorf("the gap is %v before a sample at %d, %v", g, out.GetBaseTimeUs(), err)
	}
}

func TestAGapEndsAboutNowOrWithTheBatchAtTheLatest(t *testing.T) {
	p := placing{positions: []int32{0, 1}, zeroUS: minute}
	if _, err := p.place(sound(), minute); err != nil {
		t.Fatal(err)
	}
	wild := &adapterv1beta1.FeedGap{StartUs: math.MinInt64, EndUs: math.MaxInt64}
	out, err := p.place(&adapterv1beta1.FeedBatch{Sequence: 2, Gap: wild}, minute+5000)
	if g := out.GetGap(); err != nil || g.GetStartUs() != 0 || g.GetEndUs() != minute+5000+aheadUS {
		t.Errorf("the gap is %v, %v", g, err)
	}
	ahead := sound() // A recording that is played faster than it was driven.
	ahead.BaseTimeUs, ahead.Gap = minute, &adapterv1beta1.FeedGap{StartUs: 1020, EndUs: minute}
	if out, err = p.place(ahead, minute+6000); err != nil || out.GetGap().GetEndUs() != 2*minute {
		t.Errorf("the gap is %v, %v", out.GetGap(), err)
	}
}

func TestWhatTheStoreDidNotTakeIsMarkedAsMissing(t *testing.T) {
	p := placing{positions: []int32{0, 1}, zeroUS: minute}
	if _, err := p.place(sound(), minute); err != nil {
		t.Fatal(err)
	}
	lost := sound()
	lost.BaseTimeUs = 50_000
	if _, err := p.place(lost, minute+50_000); err != nil {
		t.Fatal(err)
	}
	p.interrupted(pb.SampleGapReason_SAMPLE_GAP_REASON_OVERRUN)
	p.fellBack(minute + 1020)
	b := sound()
	b.BaseTimeUs = 90_000
	out, err := p.place(b, minute+90_000)
	if g := out.GetGap(); err != nil || g.GetStartUs() != minute+1020 || g.GetEndUs() != minute+90_000 {
		t.Errorf("the gap is %v, %v", g, err)
	}
}

// Whatever an adapter sends, what goes into the capture keeps the rules that the session has for every client.
func FuzzPlace(f *testing.F) {
	seed, err := proto.Marshal(sound())
	if err != nil {
		f.Fatal(err)
	}
	f.Add(seed, int64(minute), false)
	gap, _ := proto.Marshal(&adapterv1beta1.FeedBatch{Gap: &adapterv1beta1.FeedGap{StartUs: 5, EndUs: -5}})
	f.Add(gap, int64(math.MinInt64), true)
	f.Fuzz(func(t *testing.T, data []byte, zero int64, broken bool) {
		b := new(adapterv1beta1.FeedBatch)
		if proto.Unmarshal(data, b) != nil {
			return
		}
		p := placing{positions: []int32{0, 1, -1}, zeroUS: zero}
		for range 3 {
			if broken {
				p.interrupted(pb.SampleGapReason_SAMPLE_GAP_REASON_LINK_LOST)
			}
			before := p.lastUS
			out, _ := p.place(b, minute)
			if out == nil {
				continue
			}
			checkPlaced(t, out, minute+session.MaxAhead.Microseconds())
			if p.lastUS < before {
				t.Errorf("the newest time went from %d back to %d", before, p.lastUS)
			}
		}
	})
}

func checkPlaced(t *testing.T, out *pb.SampleBatch, latest int64) {
	n := len(out.GetValue())
	if len(out.GetOffsetUs()) != n || len(out.GetSignal()) != n || len(out.GetTimeUncertaintyUs()) != 0 && len(out.GetTimeUncertaintyUs()) != n {
		t.Fatalf("columns differ: %v", out)
	}
	if n == 0 && out.GetGap() == nil || out.GetBaseTimeUs() < 0 || out.GetBaseTimeUs() > latest {
		t.Fatalf("no batch: %v", out)
	}
	for i, o := range out.GetOffsetUs() {
		v := out.GetValue()[i]
		if o < 0 || i > 0 && o < out.GetOffsetUs()[i-1] || out.GetBaseTimeUs()+o > latest || math.IsNaN(v) || math.IsInf(v, 0) || out.GetSignal()[i] < 0 || out.GetSignal()[i] > 1 {
			t.Fatalf("sample %d: %v", i, out)
		}
	}
	for _, u := range out.GetTimeUncertaintyUs() {
		if u < 0 {
			t.Fatalf("negative uncertainty: %v", out)
		}
	}
	if g := out.GetGap(); g != nil && (g.GetStartUs() < 0 || g.GetEndUs() < g.GetStartUs()) {
		t.Fatalf("the gap is %v", g)
	}
}

func TestCapturesOfOneSessionShareAnAxisAndANewOneFollowsTheTimeOfDay(t *testing.T) {
	long := time.Now().Add(-time.Hour)
	m := &Manager{devices: map[string]*run{"starting": nil, "other": {shop: "here", session: "sessions/a", anchor: long}}}
	if got := m.anchorOf("here", "sessions/a"); !got.Equal(long) {
		t.Errorf("a second capture is tied to %v, the first to %v", got, long)
	}
	if got := m.anchorOf("here", "sessions/b"); time.Since(got) > time.Minute {
		t.Errorf("a capture of another session is tied to %v", got)
	}
}

func TestRatesCountTheLastWholeSeconds(t *testing.T) {
	r := newRates(2)
	for i := range 100 {
		r.add(&pb.SampleBatch{BaseTimeUs: int64(i) * 100_000, OffsetUs: []int64{0}, Signal: []int32{1}, Value: []float64{1}})
	}
	if got := r.hz(1); got != 10 {
		t.Errorf("ten a second are reported as %g", got)
	}
	r.add(&pb.SampleBatch{BaseTimeUs: 3_600_000_000, OffsetUs: []int64{0}, Signal: []int32{0}, Value: []float64{1}})
	if got := r.hz(1); got != 0 {
		t.Errorf("after an hour %g a second are reported", got)
	}
}
