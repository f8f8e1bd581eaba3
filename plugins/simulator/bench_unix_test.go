// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build unix

package simulator

import (
	"fmt"
	"syscall"
	"testing"
	"time"

	"github.com/airassay/airassay/plugins/simulator/scenario"
)

// used is the processor time of this process in s.
func used(b *testing.B) float64 {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return float64(u.Utime.Nano()+u.Stime.Nano()) / 1e9
}

// BenchmarkHundredVehicles feeds a hundred vehicles at once in real time, transport and reading included.
func BenchmarkHundredVehicles(b *testing.B) {
	dir := b.TempDir()
	const vehicles = 100
	for i := range vehicles {
		put(b, dir, fmt.Sprintf("%d.json", i), fmt.Sprintf(`{"name": "v%d", "seed": %d, "vehicle": {"displacement_l": 2, "control": {"learned_before": false}}}`, i, i+1))
	}
	api := newBench(b, directory(dir))
	samples := make(chan int, 1024)
	for i := range vehicles {
		id := fmt.Sprintf("v%d", i)
		api.open(id)
		f := api.feed(id, want(0, usual...)...)
		go func() {
			for {
				m, err := f.stream.Recv()
				if err != nil {
					return
				}
				samples <- len(m.GetBatch().GetValue())
			}
		}()
	}
	count, began, before := 0, time.Now(), used(b)
	for b.Loop() {
		for end := time.After(3 * time.Second); end != nil; {
			select {
			case n := <-samples:
				count += n
			case <-end:
				end = nil
			}
		}
	}
	seconds := time.Since(began).Seconds()
	b.ReportMetric(100*(used(b)-before)/seconds, "%-of-a-core")
	b.ReportMetric(float64(count)/seconds, "samples/s")
}

// BenchmarkDrive computes a whole drive of about twelve minutes, what lies before it included.
func BenchmarkDrive(b *testing.B) {
	seconds := 0.0
	for b.Loop() {
		c, err := scenario.Named("healthy")
		if err != nil {
			b.Fatal(err)
		}
		seconds = c.Run().Seconds
	}
	b.ReportMetric(seconds, "simulated-s")
}
