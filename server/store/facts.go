// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package store

import (
	"context"
	"fmt"
	"time"
)

// Kind says what a fact is about. The callers choose the words; a store only
// keeps the kinds apart.
type Kind string

// Key names one fact.
type Key struct {
	// Shop is the tenant that the fact belongs to.
	Shop string
	// Kind is what the fact is about.
	Kind Kind
	// ID is unique within shop and kind. Where a resource's name holds its
	// parent's, put both in (s1/c1), so that a name with the wrong parent
	// finds nothing.
	ID string
}

// String gives shop/kind/id, for messages.
func (k Key) String() string { return fmt.Sprintf("%s/%s/%s", k.Shop, k.Kind, k.ID) }

// Fact is one record.
type Fact struct {
	Key
	// Parent is what the fact is listed under, such as the vehicle of a
	// session; may be empty. The store does not check that it exists.
	Parent string
	// Reference is the caller's own key for it; may be empty, need not be unique.
	Reference string
	// State is the word that listings are filtered by; may be empty.
	State string
	// Blob is the record itself, up to MaxFact bytes.
	Blob []byte
	// Version is 1 when the fact is created and one more after each update.
	// The store sets it. On the way in it is the version that the caller has
	// seen, 0 for "whichever is there".
	Version int64
	// Serial numbers the facts of the store in the order of their creation
	// and is never used twice. The store sets it.
	Serial int64
}

// Query says which facts to list.
type Query struct {
	// Shop and Kind must be given.
	Shop string
	Kind Kind
	// Parent, Reference and State each restrict the list to facts that have
	// exactly this value; empty restricts nothing.
	Parent    string
	Reference string
	State     string
	// Newest lists by falling serial, latest creation first; otherwise by rising serial.
	Newest bool
	// After is the serial of the last fact of the page before; 0 for the first page.
	After int64
	// Limit is the most facts that a page holds, 1 to MaxPage.
	Limit int
}

// Page is a part of a list.
type Page struct {
	// Facts in the order that the query asked for.
	Facts []Fact
	// More is set where the list goes on after the last of them.
	More bool
}

// Request identifies one request of a client, so that its repeat does nothing.
type Request struct {
	// Shop, Method, ID and Body together identify it: a repeat has all four in
	// common. Body is the digest of what was asked for.
	Shop   string
	Method string
	ID     string
	Body   [32]byte
	// Response is what the caller needs to answer a repeat, such as the ID of
	// the fact that the request created.
	Response string
	// Time is when the request came; Forget goes by it. Kept to the microsecond.
	Time time.Time
}

// Change is what one transaction does to the facts of one shop. All of it
// happens, or none.
type Change struct {
	// Request, where it is not nil, is remembered together with the change.
	// If it is known already, nothing is done.
	Request *Request
	// Expect lists facts that must be there, in the version given where it is
	// not 0. Only Key and Version are looked at.
	Expect []Fact
	// Create lists facts that must not be there yet.
	Create []Fact
	// Update lists facts that replace what is there, in the version given
	// where it is not 0.
	Update []Fact
	// Delete lists facts that are removed, in the version given where it is
	// not 0. Only Key and Version are looked at.
	Delete []Fact
}

// Applied is what became of a change.
type Applied struct {
	// Repeat is set where the request was known: nothing was done.
	Repeat bool
	// Response is what was remembered with the request, now or then.
	Response string
	// Created and Updated are the facts as they are now, with version and
	// serial, in the order of the change. Empty for a repeat.
	Created []Fact
	Updated []Fact
}

// Limits of facts.
const (
	// MaxFact is the most bytes of one fact: 16 MiB, four times the largest
	// message that a gRPC client accepts unless told otherwise.
	MaxFact = 16 << 20
	// MaxPage is the most facts of one page.
	MaxPage = 1000
	// MaxName is the most bytes of one part of a key and of each column: 200
	// characters of an external reference at four bytes, and room for prefixes.
	MaxName = 1000
)

// Facts keeps records.
type Facts interface {
	// Get reads one fact, or gives ErrNotFound.
	Get(ctx context.Context, key Key) (Fact, error)
	// List reads one page. Facts that are there throughout a listing appear in
	// it exactly once, whatever is written between its pages.
	List(ctx context.Context, query Query) (Page, error)
	// Apply carries out a change: ErrExists where a fact to create is there,
	// ErrNotFound where a fact to expect, update or delete is not, ErrConflict
	// where it has another version. When ctx ends first, the change may or may
	// not have been made; a request tells. No fact may appear twice in Create,
	// Update and Delete.
	Apply(ctx context.Context, change Change) (Applied, error)
	// Recall gives what was remembered with a request, or ErrNotFound. It
	// looks at Shop, Method, ID and Body.
	Recall(ctx context.Context, request Request) (string, error)
	// Forget drops the requests of all shops that came before a time.
	Forget(ctx context.Context, before time.Time) error
}

// Create adds one fact and gives it back with version and serial.
func Create(ctx context.Context, facts Facts, fact Fact) (Fact, error) {
	applied, err := facts.Apply(ctx, Change{Create: []Fact{fact}})
	if err != nil {
		return Fact{}, err
	}
	return applied.Created[0], nil
}

// Update replaces one fact and gives it back with its new version.
func Update(ctx context.Context, facts Facts, fact Fact) (Fact, error) {
	applied, err := facts.Apply(ctx, Change{Update: []Fact{fact}})
	if err != nil {
		return Fact{}, err
	}
	return applied.Updated[0], nil
}

// Delete removes one fact, in the given version where it is not 0.
func Delete(ctx context.Context, facts Facts, key Key, version int64) error {
	_, err := facts.Apply(ctx, Change{Delete: []Fact{{Key: key, Version: version}}})
	return err
}
