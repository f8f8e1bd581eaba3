// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package endtoend

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/recording"
)

// vanRecording is a drive with every manoeuvre in it.
const vanRecording = "../../examples/drives/van/recording.csv"

// van gives the signals and the batches of the drive, 200 ms each.
func van(ctx context.Context, b testing.TB) ([]*pb.SignalDefinition, []*pb.SampleBatch) {
	b.Helper()
	rec := must(recording.Open(ctx, vanRecording, recording.Options{}))(b)
	var declared []*pb.SignalDefinition
	for _, s := range rec.Signals {
		declared = append(declared, &pb.SignalDefinition{Path: s.Path, Unit: s.Unit, TimeUncertaintyUs: s.TimeUncertaintyUS})
	}
	var batches []*pb.SampleBatch
	for _, s := range rec.Samples {
		last := len(batches) - 1
		if last < 0 || s.TimeUS-batches[last].GetBaseTimeUs() >= 200_000 {
			batches = append(batches, &pb.SampleBatch{Sequence: int64(last + 2), BaseTimeUs: s.TimeUS})
			last++
		}
		to := batches[last]
		to.OffsetUs, to.Signal, to.Value = append(to.OffsetUs, s.TimeUS-to.GetBaseTimeUs()), append(to.Signal, s.Signal), append(to.Value, s.Value)
	}
	return declared, batches
}

// livedrive is the van's drive on its way into a session.
type livedrive struct {
	*api

	b       testing.TB
	session string
	stream  pushStream
	batches []*pb.SampleBatch
	sent    int
}

func (a *api) drive(ctx context.Context, b testing.TB) *livedrive {
	b.Helper()
	d := &livedrive{api: a, b: b}
	declared, batches := van(ctx, b)
	d.batches = batches
	d.session = must(a.session(ctx, must(a.vehicle(ctx))(b)))(b)
	made := must(a.sessions.CreateCapture(ctx, &pb.CreateCaptureRequest{Parent: d.session, Capture: &pb.Capture{Signals: declared, Clock: pb.ClockKind_CLOCK_KIND_HOST}}))(b)
	stream, _, err := a.open(ctx, made.GetCapture().GetName(), 0)
	if err != nil {
		b.Fatal(err)
	}
	d.stream = stream
	return d
}

// push sends all batches before one, as fast as can be, and waits until they are durable.
func (d *livedrive) push(before int) {
	d.b.Helper()
	for d.sent < before {
		if err := d.stream.Send(inBatch(d.batches[d.sent])); err != nil {
			d.b.Fatal(err)
		}
		d.sent++
	}
	if err := await(d.stream, int64(before)); err != nil {
		d.b.Fatal(err)
	}
}

// usedIn counts the manoeuvres that are used.
func usedIn(all []*pb.Manoeuvre) (n int) {
	for _, m := range all {
		if m.GetUsed() {
			n++
		}
	}
	return n
}

// event is a batch that holds the last sample that one more manoeuvre needs.
type event struct{ batch, used int }

// events finds them by asking for the verdict after each batch of the drive's second half.
func (d *livedrive) events(ctx context.Context) (events []event) {
	d.b.Helper()
	half := len(d.batches) / 2
	d.push(half)
	before := 1000 // Whatever counts at the half is no event of its second batch.
	for i := half; i < len(d.batches); i++ {
		d.push(i + 1)
		r, err := d.verdicts.AssessSession(ctx, &pb.AssessSessionRequest{Session: d.session})
		if err != nil {
			d.b.Fatal(err)
		}
		n := usedIn(r.GetVerdict().GetAssessment().GetManoeuvres())
		if n > before {
			events = append(events, event{i, n})
		}
		before = n
	}
	return events
}

// BenchmarkLiveVerdict drives the van's drive in its own time for a second and a half before each moment at which one more
// manoeuvre counts, as fast as can be in between, and reports the time from sending the batch that decides it to what rests on it: the verdict and the progress told to one who
// watches, and the answer to one who asks. Once alone, and once beside 200 sessions that stream 50 samples a second each and are
// watched too.
func BenchmarkLiveVerdict(b *testing.B) {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Minute)
	defer cancel()
	events := serve(b).dial().drive(ctx, b).events(ctx)
	for _, others := range []int{0, 200} {
		b.Run(fmt.Sprintf("others=%d", others), func(b *testing.B) {
			for range b.N {
				s := serve(b)
				captures := s.captures(ctx, b, others)
				s.watch(ctx, b, captures)
				var load sync.WaitGroup
				load.Go(func() { s.stream(ctx, b, captures, 2*len(events)) })
				watched := s.dial().drive(ctx, b).watchedAt(ctx, events)
				load.Wait()
				for name, all := range map[string][]time.Duration{"verdict": watched.verdict, "progress": watched.progress, "ask": watched.asked} {
					slices.Sort(all)
					b.ReportMetric(float64(all[len(all)/2].Microseconds())/1000, name+"-p50-ms")
					b.ReportMetric(float64(all[len(all)-1].Microseconds())/1000, name+"-max-ms")
				}
				b.ReportMetric(float64(len(events)), "manoeuvres")
				b.ReportMetric(0, "ns/op")
			}
		})
	}
}

// delays are what passed from sending a deciding batch to what rests on it.
type delays struct{ verdict, progress, asked []time.Duration }

// seen is how many manoeuvres a watcher was told of, and when.
type seen struct {
	used int
	at   time.Time
}

// follow receives until the stream ends.
func follow[M any](stream grpc.ServerStreamingClient[M], used func(*M) int) <-chan seen {
	told := make(chan seen, 10_000) // More than a drive has; nobody waits for those who count.
	go func() {
		defer close(told)
		for {
			m, err := stream.Recv()
			if err != nil {
				return
			}
			told <- seen{used(m), time.Now()}
		}
	}()
	return told
}

// first gives the time at which at least so many were told.
func first(told <-chan seen, used int) time.Time {
	for s := range told {
		if s.used >= used {
			return s.at
		}
	}
	return time.Time{}
}

// watchedAt drives through the events with somebody who watches.
func (d *livedrive) watchedAt(ctx context.Context, events []event) (out delays) {
	d.b.Helper()
	watch := must(d.verdicts.WatchVerdict(ctx, &pb.WatchVerdictRequest{Session: d.session}))(d.b)
	progress := must(d.sessions.WatchProgress(ctx, &pb.WatchProgressRequest{Session: d.session}))(d.b)
	verdicts := follow(watch, func(r *pb.WatchVerdictResponse) int { return usedIn(r.GetVerdict().GetAssessment().GetManoeuvres()) })
	states := follow(progress, func(r *pb.WatchProgressResponse) int { return usedIn(r.GetProgress().GetManoeuvres()) })
	for _, e := range events {
		sent := d.until(e.batch)
		d.push(e.batch + 1)
		r, err := d.verdicts.AssessSession(ctx, &pb.AssessSessionRequest{Session: d.session})
		if n := usedIn(r.GetVerdict().GetAssessment().GetManoeuvres()); err != nil || n < e.used {
			d.b.Fatalf("%d manoeuvres count, want %d (%v)", n, e.used, err)
		}
		out.asked = append(out.asked, time.Since(sent))
		out.verdict = append(out.verdict, first(verdicts, e.used).Sub(sent))
		out.progress = append(out.progress, first(states, e.used).Sub(sent))
	}
	if slices.Min(out.verdict) < 0 || slices.Min(out.progress) < 0 {
		d.b.Fatal("a watcher was not told of all")
	}
	return out
}

// until drives up to a batch, the last 1.6 s in their own time, and gives the time when that batch is due.
func (d *livedrive) until(batch int) time.Time {
	d.push(max(d.sent, batch-8))
	start, from := time.Now(), d.batches[d.sent].GetBaseTimeUs()
	for {
		due := start.Add(time.Duration(d.batches[d.sent].GetBaseTimeUs()-from) * time.Microsecond)
		time.Sleep(time.Until(due))
		if d.sent == batch {
			return time.Now()
		}
		d.push(d.sent + 1)
	}
}
