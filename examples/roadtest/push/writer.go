// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package push

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

// Writer pushes the batches of one capture. Its methods may be called from any
// goroutine; batches go out in the order in which Push takes them.
type Writer struct {
	client  pb.SessionServiceClient
	capture string
	o       Options
	stop    context.CancelCauseFunc
	done    chan struct{} // Closed when the writer has ended.

	mu sync.Mutex
	// changed is closed, and replaced, at every change of what follows.
	changed chan struct{}
	// pending are the batches that are not acknowledged, by sequence without holes.
	pending []*pb.SampleBatch
	// held is the number of samples in pending.
	held int
	// next is the sequence that Push takes next; 0 before the capture was opened.
	next int64
	// durable is the highest sequence that the server has acknowledged, sent the
	// highest that went out on the stream that is open.
	durable, sent int64
	// epoch is shown when the capture is opened again; 0 before the first time.
	epoch int64
	// moved is set when the server has moved the work on since the last failure.
	moved   bool
	closing bool
	err     error
	stats   Stats
}

// Stats is what a writer has done.
type Stats struct {
	// Samples and Batches that are durable, of those that this writer took.
	Samples, Batches int64
	// Losses is how often the connection was lost, Away for how long together.
	Losses int
	Away   time.Duration
}

// ErrClosed is a Push after Close.
var ErrClosed = errors.New("the writer is closed")

// Open takes a capture over, sessions/{session}/captures/{capture}: a writer that still
// holds it is refused from then on. It returns when the server has said where to go on.
// The writer ends with Close, with ctx, or with its first error.
//
// Errors are those of gRPC, with a status; *UnreachableError; ErrBroken; or the cause of ctx.
func Open(ctx context.Context, client pb.SessionServiceClient, capture string, o Options) (*Writer, error) {
	w := &Writer{client: client, capture: capture, o: o.withDefaults(), done: make(chan struct{}), changed: make(chan struct{})}
	ctx, w.stop = context.WithCancelCause(ctx)
	go w.run(ctx)
	w.mu.Lock()
	err := w.await(ctx, func() bool { return w.next > 0 })
	w.mu.Unlock()
	if err != nil {
		w.stop(err)
		<-w.done
		return nil, err
	}
	return w, nil
}

// Durable gives the highest sequence that is on the server's disk.
func (w *Writer) Durable() int64 {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.durable
}

// Stats tells what the writer has done so far.
func (w *Writer) Stats() Stats {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.stats
}

// Push takes a batch, which must have the sequence after the one before and must not be
// changed afterwards. It returns before the batch has arrived, and blocks while too
// much is unacknowledged. Once a writer has ended, every Push gives the reason.
func (w *Writer) Push(ctx context.Context, batch *pb.SampleBatch) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	n := len(batch.GetValue())
	room := func() bool { return w.closing || len(w.pending) == 0 || w.held+n <= w.o.Buffer }
	if err := w.await(ctx, room); err != nil {
		return err
	}
	if w.closing {
		return ErrClosed
	}
	if batch.GetSequence() != w.next {
		return fmt.Errorf("batch %d does not follow: expected %d", batch.GetSequence(), w.next)
	}
	w.pending = append(w.pending, batch)
	w.held += n
	w.next++
	w.signal()
	return nil
}

// Close waits until every batch is acknowledged and ends the writer. The capture stays open.
// Where ctx ends first, or the writer has ended with an error, what was not acknowledged is lost
// with the writer; Durable tells what is safe.
func (w *Writer) Close(ctx context.Context) error {
	w.mu.Lock()
	w.closing = true
	w.signal()
	err := w.await(ctx, func() bool { return len(w.pending) == 0 })
	w.mu.Unlock()
	if err != nil {
		w.stop(err)
	}
	<-w.done
	return err
}

// await waits, with mu held, until ready says so, the writer ends with an error, or ctx ends.
func (w *Writer) await(ctx context.Context, ready func() bool) error {
	for w.err == nil && ctx.Err() == nil && !ready() {
		changed := w.changed
		w.mu.Unlock()
		select {
		case <-changed:
		case <-ctx.Done():
		}
		w.mu.Lock()
	}
	if w.err != nil {
		return w.err
	}
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	return nil
}

// signal wakes, with mu held, all who await something.
func (w *Writer) signal() {
	close(w.changed)
	w.changed = make(chan struct{})
}

// run keeps a stream open until all is done or it makes no sense to go on.
func (w *Writer) run(ctx context.Context) {
	defer close(w.done)
	defer w.stop(nil)
	p := newPatience(w.o.Wait)
	for {
		err := w.stream(ctx, p)
		if err == nil || w.complete() {
			return
		}
		if err = w.endure(ctx, p, err); err != nil {
			w.mu.Lock()
			w.err = err
			w.signal()
			w.mu.Unlock()
			return
		}
	}
}

// complete reports whether the writer was closed and everything is acknowledged.
func (w *Writer) complete() bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.closing && len(w.pending) == 0
}

// endure pauses after a stream broke, or gives the error that ends the writer.
func (w *Writer) endure(ctx context.Context, p *patience, err error) error {
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	if w.hasMoved() {
		p.well()
	}
	first := p.since.IsZero()
	pause, gaveUp := p.failed(err)
	if gaveUp != nil {
		return gaveUp
	}
	if first {
		w.mu.Lock()
		w.stats.Losses++
		w.mu.Unlock()
	}
	w.o.Notify(Event{Lost: err, Pause: pause, Away: p.away()})
	return sleep(ctx, pause)
}

// hasMoved reports whether the server has moved the work on since the last call.
func (w *Writer) hasMoved() bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	moved := w.moved
	w.moved = false
	return moved
}
