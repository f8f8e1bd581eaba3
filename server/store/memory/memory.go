// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package memory is a store that keeps nothing beyond the process. It is for
// tests of what lies above the store, and for runs that must leave no trace;
// it passes the same suite as every store.
package memory

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"iter"
	"slices"
	"sync"
	"time"

	"github.com/airassay/airassay/server/store"
)

// Store is a store.Store in memory. New makes it.
type Store struct {
	mu       sync.RWMutex
	closed   bool
	serial   int64
	facts    map[store.Key]store.Fact
	requests map[requestKey]store.Request
	captures map[store.Capture]*capture
}

var _ store.Store = (*Store)(nil)

type requestKey struct {
	shop, method, id string
	body             [32]byte
}

type capture struct {
	epoch  int64
	chunks []store.Chunk // The chunk with sequence n at index n-1; never changed once there.
}

func (c *capture) tail() store.Tail {
	tail := store.Tail{Epoch: c.epoch, Sequence: int64(len(c.chunks))}
	if n := len(c.chunks); n > 0 {
		tail.Last = c.chunks[n-1].Last
	}
	return tail
}

// New makes an empty store.
func New() *Store {
	return &Store{
		facts:    make(map[store.Key]store.Fact),
		requests: make(map[requestKey]store.Request),
		captures: make(map[store.Capture]*capture),
	}
}

// Close drops everything.
func (s *Store) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.closed = true
	s.facts, s.requests, s.captures = nil, nil, nil
	return nil
}

// usable is to be called with the lock held.
func (s *Store) usable(ctx context.Context) error {
	if s.closed {
		return store.ErrClosed
	}
	return ctx.Err()
}

// Get reads one fact.
func (s *Store) Get(ctx context.Context, key store.Key) (store.Fact, error) {
	if err := key.Check(); err != nil {
		return store.Fact{}, err
	}
	s.mu.RLock()
	defer s.mu.RUnlock()
	if err := s.usable(ctx); err != nil {
		return store.Fact{}, err
	}
	fact, ok := s.facts[key]
	if !ok {
		return store.Fact{}, fmt.Errorf("get %s: %w", key, store.ErrNotFound)
	}
	return copyFact(fact), nil
}

// List reads one page of facts. It looks at every fact of the store.
func (s *Store) List(ctx context.Context, query store.Query) (store.Page, error) {
	if err := query.Check(); err != nil {
		return store.Page{}, err
	}
	s.mu.RLock()
	defer s.mu.RUnlock()
	if err := s.usable(ctx); err != nil {
		return store.Page{}, err
	}
	var found []store.Fact
	for _, fact := range s.facts {
		if matches(query, fact) {
			found = append(found, fact)
		}
	}
	slices.SortFunc(found, func(a, b store.Fact) int {
		if query.Newest {
			a, b = b, a
		}
		return cmp.Compare(a.Serial, b.Serial)
	})
	more := len(found) > query.Limit
	if more {
		found = found[:query.Limit]
	}
	for i, fact := range found {
		found[i] = copyFact(fact)
	}
	return store.Page{Facts: slices.Clip(found), More: more}, nil
}

func matches(q store.Query, f store.Fact) bool {
	is := func(filter, value string) bool { return filter == "" || filter == value }
	isAfter := q.After == 0 || (f.Serial > q.After) != q.Newest && f.Serial != q.After
	return f.Shop == q.Shop && f.Kind == q.Kind && isAfter &&
		is(q.Parent, f.Parent) && is(q.Reference, f.Reference) && is(q.State, f.State)
}

// Apply carries out a change: it checks all of it, then does all of it.
func (s *Store) Apply(ctx context.Context, change store.Change) (store.Applied, error) {
	if err := change.Check(); err != nil {
		return store.Applied{}, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.usable(ctx); err != nil {
		return store.Applied{}, err
	}
	var applied store.Applied
	if r := change.Request; r != nil {
		if known, ok := s.requests[keyOf(*r)]; ok {
			return store.Applied{Repeat: true, Response: known.Response}, nil
		}
		applied.Response = r.Response
	}
	if err := s.admit(change); err != nil {
		return store.Applied{}, fmt.Errorf("apply change: %w", err)
	}
	if change.Request != nil {
		s.requests[keyOf(*change.Request)] = *change.Request
	}
	for _, fact := range change.Delete {
		delete(s.facts, fact.Key)
	}
	for _, fact := range change.Update {
		stored := s.facts[fact.Key]
		fact.Version, fact.Serial = stored.Version+1, stored.Serial
		applied.Updated = append(applied.Updated, s.put(fact))
	}
	for _, fact := range change.Create {
		s.serial++
		fact.Version, fact.Serial = 1, s.serial
		applied.Created = append(applied.Created, s.put(fact))
	}
	return applied, nil
}

func (s *Store) admit(change store.Change) error {
	for _, fact := range slices.Concat(change.Expect, change.Delete, change.Update) {
		stored, ok := s.facts[fact.Key]
		if !ok {
			return fmt.Errorf("%s: %w", fact.Key, store.ErrNotFound)
		}
		if err := fact.Match(stored.Version); err != nil {
			return fmt.Errorf("%s: %w", fact.Key, err)
		}
	}
	for _, fact := range change.Create {
		if _, ok := s.facts[fact.Key]; ok {
			return fmt.Errorf("create %s: %w", fact.Key, store.ErrExists)
		}
	}
	return nil
}

func (s *Store) put(fact store.Fact) store.Fact {
	s.facts[fact.Key] = copyFact(fact)
	return fact
}

// Recall gives what was remembered with a request.
func (s *Store) Recall(ctx context.Context, request store.Request) (string, error) {
	if err := request.Check(); err != nil {
		return "", err
	}
	s.mu.RLock()
	defer s.mu.RUnlock()
	if err := s.usable(ctx); err != nil {
		return "", err
	}
	known, ok := s.requests[keyOf(request)]
	if !ok {
		return "", fmt.Errorf("recall request %s: %w", request.ID, store.ErrNotFound)
	}
	return known.Response, nil
}

// Forget drops old requests.
func (s *Store) Forget(ctx context.Context, before time.Time) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.usable(ctx); err != nil {
		return err
	}
	for key, request := range s.requests {
		if request.Time.UnixMicro() < before.UnixMicro() {
			delete(s.requests, key)
		}
	}
	return nil
}

// Open takes the next epoch of a capture.
func (s *Store) Open(ctx context.Context, name store.Capture) (store.Tail, error) {
	if err := name.Check(); err != nil {
		return store.Tail{}, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.usable(ctx); err != nil {
		return store.Tail{}, err
	}
	at := s.captures[name]
	if at == nil {
		at = new(capture)
		s.captures[name] = at
	}
	at.epoch++
	return at.tail(), nil
}

// Append adds chunks to a capture.
func (s *Store) Append(ctx context.Context, name store.Capture, epoch int64, chunks ...store.Chunk) (store.Ack, error) {
	if err := name.Check(); err != nil {
		return store.Ack{}, err
	}
	chunks, err := store.Prepare(epoch, chunks)
	if err != nil {
		return store.Ack{}, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.usable(ctx); err != nil {
		return store.Ack{}, err
	}
	at, err := s.find(name)
	if err != nil {
		return store.Ack{}, err
	}
	repeats, err := at.admit(epoch, chunks)
	if err != nil {
		return store.Ack{}, fmt.Errorf("append to capture %s: %w", name, err)
	}
	for _, chunk := range chunks[repeats:] {
		at.chunks = append(at.chunks, copyChunk(chunk))
	}
	return store.Ack{Sequence: at.tail().Sequence, Repeats: repeats}, nil
}

func (c *capture) admit(epoch int64, chunks []store.Chunk) (repeats int, err error) {
	tail := c.tail()
	for _, chunk := range chunks {
		isNew, err := tail.Admit(epoch, chunk.Sequence)
		if err != nil {
			return 0, err
		}
		if isNew {
			tail.Sequence = chunk.Sequence
			continue
		}
		if err := chunk.Compare(c.chunks[chunk.Sequence-1].Digest); err != nil {
			return 0, err
		}
		repeats++
	}
	return repeats, nil
}

// Tail says where a capture stands.
func (s *Store) Tail(ctx context.Context, name store.Capture) (store.Tail, error) {
	if err := name.Check(); err != nil {
		return store.Tail{}, err
	}
	s.mu.RLock()
	defer s.mu.RUnlock()
	if err := s.usable(ctx); err != nil {
		return store.Tail{}, err
	}
	at, err := s.find(name)
	if err != nil {
		return store.Tail{}, err
	}
	return at.tail(), nil
}

// Range yields the chunks of a capture in order.
func (s *Store) Range(ctx context.Context, name store.Capture, from int64) iter.Seq2[store.Chunk, error] {
	return func(yield func(store.Chunk, error) bool) {
		if err := cmp.Or(name.Check(), store.CheckFrom(from)); err != nil {
			yield(store.Chunk{}, err)
			return
		}
		for next := from; ; next++ {
			chunk, ok, err := s.chunk(ctx, name, next)
			if err != nil {
				yield(store.Chunk{}, err)
				return
			}
			if !ok || !yield(copyChunk(chunk), nil) {
				return
			}
		}
	}
}

func (s *Store) chunk(ctx context.Context, name store.Capture, sequence int64) (store.Chunk, bool, error) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	if err := s.usable(ctx); err != nil {
		return store.Chunk{}, false, err
	}
	at, err := s.find(name)
	if err != nil || sequence > int64(len(at.chunks)) {
		return store.Chunk{}, false, err
	}
	return at.chunks[sequence-1], true, nil
}

// Remove drops the chunks of all captures of a session.
func (s *Store) Remove(ctx context.Context, shop, session string) error {
	if err := store.CheckSession(shop, session); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.usable(ctx); err != nil {
		return err
	}
	for name := range s.captures {
		if name.Shop == shop && name.Session == session {
			delete(s.captures, name)
		}
	}
	return nil
}

func (s *Store) find(name store.Capture) (*capture, error) {
	if at := s.captures[name]; at != nil {
		return at, nil
	}
	return nil, fmt.Errorf("capture %s: %w", name, store.ErrNotFound)
}

func keyOf(r store.Request) requestKey { return requestKey{r.Shop, r.Method, r.ID, r.Body} }

// The store keeps copies and gives copies out, so that no caller can change
// what is stored.

func copyFact(f store.Fact) store.Fact {
	f.Blob = bytes.Clone(f.Blob)
	return f
}

func copyChunk(c store.Chunk) store.Chunk {
	c.Blob = bytes.Clone(c.Blob)
	return c
}
