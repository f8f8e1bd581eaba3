// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session

import (
	"context"
	"errors"
	"fmt"
	"strings"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/assay"
)

// MaxReferences is the most reference sessions of one session.
const MaxReferences = assay.MaxReferences

// CompareSessions tells what changed between two closed sessions of one vehicle, by the facts
// of the engine that the session after was created with. Errors: ErrInvalid where they are of
// two vehicles or one and the same, ErrNotFound, ErrSessionOpen.
func (m *Manager) CompareSessions(ctx context.Context, shop, before, after string) (*assay.Comparison, error) {
	if err := m.begin(); err != nil {
		return nil, err
	}
	defer m.tasks.Done()
	b, err := m.closedSession(ctx, shop, "before", before)
	if err != nil {
		return nil, err
	}
	a, err := m.closedSession(ctx, shop, "after", after)
	if err != nil {
		return nil, err
	}
	switch {
	case b.GetName() == a.GetName():
		return nil, invalid(Violation{"after", "is the session before; name two sessions"})
	case b.GetVehicle() != a.GetVehicle():
		return nil, invalid(Violation{"after", fmt.Sprintf("is of %s, and before is of %s; name two sessions of one vehicle", a.GetVehicle(), b.GetVehicle())})
	}
	factsAfter := m.factsOf(a)
	factsBefore := m.factsOf(b)
	// One vehicle has one engine: what was entered last is what is known.
	x, err := m.replayed(ctx, shop, b, assay.ReferenceFacts(factsAfter, factsBefore))
	if err != nil {
		return nil, err
	}
	y, err := m.replayed(ctx, shop, a, factsAfter)
	if err != nil {
		return nil, err
	}
	leave, err := take(ctx, m.judging)
	if err != nil {
		return nil, err
	}
	defer leave()
	return assay.Compare(x, y), nil
}

// closedSession reads a session that must be closed.
func (m *Manager) closedSession(ctx context.Context, shop, field, name string) (*pb.Session, error) {
	id, err := topID(field, "sessions", name)
	if err != nil {
		return nil, err
	}
	s, _, err := m.session(ctx, key{shop, id})
	if err != nil {
		return nil, err
	}
	if s.GetState() != pb.SessionState_SESSION_STATE_CLOSED {
		return nil, &Error{Reason: pb.ErrorReason_ERROR_REASON_SESSION_OPEN, Resource: name, Message: "the session is open; close it first"}
	}
	return s, nil
}

// replayed assays a session's samples by other facts than its own.
func (m *Manager) replayed(ctx context.Context, shop string, s *pb.Session, facts assay.Facts) (*assay.Assay, error) {
	id, err := topID("name", "sessions", s.GetName())
	if err != nil {
		return nil, err
	}
	l := m.acquire(key{shop, id})
	defer l.release()
	b, err := l.buildBy(ctx, facts)
	if err != nil {
		return nil, err
	}
	return b.assay, nil
}

// checkReferences refuses sessions that cannot be references of s.
func (m *Manager) checkReferences(ctx context.Context, shop string, s *pb.Session) error {
	if len(s.GetReferenceSessions()) > MaxReferences {
		return invalid(Violation{"reference_sessions", fmt.Sprintf("has %d entries; expected at most %d", len(s.GetReferenceSessions()), MaxReferences)})
	}
	seen := map[string]bool{}
	for i, name := range s.GetReferenceSessions() {
		field := fmt.Sprintf("reference_sessions[%d]", i)
		if seen[name] || name == s.GetName() && name != "" {
			return invalid(Violation{field, "is there twice, or is the session itself; name earlier sessions, each once"})
		}
		seen[name] = true
		ref, err := m.closedSession(ctx, shop, field, name)
		switch {
		case errors.Is(err, ErrNotFound):
			return invalid(Violation{field, fmt.Sprintf("is %s, which is not there; list the sessions to see what there is", shown(name))})
		case err != nil:
			return err
		case ref.GetVehicle() == s.GetVehicle():
			continue
		}
		tested, own := m.facts(s.GetVehicleSnapshot(), nil), m.facts(ref.GetVehicleSnapshot(), nil)
		if ds := assay.EngineDifferences(tested, own); len(ds) > 0 {
			return invalid(Violation{field, fmt.Sprintf("is of another engine: %s differs; name a session of the same vehicle, or of one with the same engine", strings.Join(ds, " and "))})
		}
	}
	return nil
}

// useReferences lets an assay of s compare with its reference sessions. They are closed, so
// that the same sessions always teach the same. One whose samples are gone is an error.
func (m *Manager) useReferences(ctx context.Context, shop string, s *pb.Session, a *assay.Assay) error {
	tested := m.factsOf(s)
	vehicles := map[string]int{s.GetVehicle(): 0}
	for i, name := range s.GetReferenceSessions() {
		ref, err := m.closedSession(ctx, shop, fmt.Sprintf("reference_sessions[%d]", i), name)
		if err != nil {
			return err
		}
		vehicle, known := vehicles[ref.GetVehicle()]
		if !known {
			vehicle = len(vehicles)
			vehicles[ref.GetVehicle()] = vehicle
		}
		own := m.factsOf(ref)
		drive, err := m.replayed(ctx, shop, ref, assay.ReferenceFacts(tested, own))
		if err != nil {
			return err
		}
		if err := a.Use(drive.AsReference(vehicle)); err != nil {
			return &Error{Reason: pb.ErrorReason_ERROR_REASON_INTERNAL, Resource: s.GetName(), Message: "a reference cannot be used", Err: err}
		}
	}
	return nil
}
