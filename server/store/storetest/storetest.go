// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package storetest is the suite that every store must pass. It states the
// contract of package store as tests: what a store may not do is what a test's
// name says.
//
// A store's own tests call Run, and RunDurable where it outlives the process:
//
//	func TestMain(m *testing.M) {
//		storetest.Victim(open)
//		goleak.VerifyTestMain(m)
//	}
//	func TestContract(t *testing.T) { storetest.Run(t, newStore) }
//	func TestDurable(t *testing.T)  { storetest.RunDurable(t, open) }
package storetest

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"testing"

	"github.com/airassay/airassay/server/store"
)

// Run runs the part of the suite that any store must pass. newStore gives an
// empty store; the suite closes it.
func Run(t *testing.T, newStore func(t *testing.T) store.Store) {
	for _, group := range []struct {
		name  string
		tests []test
	}{
		{"facts", factTests}, {"chunks", chunkTests}, {"concurrency", concurrencyTests}, {"model", modelTests},
	} {
		t.Run(group.name, func(t *testing.T) {
			for _, one := range group.tests {
				t.Run(one.name, func(t *testing.T) {
					s := newStore(t)
					one.run(t, s)
					if err := s.Close(); err != nil {
						t.Errorf("close: %v", err)
					}
				})
			}
		})
	}
}

type test struct {
	name string
	run  func(*testing.T, store.Store)
}

const (
	shop      = "local"
	otherShop = "elsewhere"
	thing     = store.Kind("thing")
	otherKind = store.Kind("other")
)

func key(id string) store.Key { return store.Key{Shop: shop, Kind: thing, ID: id} }

func captureOf(id string) store.Capture { return store.Capture{Shop: shop, Session: "s1", ID: id} }

// chunkOf makes a chunk whose bytes follow from the capture and the sequence
// number alone, so that they can be checked without being kept.
func chunkOf(capture store.Capture, sequence int64) store.Chunk {
	return chunkOfSize(capture, sequence, 0)
}

func chunkOfSize(capture store.Capture, sequence int64, size int) store.Chunk {
	hash := fnv.New64a()
	_, _ = fmt.Fprint(hash, capture) // A hash never fails.
	seed := [32]byte{}
	binary.LittleEndian.PutUint64(seed[:], hash.Sum64())
	binary.LittleEndian.PutUint64(seed[8:], uint64(sequence))
	random := rand.NewChaCha8(seed)
	if size == 0 {
		size = 1 + int(random.Uint64()%2000)
	}
	blob := make([]byte, size)
	_, _ = random.Read(blob) // Nor does a generator.
	return store.Chunk{
		Sequence: sequence, First: sequence * 1000, Last: sequence*1000 + 999, Samples: 50,
		Blob: blob, Digest: sha256.Sum256(blob),
	}
}

func chunksOf(capture store.Capture, from, to int64) []store.Chunk {
	var chunks []store.Chunk
	for sequence := from; sequence <= to; sequence++ {
		chunks = append(chunks, chunkOf(capture, sequence))
	}
	return chunks
}

func sameChunk(a, b store.Chunk) bool {
	return a.Sequence == b.Sequence && a.First == b.First && a.Last == b.Last &&
		a.Samples == b.Samples && a.Digest == b.Digest && bytes.Equal(a.Blob, b.Blob)
}

func sameFact(a, b store.Fact) bool {
	return a.Key == b.Key && a.Parent == b.Parent && a.Reference == b.Reference && a.State == b.State &&
		a.Version == b.Version && a.Serial == b.Serial && bytes.Equal(a.Blob, b.Blob)
}

func mustOpen(t *testing.T, s store.Store, capture store.Capture) store.Tail {
	t.Helper()
	tail, err := s.Open(t.Context(), capture)
	if err != nil {
		t.Fatalf("open %s: %v", capture, err)
	}
	return tail
}

func mustAppend(t *testing.T, s store.Store, capture store.Capture, epoch int64, chunks ...store.Chunk) store.Ack {
	t.Helper()
	ack, err := s.Append(t.Context(), capture, epoch, chunks...)
	if err != nil {
		t.Fatalf("append to %s: %v", capture, err)
	}
	return ack
}

func mustCreate(t *testing.T, s store.Store, fact store.Fact) store.Fact {
	t.Helper()
	created, err := store.Create(t.Context(), s, fact)
	if err != nil {
		t.Fatalf("create %s: %v", fact.Key, err)
	}
	return created
}

// wantChunks checks that a capture holds the chunks of chunkOf from 1 to last
// and nothing else.
func wantChunks(t *testing.T, s store.Chunks, capture store.Capture, last int64) {
	t.Helper()
	next, err := checkRange(t.Context(), s, capture, 1)
	if err != nil {
		t.Fatal(err)
	}
	if next-1 != last {
		t.Fatalf("%s holds chunks up to %d, want %d", capture, next-1, last)
	}
	tail, err := s.Tail(t.Context(), capture)
	if err != nil || tail.Sequence != last {
		t.Fatalf("tail of %s is %+v (%v), want sequence %d", capture, tail, err, last)
	}
}

// checkRange reads a capture from a sequence number on, compares each chunk
// with that of chunkOf and gives the number after the last.
func checkRange(ctx context.Context, s store.Chunks, capture store.Capture, from int64) (next int64, err error) {
	next = from
	for chunk, err := range s.Range(ctx, capture, from) {
		if err != nil {
			return next, err
		}
		if !sameChunk(chunk, chunkOf(capture, next)) {
			return next, fmt.Errorf("%s: chunk %d (found where %d belongs) is not what was written", capture, chunk.Sequence, next)
		}
		next++
	}
	return next, nil
}

func wantErr(t *testing.T, what string, err, want error) {
	t.Helper()
	if !errors.Is(err, want) {
		t.Errorf("%s: error is %v, want %v", what, err, want)
	}
}

func rangeErr(ctx context.Context, s store.Chunks, capture store.Capture, from int64) error {
	for _, err := range s.Range(ctx, capture, from) {
		if err != nil {
			return err
		}
	}
	return nil
}
