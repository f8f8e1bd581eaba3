// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package push

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"google.golang.org/grpc"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

type pushStream = grpc.BidiStreamingClient[pb.PushSamplesRequest, pb.PushSamplesResponse]

// stream is the life of one stream: opened, batches out, acknowledgements in. It returns nil when
// the writer was closed and everything is acknowledged.
func (w *Writer) stream(ctx context.Context, p *patience) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	// A server that hangs, or a network that swallows everything, gives no error at all. The
	// watchdog makes one when an answer is overdue.
	watchdog := time.AfterFunc(w.o.Answer, func() { cancel(errSilent) })
	defer watchdog.Stop()

	s, err := w.open(ctx, watchdog)
	if err == nil {
		w.tellBack(p)
		err = w.exchange(ctx, cancel, s, watchdog)
	}
	if err != nil && errors.Is(context.Cause(ctx), errSilent) {
		return fmt.Errorf("%w for %s: %w", errSilent, w.o.Answer, err)
	}
	return err
}

// open opens the capture and takes in where to go on.
func (w *Writer) open(ctx context.Context, watchdog *time.Timer) (pushStream, error) {
	s, err := w.client.PushSamples(ctx)
	if err != nil {
		return nil, err
	}
	w.mu.Lock()
	hello := &pb.PushOpen{Capture: w.capture, WriterEpoch: w.epoch}
	w.mu.Unlock()
	// Where sending fails, receiving tells why.
	_ = s.Send(&pb.PushSamplesRequest{Message: &pb.PushSamplesRequest_Open{Open: hello}})
	answer, err := s.Recv()
	if errors.Is(err, io.EOF) {
		return nil, io.ErrUnexpectedEOF
	}
	if err != nil {
		return nil, err
	}
	if answer.GetOpened() == nil {
		return nil, fmt.Errorf("%w: it answered the opening of %s with something else", ErrBroken, w.capture)
	}
	return s, w.resume(answer.GetOpened(), watchdog)
}

// resume forgets what arrived before the break and goes on behind it.
func (w *Writer) resume(o *pb.PushOpened, watchdog *time.Timer) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	last := o.GetLastSequence()
	switch {
	case w.next == 0:
		w.next, w.durable = last+1, last
	case last < w.durable:
		return fmt.Errorf("%w: it acknowledged %s up to batch %d and now has no more than %d; it may run on an old copy of its data", ErrBroken, w.capture, w.durable, last)
	case last >= w.next:
		return fmt.Errorf("%w: it has %s up to batch %d, of which this writer sent no more than %d", ErrBroken, w.capture, last, w.next-1)
	}
	w.epoch = o.GetWriterEpoch()
	w.forget(last)
	w.sent = last
	// A server that only opens captures and dies again does not move the work on.
	w.moved = w.moved || len(w.pending) == 0
	watchdog.Stop()
	w.signal()
	return nil
}

// forget drops, with mu held, the batches up to a sequence that is durable.
func (w *Writer) forget(sequence int64) {
	n := 0
	for n < len(w.pending) && w.pending[n].GetSequence() <= sequence {
		w.held -= len(w.pending[n].GetValue())
		w.stats.Samples += int64(len(w.pending[n].GetValue()))
		w.pending[n] = nil
		n++
	}
	w.stats.Batches += int64(n)
	w.moved = w.moved || n > 0
	w.pending = w.pending[n:]
	w.durable = sequence
}

// tellBack says that a lost connection is back.
func (w *Writer) tellBack(p *patience) {
	away := p.away()
	if away == 0 {
		return
	}
	w.mu.Lock()
	w.stats.Away += p.uncounted()
	durable := w.durable
	w.mu.Unlock()
	w.o.Notify(Event{Away: away, Sequence: durable})
}

// exchange sends batches and takes acknowledgements in, each in a goroutine of its own.
func (w *Writer) exchange(ctx context.Context, cancel context.CancelCauseFunc, s pushStream, watchdog *time.Timer) error {
	received := make(chan error, 1)
	go func() {
		err := w.receive(s, watchdog)
		cancel(nil) // Wakes the sender.
		received <- err
	}()
	sendErr := w.send(ctx, s, watchdog)
	if sendErr != nil && !errors.Is(sendErr, io.EOF) && ctx.Err() == nil {
		// A batch that cannot even be sent; the stream itself knows nothing of it.
		cancel(sendErr)
		<-received //nolint:errcheck // It is no more than the cancellation.
		return sendErr
	}
	// Why a stream ended is told by receiving only.
	return <-received
}

// send sends batches as they come until the writer is closed and everything is acknowledged.
func (w *Writer) send(ctx context.Context, s pushStream, watchdog *time.Timer) error {
	for {
		batch, err := w.take(ctx, watchdog)
		if err != nil {
			return err
		}
		if batch == nil {
			watchdog.Reset(w.o.Answer)
			return s.CloseSend()
		}
		if err := s.Send(&pb.PushSamplesRequest{Message: &pb.PushSamplesRequest_Batch{Batch: batch}}); err != nil {
			return err
		}
	}
}

// take waits for the next batch to send; nil when there will be none.
func (w *Writer) take(ctx context.Context, watchdog *time.Timer) (*pb.SampleBatch, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	unsent := func() bool { return w.sent+1 < w.next }
	if err := w.await(ctx, func() bool { return unsent() || w.closing && len(w.pending) == 0 }); err != nil {
		return nil, err
	}
	if !unsent() {
		return nil, nil //nolint:nilnil // The comment says what it means.
	}
	if w.sent == w.durable {
		watchdog.Reset(w.o.Answer)
	}
	w.sent++
	return w.pending[w.sent-w.durable-1], nil
}

// receive takes acknowledgements in until the stream ends.
func (w *Writer) receive(s pushStream, watchdog *time.Timer) error {
	for {
		answer, err := s.Recv()
		if errors.Is(err, io.EOF) {
			return w.ended()
		}
		if err != nil {
			return err
		}
		if err := w.acknowledge(answer.GetAcknowledged(), watchdog); err != nil {
			return err
		}
	}
}

// ended tells an end that both sides agree on from one that came too early.
func (w *Writer) ended() error {
	if w.complete() {
		return nil
	}
	return io.ErrUnexpectedEOF
}

func (w *Writer) acknowledge(a *pb.PushAcknowledged, watchdog *time.Timer) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	last := a.GetLastSequence()
	if last > w.sent {
		return fmt.Errorf("%w: it acknowledged batch %d of %s, of which this writer sent no more than %d", ErrBroken, last, w.capture, w.sent)
	}
	if last <= w.durable {
		return nil
	}
	w.forget(last)
	if watchdog.Stop(); w.sent > w.durable {
		watchdog.Reset(w.o.Answer)
	}
	w.signal()
	return nil
}
