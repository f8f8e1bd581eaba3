// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session

import (
	"context"
	"errors"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/store"
)

// captureID is the part of a fact's id that follows that of the session.
func captureID(f store.Fact) string {
	_, id, _ := strings.Cut(f.ID, "/")
	return id
}

// captureOf gives a capture without its counts.
func captureOf(f store.Fact) (*pb.Capture, error) {
	session, id, _ := strings.Cut(f.ID, "/")
	c := new(pb.Capture)
	err := decode(captureName(session, id), f, c)
	c.State = pb.CaptureState_CAPTURE_STATE_OPEN
	if f.State == stateFinished {
		c.State = pb.CaptureState_CAPTURE_STATE_FINISHED
	}
	return c, err
}

// CreateCapture declares a stream of samples into a session (parent). Unknown paths are
// accepted. A repeat with the same requestID and body gives the capture of the first call, as it is now.
// Errors: ErrInvalid, ErrNotFound, ErrSessionClosed, ErrWrongUnit, ErrTooMany, ErrRequestIDReused.
func (m *Manager) CreateCapture(ctx context.Context, shop, parent string, c *pb.Capture, requestID string) (*pb.Capture, error) {
	if err := m.begin(); err != nil {
		return nil, err
	}
	defer m.tasks.Done()
	c = callers(c)
	r, err := newRequest(shop, "CreateCapture", requestID, &pb.CreateCaptureRequest{Parent: parent, Capture: c})
	if err != nil {
		return nil, err
	}
	return m.createCapture(ctx, shop, parent, c, r)
}

func (m *Manager) createCapture(ctx context.Context, shop, parent string, c *pb.Capture, r *request) (*pb.Capture, error) {
	session, err := topID("parent", "sessions", parent)
	if err != nil {
		return nil, err
	}
	id, err := m.recall(ctx, r)
	if err != nil {
		return nil, err
	}
	l := m.acquire(key{shop, session})
	defer l.release()
	if id == "" {
		if id, err = l.createCapture(ctx, c, r); err != nil {
			return nil, err
		}
	}
	c, _, err = l.readCapture(ctx, id)
	if err != nil {
		return nil, err
	}
	return c, l.counts(ctx, id, c)
}

// createCapture gives the id of the capture that it has made, or that the request has made before.
func (l *live) createCapture(ctx context.Context, c *pb.Capture, r *request) (string, error) {
	if err := checkCapture(c); err != nil {
		return "", err
	}
	leave, err := take(ctx, l.admin)
	if err != nil {
		return "", err
	}
	defer leave()
	s, f, err := l.m.session(ctx, l.key)
	switch {
	case err != nil:
		return "", err
	case s.GetState() == pb.SessionState_SESSION_STATE_CLOSED:
		return "", sessionClosed(l.name())
	}
	page, err := l.m.store.List(ctx, store.Query{Shop: l.shop, Kind: kindCapture, Parent: l.id, Limit: MaxCaptures})
	if err != nil {
		return "", l.m.explain(l.name(), err)
	}
	if len(page.Facts) >= MaxCaptures {
		e := &Error{Reason: pb.ErrorReason_ERROR_REASON_TOO_MANY_STREAMS, Resource: l.name(), Message: "the session holds as many captures as it may; push into one of them, or open another session"}
		return "", e.with("limit", MaxCaptures)
	}
	id := newID()
	c.Name, c.CreateTime = captureName(l.id, id), timestamppb.New(l.m.now())
	blob, err := encode(c)
	if err != nil {
		return "", err
	}
	fact := store.Fact{Key: l.key.capture(id), Parent: l.id, State: stateOpen, Blob: blob}
	_, before, err := l.m.create(ctx, r, id, store.Change{Expect: []store.Fact{{Key: f.Key, Version: f.Version}}, Create: []store.Fact{fact}})
	l.changed(nil, true)
	if err != nil || before != "" {
		return before, l.m.explain(c.GetName(), err)
	}
	return id, nil
}

// readCapture reads a capture without its counts.
func (l *live) readCapture(ctx context.Context, id string) (*pb.Capture, store.Fact, error) {
	f, err := l.m.store.Get(ctx, l.key.capture(id))
	if err != nil {
		return nil, f, l.m.explain(captureName(l.id, id), err)
	}
	c, err := captureOf(f)
	return c, f, err
}

// counts fills in where a capture stands. The samples of a finished capture are in its fact; those of an open one are
// counted as they come, or once from the store where they came before this process.
func (l *live) counts(ctx context.Context, id string, c *pb.Capture) error {
	tail, err := l.m.store.Tail(ctx, l.chunks(id))
	if errors.Is(err, store.ErrNotFound) {
		return nil
	}
	if err != nil {
		return l.m.explain(c.GetName(), err)
	}
	c.LastSequence, c.WriterEpoch = tail.Sequence, tail.Epoch
	if c.GetState() == pb.CaptureState_CAPTURE_STATE_FINISHED {
		return nil
	}
	c.LastSequence, c.SampleCount, err = l.samples(ctx, id, tail.Sequence)
	return err
}

// samples counts the durable samples of a capture, at least up to a sequence, and tells up to which.
func (l *live) samples(ctx context.Context, id string, upTo int64) (sequence, n int64, err error) {
	l.mu.Lock()
	c := l.captures[id]
	if c != nil {
		sequence, n = c.counted, c.samples
	}
	l.mu.Unlock()
	if sequence >= upTo {
		return sequence, n, nil
	}
	for chunk, err := range l.m.store.Range(ctx, l.chunks(id), sequence+1) {
		if err != nil {
			return 0, 0, l.m.explain(captureName(l.id, id), err)
		}
		sequence, n = chunk.Sequence, n+chunk.Samples
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if at := l.capture(id); sequence > at.counted {
		at.counted, at.samples = sequence, n
	}
	return sequence, n, nil
}

// GetCapture reads a capture with its counts as they are now, or gives ErrNotFound.
func (m *Manager) GetCapture(ctx context.Context, shop, name string) (*pb.Capture, error) {
	if err := m.begin(); err != nil {
		return nil, err
	}
	defer m.tasks.Done()
	session, id, err := innerID("name", "captures", name)
	if err != nil {
		return nil, err
	}
	l := m.acquire(key{shop, session})
	defer l.release()
	c, _, err := l.readCapture(ctx, id)
	if err != nil {
		return nil, err
	}
	m.describeFeed(shop, c)
	return c, l.counts(ctx, id, c)
}

// ListCaptures lists the captures of a session in the order of their creation. Errors: ErrInvalid,
// ErrNotFound for the session, ErrPageToken.
func (m *Manager) ListCaptures(ctx context.Context, shop, parent string, o ListOptions) ([]*pb.Capture, string, error) {
	if err := m.begin(); err != nil {
		return nil, "", err
	}
	defer m.tasks.Done()
	session, err := topID("parent", "sessions", parent)
	if err != nil {
		return nil, "", err
	}
	l := m.acquire(key{shop, session})
	defer l.release()
	if _, _, err := m.session(ctx, l.key); err != nil {
		return nil, "", err
	}
	q := store.Query{Shop: shop, Kind: kindCapture, Parent: session}
	return listAs(ctx, m, q, o, func(f store.Fact) (*pb.Capture, error) {
		c, err := captureOf(f)
		if err != nil {
			return nil, err
		}
		m.describeFeed(shop, c)
		return c, l.counts(ctx, captureID(f), c)
	})
}

// FinishCapture says that the source is done; the device that feeds it is given back. What its writer has queued is made durable, and
// the writer ends with ErrCaptureFinished. Finishing a finished capture gives it as it is.
// Errors: ErrInvalid, ErrNotFound.
func (m *Manager) FinishCapture(ctx context.Context, shop, name string) (*pb.Capture, error) {
	if err := m.begin(); err != nil {
		return nil, err
	}
	defer m.tasks.Done()
	session, id, err := innerID("name", "captures", name)
	if err != nil {
		return nil, err
	}
	l := m.acquire(key{shop, session})
	defer l.release()
	if err := m.stopSources(ctx, shop, session, name); err != nil {
		return nil, err
	}
	leave, err := take(ctx, l.admin)
	if err != nil {
		return nil, err
	}
	defer leave()
	c, f, err := l.readCapture(ctx, id)
	if err != nil {
		return nil, err
	}
	if f.State != stateFinished {
		if f, err = l.finish(ctx, f); err != nil {
			return nil, err
		}
		if c, err = captureOf(f); err != nil {
			return nil, err
		}
	}
	return c, l.counts(ctx, id, c)
}

// finish is FinishCapture of an open capture; the caller is in admin.
func (l *live) finish(ctx context.Context, f store.Fact) (store.Fact, error) {
	id := captureID(f)
	if err := l.endWriter(ctx, id, captureFinished(captureName(l.id, id))); err != nil {
		return f, err
	}
	done, err := l.finished(ctx, f)
	if err != nil {
		return f, err
	}
	if done, err = store.Update(context.WithoutCancel(ctx), l.m.store, done); err != nil {
		return f, l.m.explain(captureName(l.id, id), err)
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	c := l.capture(id)
	c.finished = true
	c.wake()
	return done, nil
}

// finished is the fact of a capture, finished, with the number of its samples. Nobody writes to it any more.
func (l *live) finished(ctx context.Context, f store.Fact) (store.Fact, error) {
	c, err := captureOf(f)
	if err != nil {
		return f, err
	}
	if err := l.counts(ctx, captureID(f), c); err != nil {
		return f, err
	}
	c.State, c.LastSequence, c.WriterEpoch = 0, 0, 0
	f.State = stateFinished
	f.Blob, err = encode(c)
	return f, err
}
