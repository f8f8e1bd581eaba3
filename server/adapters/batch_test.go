// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapters

import (
	"math"
	"testing"

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
