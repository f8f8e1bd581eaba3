// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"

	"google.golang.org/protobuf/proto"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/store"
)

var deterministic = proto.MarshalOptions{Deterministic: true}

// encode makes the blob of a fact.
func encode(m proto.Message) ([]byte, error) {
	blob, err := deterministic.Marshal(m)
	if err != nil {
		return nil, &Error{Reason: pb.ErrorReason_ERROR_REASON_INTERNAL, Message: "the message cannot be encoded", Err: err}
	}
	return blob, nil
}

// decode reads the blob of a fact.
func decode(resource string, f store.Fact, into proto.Message) error {
	if err := proto.Unmarshal(f.Blob, into); err != nil {
		return &Error{Reason: pb.ErrorReason_ERROR_REASON_CORRUPT, Resource: resource, Message: "what is stored cannot be read; restore a copy", Err: err}
	}
	return nil
}

// explain turns an error of the store into one of this package. Those of the context and of
// this package pass.
func (m *Manager) explain(resource string, err error) error {
	var known *Error
	switch {
	case err == nil, errors.As(err, &known), errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		return err
	case errors.Is(err, store.ErrNotFound):
		return notFound(resource)
	}
	m.log.Error("the store refused", "resource", resource, "error", err)
	e := &Error{Reason: pb.ErrorReason_ERROR_REASON_INTERNAL, Resource: resource, Message: "the server has a defect", Err: err}
	switch {
	case errors.Is(err, store.ErrCorrupt):
		e.Reason, e.Message = pb.ErrorReason_ERROR_REASON_CORRUPT, "what is stored is damaged; restore a copy"
	case errors.Is(err, store.ErrFull):
		e.Reason, e.Message = pb.ErrorReason_ERROR_REASON_UNAVAILABLE, "the store is full; make room and come back"
	case errors.Is(err, store.ErrUnavailable), errors.Is(err, store.ErrClosed):
		e.Reason, e.Message = pb.ErrorReason_ERROR_REASON_UNAVAILABLE, "the store does not answer; come back in a moment"
	}
	return e
}

func notFound(resource string) *Error {
	return &Error{Reason: pb.ErrorReason_ERROR_REASON_NOT_FOUND, Resource: resource, Message: "there is nothing with this name; list to see what there is"}
}

func invalid(violations ...Violation) *Error {
	return &Error{Reason: pb.ErrorReason_ERROR_REASON_INVALID_FIELD, Violations: violations}
}

func staleEtag(resource, offered string) *Error {
	return (&Error{
		Reason: pb.ErrorReason_ERROR_REASON_ETAG_MISMATCH, Resource: resource,
		Message: "it has changed since this etag was read; read it again, then decide",
	}).withWord("etag", offered)
}

// checkEtag refuses an etag that is not the current one; an empty one is any.
func checkEtag(resource, offered string, f store.Fact) error {
	if offered != "" && offered != etagOf(f) {
		return staleEtag(resource, offered)
	}
	return nil
}

// request is one call that may be repeated. Its digest is stored with what it made, so that the same
// id with another body is told apart: the store is asked by id alone.
type request struct {
	stored store.Request
	digest string
}

// maxRequestID bounds what is kept of a request; a UUID has 36 characters.
const maxRequestID = 100

// newRequest identifies a call; nil where the caller gave no id.
func newRequest(shop, method, id string, body ...proto.Message) (*request, error) {
	if id == "" {
		return nil, nil //nolint:nilnil // no request is what the caller asked for
	}
	if len(id) > maxRequestID {
		return nil, invalid(Violation{"request_id", fmt.Sprintf("has %d bytes, at most %d are taken", len(id), maxRequestID)})
	}
	hash := sha256.New()
	for _, part := range body {
		blob, err := encode(part)
		if err != nil {
			return nil, err
		}
		hash.Write(fmt.Appendf(nil, "%d\n", len(blob)))
		hash.Write(blob)
	}
	return &request{
		stored: store.Request{Shop: shop, Method: method, ID: strings.ToLower(id)},
		digest: hex.EncodeToString(hash.Sum(nil)),
	}, nil
}

// answer is what a remembered response says this request has made.
func (r *request) answer(response string) (id string, err error) {
	digest, id, _ := strings.Cut(response, " ")
	if digest != r.digest {
		return "", (&Error{
			Reason:  pb.ErrorReason_ERROR_REASON_REQUEST_ID_REUSED,
			Message: "this request_id was used for another body; take a new one for a new request",
		}).withWord("request_id", r.stored.ID)
	}
	return id, nil
}

// recall gives the id of what the request has made before, or "".
func (m *Manager) recall(ctx context.Context, r *request) (string, error) {
	if r == nil {
		return "", nil
	}
	response, err := m.store.Recall(ctx, r.stored)
	if errors.Is(err, store.ErrNotFound) {
		return "", nil
	}
	if err != nil {
		return "", m.explain("", err)
	}
	return r.answer(response)
}

// create applies a change that makes the fact with an id, once for the request. It gives the fact, or
// the id of the one that the request has made before.
func (m *Manager) create(ctx context.Context, r *request, id string, change store.Change) (made store.Fact, before string, err error) {
	if r != nil {
		stored := r.stored
		stored.Response, stored.Time = r.digest+" "+id, m.clock()
		change.Request = &stored
	}
	applied, err := m.store.Apply(ctx, change)
	if err != nil {
		return store.Fact{}, "", err
	}
	if applied.Repeat {
		before, err = r.answer(applied.Response)
		return store.Fact{}, before, err
	}
	return applied.Created[0], "", nil
}
