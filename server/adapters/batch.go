// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapters

import (
	"fmt"
	"math"
	"sort"
	"time"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/session"
)

// maxBatch is the most samples that the contract allows in a batch (S7).
const maxBatch = 4096

// placing puts the batches of one feed into a capture: on the session's axis, under the capture's numbers of the
// signals, in the order of time.
type placing struct {
	positions []int32 // of the feed's signals in the capture; -1 for those that it does not have
	zeroUS    int64   // the adapter's 0 on the session's axis
	lastUS    int64   // the time of the capture's newest sample; 0 before the first
	toldUS    int64   // until when samples are marked as missing already
	begun     bool    // the feed has delivered a sample
	pending   *pb.SampleGap
	open      bool // the pending gap lasts until the next sample
	refused   int64
}

// resumeStepUS is the least distance, in microseconds, between the last sample before an interruption and the first
// after it.
const resumeStepUS = 1000

// aheadUS is how far ahead of now, in microseconds, a gap may end that no sample follows: the clocks are known to less.
const aheadUS = 1_000_000

// place gives what is to be appended; nil where nothing is left. err says how the batch breaks the contract; what is good
// of it is still placed, and the rest is marked as missing.
func (p *placing) place(b *adapterv1beta1.FeedBatch, nowUS int64) (out *pb.SampleBatch, err error) {
	n := len(b.GetValue())
	shape := columns(b, n)
	latest := nowUS + session.MaxAhead.Microseconds()
	if shape == nil {
		p.align(b, latest)
	}
	if g := b.GetGap(); g != nil {
		p.miss(p.at(g.GetStartUs(), 0), p.at(g.GetEndUs(), 0), gapReason(g.GetReason()))
	}
	if shape != nil {
		p.refused += int64(n)
		p.missFromHere(pb.SampleGapReason_SAMPLE_GAP_REASON_SOURCE_FAULT)
		return nil, shape
	}
	out = &pb.SampleBatch{
		OffsetUs: make([]int64, 0, n), Signal: make([]int32, 0, n), Value: make([]float64, 0, n),
	}
	for i, value := range b.GetValue() {
		t := p.at(b.GetBaseTimeUs(), b.GetOffsetUs()[i])
		why := p.refuses(b, i, t, latest)
		if why == "" {
			out.OffsetUs = append(out.OffsetUs, t) // made relative below
			out.Signal = append(out.Signal, p.positions[b.GetSignal()[i]])
			out.Value = append(out.Value, value)
			if len(b.GetTimeUncertaintyUs()) > 0 {
				out.TimeUncertaintyUs = append(out.TimeUncertaintyUs, b.GetTimeUncertaintyUs()[i])
			}
			continue
		}
		p.refused++
		if why != foreign {
			err = fmt.Errorf("batch %d, sample %d: %s", b.GetSequence(), i, why)
			p.missFromHere(pb.SampleGapReason_SAMPLE_GAP_REASON_SOURCE_FAULT)
		}
	}
	return p.finish(out, nowUS), err
}

// columns checks what makes the rest of a batch unreadable.
func columns(b *adapterv1beta1.FeedBatch, n int) error {
	switch {
	case n > maxBatch:
		return fmt.Errorf("batch %d holds %d samples, at most %d are allowed (S7)", b.GetSequence(), n, maxBatch)
	case len(b.GetOffsetUs()) != n, len(b.GetSignal()) != n, len(b.GetTimeUncertaintyUs()) != 0 && len(b.GetTimeUncertaintyUs()) != n:
		return fmt.Errorf("batch %d has columns of %d values, %d times, %d signals and %d uncertainties, expected equal lengths",
			b.GetSequence(), n, len(b.GetOffsetUs()), len(b.GetSignal()), len(b.GetTimeUncertaintyUs()))
	}
	return nil
}

// foreign is no fault: the signal became available after the capture had begun, and is none of its signals.
const foreign = "a signal that the capture does not have"

// refuses says why a sample cannot be kept.
func (p *placing) refuses(b *adapterv1beta1.FeedBatch, i int, t, latest int64) string {
	s, v := b.GetSignal()[i], b.GetValue()[i]
	switch {
	case s < 0 || int(s) >= len(p.positions):
		return fmt.Sprintf("its signal is %d, and %d were announced", s, len(p.positions))
	case p.positions[s] < 0:
		return foreign
	case math.IsNaN(v) || math.IsInf(v, 0):
		return fmt.Sprintf("its value is %v, expected a finite number", v)
	case len(b.GetTimeUncertaintyUs()) > 0 && b.GetTimeUncertaintyUs()[i] < 0:
		return "its time uncertainty is negative"
	case t < 0:
		return "its time lies before the session's start"
	case t > latest:
		return "its time lies more than a day ahead"
	}
	return ""
}

// align moves a feed that begins before the capture's newest sample behind it. That happens where a recording ran ahead of
// the clock before the interruption. What is refused anyway moves nothing.
func (p *placing) align(b *adapterv1beta1.FeedBatch, latest int64) {
	if p.begun {
		return
	}
	first := int64(math.MaxInt64)
	for i, o := range b.GetOffsetUs() {
		if t := p.at(b.GetBaseTimeUs(), o); p.refuses(b, i, t, latest) == "" {
			first, p.begun = min(first, t), true
		}
	}
	if p.begun && p.lastUS > 0 && first < p.lastUS+resumeStepUS {
		p.zeroUS += p.lastUS + resumeStepUS - first
	}
}

// at places an instant of the adapter's clock on the session's axis; what does not fit is at an end of all times.
func (p *placing) at(base, offset int64) int64 {
	return addSaturating(addSaturating(p.zeroUS, base), offset)
}

func addSaturating(a, b int64) int64 {
	switch sum := a + b; {
	case a > 0 && b > 0 && sum < 0:
		return math.MaxInt64
	case a < 0 && b < 0 && sum >= 0:
		return math.MinInt64
	default:
		return sum
	}
}

// miss marks a stretch as missing before the next batch, or widens what is marked. While a gap lasts until the next sample,
// nothing before it is missing besides.
func (p *placing) miss(start, end int64, why pb.SampleGapReason) {
	start = max(0, start)
	if p.open {
		start = max(start, p.pending.GetStartUs())
	}
	end = max(start, end)
	if p.pending == nil {
		p.pending = &pb.SampleGap{StartUs: start, EndUs: end, Reason: why}
		return
	}
	p.pending.StartUs, p.pending.EndUs = min(p.pending.GetStartUs(), start), max(p.pending.GetEndUs(), end)
}

// missFromHere marks that samples are missing from the newest one on, or from where a gap was marked last, until the next
// one.
func (p *placing) missFromHere(why pb.SampleGapReason) {
	if p.lastUS == 0 {
		return // before the first sample nothing is missing
	}
	from := max(p.lastUS, p.toldUS)
	p.miss(from, from, why)
	p.open = true
}

// interrupted marks that the feed has ended; the next one begins anew.
func (p *placing) interrupted(why pb.SampleGapReason) {
	p.begun = false
	p.missFromHere(why)
}

// fellBack says that of what was placed only what goes up to a time, 0 for nothing, was kept. The feed has been interrupted.
func (p *placing) fellBack(lastUS int64) {
	if p.pending != nil && lastUS > 0 {
		p.pending.StartUs = min(p.pending.GetStartUs(), lastUS)
	}
	p.lastUS, p.toldUS = lastUS, lastUS
}

// finish sorts a batch whose offsets are times, makes them offsets, and adds the gap, which ends about now or with the
// batch at the latest.
func (p *placing) finish(out *pb.SampleBatch, nowUS int64) *pb.SampleBatch {
	n := len(out.GetValue())
	if n == 0 && (p.pending == nil || p.open || p.lastUS == 0) {
		return nil // a gap that is still open goes with the first sample after it
	}
	if !sort.IsSorted(byTime{out}) {
		sort.Stable(byTime{out})
	}
	if n > 0 {
		out.BaseTimeUs = out.OffsetUs[0]
		for i, t := range out.OffsetUs {
			out.OffsetUs[i] = t - out.BaseTimeUs
		}
		p.lastUS = max(p.lastUS, out.BaseTimeUs+out.OffsetUs[n-1])
	}
	if g := p.pending; g != nil {
		g.EndUs = min(g.GetEndUs(), max(nowUS, p.lastUS)+aheadUS)
		if p.open {
			g.EndUs = max(g.GetEndUs(), out.GetBaseTimeUs())
		}
		g.StartUs = min(g.GetStartUs(), g.GetEndUs())
		p.toldUS = max(p.toldUS, g.GetEndUs())
		out.Gap, p.pending, p.open = g, nil, false
	}
	if n == 0 {
		out.BaseTimeUs = out.GetGap().GetEndUs()
	}
	return out
}

// byTime sorts the columns of a batch by its offsets.
type byTime struct{ b *pb.SampleBatch }

func (s byTime) Len() int           { return len(s.b.OffsetUs) }
func (s byTime) Less(i, j int) bool { return s.b.OffsetUs[i] < s.b.OffsetUs[j] }
func (s byTime) Swap(i, j int) {
	b := s.b
	b.OffsetUs[i], b.OffsetUs[j] = b.OffsetUs[j], b.OffsetUs[i]
	b.Signal[i], b.Signal[j] = b.Signal[j], b.Signal[i]
	b.Value[i], b.Value[j] = b.Value[j], b.Value[i]
	if len(b.TimeUncertaintyUs) > 0 {
		b.TimeUncertaintyUs[i], b.TimeUncertaintyUs[j] = b.TimeUncertaintyUs[j], b.TimeUncertaintyUs[i]
	}
}

func gapReason(r adapterv1beta1.AdapterErrorReason) pb.SampleGapReason {
	switch r {
	case adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_OVERRUN:
		return pb.SampleGapReason_SAMPLE_GAP_REASON_OVERRUN
	case adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_DEFECT:
		return pb.SampleGapReason_SAMPLE_GAP_REASON_SOURCE_FAULT
	}
	return pb.SampleGapReason_SAMPLE_GAP_REASON_LINK_LOST
}

// rates measures how often the signals of a capture come.
type rates struct {
	counts [][rateSeconds]int32 // by signal, then by second modulo
	second int64
}

// rateSeconds is how many seconds are counted, one more than are reported: the newest is not over.
const rateSeconds = 6

func newRates(signals int) *rates { return &rates{counts: make([][rateSeconds]int32, signals)} }

func (r *rates) add(b *pb.SampleBatch) {
	for i, s := range b.GetSignal() {
		second := (b.GetBaseTimeUs() + b.GetOffsetUs()[i]) / int64(time.Second/time.Microsecond)
		r.advance(second)
		if r.second-second < rateSeconds {
			r.counts[s][second%rateSeconds]++
		}
	}
}

func (r *rates) advance(second int64) {
	for n := 0; r.second < second; n++ {
		if n == rateSeconds {
			r.second = second
			break
		}
		r.second++
		for i := range r.counts {
			r.counts[i][r.second%rateSeconds] = 0
		}
	}
}

// hz gives the mean rate over the last whole seconds.
func (r *rates) hz(signal int) float64 {
	var sum int32
	for i, n := range r.counts[signal] {
		if int64(i) != r.second%rateSeconds {
			sum += n
		}
	}
	return float64(sum) / (rateSeconds - 1)
}
