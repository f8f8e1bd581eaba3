// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/store"
)

const (
	// maxQueued and maxQueuedBytes bound what one writer has under way: at 50 samples a second and ten batches a
	// second more than a minute, and never less than one batch.
	maxQueued      = 1024
	maxQueuedBytes = 2 << 20
)

// Writer pushes the batches of one capture. Append may be called by one goroutine,
// Acknowledged by another at the same time, Close by any.
//
// A stream's handler runs two loops. One receives batches and calls Append until the client is
// done or Append fails, then Close. The other calls Acknowledged, sends what it gets to the
// client, and ends the stream with the error that it gets in the end.
type Writer struct {
	// Epoch is this writer's; it resumes the capture later.
	Epoch int64
	// LastSequence was the highest durable sequence when the writer was opened.
	LastSequence int64

	live   *live
	id     string // Of the capture.
	rules  rules
	wake   chan struct{} // Something was queued, or the writer was ended.
	room   chan struct{} // There is room in the queue again, or the writer was ended.
	news   chan struct{} // Something was acknowledged, or the writer is done.
	done   chan struct{} // Closed when nothing more will be stored.
	mu     sync.Mutex
	queue  []queued
	bytes  int   // Of the queue.
	next   int64 // The sequence after the last one queued.
	ended  error // Why nothing more is taken, io.EOF for Close; nil while open.
	acked  int64 // Highest durable sequence.
	repeat int64 // Batches acknowledged, repeats counted; told is what Acknowledged has reported of them.
	told   int64
}

// OpenWriter makes the caller the capture's only writer. Epoch 0 takes the capture over with the next
// epoch. Another epoch resumes, and is kept, as long as it is that of the capture's last writer;
// ErrFenced otherwise. Either way a writer that is still open ends with ErrFenced, after what it has queued
// is durable. Further errors: ErrInvalid, ErrNotFound, ErrSessionClosed, ErrCaptureFinished, and ErrSource for a
// capture that a device feeds.
func (m *Manager) OpenWriter(ctx context.Context, shop, capture string, epoch int64) (*Writer, error) {
	return m.newWriter(ctx, shop, capture, epoch, false)
}

func (m *Manager) newWriter(ctx context.Context, shop, capture string, epoch int64, fromDevice bool) (*Writer, error) {
	if err := m.begin(); err != nil {
		return nil, err
	}
	defer m.tasks.Done()
	session, id, err := innerID("capture", "captures", capture)
	if err != nil {
		return nil, err
	}
	if epoch < 0 {
		return nil, invalid(Violation{"writer_epoch", fmt.Sprintf("is %d; expected 0, or the epoch to resume", epoch)})
	}
	l := m.acquire(key{shop, session})
	w, err := l.openWriter(ctx, id, epoch, fromDevice)
	if err != nil {
		l.release()
		return nil, err
	}
	return w, nil
}

func (l *live) openWriter(ctx context.Context, id string, epoch int64, fromDevice bool) (*Writer, error) {
	leave, err := take(ctx, l.admin)
	if err != nil {
		return nil, err
	}
	defer leave()
	c, s, err := l.writable(ctx, id)
	if err != nil {
		return nil, err
	}
	if fromDevice != (c.GetDevice() != "") {
		return nil, otherSource(c)
	}
	tail, err := l.claim(ctx, id, epoch)
	if err != nil {
		return nil, err
	}
	w := &Writer{
		Epoch: tail.Epoch, LastSequence: tail.Sequence, live: l, id: id,
		rules: rules{capture: c.GetName(), signals: len(c.GetSignals()), start: s.GetStartTime().AsTime()},
		wake:  make(chan struct{}, 1), room: make(chan struct{}, 1), news: make(chan struct{}, 1), done: make(chan struct{}),
		next: tail.Sequence + 1, acked: tail.Sequence,
	}
	if err := l.m.begin(); err != nil {
		return nil, err
	}
	l.mu.Lock()
	at := l.capture(id)
	at.writer, at.durable = w, max(at.durable, tail.Sequence)
	l.mu.Unlock()
	l.m.count(&l.m.writers, 1)
	go w.run()
	if l.m.isClosing() { // It may have begun before the writer could be found.
		w.end(goingDown())
	}
	return w, nil
}

// writable gives a capture that takes batches, and its session.
func (l *live) writable(ctx context.Context, id string) (*pb.Capture, *pb.Session, error) {
	s, err := l.stored(ctx)
	if err != nil {
		return nil, nil, err
	}
	c, _, err := l.readCapture(ctx, id)
	switch {
	case err != nil:
		return nil, nil, err
	case s.GetState() == pb.SessionState_SESSION_STATE_CLOSED:
		return nil, nil, sessionClosed(l.name())
	case c.GetState() == pb.CaptureState_CAPTURE_STATE_FINISHED:
		return nil, nil, captureFinished(c.GetName())
	}
	return c, s, nil
}

// claim fences off whoever writes to the capture now, and gives where it stands.
func (l *live) claim(ctx context.Context, id string, epoch int64) (store.Tail, error) {
	name := captureName(l.id, id)
	if epoch == 0 {
		if err := l.endWriter(ctx, id, fenced(name, 0, 0)); err != nil {
			return store.Tail{}, err
		}
		tail, err := l.m.store.Open(ctx, l.chunks(id))
		return tail, l.m.explain(name, err)
	}
	tail, err := l.m.store.Tail(ctx, l.chunks(id))
	switch {
	case errors.Is(err, store.ErrNotFound):
		return tail, fenced(name, epoch, 0)
	case err != nil:
		return tail, l.m.explain(name, err)
	case tail.Epoch != epoch:
		return tail, fenced(name, epoch, tail.Epoch)
	}
	if err := l.endWriter(ctx, id, fenced(name, epoch, epoch)); err != nil {
		return tail, err
	}
	tail, err = l.m.store.Tail(ctx, l.chunks(id)) // Again: the other writer has stored what it had queued.
	return tail, l.m.explain(name, err)
}

func fenced(capture string, offered, current int64) *Error {
	e := &Error{
		Reason: pb.ErrorReason_ERROR_REASON_WRITER_FENCED, Resource: capture,
		Message: "another writer has taken the capture over; to take it back, open it with epoch 0",
	}
	if current != 0 {
		e = e.with("current_epoch", current)
	}
	return e.with("writer_epoch", offered)
}

func sessionClosed(name string) *Error {
	return &Error{Reason: pb.ErrorReason_ERROR_REASON_SESSION_CLOSED, Resource: name, Message: "the session is closed; open another one"}
}

func captureFinished(name string) *Error {
	return &Error{Reason: pb.ErrorReason_ERROR_REASON_CAPTURE_FINISHED, Resource: name, Message: "the capture is finished; create another one"}
}

func signal(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// Append validates a batch and queues it to be made durable. It returns before that, and blocks while
// too much is queued. The batch belongs to the writer afterwards. Batches that are queued go
// to the store together.
//
// An error other than that of ctx ends the writer: what was queued before is still made
// durable and acknowledged, then Acknowledged gives the same error. Errors: ErrInvalid, ErrBatchTooLarge,
// ErrTimeOutOfSession and ErrGap of this batch; ErrBatchConflict, ErrFenced, ErrSessionClosed,
// ErrCaptureFinished and ErrUnavailable also of earlier ones.
func (w *Writer) Append(ctx context.Context, batch *pb.SampleBatch) error {
	q, err := w.rules.queue(batch, w.live.m.clock())
	if err != nil {
		w.end(err)
		return err
	}
	for {
		full, err := w.offer(q)
		if !full {
			return err
		}
		select {
		case <-w.room:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// offer puts a batch into the queue where there is room.
func (w *Writer) offer(q queued) (full bool, err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	switch {
	case errors.Is(w.ended, io.EOF):
		return false, fmt.Errorf("session: append to a closed writer of %s: %w", w.rules.capture, io.ErrClosedPipe)
	case w.ended != nil:
		return false, w.ended
	case q.chunk.Sequence > w.next:
		w.endLocked(w.gap(q.chunk.Sequence, w.next))
		return false, w.ended
	case len(w.queue) >= maxQueued || w.bytes > 0 && w.bytes+len(q.chunk.Blob) > maxQueuedBytes:
		return true, nil
	}
	w.queue = append(w.queue, q)
	w.bytes += len(q.chunk.Blob)
	w.next = max(w.next, q.chunk.Sequence+1)
	signal(w.wake)
	return false, nil
}

func (w *Writer) gap(offered, expected int64) *Error {
	e := &Error{
		Reason: pb.ErrorReason_ERROR_REASON_SEQUENCE_GAP, Resource: w.rules.capture,
		Message: fmt.Sprintf("batch %d came where %d is next; go on with that one", offered, expected),
	}
	return e.with("sequence", offered).with("expected_sequence", expected)
}

// end makes the writer take no more. The first reason stands.
func (w *Writer) end(reason error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.endLocked(reason)
}

func (w *Writer) endLocked(reason error) {
	if w.ended == nil {
		w.ended = reason
	}
	signal(w.wake)
	signal(w.room)
}

// Acknowledged waits until batches that were appended since the last call are durable and in the assay (repeats
// count), and gives the highest durable sequence. When there will be no more, it gives the error that ended
// the writer, or io.EOF after Close.
func (w *Writer) Acknowledged(ctx context.Context) (int64, error) {
	for {
		// The channel first: what is acknowledged before it closes is seen below.
		done := false
		select {
		case <-w.done:
			done = true
		default:
		}
		w.mu.Lock()
		fresh, acked, ended := w.repeat > w.told, w.acked, w.ended
		w.told = w.repeat
		w.mu.Unlock()
		switch {
		case fresh:
			return acked, nil
		case done:
			return acked, ended
		}
		select {
		case <-w.news:
		case <-w.done:
		case <-ctx.Done():
			return acked, ctx.Err()
		}
	}
}

// Close waits until what is queued is durable, and ends the writer. It gives the error that ended it before, if one
// did. The capture stays open. A second Close gives the same.
func (w *Writer) Close() error {
	w.end(io.EOF)
	<-w.done
	w.mu.Lock()
	defer w.mu.Unlock()
	if errors.Is(w.ended, io.EOF) {
		return nil
	}
	return w.ended
}

// run stores what is queued, group by group, until the writer is ended and the queue empty.
func (w *Writer) run() {
	l := w.live
	defer l.m.tasks.Done()
	defer l.release()
	defer w.leave()
	var group []queued
	for {
		var ended bool
		if group, ended = w.collect(group[:0]); len(group) > 0 {
			if err := w.persist(group); err != nil {
				w.fail(err)
				return
			}
			clear(group)
			continue
		}
		if ended {
			return
		}
		<-w.wake
	}
}

// collect takes adjoining batches from the queue, as many as one append may hold.
func (w *Writer) collect(group []queued) (_ []queued, ended bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	n := 0
	for n < len(w.queue) && (n == 0 || w.queue[n].chunk.Sequence == w.queue[n-1].chunk.Sequence+1) {
		w.bytes -= len(w.queue[n].chunk.Blob)
		n++
	}
	group = append(group, w.queue[:n]...)
	rest := copy(w.queue, w.queue[n:])
	clear(w.queue[rest:])
	w.queue = w.queue[:rest]
	signal(w.room)
	return group, w.ended != nil && rest == 0
}

// persist makes a group durable, feeds it to the assay, and acknowledges it. Where the group as a whole is
// refused, its batches go one by one, so that those before the one at fault are kept.
func (w *Writer) persist(group []queued) error {
	err := w.append(group)
	if err == nil || len(group) == 1 || !refused(err) {
		return err
	}
	for i := range group {
		if err := w.append(group[i : i+1]); err != nil {
			return err
		}
	}
	return nil
}

func refused(err error) bool {
	return errors.Is(err, store.ErrConflict) || errors.Is(err, store.ErrGap) || errors.Is(err, store.ErrInvalid)
}

func (w *Writer) append(group []queued) error {
	chunks := make([]store.Chunk, len(group))
	for i := range group {
		chunks[i] = group[i].chunk
	}
	l := w.live
	ack, err := l.m.store.Append(l.m.ctx, l.chunks(w.id), w.Epoch, chunks...)
	if len(group) == 1 && errors.Is(err, store.ErrConflict) {
		return w.conflict(chunks[0].Sequence, err)
	}
	if err != nil {
		return err
	}
	l.accept(w.id, ack.Sequence, group)
	w.mu.Lock()
	w.acked = max(w.acked, ack.Sequence)
	w.repeat += int64(len(group))
	w.mu.Unlock()
	signal(w.news)
	return nil
}

// fail ends the writer with what the store said; what is still queued is dropped.
func (w *Writer) fail(err error) {
	var gap *store.GapError
	var fence *store.FencedError
	switch {
	case errors.As(err, &gap):
		err = w.gap(gap.Offered, gap.Expected)
	case errors.As(err, &fence):
		err = fenced(w.rules.capture, fence.Offered, fence.Current)
	case errors.Is(err, context.Canceled):
		err = goingDown()
	default:
		err = w.live.m.explain(w.rules.capture, err)
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.ended, w.queue, w.bytes = err, nil, 0
	signal(w.room)
}

func (w *Writer) conflict(sequence int64, err error) *Error {
	e := &Error{
		Reason: pb.ErrorReason_ERROR_REASON_BATCH_CONFLICT, Resource: w.rules.capture,
		Message: fmt.Sprintf("batch %d is stored with other bytes; number new samples on from the last acknowledged batch", sequence), Err: err,
	}
	return e.with("sequence", sequence)
}

// leave gives the capture free for the next writer.
func (w *Writer) leave() {
	w.live.mu.Lock()
	if c := w.live.capture(w.id); c.writer == w {
		c.writer = nil
	}
	w.live.mu.Unlock()
	w.live.m.count(&w.live.m.writers, -1)
	close(w.done)
}

func (m *Manager) isClosing() bool {
	m.gate.RLock()
	defer m.gate.RUnlock()
	return m.closing
}

// Ended reports whether the writer takes nothing more.
func (w *Writer) Ended() bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.ended != nil
}

// Done is closed when nothing more will be stored.
func (w *Writer) Done() <-chan struct{} { return w.done }
