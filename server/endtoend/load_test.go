// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package endtoend

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

var (
	loadSessions = flag.Int("sessions", 2000, "how many sessions BenchmarkSessionsAtOnce streams into")
	loadSeconds  = flag.Int("seconds", 10, "for how many seconds it does")
	loadWatched  = flag.Int("watched", 0, "of how many of them somebody watches progress and verdict")
)

const (
	// batchesEach and samplesEach are those of the budget: 50 samples a second, as five batches.
	batchesEach = 5
	samplesEach = 10
	// connections are shared by the sessions as those of gateways are.
	connections = 8
)

// usage is what a process has taken.
type usage struct {
	cpu      time.Duration
	resident int64 // bytes
}

// usageOf reads what the kernel knows of a process; zero where the system has no such files.
func usageOf(pid int) (u usage) {
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return usage{}
	}
	// The second field is the program's name in brackets; user and system time are the 14th and the 15th, in hundredths of a second.
	fields := strings.Fields(string(stat[bytes.LastIndexByte(stat, ')')+1:]))
	for _, at := range []int{11, 12} {
		ticks, err := strconv.ParseInt(fields[at], 10, 64)
		if err == nil {
			u.cpu += time.Duration(ticks) * 10 * time.Millisecond
		}
	}
	pages, err := strconv.ParseInt(fields[21], 10, 64)
	if err == nil {
		u.resident = pages * int64(os.Getpagesize())
	}
	return u
}

// BenchmarkSessionsAtOnce streams 50 samples a second into each of many sessions of a server in a process of its own, and
// checks in the end that each holds every sample. It reports the times from when a batch was due to its acknowledgement, how
// many cores the server and its clients took, which share the machine, and the server's memory for each session.
//
//	go test ./server/endtoend -run '^$' -bench SessionsAtOnce -benchtime 1x -sessions 4000 -seconds 30
func BenchmarkSessionsAtOnce(b *testing.B) {
	for range b.N {
		s := serve(b)
		captures := s.captures(b.Context(), b, *loadSessions)
		s.watch(b.Context(), b, captures[:min(*loadWatched, len(captures))])
		idle, own := usageOf(s.cmd.Process.Pid), usageOf(os.Getpid())
		start := time.Now()
		lags := s.stream(b.Context(), b, captures, *loadSeconds)
		took, busy, ownBusy := time.Since(start), usageOf(s.cmd.Process.Pid), usageOf(os.Getpid())
		s.wantAll(b, captures, int64(*loadSeconds*batchesEach))
		slices.Sort(lags)
		at := func(q float64) float64 { return float64(lags[int(q*float64(len(lags)-1))].Microseconds()) / 1000 }
		b.ReportMetric(float64(len(lags)*samplesEach)/took.Seconds(), "samples/s")
		b.ReportMetric(at(0.5), "p50-ms")
		b.ReportMetric(at(0.99), "p99-ms")
		b.ReportMetric(at(1), "max-ms")
		b.ReportMetric((busy.cpu-idle.cpu).Seconds()/took.Seconds(), "server-cores")
		b.ReportMetric((ownBusy.cpu-own.cpu).Seconds()/took.Seconds(), "client-cores")
		b.ReportMetric(float64(busy.resident)/1024/float64(len(captures)), "KiB/session")
		b.ReportMetric(0, "ns/op")
	}
}

// captures creates one in each of n sessions.
func (s *server) captures(ctx context.Context, b *testing.B, n int) []string {
	b.Helper()
	a := s.dial()
	vehicle := must(a.vehicle(ctx))(b)
	names := make([]string, n)
	var all sync.WaitGroup
	for w := range 50 {
		all.Go(func() {
			for i := w; i < n; i += 50 {
				var err error
				if names[i], err = a.capture(ctx, vehicle); err != nil {
					b.Error(err)
				}
			}
		})
	}
	all.Wait()
	if b.Failed() {
		b.FailNow()
	}
	return names
}

// watch follows progress and verdict of the sessions of captures until the server is gone.
func (s *server) watch(ctx context.Context, b *testing.B, captures []string) {
	b.Helper()
	a := s.dial()
	for _, capture := range captures {
		session, _, _ := strings.Cut(capture, "/captures/")
		progress := must(a.sessions.WatchProgress(ctx, &pb.WatchProgressRequest{Session: session}))(b)
		verdict := must(a.verdicts.WatchVerdict(ctx, &pb.WatchVerdictRequest{Session: session}))(b)
		go func() {
			for err := error(nil); err == nil; {
				_, err = progress.Recv()
			}
		}()
		go func() {
			for err := error(nil); err == nil; {
				_, err = verdict.Recv()
			}
		}()
	}
}

// stream pushes into all captures at once, spread evenly over the time between two batches.
func (s *server) stream(ctx context.Context, b *testing.B, captures []string, seconds int) []time.Duration {
	b.Helper()
	apis := make([]*api, connections)
	for i := range apis {
		apis[i] = s.dial()
	}
	// The same for all, so that what the clients cost on the shared cores is small.
	batches := make([]*pb.PushSamplesRequest, seconds*batchesEach)
	for i := range batches {
		batches[i] = inBatch(batch(int64(i+1), samplesEach, 0))
	}
	const every = time.Second / batchesEach
	var mu sync.Mutex
	var lags []time.Duration
	var all sync.WaitGroup
	for i, capture := range captures {
		all.Go(func() {
			time.Sleep(every * time.Duration(i) / time.Duration(len(captures)))
			own, err := paced(ctx, apis[i%len(apis)], capture, batches, every)
			if err != nil {
				b.Errorf("%s: %d of %d batches: %v", capture, len(own), len(batches), err)
			}
			mu.Lock()
			defer mu.Unlock()
			lags = append(lags, own...)
		})
	}
	all.Wait()
	return lags
}

// paced pushes batches at a steady pace and gives the time from when each was due to the acknowledgement that covers it, so that
// a server that slows its clients down cannot hide it.
func paced(ctx context.Context, a *api, capture string, batches []*pb.PushSamplesRequest, every time.Duration) ([]time.Duration, error) {
	ctx, cancel := context.WithTimeout(ctx, every*time.Duration(len(batches))+time.Minute)
	defer cancel()
	stream, _, err := a.open(ctx, capture, 0)
	if err != nil {
		return nil, err
	}
	start := time.Now()
	go func() {
		for i, b := range batches {
			time.Sleep(time.Until(start.Add(every * time.Duration(i))))
			if stream.Send(b) != nil {
				return // Receiving tells.
			}
		}
	}()
	var lags []time.Duration
	for len(lags) < len(batches) {
		r, err := stream.Recv()
		if err != nil {
			return lags, err
		}
		now := time.Since(start)
		for int64(len(lags)) < r.GetAcknowledged().GetLastSequence() {
			lags = append(lags, now-every*time.Duration(len(lags)))
		}
	}
	if err := stream.CloseSend(); err != nil {
		return lags, err
	}
	if _, err := stream.Recv(); !errors.Is(err, io.EOF) {
		return lags, fmt.Errorf("after the last batch: %w", err)
	}
	return lags, nil
}

// wantAll checks that each capture holds every batch, and reads some of them back.
func (s *server) wantAll(b *testing.B, captures []string, batches int64) {
	b.Helper()
	a := s.dial()
	var all sync.WaitGroup
	for w := range 50 {
		all.Go(func() {
			for i := w; i < len(captures); i += 50 {
				r, err := a.sessions.GetCapture(b.Context(), &pb.GetCaptureRequest{Name: captures[i]})
				if got := r.GetCapture(); err != nil || got.GetLastSequence() != batches || got.GetSampleCount() != batches*samplesEach {
					b.Errorf("%s holds %d batches and %d samples, want %d and %d (%v)", captures[i], got.GetLastSequence(), got.GetSampleCount(), batches, batches*samplesEach, err)
				}
				if i%100 == 0 {
					s.wantBatches(b, a, captures[i], batches)
				}
			}
		})
	}
	all.Wait()
}

func (s *server) wantBatches(b *testing.B, a *api, capture string, batches int64) {
	b.Helper()
	ctx, cancel := context.WithTimeout(b.Context(), time.Minute)
	defer cancel()
	stream, err := a.sessions.WatchSamples(ctx, &pb.WatchSamplesRequest{Capture: capture})
	if err != nil {
		b.Error(err)
		return
	}
	for i := range batches {
		r, err := stream.Recv()
		if err != nil || !proto.Equal(r.GetBatch(), batch(i+1, samplesEach, 0)) {
			b.Errorf("%s: batch %d is %v (%v)", capture, i+1, r.GetBatch(), err)
			return
		}
	}
}
