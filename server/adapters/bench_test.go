// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapters_test

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/adapters"
	"github.com/airassay/airassay/server/store/sqlite"
)

// BenchmarkBoundary compares captures from an adapter that is a process with captures from the same adapter linked in,
// each durable in SQLite and fed to an assay in memory, turn by turn in one run. The budget for the ratio is 0.9.
func BenchmarkBoundary(b *testing.B) {
	for _, size := range []int{1, 32, 256} {
		b.Run(fmt.Sprintf("samples=%d", size), func(b *testing.B) {
			s := settings{Name: "bench", Boxes: 1, Folder: b.TempDir(), Flood: size}
			process := benchAdapter(b, s)
			linked := process
			linked.Linked = &bench{}
			var outside, inside []float64
			for b.Loop() {
				inside = append(inside, pour(b, linked))
				outside = append(outside, pour(b, process))
			}
			slices.Sort(inside)
			slices.Sort(outside)
			in, out := inside[len(inside)/2], outside[len(outside)/2]
			b.ReportMetric(out, "process-samples/s")
			b.ReportMetric(in, "linked-samples/s")
			b.ReportMetric(out/in, "ratio")
			b.ReportMetric(0, "ns/op")
		})
	}
}

// pour captures for a while and gives the durable samples per second.
func pour(b *testing.B, a adapters.Adapter) float64 {
	b.Helper()
	db, err := sqlite.Open(b.Context(), b.TempDir())
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close() //nolint:errcheck // the folder goes as well
	r := &rig{t: b, store: db, all: []adapters.Adapter{a}, log: &logBook{}}
	r.begin()
	defer r.end()
	open := r.session()
	if _, err := r.sessions.AssessSession(b.Context(), shop, open.GetName()); err != nil { // The assay is in memory from now on.
		b.Fatal(err)
	}
	c := r.start(open, device("bench", "box-00"))
	if _, err := r.sessions.AssessSession(b.Context(), shop, open.GetName()); err != nil {
		b.Fatal(err)
	}
	const warmUp, measured = 200 * time.Millisecond, time.Second
	time.Sleep(warmUp)
	before, start := r.capture(c.GetName()).GetSampleCount(), time.Now()
	time.Sleep(measured)
	after, took := r.capture(c.GetName()).GetSampleCount(), time.Since(start)
	if _, err := r.sessions.FinishCapture(context.Background(), shop, c.GetName()); err != nil {
		b.Fatal(err)
	}
	if after == before {
		b.Fatalf("nothing came in; the log:\n%s", r.log.text.String())
	}
	var assessed *pb.Assessment
	if assessed, err = assess(b, r, open); err != nil || assessed.GetSampleUse().GetUsed() == 0 {
		b.Fatalf("the assay saw %v, %v", assessed.GetSampleUse(), err)
	}
	return float64(after-before) / took.Seconds()
}

func assess(b *testing.B, r *rig, s *pb.Session) (*pb.Assessment, error) {
	b.Helper()
	v, err := r.sessions.AssessSession(b.Context(), shop, s.GetName())
	return v.GetAssessment(), err
}
