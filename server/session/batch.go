// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session

import (
	"fmt"
	"math"
	"time"

	"google.golang.org/protobuf/proto"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/store"
)

// queued is one batch on its way to the store and the assay.
type queued struct {
	batch *pb.SampleBatch
	chunk store.Chunk
}

// rules are what the batches of one capture must keep to.
type rules struct {
	capture string // Its name, for messages.
	signals int
	start   time.Time // Of the session.
}

// queue checks a batch and encodes it. now is the time of day.
func (r *rules) queue(b *pb.SampleBatch, now time.Time) (queued, error) {
	if n := len(b.GetValue()); n > MaxBatchSamples {
		return queued{}, r.tooLarge(b, n, proto.Size(b))
	}
	if size := proto.Size(b); size > MaxBatchBytes {
		return queued{}, r.tooLarge(b, len(b.GetValue()), size)
	}
	if err := r.shape(b); err != nil {
		return queued{}, err
	}
	if err := r.times(b, now.Add(MaxAhead).Sub(r.start).Microseconds()); err != nil {
		return queued{}, err
	}
	blob, err := encode(b)
	if err != nil {
		return queued{}, err
	}
	first := b.BaseTimeUs
	if len(b.OffsetUs) > 0 {
		first += b.OffsetUs[0]
	}
	return queued{b, store.Chunk{Sequence: b.GetSequence(), First: first, Last: lastTime(b), Samples: int64(len(b.Value)), Blob: blob}}, nil
}

func (r *rules) tooLarge(b *pb.SampleBatch, samples, bytes int) error {
	e := &Error{
		Reason: pb.ErrorReason_ERROR_REASON_BATCH_TOO_LARGE, Resource: r.capture,
		Message: fmt.Sprintf("batch %d has %d samples in %d bytes, at most %d in %d are taken; send smaller batches", b.GetSequence(), samples, bytes, MaxBatchSamples, MaxBatchBytes),
	}
	return e.with("sequence", b.GetSequence()).with("samples", int64(samples)).with("max_samples", MaxBatchSamples).
		with("bytes", int64(bytes)).with("max_bytes", MaxBatchBytes)
}

func (r *rules) refuse(b *pb.SampleBatch, field, format string, args ...any) error {
	e := invalid(Violation{"batch." + field, fmt.Sprintf(format, args...)})
	e.Resource = r.capture
	return e.with("sequence", b.GetSequence())
}

// shape checks all but the times.
func (r *rules) shape(b *pb.SampleBatch) error {
	n := len(b.GetValue())
	switch {
	case b.GetSequence() < 1 || b.GetSequence() > store.MaxSequence:
		return r.refuse(b, "sequence", "is %d; expected 1 for the first batch, then one more each", b.GetSequence())
	case len(b.GetOffsetUs()) != n:
		return r.refuse(b, "offset_us", "has %d entries where value has %d; expected as many", len(b.GetOffsetUs()), n)
	case len(b.GetSignal()) != n:
		return r.refuse(b, "signal", "has %d entries where value has %d; expected as many", len(b.GetSignal()), n)
	case len(b.GetTimeUncertaintyUs()) != 0 && len(b.GetTimeUncertaintyUs()) != n:
		return r.refuse(b, "time_uncertainty_us", "has %d entries where value has %d; expected as many, or none", len(b.GetTimeUncertaintyUs()), n)
	case n == 0 && b.GetGap() == nil:
		return r.refuse(b, "value", "is empty; expected at least one sample, or a gap")
	}
	for i, s := range b.GetSignal() {
		if s < 0 || int(s) >= r.signals {
			return r.refuse(b, fmt.Sprintf("signal[%d]", i), "is %d; the capture declares %d signals, numbered from 0", s, r.signals)
		}
	}
	for i, v := range b.GetValue() {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return r.refuse(b, fmt.Sprintf("value[%d]", i), "is %v; expected a finite number: leave out what was not measured", v)
		}
	}
	for i, u := range b.GetTimeUncertaintyUs() {
		if u < 0 {
			return r.refuse(b, fmt.Sprintf("time_uncertainty_us[%d]", i), "is %d; expected 0 or more", u)
		}
	}
	return r.gap(b)
}

func (r *rules) gap(b *pb.SampleBatch) error {
	g := b.GetGap()
	if g == nil {
		return nil
	}
	if g.GetStartUs() < 0 || g.GetEndUs() < g.GetStartUs() {
		return r.refuse(b, "gap", "goes from %d to %d; expected a start of 0 or more and an end that is not before it", g.GetStartUs(), g.GetEndUs())
	}
	if _, known := pb.SampleGapReason_name[int32(g.GetReason())]; !known {
		return r.refuse(b, "gap.reason", "is %d, which is no reason that is known here", g.GetReason())
	}
	return nil
}

// times checks that no sample lies before the session or after latest, in microseconds on its axis.
func (r *rules) times(b *pb.SampleBatch, latest int64) error {
	if b.GetBaseTimeUs() < 0 || b.GetBaseTimeUs() > latest {
		return r.outside(b, b.GetBaseTimeUs(), latest)
	}
	before := int64(0)
	for i, o := range b.GetOffsetUs() {
		if o < before {
			return r.refuse(b, fmt.Sprintf("offset_us[%d]", i), "is %d after %d; expected offsets of 0 or more that do not fall", o, before)
		}
		before = o
	}
	if n := len(b.GetOffsetUs()); n > 0 && b.OffsetUs[n-1] > latest-b.BaseTimeUs {
		// Where the sum does not fit, the highest number stands for it.
		return r.outside(b, b.BaseTimeUs+min(b.OffsetUs[n-1], math.MaxInt64-b.BaseTimeUs), latest)
	}
	return nil
}

func (r *rules) outside(b *pb.SampleBatch, at, latest int64) error {
	e := &Error{
		Reason: pb.ErrorReason_ERROR_REASON_TIME_OUT_OF_SESSION, Resource: r.capture,
		Message: fmt.Sprintf("batch %d has a time of %d µs; expected 0 (the session's start) to %d µs (a day ahead of now)", b.GetSequence(), at, latest),
	}
	return e.with("sequence", b.GetSequence()).with("time_us", at).with("earliest_us", 0).with("latest_us", latest)
}
