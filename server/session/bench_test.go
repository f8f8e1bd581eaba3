// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session_test

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/session"
	"github.com/airassay/airassay/server/store"
)

// benchSamples is the samples of one batch: a second of a usual link.
const benchSamples = 50

// bench is a number of sessions that stream batches of one second each.
type bench struct {
	*fixture
	sessions []*pb.Session
	captures []*pb.Capture
	batches  []*pb.SampleBatch
}

func newBench(b *testing.B, sessions int) *bench {
	n := &bench{fixture: newFixture(b, "sqlite", session.Limits{Assays: 10_000})}
	v := n.vehicle()
	for range sessions {
		s := n.sessionOf(&pb.Session{Vehicle: v.GetName()})
		n.sessions = append(n.sessions, s)
		n.captures = append(n.captures, n.capture(s.GetName(), drive()))
	}
	n.batches = cut(drive().Samples, always(benchSamples))
	n.clock.advance(100 * 365 * 24 * time.Hour) // However many laps the benchmark drives.
	return n
}

// batch is number i of an endless drive.
func (n *bench) batch(i int) *pb.SampleBatch {
	lap := int64(i / len(n.batches))
	b := proto.CloneOf(n.batches[i%len(n.batches)])
	last := n.batches[len(n.batches)-1]
	b.Sequence = int64(i) + 1
	b.BaseTimeUs += lap * (last.GetBaseTimeUs() + 1_000_000)
	return b
}

// spread runs body for each session at once with its share of b.N, and gives what it took.
func (n *bench) spread(b *testing.B, body func(session, share int)) time.Duration {
	count := len(n.captures)
	b.ResetTimer()
	start := time.Now()
	var wg sync.WaitGroup
	for i := range count {
		share := b.N / count
		if i < b.N%count {
			share++
		}
		wg.Go(func() { body(i, share) })
	}
	wg.Wait()
	took := time.Since(start)
	b.StopTimer()
	return took
}

// bare appends the same batches to the same kind of store, each after the acknowledgement of the one before.
func bare(b *testing.B, sessions, group int) time.Duration {
	n := newBench(b, sessions)
	ctx := context.Background()
	names := make([]store.Capture, sessions)
	for i, c := range n.captures {
		s := n.sessions[i].GetName()
		names[i] = store.Capture{Shop: shop, Session: s[len("sessions/"):], ID: c.GetName()[len(s)+len("/captures/"):]}
		_, err := n.store.Open(ctx, names[i])
		n.must(err)
	}
	return n.spread(b, func(i, share int) {
		var chunks []store.Chunk
		for k := range share {
			blob, err := proto.Marshal(n.batch(k))
			if err != nil {
				b.Error(err)
			}
			chunks = append(chunks, store.Chunk{Sequence: int64(k) + 1, Samples: benchSamples, Blob: blob})
			if len(chunks) == group || k == share-1 {
				if _, err := n.store.Append(ctx, names[i], 1, chunks...); err != nil {
					b.Error(err)
				}
				chunks = chunks[:0]
			}
		}
	})
}

// BenchmarkAcknowledged measures writers that wait for each acknowledgement, with their assays in memory, beside
// the bare store.
func BenchmarkAcknowledged(b *testing.B) {
	for _, sessions := range []int{1, 10, 100} {
		b.Run(fmt.Sprintf("sessions=%d", sessions), func(b *testing.B) {
			alone := bare(b, sessions, 1)
			n := newBench(b, sessions)
			n.loadAll()
			waits := make([][]time.Duration, sessions)
			took := n.spread(b, func(i, share int) {
				w := n.writer(n.captures[i].GetName(), 0)
				for k := range share {
					batch := n.batch(k)
					start := time.Now()
					n.must(w.Append(context.Background(), batch))
					if _, err := w.Acknowledged(context.Background()); err != nil {
						b.Error(err)
					}
					waits[i] = append(waits[i], time.Since(start))
				}
				n.must(w.Close())
			})
			all := slices.Concat(waits...)
			slices.Sort(all)
			b.ReportMetric(float64(all[len(all)/2].Microseconds()), "p50-µs")
			b.ReportMetric(float64(all[len(all)*99/100].Microseconds()), "p99-µs")
			b.ReportMetric(float64(b.N*benchSamples)/took.Seconds(), "samples/s")
			b.ReportMetric(alone.Seconds()/took.Seconds(), "of-bare-store")
		})
	}
}

// BenchmarkPipelined measures writers that do not wait.
func BenchmarkPipelined(b *testing.B) {
	for _, sessions := range []int{1, 10, 100} {
		for _, judged := range []bool{true, false} {
			b.Run(fmt.Sprintf("sessions=%d/judged=%v", sessions, judged), func(b *testing.B) {
				alone := bare(b, sessions, 20)
				n := newBench(b, sessions)
				if judged {
					n.loadAll()
				}
				took := n.spread(b, func(i, share int) {
					w := n.writer(n.captures[i].GetName(), 0)
					for k := range share {
						n.must(w.Append(context.Background(), n.batch(k)))
					}
					n.must(w.Close())
				})
				b.ReportMetric(float64(b.N*benchSamples)/took.Seconds(), "samples/s")
				b.ReportMetric(alone.Seconds()/took.Seconds(), "of-bare-store")
			})
		}
	}
}

func (n *bench) loadAll() {
	for _, s := range n.sessions {
		_, err := n.AssessSession(context.Background(), shop, s.GetName())
		n.must(err)
	}
}

// BenchmarkLiveVerdict measures how long after the acknowledgement of a batch its verdict can be had, and what a replay costs.
func BenchmarkLiveVerdict(b *testing.B) {
	n := newBench(b, 1)
	name := n.sessions[0].GetName()
	const batches = 2400 // 20 minutes at 100 samples a second.
	w := n.writer(n.captures[0].GetName(), 0)
	for k := range batches {
		n.must(w.Append(context.Background(), n.batch(k)))
	}
	n.must(w.Close())
	b.Run("warm", func(b *testing.B) {
		for b.Loop() {
			_, err := n.AssessSession(context.Background(), shop, name)
			n.must(err)
		}
	})
	b.Run("replay", func(b *testing.B) {
		for b.Loop() {
			b.StopTimer()
			s, err := n.GetSession(context.Background(), shop, name)
			n.must(err)
			s.DayConditions = &pb.DayConditions{AltitudeM: new(430.0)}
			s.DayConditions.HoursSinceRun = new(float64(time.Now().UnixNano() % 8000))
			_, err = n.UpdateSession(context.Background(), shop, s, nil)
			n.must(err)
			b.StartTimer()
			_, err = n.AssessSession(context.Background(), shop, name)
			n.must(err)
		}
	})
}

// BenchmarkStreamingAtOnce measures many sessions that each push a batch of 50 samples a second, spread over the second, for
// b.N seconds: how long they wait for their acknowledgements, and by how much the slowest falls behind.
func BenchmarkStreamingAtOnce(b *testing.B) {
	for _, sessions := range []int{500, 2000} {
		b.Run(fmt.Sprintf("sessions=%d", sessions), func(b *testing.B) {
			n := newBench(b, sessions)
			waits := make([][]time.Duration, sessions)
			start := time.Now()
			n.spread(b, func(i, _ int) {
				w := n.writer(n.captures[i].GetName(), 0)
				offset := time.Duration(i) * time.Second / time.Duration(sessions)
				for k := range b.N {
					due := start.Add(time.Duration(k)*time.Second + offset)
					time.Sleep(time.Until(due))
					n.must(w.Append(context.Background(), n.batch(k)))
					if _, err := w.Acknowledged(context.Background()); err != nil {
						b.Error(err)
					}
					waits[i] = append(waits[i], time.Since(due))
				}
				n.must(w.Close())
			})
			all := slices.Concat(waits...)
			slices.Sort(all)
			b.ReportMetric(float64(all[len(all)/2].Microseconds()), "p50-µs")
			b.ReportMetric(float64(all[len(all)*99/100].Microseconds()), "p99-µs")
			b.ReportMetric(float64(all[len(all)-1].Milliseconds()), "worst-ms")
		})
	}
}
