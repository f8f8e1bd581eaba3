// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build unix

package host

import (
	"context"
	"fmt"
	"testing"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
)

// From the check of the files to an adapter that can be called.
func BenchmarkStartToReady(b *testing.B) {
	o, _ := bench(b, "good")
	for b.Loop() {
		a, err := New(o)
		if err != nil {
			b.Fatal(err)
		}
		a.Start()
		if _, err := a.Ready(context.Background()); err != nil {
			b.Fatal(err)
		}
		b.StopTimer()
		a.Shutdown(context.Background())
		b.StartTimer()
	}
}

func BenchmarkVerify(b *testing.B) {
	o, _ := bench(b, "good")
	for b.Loop() {
		f, err := o.Manifest.Verify()
		if err != nil {
			b.Fatal(err)
		}
		_ = f.Close() // only read
	}
}

func BenchmarkUnary(b *testing.B) {
	o, _ := bench(b, "good")
	c := ready(b, run(b, o))
	ctx := b.Context()
	for b.Loop() {
		if _, err := c.Client.Describe(ctx, &adapterv1beta1.DescribeRequest{}); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkFeed(b *testing.B) {
	for _, size := range []int{1, 32, 256} {
		b.Run(fmt.Sprintf("batch=%d", size), func(b *testing.B) {
			o, _ := bench(b, "good")
			c := ready(b, run(b, o))
			b.ResetTimer()
			got, err := feed(b.Context(), c, size, b.N)
			if err != nil {
				b.Fatal(err)
			}
			b.ReportMetric(float64(got)/b.Elapsed().Seconds(), "samples/s")
		})
	}
}
