// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build linux

package endtoend

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

// scenarios writes n scenario files, each the healthy vehicle under a name and a seed of its own.
func scenarios(t testing.TB, n int) string {
	t.Helper()
	text := must(os.ReadFile(filepath.Join("..", "..", "plugins", "simulator", "scenario", "named", "healthy.json")))(t)
	dir := t.TempDir()
	for i := range n {
		var f map[string]any
		if err := json.Unmarshal(text, &f); err != nil {
			t.Fatal(err)
		}
		f["name"], f["seed"] = fmt.Sprintf("vehicle-%03d", i), 1000+i
		out := must(json.Marshal(f))(t)
		if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("%03d.json", i)), out, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// BenchmarkSimulatorsAtOnce captures from many simulated vehicles of one adapter in real time, each in a session of its
// own, and compares the samples that become durable with those of the first alone.
func BenchmarkSimulatorsAtOnce(b *testing.B) {
	const most = 200
	s := serve(b, "--scenarios", scenarios(b, most))
	a := s.dial()
	for _, n := range []int{1, 100, most} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			for b.Loop() {
				captures := make([]string, n)
				sessions := make([]string, n)
				for i := range captures {
					sessions[i] = must(a.session(within(b), must(a.vehicle(within(b)))(b)))(b)
					r := must(a.adapters.StartCapture(within(b), &pb.StartCaptureRequest{
						Parent: sessions[i], Device: fmt.Sprintf("adapters/simulator/devices/vehicle-%03d", i),
					}))(b)
					captures[i] = r.GetCapture().GetName()
				}
				const settle, measured = 15 * time.Second, 20 * time.Second // The engine starts after ten seconds.
				time.Sleep(settle)
				before, cpu := a.durable(b, captures), usageOf(s.cmd.Process.Pid)
				time.Sleep(measured)
				after, cpuAfter := a.durable(b, captures), usageOf(s.cmd.Process.Pid)
				least, sum := int64(1<<62), int64(0)
				for i := range captures {
					d := after[i] - before[i]
					least, sum = min(least, d), sum+d
				}
				b.ReportMetric(float64(sum)/float64(n)/measured.Seconds(), "samples/s/vehicle")
				b.ReportMetric(float64(least)/measured.Seconds(), "least-samples/s")
				b.ReportMetric((cpuAfter.cpu-cpu.cpu).Seconds()/measured.Seconds(), "server-cores")
				for _, session := range sessions {
					if _, err := a.sessions.CloseSession(within(b), &pb.CloseSessionRequest{Name: session}); err != nil {
						b.Fatal(err)
					}
				}
			}
		})
	}
}

func (a *api) durable(b *testing.B, captures []string) []int64 {
	b.Helper()
	counts := make([]int64, len(captures))
	for i, name := range captures {
		r := must(a.sessions.GetCapture(within(b), &pb.GetCaptureRequest{Name: name}))(b)
		counts[i] = r.GetCapture().GetSampleCount()
		if f := r.GetCapture().GetFeed(); f.GetInterruptionCount() != 0 || f.GetState() != pb.CaptureFeedState_CAPTURE_FEED_STATE_RUNNING {
			b.Errorf("%s: the feed is %v", name, f.GetState())
		}
	}
	return counts
}
