// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package main

import (
	"time"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/recording"
)

const (
	// batchSpan is how much of the drive one batch covers: short enough for a verdict that keeps
	// up with the driver, long enough that a slow disk does.
	batchSpan = 200 * time.Millisecond
	// batchSamples is the most samples of a batch, some 5 KB.
	batchSamples = 256
)

// cut makes batches of a recording, numbered from 1. The cut depends on the samples alone, neither on
// the speed nor on what was sent before: a program that was ended cuts the same
// batches again, so that their numbers are all that it takes to go on.
func cut(samples []recording.Sample) []*pb.SampleBatch {
	var all []*pb.SampleBatch
	var b *pb.SampleBatch
	for _, s := range samples {
		if b == nil || len(b.Value) == batchSamples || s.TimeUS-b.BaseTimeUs >= batchSpan.Microseconds() {
			b = &pb.SampleBatch{Sequence: int64(len(all) + 1), BaseTimeUs: s.TimeUS}
			all = append(all, b)
		}
		b.OffsetUs = append(b.OffsetUs, s.TimeUS-b.BaseTimeUs)
		b.Signal = append(b.Signal, s.Signal)
		b.Value = append(b.Value, s.Value)
	}
	return all
}

// taken is when a batch is complete: the time of its last sample.
func taken(b *pb.SampleBatch) int64 {
	return b.GetBaseTimeUs() + b.GetOffsetUs()[len(b.GetOffsetUs())-1]
}
