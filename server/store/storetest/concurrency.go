// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package storetest

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/airassay/airassay/server/store"
)

var concurrencyTests = []test{
	{"captures that are written at once do not mix", manyCaptures},
	{"an append that is refused takes no neighbour with it", badNeighbours},
	{"of two writers of one capture only the last one writes", rivalWriters},
	{"an append that was given up is there whole or not at all", givenUpAppends},
	{"a listing under writes has every lasting fact exactly once", listUnderWrites},
	{"of the same request at once only one is carried out", sameRequestAtOnce},
	{"of updates of one version at once only one is carried out", sameVersionAtOnce},
	{"a reader beside the writer sees chunks in order and whole", readBesideWrite},
	{"closing under load loses nothing that was acknowledged", closeUnderLoad},
}

// together runs n goroutines and fails the test with what they return.
func together(t *testing.T, n int, run func(i int) error) {
	t.Helper()
	var group sync.WaitGroup
	for i := range n {
		group.Go(func() {
			if err := run(i); err != nil {
				t.Errorf("%d: %v", i, err)
			}
		})
	}
	group.Wait()
}

func manyCaptures(t *testing.T, s store.Store) {
	const captures, last = 40, 30
	name := func(i int) store.Capture {
		return store.Capture{Shop: shop, Session: fmt.Sprint("s", i%7), ID: fmt.Sprint("c", i)}
	}
	together(t, captures, func(i int) error {
		c := name(i)
		tail, err := s.Open(t.Context(), c)
		for tail.Sequence < last && err == nil {
			var ack store.Ack
			ack, err = s.Append(t.Context(), c, tail.Epoch, chunkOf(c, tail.Sequence+1))
			tail.Sequence = ack.Sequence
		}
		return err
	})
	for i := range captures {
		wantChunks(t, s, name(i), last)
	}
}

func badNeighbours(t *testing.T, s store.Store) {
	const pairs, last = 15, 30
	together(t, 2*pairs, func(i int) error {
		c := captureOf(fmt.Sprint("c", i))
		if _, err := s.Open(t.Context(), c); err != nil {
			return err
		}
		for sequence := int64(1); sequence <= last; sequence++ {
			offered, want := chunkOf(c, sequence), error(nil)
			if i%2 == 1 {
				offered, want = chunkOf(c, sequence+1), store.ErrGap
			}
			if _, err := s.Append(t.Context(), c, 1, offered); !errors.Is(err, want) {
				return err
			}
		}
		return nil
	})
	for i := range 2 * pairs {
		wantChunks(t, s, captureOf(fmt.Sprint("c", i)), int64(last*(1-i%2)))
	}
}

func rivalWriters(t *testing.T, s store.Store) {
	c := captureOf("c1")
	var mu sync.Mutex
	acked := make(map[int64]byte)
	together(t, 4, func(i int) error {
		for range 25 {
			tail, err := s.Open(t.Context(), c)
			if err != nil {
				return err
			}
			for sequence := tail.Sequence + 1; ; sequence++ {
				_, err := s.Append(t.Context(), c, tail.Epoch, store.Chunk{Sequence: sequence, Blob: []byte{byte(i)}})
				if errors.Is(err, store.ErrFenced) {
					break
				}
				if err != nil {
					return err
				}
				mu.Lock()
				acked[sequence] = byte(i)
				mu.Unlock()
				if sequence > tail.Sequence+5 {
					break
				}
			}
		}
		return nil
	})
	count := 0
	for chunk, err := range s.Range(t.Context(), c, 1) {
		if err != nil {
			t.Fatal(err)
		}
		if by, ok := acked[chunk.Sequence]; !ok || by != chunk.Blob[0] {
			t.Errorf("chunk %d is writer %d's, acknowledged to %d (%v)", chunk.Sequence, chunk.Blob[0], by, ok)
		}
		count++
	}
	if count != len(acked) {
		t.Errorf("%d chunks are stored, %d were acknowledged", count, len(acked))
	}
}

func givenUpAppends(t *testing.T, s store.Store) {
	const captures = 8
	together(t, captures, func(i int) error {
		c := captureOf(fmt.Sprint("c", i))
		random := rand.New(rand.NewPCG(1, uint64(i)))
		tail, err := s.Open(t.Context(), c)
		if err != nil {
			return err
		}
		for tail.Sequence < 100 {
			ctx, cancel := context.WithTimeout(t.Context(), time.Duration(random.IntN(800))*time.Microsecond)
			chunks := chunksOf(c, tail.Sequence+1, tail.Sequence+3)
			_, err := s.Append(ctx, c, tail.Epoch, chunks...)
			cancel()
			for _, chunk := range chunks { // They are the caller's again, whatever came of the append.
				clear(chunk.Blob)
			}
			if err != nil && !errors.Is(err, context.DeadlineExceeded) {
				return err
			}
			before := tail.Sequence
			if tail, err = s.Tail(t.Context(), c); err != nil {
				return err
			}
			if tail.Sequence != before && tail.Sequence != before+3 {
				return fmt.Errorf("from %d to %d: half an append", before, tail.Sequence)
			}
			if tail.Sequence == before { // Let a store that is slow get on.
				mustAppend(t, s, c, tail.Epoch, chunkOf(c, before+1))
				tail.Sequence++
			}
		}
		return nil
	})
	for i := range captures {
		c := captureOf(fmt.Sprint("c", i))
		tail, err := s.Tail(t.Context(), c)
		if err != nil {
			t.Fatal(err)
		}
		wantChunks(t, s, c, tail.Sequence)
	}
}

func listUnderWrites(t *testing.T, s store.Store) {
	lasting := make(map[string]bool)
	for i := range 100 {
		id := fmt.Sprint("lasting", i)
		lasting[id] = true
		mustCreate(t, s, store.Fact{Key: key(id), Parent: "p", State: "open"})
		mustCreate(t, s, store.Fact{Key: key(fmt.Sprint("passing", i)), Parent: "p", State: "open"})
	}
	var stop atomic.Bool
	var writers sync.WaitGroup
	for w := range 3 {
		writers.Go(func() {
			for i := range 400 { // A store may write faster than the listing reads.
				if stop.Load() {
					return
				}
				_ = store.Delete(t.Context(), s, key(fmt.Sprint("passing", (i*3+w)%100)), 0) // May be gone.
				_, err := store.Create(t.Context(), s, store.Fact{Key: key(fmt.Sprint("new", w, "-", i)), Parent: "p", State: "open"})
				if err == nil {
					_, err = store.Update(t.Context(), s, store.Fact{Key: key(fmt.Sprint("lasting", i%100)), Parent: "p", State: "open"})
				}
				if err != nil {
					t.Errorf("writer %d: %v", w, err)
					return
				}
			}
		})
	}
	for round := range 8 {
		seen := make(map[string]int)
		q := store.Query{Shop: shop, Kind: thing, Parent: "p", State: "open", Limit: 7, Newest: round%2 == 0}
		for {
			page, err := s.List(t.Context(), q)
			if err != nil {
				t.Fatal(err)
			}
			for _, fact := range page.Facts {
				seen[fact.ID]++
				q.After = fact.Serial
			}
			if !page.More {
				break
			}
		}
		for id, times := range seen {
			if times != 1 {
				t.Errorf("%s was listed %d times", id, times)
			}
		}
		for id := range lasting {
			if seen[id] == 0 {
				t.Errorf("%s was not listed", id)
			}
		}
	}
	stop.Store(true)
	writers.Wait()
}

func sameRequestAtOnce(t *testing.T, s store.Store) {
	var first atomic.Int32
	together(t, 20, func(i int) error {
		r := request("r")
		r.Response = fmt.Sprint(i)
		applied, err := s.Apply(t.Context(), store.Change{Request: r, Create: []store.Fact{{Key: key(r.Response)}}})
		if err == nil && !applied.Repeat {
			first.Add(1)
		}
		if err != nil {
			return err
		}
		if _, err := s.Get(t.Context(), key(applied.Response)); err != nil {
			return fmt.Errorf("the answer leads to nothing: %w", err)
		}
		return nil
	})
	if first.Load() != 1 {
		t.Errorf("%d of the same request were carried out", first.Load())
	}
}

func sameVersionAtOnce(t *testing.T, s store.Store) {
	mustCreate(t, s, store.Fact{Key: key("a")})
	for version := int64(1); version <= 10; version++ {
		var won atomic.Int32
		together(t, 8, func(int) error {
			_, err := store.Update(t.Context(), s, store.Fact{Key: key("a"), Version: version})
			if err == nil {
				won.Add(1)
				return nil
			}
			if errors.Is(err, store.ErrConflict) {
				return nil
			}
			return err
		})
		if won.Load() != 1 {
			t.Errorf("version %d was replaced %d times", version, won.Load())
		}
	}
}

func readBesideWrite(t *testing.T, s store.Store) {
	c := captureOf("c1")
	mustOpen(t, s, c)
	const last = 150
	var acked atomic.Int64
	together(t, 4, func(i int) error {
		if i == 0 {
			for sequence := int64(1); sequence <= last; sequence++ {
				if _, err := s.Append(t.Context(), c, 1, chunkOf(c, sequence)); err != nil {
					return err
				}
				acked.Store(sequence)
			}
			return nil
		}
		for acked.Load() < last {
			atLeast := acked.Load()
			next, err := checkRange(t.Context(), s, c, 1)
			if err != nil {
				return err
			}
			if next-1 < atLeast {
				return fmt.Errorf("chunk %d was acknowledged, the range ended at %d", atLeast, next-1)
			}
		}
		return nil
	})
	wantChunks(t, s, c, last)
}

// closeUnderLoad checks what can be seen from inside the process; RunDurable
// looks again after opening the store anew.
func closeUnderLoad(t *testing.T, s store.Store) {
	go func() {
		time.Sleep(5 * time.Millisecond)
		if err := s.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	}()
	together(t, 16, func(i int) error { return appendUntilClosed(t.Context(), s, captureOf(fmt.Sprint("c", i)), nil) })
}

// appendUntilClosed appends until the store is closed and counts what was acknowledged.
func appendUntilClosed(ctx context.Context, s store.Store, c store.Capture, acked *atomic.Int64) error {
	tail, err := s.Open(ctx, c)
	for err == nil {
		tail.Sequence++
		if _, err = s.Append(ctx, c, tail.Epoch, chunkOf(c, tail.Sequence)); err == nil && acked != nil {
			acked.Store(tail.Sequence)
		}
	}
	if errors.Is(err, store.ErrClosed) {
		return nil
	}
	return err
}
