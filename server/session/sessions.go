// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/store"
)

func sessionOf(f store.Fact) (*pb.Session, error) {
	s := new(pb.Session)
	err := decode(sessionName(f.ID), f, s)
	s.Etag = etagOf(f)
	return s, err
}

func sessionFact(k key, s *pb.Session) (store.Fact, error) {
	s.Name, s.Etag = k.name(), ""
	state := stateOpen
	if s.GetState() == pb.SessionState_SESSION_STATE_CLOSED {
		state = stateClosed
	}
	vehicle, err := topID("session.vehicle", "vehicles", s.GetVehicle())
	if err != nil {
		return store.Fact{}, err
	}
	blob, err := encode(s)
	return store.Fact{Key: k.session(), Parent: vehicle, Reference: s.GetExternalReference(), State: state, Blob: blob}, err
}

// CreateSession opens a session and keeps the facts of its vehicle as they are now. A repeat with
// the same requestID and body gives the session of the first call, as it is now. Errors:
// ErrInvalid, ErrNotFound for the vehicle, ErrRequestIDReused.
func (m *Manager) CreateSession(ctx context.Context, shop string, s *pb.Session, requestID string) (*pb.Session, error) {
	if err := m.begin(); err != nil {
		return nil, err
	}
	defer m.tasks.Done()
	s = callers(s)
	r, err := newRequest(shop, "CreateSession", requestID, s)
	if err != nil {
		return nil, err
	}
	id, err := m.recall(ctx, r)
	if err != nil {
		return nil, err
	}
	if id == "" {
		made, before, err := m.createSession(ctx, shop, s, r)
		if err != nil || before == "" {
			return made, err
		}
		id = before
	}
	s, _, err = m.session(ctx, key{shop, id})
	return s, err
}

func (m *Manager) createSession(ctx context.Context, shop string, s *pb.Session, r *request) (made *pb.Session, before string, err error) {
	if err := check(s); err != nil {
		return nil, "", err
	}
	vehicle, err := topID("session.vehicle", "vehicles", s.GetVehicle())
	if err != nil {
		return nil, "", err
	}
	// So that the vehicle is not deleted in between: it has no session yet that would keep it.
	m.deleting.RLock()
	defer m.deleting.RUnlock()
	v, vf, err := m.vehicle(ctx, shop, vehicle)
	if err != nil {
		return nil, "", err
	}
	k := key{shop, newID()}
	s.VehicleSnapshot, s.State = v, pb.SessionState_SESSION_STATE_OPEN
	if err := m.checkReferences(ctx, shop, s); err != nil {
		return nil, "", err
	}
	s.StartTime = timestamppb.New(m.now())
	s.UpdateTime = s.GetStartTime()
	fact, err := sessionFact(k, s)
	if err != nil {
		return nil, "", err
	}
	f, before, err := m.create(ctx, r, k.id, store.Change{Expect: []store.Fact{{Key: vf.Key}}, Create: []store.Fact{fact}})
	if err != nil || before != "" {
		return nil, before, m.explain(k.name(), err)
	}
	made, err = sessionOf(f)
	return made, "", err
}

func (m *Manager) session(ctx context.Context, k key) (*pb.Session, store.Fact, error) {
	f, err := m.store.Get(ctx, k.session())
	if err != nil {
		return nil, f, m.explain(k.name(), err)
	}
	s, err := sessionOf(f)
	return s, f, err
}

// GetSession reads a session, or gives ErrNotFound.
func (m *Manager) GetSession(ctx context.Context, shop, name string) (*pb.Session, error) {
	if err := m.begin(); err != nil {
		return nil, err
	}
	defer m.tasks.Done()
	id, err := topID("name", "sessions", name)
	if err != nil {
		return nil, err
	}
	s, _, err := m.session(ctx, key{shop, id})
	return s, err
}

// ListSessions lists sessions in the order of their creation, and gives the next page's token. The
// filter takes vehicle, state and external_reference. Errors: ErrInvalid, ErrPageToken.
func (m *Manager) ListSessions(ctx context.Context, shop string, o ListOptions) ([]*pb.Session, string, error) {
	if err := m.begin(); err != nil {
		return nil, "", err
	}
	defer m.tasks.Done()
	terms, err := parseFilter(o.Filter, "vehicle", "state", "external_reference")
	if err != nil {
		return nil, "", err
	}
	q := store.Query{Shop: shop, Kind: kindSession, State: terms["state"].value, Reference: terms["external_reference"].value}
	if t, given := terms["vehicle"]; given {
		if q.Parent, err = topID("filter", "vehicles", t.value); err != nil {
			return nil, "", err
		}
	}
	if t, given := terms["state"]; given && t.value != stateOpen && t.value != stateClosed {
		return nil, "", invalid(Violation{"filter", fmt.Sprintf("has %s in column %d; expected %s or %s", shown(t.value), t.valueAt, stateOpen, stateClosed)})
	}
	return listAs(ctx, m, q, o, sessionOf)
}

// UpdateSession changes day conditions, confirmations, reference sessions and the external
// reference of an open session; all of them where mask is empty or "*". mask may name fields inside day_conditions.
// Errors: ErrInvalid, ErrNotFound, ErrEtagMismatch, ErrSessionClosed.
func (m *Manager) UpdateSession(ctx context.Context, shop string, s *pb.Session, mask []string) (*pb.Session, error) {
	if err := m.begin(); err != nil {
		return nil, err
	}
	defer m.tasks.Done()
	id, err := topID("session.name", "sessions", s.GetName())
	if err != nil {
		return nil, err
	}
	l := m.acquire(key{shop, id})
	defer l.release()
	leave, err := take(ctx, l.admin)
	if err != nil {
		return nil, err
	}
	defer leave()
	return l.update(ctx, s, mask)
}

// update is UpdateSession; the caller is in admin.
func (l *live) update(ctx context.Context, s *pb.Session, mask []string) (*pb.Session, error) {
	old, f, err := l.m.session(ctx, l.key)
	if err != nil {
		return nil, err
	}
	if err := checkEtag(l.name(), s.GetEtag(), f); err != nil {
		return nil, err
	}
	if old.GetState() == pb.SessionState_SESSION_STATE_CLOSED {
		return nil, sessionClosed(l.name())
	}
	now := proto.CloneOf(old)
	if err := applyMask(now, s, mask, "vehicle"); err != nil {
		return nil, err
	}
	if err := check(now); err != nil {
		return nil, err
	}
	if err := l.m.checkReferences(ctx, l.shop, now); err != nil {
		return nil, err
	}
	now.UpdateTime = timestamppb.New(l.m.now())
	fact, err := sessionFact(l.key, now)
	if err != nil {
		return nil, err
	}
	fact.Version = f.Version
	stored, err := store.Update(ctx, l.m.store, fact)
	if err != nil {
		l.changed(nil, true) // It may have been made all the same.
		return nil, l.m.explain(l.name(), err)
	}
	if now, err = sessionOf(stored); err != nil {
		return nil, err
	}
	l.changed(now, !proto.Equal(old.GetDayConditions(), now.GetDayConditions()) || !slices.Equal(old.GetReferenceSessions(), now.GetReferenceSessions()))
	return proto.CloneOf(now), nil
}

// CloseSession fences all writers off, finishes the captures and freezes the verdict, whose
// name it gives. What writers have queued is still made durable and counts. Closing a closed
// session gives it as it is, with that same name. Errors: ErrInvalid, ErrNotFound.
func (m *Manager) CloseSession(ctx context.Context, shop, name string) (closed *pb.Session, verdict string, err error) {
	if err := m.begin(); err != nil {
		return nil, "", err
	}
	defer m.tasks.Done()
	id, err := topID("name", "sessions", name)
	if err != nil {
		return nil, "", err
	}
	l := m.acquire(key{shop, id})
	defer l.release()
	if err := m.stopSources(ctx, shop, id, ""); err != nil {
		return nil, "", err
	}
	leave, err := take(ctx, l.admin)
	if err != nil {
		return nil, "", err
	}
	defer leave()
	s, f, err := m.session(ctx, l.key)
	if err != nil {
		return nil, "", err
	}
	if s.GetState() == pb.SessionState_SESSION_STATE_CLOSED {
		v, err := l.frozen(ctx)
		return s, v.GetName(), err
	}
	return l.close(ctx, s, f)
}

// close is CloseSession of an open session; the caller is in admin.
func (l *live) close(ctx context.Context, s *pb.Session, f store.Fact) (*pb.Session, string, error) {
	captures, err := l.m.all(ctx, l.shop, kindCapture, l.id)
	if err != nil {
		return nil, "", err
	}
	for _, c := range captures {
		if err := l.endWriter(ctx, captureID(c), sessionClosed(l.name())); err != nil {
			return nil, "", err
		}
	}
	assessment, err := l.final(ctx, len(captures))
	if err != nil {
		return nil, "", err
	}
	// From here on the caller's patience no longer matters: half a closing would help nobody.
	ctx = context.WithoutCancel(ctx)
	v, verdictFact, err := l.newVerdict(assessment)
	if err != nil {
		return nil, "", err
	}
	s.State, s.CloseTime = pb.SessionState_SESSION_STATE_CLOSED, timestamppb.New(l.m.now())
	s.UpdateTime = s.GetCloseTime()
	fact, err := sessionFact(l.key, s)
	if err != nil {
		return nil, "", err
	}
	fact.Version = f.Version
	change := store.Change{Create: []store.Fact{verdictFact}, Update: []store.Fact{fact}}
	if err := l.finishAll(ctx, captures, &change); err != nil {
		return nil, "", err
	}
	applied, err := l.m.store.Apply(ctx, change)
	if err != nil {
		l.changed(nil, true)
		return nil, "", l.m.explain(l.name(), err)
	}
	if s, err = sessionOf(applied.Updated[0]); err != nil {
		return nil, "", err
	}
	l.closed(s)
	return proto.CloneOf(s), v.GetName(), nil
}

// finishAll fences off and finishes what captures are not finished yet.
func (l *live) finishAll(ctx context.Context, captures []store.Fact, change *store.Change) error {
	for _, f := range captures {
		if f.State == stateFinished {
			continue
		}
		id := captureID(f)
		_, err := l.m.store.Tail(ctx, l.chunks(id))
		if err == nil {
			_, err = l.m.store.Open(ctx, l.chunks(id))
		}
		if err != nil && !errors.Is(err, store.ErrNotFound) {
			return l.m.explain(captureName(l.id, id), err)
		}
		finished, err := l.finished(ctx, f)
		if err != nil {
			return err
		}
		change.Update = append(change.Update, finished)
	}
	return nil
}

// closed tells those who wait that the session is closed, and drops the assay: what is asked
// for from now on comes from a replay.
func (l *live) closed(s *pb.Session) {
	l.mu.Lock()
	for _, c := range l.captures {
		c.finished = true
		c.wake()
	}
	l.mu.Unlock()
	l.changed(s, true)
}
