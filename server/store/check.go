// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package store

import (
	"crypto/sha256"
	"fmt"
	"strings"
	"unicode/utf8"
)

// The checks below are the part of the contract that does not depend on what
// is stored. Every store makes them first, so that all refuse the same calls
// in the same words. They give ErrInvalid.

// Check refuses an incomplete key.
func (k Key) Check() error {
	return firstOf(
		checkName("shop", k.Shop, true),
		checkName("kind", string(k.Kind), true),
		checkName("id", k.ID, true),
	)
}

// Check refuses an incomplete name.
func (c Capture) Check() error {
	return firstOf(
		checkName("shop", c.Shop, true),
		checkName("session", c.Session, true),
		checkName("capture", c.ID, true),
	)
}

// Check refuses a query without shop or kind and one with an impossible page.
func (q Query) Check() error {
	if q.Limit < 1 || q.Limit > MaxPage {
		return fmt.Errorf("limit is %d, must be 1 to %d: %w", q.Limit, MaxPage, ErrInvalid)
	}
	if q.After < 0 {
		return fmt.Errorf("after is %d, must not be negative: %w", q.After, ErrInvalid)
	}
	return firstOf(
		checkName("shop", q.Shop, true),
		checkName("kind", string(q.Kind), true),
		checkName("parent", q.Parent, false),
		checkName("reference", q.Reference, false),
		checkName("state", q.State, false),
	)
}

// Check refuses a request that cannot be told from others.
func (r Request) Check() error {
	return firstOf(
		checkName("request's shop", r.Shop, true),
		checkName("request's method", r.Method, true),
		checkName("request's id", r.ID, true),
		checkName("request's response", r.Response, false),
	)
}

// Check refuses a change that touches nothing, several shops, or one fact twice.
func (c Change) Check() error {
	shop, seen := "", make(map[Key]bool)
	if c.Request != nil {
		shop = c.Request.Shop
		if err := c.Request.Check(); err != nil {
			return err
		}
	}
	for _, list := range [][]Fact{c.Expect, c.Create, c.Update, c.Delete} {
		for _, fact := range list {
			if err := fact.check(); err != nil {
				return fmt.Errorf("%s: %w", fact.Key, err)
			}
			if shop != "" && fact.Shop != shop {
				return fmt.Errorf("%s is not of shop %q like the rest of the change: %w", fact.Key, shop, ErrInvalid)
			}
			shop = fact.Shop
		}
	}
	for _, list := range [][]Fact{c.Create, c.Update, c.Delete} {
		for _, fact := range list {
			if seen[fact.Key] {
				return fmt.Errorf("%s appears twice in one change: %w", fact.Key, ErrInvalid)
			}
			seen[fact.Key] = true
		}
	}
	if shop == "" {
		return fmt.Errorf("the change is empty: %w", ErrInvalid)
	}
	return nil
}

func (f Fact) check() error {
	if len(f.Blob) > MaxFact {
		return fmt.Errorf("blob has %d bytes, at most %d are kept: %w", len(f.Blob), MaxFact, ErrInvalid)
	}
	if f.Version < 0 {
		return fmt.Errorf("version is %d, must not be negative: %w", f.Version, ErrInvalid)
	}
	return firstOf(
		f.Key.Check(),
		checkName("parent", f.Parent, false),
		checkName("reference", f.Reference, false),
		checkName("state", f.State, false),
	)
}

// Match gives ErrConflict where the caller has seen another version than the
// one that is stored.
func (f Fact) Match(stored int64) error {
	if f.Version == 0 || f.Version == stored {
		return nil
	}
	return fmt.Errorf("version %d was seen, version %d is stored: %w", f.Version, stored, ErrConflict)
}

// Prepare refuses chunks that cannot be appended to any capture, and gives
// them back with their digests. The blobs are not copied.
func Prepare(epoch int64, chunks []Chunk) ([]Chunk, error) {
	if epoch < 1 {
		return nil, fmt.Errorf("epoch is %d, must be one that Open gave: %w", epoch, ErrInvalid)
	}
	if len(chunks) == 0 {
		return nil, fmt.Errorf("no chunks to append: %w", ErrInvalid)
	}
	prepared := make([]Chunk, len(chunks))
	total := 0
	for i, chunk := range chunks {
		if err := chunk.check(); err != nil {
			return nil, err
		}
		if want := chunks[0].Sequence + int64(i); chunk.Sequence != want {
			return nil, fmt.Errorf("sequence %d where %d adjoins: %w", chunk.Sequence, want, ErrInvalid)
		}
		if total += len(chunk.Blob); total > MaxAppend {
			return nil, fmt.Errorf("more than %d bytes in one append: %w", MaxAppend, ErrInvalid)
		}
		chunk.Digest = sha256.Sum256(chunk.Blob)
		prepared[i] = chunk
	}
	return prepared, nil
}

func (c Chunk) check() error {
	switch {
	case c.Sequence < 1 || c.Sequence > MaxSequence:
		return fmt.Errorf("sequence is %d, must be 1 to %d: %w", c.Sequence, int64(MaxSequence), ErrInvalid)
	case len(c.Blob) < 1 || len(c.Blob) > MaxChunk:
		return fmt.Errorf("chunk %d has %d bytes, must have 1 to %d: %w", c.Sequence, len(c.Blob), MaxChunk, ErrInvalid)
	case c.Samples < 0:
		return fmt.Errorf("chunk %d has %d samples, must not be negative: %w", c.Sequence, c.Samples, ErrInvalid)
	}
	return nil
}

// CheckFrom refuses a sequence number that no chunk can have.
func CheckFrom(from int64) error {
	if from < 1 || from > MaxSequence+1 {
		return fmt.Errorf("range starts at %d, must be 1 to %d: %w", from, int64(MaxSequence)+1, ErrInvalid)
	}
	return nil
}

// CheckSession refuses an incomplete name of a session.
func CheckSession(shop, session string) error {
	return firstOf(checkName("shop", shop, true), checkName("session", session, true))
}

func checkName(what, name string, required bool) error {
	switch {
	case required && name == "":
		return fmt.Errorf("%s is empty: %w", what, ErrInvalid)
	case len(name) > MaxName:
		return fmt.Errorf("%s has %d bytes, at most %d are kept: %w", what, len(name), MaxName, ErrInvalid)
	case !utf8.ValidString(name) || strings.ContainsRune(name, 0):
		return fmt.Errorf("%s %q is no text: %w", what, name, ErrInvalid)
	}
	return nil
}

func firstOf(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}
