// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package truth

import (
	"testing"

	"github.com/airassay/airassay/sdk/recording"
)

func TestReducedRecordingKeepsWhatWasLeftOut(t *testing.T) {
	d, err := Simulate(itemOn(t, "kline_8"))
	if err != nil {
		t.Fatal(err)
	}
	path := d.Recording.Signals[0].Path
	rec, err := d.reduced([]string{path}, func(int, recording.Sample) bool { return true })
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]int{}
	for _, s := range d.Recording.Samples {
		want[d.Recording.Signals[s.Signal].Path]++
	}
	delete(want, path)
	for _, s := range rec.Samples {
		want[rec.Signals[s.Signal].Path]--
	}
	for p, n := range want {
		if n != 0 {
			t.Errorf("%s: %d samples are missing", p, n)
		}
	}
	half, err := d.reduced(nil, everySecondRow())
	if err != nil {
		t.Fatal(err)
	}
	if n, all := len(half.Samples), len(d.Recording.Samples); n < all*4/10 || n > all*6/10 {
		t.Errorf("half of the rows are %d of %d samples", n, all)
	}
	times := map[int64]bool{}
	for _, s := range half.Samples {
		times[s.TimeUS] = true
	}
	for _, s := range d.Recording.Samples {
		if times[s.TimeUS] {
			delete(times, s.TimeUS)
		}
	}
	if len(times) > 0 {
		t.Errorf("%d rows are at times that the recording has not", len(times))
	}
}
