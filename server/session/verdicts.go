// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session

import (
	"context"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/store"
)

func verdictOf(f store.Fact) (*pb.Verdict, error) {
	session, id, _ := strings.Cut(f.ID, "/")
	v := new(pb.Verdict)
	return v, decode(verdictName(session, id), f, v)
}

// newVerdict makes the fact of a verdict.
func (l *live) newVerdict(a *pb.Assessment) (*pb.Verdict, store.Fact, error) {
	id := newID()
	v := &pb.Verdict{Name: verdictName(l.id, id), CreateTime: timestamppb.New(l.m.now()), Assessment: a}
	blob, err := encode(v)
	return v, store.Fact{Key: l.key.verdict(id), Parent: l.id, Blob: blob}, err
}

// frozen is the verdict that the session was closed with: the first that was stored.
func (l *live) frozen(ctx context.Context) (*pb.Verdict, error) {
	page, err := l.m.store.List(ctx, store.Query{Shop: l.shop, Kind: kindVerdict, Parent: l.id, Limit: 1})
	if err != nil {
		return nil, l.m.explain(l.name(), err)
	}
	if len(page.Facts) == 0 {
		return nil, &Error{Reason: pb.ErrorReason_ERROR_REASON_CORRUPT, Resource: l.name(), Message: "the session is closed but its verdict is not there; restore a copy"}
	}
	return verdictOf(page.Facts[0])
}

// final is the assessment that is stored: with several captures always from a replay.
func (l *live) final(ctx context.Context, captures int) (*pb.Assessment, error) {
	if captures <= 1 {
		o, err := l.assess(ctx)
		return o.assessment, err
	}
	s, err := l.stored(ctx)
	if err != nil {
		return nil, err
	}
	b, err := l.build(ctx, s)
	if err != nil {
		return nil, err
	}
	return l.m.conclude(ctx, b.assay)
}

// AssessSession gives the verdict on all samples that are durable now, without name, time and text.
// Errors: ErrInvalid, ErrNotFound.
func (m *Manager) AssessSession(ctx context.Context, shop, name string) (*pb.Verdict, error) {
	if err := m.begin(); err != nil {
		return nil, err
	}
	defer m.tasks.Done()
	id, err := topID("session", "sessions", name)
	if err != nil {
		return nil, err
	}
	l := m.acquire(key{shop, id})
	defer l.release()
	o, err := l.assess(ctx)
	if err != nil {
		return nil, err
	}
	return &pb.Verdict{Assessment: o.assessment}, nil
}

// GetVerdict reads a stored verdict, without text, or gives ErrNotFound.
func (m *Manager) GetVerdict(ctx context.Context, shop, name string) (*pb.Verdict, error) {
	if err := m.begin(); err != nil {
		return nil, err
	}
	defer m.tasks.Done()
	session, id, err := innerID("name", "verdicts", name)
	if err != nil {
		return nil, err
	}
	return m.verdict(ctx, key{shop, session}, id)
}

func (m *Manager) verdict(ctx context.Context, k key, id string) (*pb.Verdict, error) {
	f, err := m.store.Get(ctx, k.verdict(id))
	if err != nil {
		return nil, m.explain(verdictName(k.id, id), err)
	}
	return verdictOf(f)
}

// ListVerdicts lists the stored verdicts of a session in the order of their creation, without text: the
// one that the session was closed with comes first. Errors: ErrInvalid, ErrNotFound for the session, ErrPageToken.
func (m *Manager) ListVerdicts(ctx context.Context, shop, parent string, o ListOptions) ([]*pb.Verdict, string, error) {
	if err := m.begin(); err != nil {
		return nil, "", err
	}
	defer m.tasks.Done()
	session, err := topID("parent", "sessions", parent)
	if err != nil {
		return nil, "", err
	}
	if _, _, err := m.session(ctx, key{shop, session}); err != nil {
		return nil, "", err
	}
	return listAs(ctx, m, store.Query{Shop: shop, Kind: kindVerdict, Parent: session}, o, verdictOf)
}

// ReassessSession judges a closed session's samples again with this engine and stores another
// verdict. Errors: ErrNotFound, ErrSessionOpen, ErrRequestIDReused.
func (m *Manager) ReassessSession(ctx context.Context, shop, name, requestID string) (*pb.Verdict, error) {
	if err := m.begin(); err != nil {
		return nil, err
	}
	defer m.tasks.Done()
	session, err := topID("session", "sessions", name)
	if err != nil {
		return nil, err
	}
	r, err := newRequest(shop, "ReassessSession", requestID, &pb.ReassessSessionRequest{Session: name})
	if err != nil {
		return nil, err
	}
	id, err := m.recall(ctx, r)
	if err != nil {
		return nil, err
	}
	k := key{shop, session}
	if id == "" {
		made, before, err := m.reassess(ctx, k, r)
		if err != nil || before == "" {
			return made, err
		}
		id = before
	}
	return m.verdict(ctx, k, id)
}

func (m *Manager) reassess(ctx context.Context, k key, r *request) (made *pb.Verdict, before string, err error) {
	l := m.acquire(k)
	defer l.release()
	s, err := l.stored(ctx)
	if err != nil {
		return nil, "", err
	}
	if s.GetState() != pb.SessionState_SESSION_STATE_CLOSED {
		return nil, "", &Error{Reason: pb.ErrorReason_ERROR_REASON_SESSION_OPEN, Resource: k.name(), Message: "the session is open; close it, or ask for its verdict as it stands"}
	}
	b, err := l.build(ctx, s)
	if err != nil {
		return nil, "", err
	}
	assessment, err := m.conclude(ctx, b.assay)
	if err != nil {
		return nil, "", err
	}
	made, fact, err := l.newVerdict(assessment)
	if err != nil {
		return nil, "", err
	}
	_, id, _ := innerID("name", "verdicts", made.GetName())
	_, before, err = m.create(ctx, r, id, store.Change{Expect: []store.Fact{{Key: k.session()}}, Create: []store.Fact{fact}})
	return made, before, m.explain(k.name(), err)
}
