// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package main

import (
	"fmt"
	"io"
	"sync/atomic"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/page/live"
	"github.com/airassay/airassay/sdk/page/wording"
)

// display shows a drive while it is driven, and how much of the recording is safe. Its methods may be called from any
// goroutine.
type display struct {
	*live.Display

	// batches and samples tell how much of the recording is safe.
	batches []*pb.SampleBatch
	samples []int64 // Of the batches up to each one, with 0 in front.
	durable atomic.Int64
}

// newDisplay shows on out; size gives a terminal's columns and rows, nil to ask out.
func newDisplay(out io.Writer, size func() (columns, rows int), batches []*pb.SampleBatch) *display {
	d := &display{batches: batches, samples: []int64{0}}
	for i, b := range batches {
		d.samples = append(d.samples, d.samples[i]+int64(len(b.GetValue())))
	}
	d.Display = live.New(live.Options{Out: out, Name: program, Size: size, Head: d.head})
	return d
}

// pushed says up to which batch the recording is safe.
func (d *display) pushed(durable int64) {
	d.durable.Store(durable)
	d.Refresh()
}

func (d *display) head(p *pb.SessionProgress) string {
	return fmt.Sprintf("%s of %s driven; %s of %s samples are safe", wording.Clock(p.GetLatestTimeUs()), wording.Clock(d.length()),
		wording.Count(d.samples[d.durable.Load()]), wording.Count(d.samples[len(d.batches)]))
}

// length is the time of the last sample, in microseconds.
func (d *display) length() int64 {
	if len(d.batches) == 0 {
		return 0
	}
	return taken(d.batches[len(d.batches)-1])
}
