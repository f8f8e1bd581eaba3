// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"fmt"
	"math"
	"time"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/examples/roadtest/push"
	"github.com/airassay/airassay/sdk/recording"
)

// roadtest is one run of the program.
type roadtest struct {
	o         *options
	recording *recording.Recording
	batches   []*pb.SampleBatch
	vehicle   *pb.Vehicle
	day       *pb.DayConditions

	vehicles pb.VehicleServiceClient
	sessions pb.SessionServiceClient
	verdicts pb.VerdictServiceClient
	calls    push.Options
	show     *display
	// toldAway is how long the server had been away when the user was last told.
	toldAway time.Duration

	// session and capture are set as soon as they are made or found.
	session *pb.Session
	capture *pb.Capture
}

// drive makes or finds what it takes, pushes, and gives the verdict in the end.
func (r *roadtest) drive(ctx context.Context) (*pb.Verdict, error) {
	start := r.begin
	if r.o.resume != "" {
		start = r.resume
	}
	if err := start(ctx); err != nil {
		return nil, err
	}
	// A program that is killed can say nothing any more, so it says this at once.
	r.show.Notef("the drive is %s; should this end before the verdict, go on with: %s", r.capture.GetName(), r.resumeCommand())
	if r.session.GetState() == pb.SessionState_SESSION_STATE_CLOSED {
		return r.close(ctx)
	}
	watching, stop := context.WithCancel(ctx)
	watched := make(chan struct{})
	name := r.session.GetName() // close replaces r.session while the watcher may still open a stream.
	go func() {
		defer close(watched)
		r.watch(watching, name)
	}()
	defer func() { stop(); <-watched }()
	if err := r.push(ctx); err != nil {
		return nil, err
	}
	verdict, err := r.close(ctx)
	if err == nil {
		letFinish(watched)
	}
	return verdict, err
}

// letFinish lets the last state of the drive be shown; the verdict does not wait for it for long.
func letFinish(watched <-chan struct{}) {
	const most = 2 * time.Second
	timer := time.NewTimer(most)
	defer timer.Stop()
	select {
	case <-watched:
	case <-timer.C:
	}
}

// push pushes what the server does not have yet.
func (r *roadtest) push(ctx context.Context) error {
	if r.capture.GetState() == pb.CaptureState_CAPTURE_STATE_FINISHED {
		return nil
	}
	started := time.Now()
	w, err := push.Open(ctx, r.sessions, r.capture.GetName(), r.calls)
	if err != nil {
		return fmt.Errorf("opening %s: %w", r.capture.GetName(), err)
	}
	// What another writer sent since it was looked at is compared too.
	err = r.compare(ctx, r.capture.GetLastSequence()+1, w.Durable())
	if err == nil {
		err = r.pushAll(ctx, w)
	}
	if err != nil {
		ended, cancel := context.WithCancel(ctx)
		cancel()
		_ = w.Close(ended) // It waits for nothing; the first error is the one to tell.
		return err
	}
	if err := w.Close(ctx); err != nil {
		return err
	}
	r.show.pushed(w.Durable())
	r.summary(w.Stats(), time.Since(started))
	return nil
}

func (r *roadtest) pushAll(ctx context.Context, w *push.Writer) error {
	rest := r.batches[w.Durable():]
	if len(rest) == 0 {
		return nil
	}
	p := pace{speed: float64(r.o.speed), start: time.Now(), fromUS: rest[0].GetBaseTimeUs()}
	for _, b := range rest {
		if err := p.wait(ctx, taken(b)); err != nil {
			return err
		}
		if err := w.Push(ctx, b); err != nil {
			return err
		}
		r.show.pushed(w.Durable())
	}
	return nil
}

// pace tells when a moment of the drive has come.
type pace struct {
	// speed is how many times as fast as recorded; 0 never waits.
	speed float64
	// start is the instant that corresponds to fromUS on the session's axis.
	start  time.Time
	fromUS int64
}

// wait waits until a time of the session's axis has come. Each moment is counted from the start,
// so that delays never add up: after an outage the pushing catches up with the drive.
func (p pace) wait(ctx context.Context, us int64) error {
	if p.speed == 0 {
		return nil
	}
	after := float64(us-p.fromUS) / p.speed * float64(time.Microsecond)
	pause := time.Until(p.start.Add(time.Duration(min(after, math.MaxInt64/2))))
	if pause <= 0 {
		return nil
	}
	timer := time.NewTimer(pause)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return context.Cause(ctx)
	case <-timer.C:
		return nil
	}
}

// close finishes the capture, closes the session and reads the verdict. Each of the three may be
// repeated, here and by another run.
func (r *roadtest) close(ctx context.Context) (*pb.Verdict, error) {
	if r.session.GetState() != pb.SessionState_SESSION_STATE_CLOSED {
		if _, err := push.Call(ctx, r.calls, r.sessions.FinishCapture, &pb.FinishCaptureRequest{Name: r.capture.GetName()}); err != nil {
			return nil, fmt.Errorf("finishing %s: %w", r.capture.GetName(), err)
		}
	}
	closed, err := push.Call(ctx, r.calls, r.sessions.CloseSession, &pb.CloseSessionRequest{Name: r.session.GetName()})
	if err != nil {
		return nil, fmt.Errorf("closing %s: %w", r.session.GetName(), err)
	}
	r.session = closed.GetSession()
	verdict, err := push.Call(ctx, r.calls, r.verdicts.GetVerdict, &pb.GetVerdictRequest{Name: closed.GetVerdict()})
	if err != nil {
		return nil, fmt.Errorf("reading %s: %w", closed.GetVerdict(), err)
	}
	return verdict.GetVerdict(), nil
}

func (r *roadtest) summary(s push.Stats, took time.Duration) {
	text := fmt.Sprintf("%d samples in %d batches are safe on the server, after %s (%.0f samples/s)",
		s.Samples, s.Batches, took.Round(time.Millisecond), float64(s.Samples)/took.Seconds())
	if s.Losses > 0 {
		text += fmt.Sprintf("; times that the connection was lost: %d, for %s together", s.Losses, s.Away.Round(time.Millisecond))
	}
	r.show.Notef("%s", text)
}
