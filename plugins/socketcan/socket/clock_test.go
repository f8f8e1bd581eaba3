// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socket

import (
	"testing"
	"time"

	"github.com/airassay/airassay/sdk/adapter"
)

func TestKernelTimeIsConvertedWrongly(t *testing.T) {
	var c clock
	now := time.Now()
	fetched := adapter.At(now)
	const age = 300 * time.Microsecond
	if got, want := c.at(now.Round(0).Add(-age), now), fetched.Add(-age); got != want {
		t.Errorf("a frame of 300 µs ago is of %d, want %d", got, want)
	}
	if got := c.at(time.Time{}, now); got != fetched {
		t.Errorf("a frame without a time is of %d, want %d: now", got, fetched)
	}
	if got := c.at(now.Round(0).Add(-time.Second), now); got != fetched {
		t.Errorf("the clock went back from %d to %d", fetched, got)
	}
	if got := c.at(now.Round(0).Add(time.Second), now); got != fetched {
		t.Errorf("a frame of the future is of %d, want %d: now", got, fetched)
	}
}

// Somebody who sets the time of day moves no sample.
func TestSettingTheTimeOfDayMovesFrames(t *testing.T) {
	now := time.Now()
	offset := time.Duration(now.UnixMicro()-int64(adapter.At(now))) * time.Microsecond
	c := clock{known: true, offset: offset - 5*time.Second}
	// The stamp was taken by the old time of day, five seconds back.
	if got := c.at(now.Round(0).Add(-5*time.Second), now); got != adapter.At(now) {
		t.Errorf("the frame is of %d, want %d", got, adapter.At(now))
	}
	if got, want := c.at(now.Round(0).Add(-time.Millisecond), now.Add(time.Second)), adapter.At(now); got < want {
		t.Errorf("the frame after is of %d, before %d", got, want)
	}
}

func TestClockConversionAllocates(t *testing.T) {
	var c clock
	now := time.Now()
	if n := testing.AllocsPerRun(100, func() { c.at(now, now) }); n > 0 {
		t.Errorf("%v allocations", n)
	}
}
