// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session

import (
	"context"
	"fmt"
	"iter"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/store"
)

// WatchSamples yields the batches of a capture from a sequence on (0 for the first), then live. It
// reads from the store: a slow body lags but misses nothing, and no writer waits for it. It ends
// when the capture is finished, or its session closed, and all was yielded. An error is yielded once
// and ends it: ErrInvalid, ErrNotFound, ErrUnavailable, ErrCorrupt, or that of ctx.
func (m *Manager) WatchSamples(ctx context.Context, shop, capture string, start int64) iter.Seq2[*pb.SampleBatch, error] {
	return func(yield func(*pb.SampleBatch, error) bool) {
		session, id, err := innerID("capture", "captures", capture)
		if err == nil && (start < 0 || start > store.MaxSequence) {
			err = invalid(Violation{"start_sequence", fmt.Sprintf("is %d; expected 0 to %d", start, int64(store.MaxSequence))})
		}
		if err == nil {
			err = m.watching(key{shop, session}, func(l *live) error { return l.watchSamples(ctx, id, max(1, start), yield) })
		}
		if err != nil {
			yield(nil, err)
		}
	}
}

// watching runs body with the session in memory, and counts it.
func (m *Manager) watching(k key, body func(*live) error) error {
	if err := m.begin(); err != nil {
		return err
	}
	defer m.tasks.Done()
	l := m.acquire(k)
	defer l.release()
	m.count(&m.watchers, 1)
	defer m.count(&m.watchers, -1)
	return body(l)
}

func (l *live) watchSamples(ctx context.Context, id string, next int64, yield func(*pb.SampleBatch, error) bool) error {
	for {
		// What becomes durable after this is noticed below; what did before is read now.
		changed, finished := l.changes(id)
		c, _, err := l.readCapture(ctx, id)
		if err != nil {
			return err
		}
		for b, err := range l.batches(ctx, id, next) {
			if err != nil {
				return err
			}
			if !yield(b, nil) {
				return nil
			}
			next = b.GetSequence() + 1
			if l.m.isClosing() {
				return goingDown()
			}
		}
		if finished || c.GetState() == pb.CaptureState_CAPTURE_STATE_FINISHED {
			return nil
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return ctx.Err()
		case <-l.m.stop:
			return goingDown()
		}
	}
}

// changes gives a channel that is closed at the next change of a capture.
func (l *live) changes(id string) (changed <-chan struct{}, finished bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	c := l.capture(id)
	if c.changed == nil {
		c.changed = make(chan struct{})
	}
	return c.changed, c.finished
}

// ProgressState is one state of a drive.
type ProgressState struct {
	// Progress is the watcher's own to fill in the prompt; what it points to is shared and must not be changed.
	Progress *pb.SessionProgress
	// ConfirmationMissing is set where a full-load pull would be asked for and is held back, because neither a
	// second person nor a dynamometer was confirmed.
	ConfirmationMissing bool
	// Closed is set in the last state, that of the closed session.
	Closed bool
	// Dropped is the number of states that this watcher missed since the one before, being too slow.
	Dropped int64
}

// WatchProgress yields how far a drive has come, at once and then with every change, at most ten
// times a second; a slow body gets the newest state. It ends after the state of the closed session.
// An error is yielded once and ends it: ErrInvalid, ErrNotFound, ErrUnavailable, ErrCorrupt, or that of ctx.
func (m *Manager) WatchProgress(ctx context.Context, shop, session string) iter.Seq2[ProgressState, error] {
	return func(yield func(ProgressState, error) bool) {
		err := m.watchStates(ctx, shop, session, false, func(s *state, dropped int64) bool {
			return yield(ProgressState{Progress: ofOne(s.progress), ConfirmationMissing: s.held, Closed: s.closed, Dropped: dropped}, nil)
		})
		if err != nil {
			yield(ProgressState{}, err)
		}
	}
}

// VerdictState is one state of a verdict.
type VerdictState struct {
	// Verdict is the watcher's own to fill in the text; its assessment is shared and must not be
	// changed. It has a name and a time only in the last state, that of the closed session.
	Verdict *pb.Verdict
	// Dropped is the number of states that this watcher missed since the one before, being too slow.
	Dropped int64
}

// WatchVerdict yields the verdict at once and whenever samples have changed it, at most four times a
// second; a slow body gets the newest. It ends after the frozen verdict of the closed session. An error
// is yielded once and ends it: ErrInvalid, ErrNotFound, ErrUnavailable, ErrCorrupt, or that of ctx.
func (m *Manager) WatchVerdict(ctx context.Context, shop, session string) iter.Seq2[VerdictState, error] {
	return func(yield func(VerdictState, error) bool) {
		err := m.watchStates(ctx, shop, session, true, func(s *state, dropped int64) bool {
			own := &pb.Verdict{Name: s.verdict.GetName(), CreateTime: s.verdict.GetCreateTime(), Assessment: s.verdict.GetAssessment()}
			return yield(VerdictState{Verdict: own, Dropped: dropped}, nil)
		})
		if err != nil {
			yield(VerdictState{}, err)
		}
	}
}

// watchStates gives a session's states to body until it returns false or the session is closed.
func (m *Manager) watchStates(ctx context.Context, shop, session string, verdicts bool, body func(*state, int64) bool) error {
	id, err := topID("session", "sessions", session)
	if err != nil {
		return err
	}
	return m.watching(key{shop, id}, func(l *live) error {
		if _, err := l.stored(ctx); err != nil {
			return err
		}
		w := l.hub.join(verdicts) //nolint:contextcheck // the pump works for all watchers and outlives this one
		defer l.hub.leave(w)
		for {
			s, dropped, err := w.take(ctx, m.stop)
			if err != nil {
				return err
			}
			if !body(s, dropped) || s.closed {
				return nil
			}
		}
	})
}
