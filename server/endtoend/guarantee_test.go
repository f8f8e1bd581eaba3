// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package endtoend

import (
	"context"
	"errors"
	"io"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

// await receives until a sequence is acknowledged, or the stream's end.
func await(stream pushStream, sequence int64) error {
	for {
		r, err := stream.Recv()
		if err != nil || r.GetAcknowledged().GetLastSequence() >= sequence {
			return err
		}
	}
}

// wantRefusal checks status, reason and the names and numbers that go with it.
func wantRefusal(t *testing.T, err error, code codes.Code, reason string, metadata map[string]string) {
	t.Helper()
	st := status.Convert(err)
	t.Logf("%s: %s %v", st.Code(), st.Message(), st.Details())
	var info *errdetails.ErrorInfo
	for _, d := range st.Details() {
		if i, ok := d.(*errdetails.ErrorInfo); ok {
			info = i
		}
	}
	if st.Code() != code || info.GetReason() != reason || info.GetDomain() != "airassay.dev" {
		t.Fatalf("%s, %s of %s; want %s, %s", st.Code(), info.GetReason(), info.GetDomain(), code, reason)
	}
	for name, want := range metadata {
		if got := info.GetMetadata()[name]; got != want && (want != "*" || got == "") {
			t.Errorf("%s is %q, want %q; there are %v", name, got, want, slices.Sorted(maps.Keys(info.GetMetadata())))
		}
	}
}

// pushed opens a capture in a new session and pushes the first of its batches.
func pushed(t *testing.T, a *api, vehicle string) (string, pushStream, *pb.PushOpened) {
	t.Helper()
	capture := must(a.capture(within(t), vehicle))(t)
	stream, opened, err := a.open(within(t), capture, 0)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(stream.Send(inBatch(batch(1, 20, 0))), await(stream, 1)); err != nil {
		t.Fatal(err)
	}
	return capture, stream, opened
}

// The refusals must be the same for what is in the server's memory and for what it has only on disk.
func TestRefusalsOfAPushAreTheSameBeforeAndAfterAKill(t *testing.T) {
	s := serve(t)
	a := s.dial()
	vehicle := must(a.vehicle(within(t)))(t)
	other := batch(1, 20, 1)
	early := batch(2, 20, 0)
	early.BaseTimeUs = -1
	longer := batch(2, 10_001, 0)
	for name, c := range map[string]struct {
		send     *pb.SampleBatch
		code     codes.Code
		reason   string
		metadata map[string]string
	}{
		"repeat with other bytes": {other, codes.Aborted, "BATCH_CONFLICT", map[string]string{"sequence": "1"}},
		"gap":                     {batch(3, 20, 0), codes.OutOfRange, "SEQUENCE_GAP", map[string]string{"sequence": "3", "expected_sequence": "2"}},
		"time before the session": {early, codes.OutOfRange, "TIME_OUT_OF_SESSION", map[string]string{"sequence": "2", "time_us": "-1", "earliest_us": "0", "latest_us": "*"}},
		"oversize batch":          {longer, codes.ResourceExhausted, "BATCH_TOO_LARGE", map[string]string{"sequence": "2", "samples": "10001", "max_samples": "10000", "bytes": "*", "max_bytes": "*"}},
	} {
		t.Run(name, func(t *testing.T) {
			capture, stream, opened := pushed(t, a, vehicle)
			refusedThenGoesOn := func(stream pushStream) {
				t.Helper()
				_ = stream.Send(inBatch(c.send)) // Receiving tells.
				wantRefusal(t, await(stream, 9), c.code, c.reason, c.metadata)
			}
			refusedThenGoesOn(stream)
			s.kill()
			if err := s.start(); err != nil {
				t.Fatal(err)
			}
			stream, resumed, err := a.open(within(t), capture, opened.GetWriterEpoch())
			if err != nil || resumed.GetLastSequence() != 1 || resumed.GetWriterEpoch() != opened.GetWriterEpoch() {
				t.Fatalf("resumed at %v (%v)", resumed, err)
			}
			refusedThenGoesOn(stream)
			stream, _, err = a.open(within(t), capture, opened.GetWriterEpoch())
			if err != nil {
				t.Fatal(err)
			}
			// A repeat is absorbed, and the writer goes on behind it.
			if err := errors.Join(stream.Send(inBatch(batch(1, 20, 0))), stream.Send(inBatch(batch(2, 20, 0))), await(stream, 2), stream.CloseSend()); err != nil {
				t.Error(err)
			}
			wantStored(t, a, capture, batch(1, 20, 0), batch(2, 20, 0))
		})
	}
}

// wantStored finishes a capture and checks that it holds these batches and no others.
func wantStored(t *testing.T, a *api, capture string, want ...*pb.SampleBatch) {
	t.Helper()
	must(a.sessions.FinishCapture(within(t), &pb.FinishCaptureRequest{Name: capture}))(t)
	stream := must(a.sessions.WatchSamples(within(t), &pb.WatchSamplesRequest{Capture: capture}))(t)
	for _, b := range want {
		if r, err := stream.Recv(); err != nil || !proto.Equal(r.GetBatch(), b) {
			t.Fatalf("got %v (%v), want batch %d", r, err, b.GetSequence())
		}
	}
	if r, err := stream.Recv(); !errors.Is(err, io.EOF) {
		t.Errorf("after the last batch: %v (%v)", r, err)
	}
}

func TestAnOlderWriterIsFencedOffBeforeAndAfterAKill(t *testing.T) {
	s := serve(t)
	a := s.dial()
	capture, older, first := pushed(t, a, must(a.vehicle(within(t)))(t))
	newer, second, err := a.open(within(t), capture, 0)
	if err != nil || second.GetWriterEpoch() <= first.GetWriterEpoch() || second.GetLastSequence() != 1 {
		t.Fatalf("the newer writer opened at %v (%v), the older at %v", second, err, first)
	}
	_ = older.Send(inBatch(batch(2, 20, 7))) // Receiving tells.
	wantRefusal(t, await(older, 2), codes.Aborted, "WRITER_FENCED", nil)
	if err := errors.Join(newer.Send(inBatch(batch(2, 20, 0))), await(newer, 2)); err != nil {
		t.Fatal(err)
	}
	fenced := map[string]string{"writer_epoch": "1", "current_epoch": "2"}
	_, _, err = a.open(within(t), capture, first.GetWriterEpoch())
	wantRefusal(t, err, codes.Aborted, "WRITER_FENCED", fenced)
	s.kill()
	if err := s.start(); err != nil {
		t.Fatal(err)
	}
	_, _, err = a.open(within(t), capture, first.GetWriterEpoch())
	wantRefusal(t, err, codes.Aborted, "WRITER_FENCED", fenced)
	newer, resumed, err := a.open(within(t), capture, second.GetWriterEpoch())
	if err != nil || resumed.GetLastSequence() != 2 {
		t.Fatalf("the newer writer resumed at %v (%v)", resumed, err)
	}
	if err := errors.Join(newer.Send(inBatch(batch(3, 20, 0))), await(newer, 3), newer.CloseSend()); err != nil {
		t.Error(err)
	}
	wantStored(t, a, capture, batch(1, 20, 0), batch(2, 20, 0), batch(3, 20, 0))
}

func TestWhatIsNotThereIsNamed(t *testing.T) {
	a := serve(t).dial()
	const nobodys = "sessions/nobodys"
	_, _, err := a.open(within(t), nobodys+"/captures/x", 0)
	wantRefusal(t, err, codes.NotFound, "NOT_FOUND", nil)
	_, err = a.sessions.GetSession(within(t), &pb.GetSessionRequest{Name: nobodys})
	wantRefusal(t, err, codes.NotFound, "NOT_FOUND", nil)
	_, err = a.verdicts.AssessSession(within(t), &pb.AssessSessionRequest{Session: nobodys})
	wantRefusal(t, err, codes.NotFound, "NOT_FOUND", nil)
}

// pushAll pushes n batches and gives the time until the last one is durable.
func pushAll(ctx context.Context, a *api, capture string, n, samples int) (time.Duration, error) {
	stream, _, err := a.open(ctx, capture, 0)
	if err != nil {
		return 0, err
	}
	start := time.Now()
	sent := make(chan error, 1)
	go func() {
		for i := range n {
			if err := stream.Send(inBatch(batch(int64(i+1), samples, 0))); err != nil {
				sent <- err
				return
			}
		}
		sent <- nil
	}()
	err = await(stream, int64(n))
	took := time.Since(start)
	return took, errors.Join(err, <-sent, stream.CloseSend())
}

// Watchers that never read fill their windows and stay: the writer must come through all the same. What an assay costs
// that runs because somebody watches it is no waiting, and is shown apart.
func TestWatchersThatNeverReadDoNotHoldTheWriterUp(t *testing.T) {
	a := serve(t).dial()
	vehicle := must(a.vehicle(within(t)))(t)
	const batches, samples = 1000, 500 // Some 6 MB, far beyond the window of any stream.
	for _, c := range []struct {
		name             string
		samples, verdict int
	}{{"nobody watches", 0, 0}, {"20 watch the samples", 20, 0}, {"one watches the verdict", 0, 1}, {"20 watch samples, progress and verdict", 20, 20}} {
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		capture := must(a.capture(ctx, vehicle))(t)
		session, _, _ := strings.Cut(capture, "/captures/")
		for range c.samples {
			must(a.sessions.WatchSamples(ctx, &pb.WatchSamplesRequest{Capture: capture}))(t)
		}
		for range c.verdict {
			must(a.sessions.WatchProgress(ctx, &pb.WatchProgressRequest{Session: session}))(t)
			must(a.verdicts.WatchVerdict(ctx, &pb.WatchVerdictRequest{Session: session}))(t)
		}
		took, err := pushAll(ctx, a, capture, batches, samples)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
		}
		t.Logf("%s and none reads: %.0f durable samples/s", c.name, batches*samples/took.Seconds())
		cancel()
	}
}
