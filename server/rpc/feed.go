// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package rpc

import (
	"fmt"
	"math"
	"strconv"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/recording"
	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/session"
)

// feed judges batches that nobody keeps, by the rules that hold for those of a
// capture.
type feed struct {
	assay   *assay.Assay
	signals int
	last    int64
}

// latestUS is the latest time of a recording, as sdk/recording has it, in
// microseconds: three years.
const latestUS = recording.MaxTimeS * 1_000_000

func newFeed(facts assay.Facts, c *pb.Capture) (*feed, error) {
	if c.GetClock() == pb.ClockKind_CLOCK_KIND_UNSPECIFIED {
		return nil, invalid("clock", "is missing; expected what the times rest on")
	}
	a := assay.New(facts)
	defs := make([]assay.SignalDef, len(c.GetSignals()))
	for i, s := range c.GetSignals() {
		defs[i] = assay.SignalDef{Path: s.GetPath(), Unit: s.GetUnit(), TimeUncertaintyUS: s.GetTimeUncertaintyUs()}
	}
	if err := a.Declare(0, assay.Clock(c.GetClock()), defs); err != nil {
		e := refuse(pb.ErrorReason_ERROR_REASON_WRONG_UNIT, "convert the values, or correct the unit")
		e.Violations = []session.Violation{{Field: "signals", Description: "are declared in a wrong unit: " + err.Error()}}
		return nil, e
	}
	return &feed{assay: a, signals: len(defs)}, nil
}

func (f *feed) push(b *pb.SampleBatch) error {
	if err := f.check(b); err != nil {
		return err
	}
	if g := b.GetGap(); g != nil {
		f.assay.Missing(assay.Hole{StartUS: g.GetStartUs(), EndUS: g.GetEndUs(), Reason: assay.SampleGapReason(g.GetReason())})
	}
	for i, value := range b.GetValue() {
		x := assay.Sample{Signal: b.Signal[i], TimeUS: b.GetBaseTimeUs() + b.OffsetUs[i], Value: value, UncertaintyUS: asDeclared}
		if len(b.GetTimeUncertaintyUs()) > 0 {
			x.UncertaintyUS = b.TimeUncertaintyUs[i]
		}
		f.assay.Push(x)
	}
	f.last++
	return nil
}

func (f *feed) check(b *pb.SampleBatch) error {
	n := len(b.GetValue())
	switch {
	case b.GetSequence() != f.last+1:
		e := refuse(pb.ErrorReason_ERROR_REASON_SEQUENCE_GAP, fmt.Sprintf("sequence is %d; expected %d", b.GetSequence(), f.last+1))
		e.Metadata = map[string]string{"sequence": strconv.FormatInt(b.GetSequence(), 10), "expected_sequence": strconv.FormatInt(f.last+1, 10)}
		return e
	case n > session.MaxBatchSamples:
		e := refuse(pb.ErrorReason_ERROR_REASON_BATCH_TOO_LARGE, fmt.Sprintf("batch %d has %d samples; expected at most %d", b.GetSequence(), n, session.MaxBatchSamples))
		e.Metadata = map[string]string{"samples": strconv.Itoa(n), "max_samples": strconv.Itoa(session.MaxBatchSamples)}
		return e
	case len(b.GetOffsetUs()) != n || len(b.GetSignal()) != n:
		return invalid("value", fmt.Sprintf("has %d entries, offset_us %d and signal %d; expected as many in each", n, len(b.GetOffsetUs()), len(b.GetSignal())))
	case n == 0 && b.GetGap() == nil:
		return invalid("value", "is empty; expected at least one sample, or a gap")
	case len(b.GetTimeUncertaintyUs()) != 0 && len(b.GetTimeUncertaintyUs()) != n:
		return invalid("time_uncertainty_us", fmt.Sprintf("has %d entries; expected none or %d", len(b.GetTimeUncertaintyUs()), n))
	}
	for i := range n {
		if err := f.checkSample(b, i); err != nil {
			return err
		}
	}
	return nil
}

func (f *feed) checkSample(b *pb.SampleBatch, i int) error {
	base, offset := b.GetBaseTimeUs(), b.OffsetUs[i]
	switch {
	case b.Signal[i] < 0 || int(b.Signal[i]) >= f.signals:
		return invalid(fmt.Sprintf("signal[%d]", i), fmt.Sprintf("is %d; expected 0 to %d", b.Signal[i], f.signals-1))
	case math.IsNaN(b.Value[i]) || math.IsInf(b.Value[i], 0):
		return invalid(fmt.Sprintf("value[%d]", i), fmt.Sprintf("is %v; expected a finite number", b.Value[i]))
	case i > 0 && offset < b.OffsetUs[i-1]:
		return invalid(fmt.Sprintf("offset_us[%d]", i), fmt.Sprintf("is %d after %d; expected times that do not fall", offset, b.OffsetUs[i-1]))
	case len(b.GetTimeUncertaintyUs()) > 0 && b.TimeUncertaintyUs[i] < 0:
		return invalid(fmt.Sprintf("time_uncertainty_us[%d]", i), fmt.Sprintf("is %d; expected 0 or more", b.TimeUncertaintyUs[i]))
	case offset < 0:
		return invalid(fmt.Sprintf("offset_us[%d]", i), fmt.Sprintf("is %d; expected 0 or more", offset))
	case base < 0 || base > latestUS || offset > latestUS || base+offset > latestUS:
		e := refuse(pb.ErrorReason_ERROR_REASON_TIME_OUT_OF_SESSION, fmt.Sprintf("sample %d of batch %d lies outside the recording; expected 0 to %d µs", i, b.GetSequence(), int64(latestUS)))
		e.Metadata = map[string]string{"sequence": strconv.FormatInt(b.GetSequence(), 10), "earliest_us": "0", "latest_us": strconv.FormatInt(latestUS, 10)}
		return e
	}
	return nil
}
