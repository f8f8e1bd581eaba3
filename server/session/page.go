// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"fmt"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/store"
)

// ListOptions ask for one page.
type ListOptions struct {
	// PageSize is the most entries; 0 for DefaultPageSize, at most MaxPageSize.
	PageSize int
	// PageToken is that of the page before; empty for the first.
	PageToken string
	// Filter restricts the list, as the API's request says; not for captures and verdicts.
	Filter string
}

// mark ties a token to the list that it continues.
func mark(q store.Query, filter string) [8]byte {
	sum := sha256.Sum256(fmt.Appendf(nil, "%q %q %q %q", q.Shop, q.Kind, q.Parent, filter))
	return [8]byte(sum[:8])
}

// token holds the serial of a page's last fact and the mark. It protects from mistakes, not from forgery: whoever
// makes up a serial sees what a longer listing would have shown.
func token(q store.Query, filter string, serial int64) string {
	tag := mark(q, filter)
	return base64.RawURLEncoding.EncodeToString(binary.BigEndian.AppendUint64(tag[:], uint64(serial)))
}

func afterToken(q store.Query, o ListOptions) (int64, error) {
	if o.PageToken == "" {
		return 0, nil
	}
	raw, err := base64.RawURLEncoding.Strict().DecodeString(o.PageToken)
	if err != nil || len(raw) != 16 || [8]byte(raw[:8]) != mark(q, o.Filter) || int64(binary.BigEndian.Uint64(raw[8:])) < 0 {
		const text = "is not one that this list gave for this filter; start again with the first page"
		return 0, &Error{Reason: pb.ErrorReason_ERROR_REASON_INVALID_PAGE_TOKEN, Violations: []Violation{{"page_token", text}}}
	}
	return int64(binary.BigEndian.Uint64(raw[8:])), nil
}

// list reads one page; filter is already in the query, and in o for the token's sake. It gives the token of the next page.
func (m *Manager) list(ctx context.Context, q store.Query, o ListOptions) ([]store.Fact, string, error) {
	if o.PageSize < 0 || o.PageSize > MaxPageSize {
		return nil, "", invalid(Violation{"page_size", fmt.Sprintf("is %d; expected 0 to %d", o.PageSize, MaxPageSize)})
	}
	orDefault(&o.PageSize, DefaultPageSize)
	bound := store.Query{Shop: q.Shop, Kind: q.Kind}
	if q.Kind == kindCapture || q.Kind == kindVerdict {
		bound.Parent = q.Parent
	}
	after, err := afterToken(bound, o)
	if err != nil {
		return nil, "", err
	}
	q.Limit, q.After = o.PageSize, after
	page, err := m.store.List(ctx, q)
	if err != nil {
		return nil, "", m.explain("", err)
	}
	if !page.More || len(page.Facts) == 0 {
		return page.Facts, "", nil
	}
	return page.Facts, token(bound, o.Filter, page.Facts[len(page.Facts)-1].Serial), nil
}

// all reads every fact of a kind with that parent, in the order of creation.
func (m *Manager) all(ctx context.Context, shop string, kind store.Kind, parent string) ([]store.Fact, error) {
	q := store.Query{Shop: shop, Kind: kind, Parent: parent, Limit: store.MaxPage}
	var facts []store.Fact
	for {
		page, err := m.store.List(ctx, q)
		if err != nil {
			return nil, m.explain("", err)
		}
		facts = append(facts, page.Facts...)
		if !page.More || len(page.Facts) == 0 {
			return facts, nil
		}
		q.After = page.Facts[len(page.Facts)-1].Serial
	}
}
