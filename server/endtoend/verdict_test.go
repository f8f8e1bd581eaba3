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

// usedIn counts the manoeuvres that a verdict rests on.
func usedIn(v *pb.Verdict) (n int) {
	for _, m := range v.GetAssessment().GetManoeuvres() {
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
		n := usedIn(r.GetVerdict())
		if n > before {
			events = append(events, event{i, n})
		}
		before = n
	}
	return events
}

// BenchmarkLiveVerdict drives the van's drive in its own time for a second and a half before each moment at which one more
// manoeuvre counts, as fast as can be in between, and reports the time from sending the batch that decides it to the verdict that rests on it: pushed to one who watches, and
// in answer to one who asks. Once alone, and once beside 200 sessions that stream 50 samples a second each and are
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
				asked := watched.asked
				slices.Sort(watched.pushed)
				slices.Sort(asked)
				ms := func(all []time.Duration, i int) float64 { return float64(all[i].Microseconds()) / 1000 }
				b.ReportMetric(ms(watched.pushed, len(watched.pushed)/2), "watch-p50-ms")
				b.ReportMetric(ms(watched.pushed, len(watched.pushed)-1), "watch-max-ms")
				b.ReportMetric(ms(asked, len(asked)/2), "ask-p50-ms")
				b.ReportMetric(ms(asked, len(asked)-1), "ask-max-ms")
				b.ReportMetric(float64(len(events)), "manoeuvres")
				b.ReportMetric(0, "ns/op")
			}
		})
	}
}

// delays are what passed from sending a deciding batch to the verdict.
type delays struct{ pushed, asked []time.Duration }

// watchedAt drives through the events with somebody who watches the verdict.
func (d *livedrive) watchedAt(ctx context.Context, events []event) (out delays) {
	d.b.Helper()
	watch := must(d.verdicts.WatchVerdict(ctx, &pb.WatchVerdictRequest{Session: d.session}))(d.b)
	type seen struct {
		used int
		at   time.Time
	}
	verdicts := make(chan seen, 1000)
	go func() {
		defer close(verdicts)
		for {
			r, err := watch.Recv()
			if err != nil {
				return
			}
			verdicts <- seen{usedIn(r.GetVerdict()), time.Now()}
		}
	}()
	for _, e := range events {
		d.push(max(d.sent, e.batch-8)) // 1.6 s before.
		start, from := time.Now(), d.batches[d.sent].GetBaseTimeUs()
		for d.sent < e.batch {
			due := time.Duration(d.batches[d.sent].GetBaseTimeUs()-from) * time.Microsecond
			time.Sleep(time.Until(start.Add(due)))
			d.push(d.sent + 1)
		}
		time.Sleep(time.Until(start.Add(time.Duration(d.batches[e.batch].GetBaseTimeUs()-from) * time.Microsecond)))
		sent := time.Now()
		d.push(e.batch + 1)
		r, err := d.verdicts.AssessSession(ctx, &pb.AssessSessionRequest{Session: d.session})
		if err != nil || usedIn(r.GetVerdict()) < e.used {
			d.b.Fatalf("%d manoeuvres count, want %d (%v)", usedIn(r.GetVerdict()), e.used, err)
		}
		out.asked = append(out.asked, time.Since(sent))
		for v := range verdicts {
			if v.used >= e.used {
				out.pushed = append(out.pushed, v.at.Sub(sent))
				break
			}
		}
	}
	if len(out.pushed) != len(events) {
		d.b.Fatalf("%d of %d verdicts came", len(out.pushed), len(events))
	}
	return out
}
