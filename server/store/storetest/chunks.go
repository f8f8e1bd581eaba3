// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package storetest

import (
	"bytes"
	"context"
	"errors"
	"strings"
	"testing"

	"github.com/airassay/airassay/server/store"
)

var chunkTests = []test{
	{"chunks are read back whole and in order", chunkRoundTrip},
	{"a capture is found by its own shop and session only", chunkIsolation},
	{"opening takes the next epoch and tells where to go on", chunkEpochs},
	{"a writer that is not the last one is fenced off", chunkFenced},
	{"the same bytes again are absorbed", chunkRepeat},
	{"other bytes under the same sequence number are refused", chunkConflict},
	{"a gap is refused and the expected sequence number told", chunkGap},
	{"a refused append leaves nothing behind", chunkNothingLeft},
	{"a range starts anywhere and ends at the last chunk", chunkRange},
	{"a range holds nothing while its body runs", chunkRangeBody},
	{"a range sees what is appended while it runs", chunkRangeGrowing},
	{"chunks at the limits of size are kept", chunkLimits},
	{"removing a session takes its captures and no others", chunkRemove},
	{"a call on chunks that breaks the contract is refused", chunkInvalid},
	{"the caller's chunk is neither kept nor shared", chunkAliasing},
	{"an append whose context has ended does nothing", chunkCancelled},
	{"a closed store takes and gives no chunks", chunkClosed},
}

func chunkRoundTrip(t *testing.T, s store.Store) {
	c := captureOf("c1")
	if tail := mustOpen(t, s, c); tail != (store.Tail{Epoch: 1}) {
		t.Errorf("a new capture stands at %+v", tail)
	}
	wantChunks(t, s, c, 0)
	for sequence := int64(1); sequence <= 20; sequence++ {
		if ack := mustAppend(t, s, c, 1, chunkOf(c, sequence)); ack != (store.Ack{Sequence: sequence}) {
			t.Errorf("append of %d gave %+v", sequence, ack)
		}
	}
	if ack := mustAppend(t, s, c, 1, chunksOf(c, 21, 600)...); ack != (store.Ack{Sequence: 600}) {
		t.Errorf("append of many gave %+v", ack)
	}
	wantChunks(t, s, c, 600)
	tail, err := s.Tail(t.Context(), c)
	if want := (store.Tail{Epoch: 1, Sequence: 600, Last: chunkOf(c, 600).Last}); err != nil || tail != want {
		t.Errorf("tail is %+v (%v), want %+v", tail, err, want)
	}
	odd := store.Chunk{Sequence: 601, First: -5, Last: -1 << 62, Samples: 0, Blob: []byte{0}}
	mustAppend(t, s, c, 1, odd)
	for chunk, err := range s.Range(t.Context(), c, 601) {
		if err != nil || chunk.First != -5 || chunk.Last != -1<<62 || chunk.Samples != 0 {
			t.Errorf("got %+v (%v)", chunk, err)
		}
	}
}

func chunkIsolation(t *testing.T, s store.Store) {
	a := captureOf("c")
	mustOpen(t, s, a)
	mustAppend(t, s, a, 1, chunksOf(a, 1, 3)...)
	for _, b := range []store.Capture{
		{Shop: otherShop, Session: a.Session, ID: a.ID},
		{Shop: shop, Session: "s2", ID: a.ID},
		{Shop: shop, Session: a.Session, ID: "C"},
	} {
		_, err := s.Tail(t.Context(), b)
		wantErr(t, "tail", err, store.ErrNotFound)
		wantErr(t, "range", rangeErr(t.Context(), s, b, 1), store.ErrNotFound)
		_, err = s.Append(t.Context(), b, 1, chunkOf(b, 4))
		wantErr(t, "append", err, store.ErrNotFound)
		mustOpen(t, s, b)
		mustAppend(t, s, b, 1, chunkOf(b, 1))
		wantChunks(t, s, b, 1)
	}
	wantChunks(t, s, a, 3)
}

func chunkEpochs(t *testing.T, s store.Store) {
	c := captureOf("c1")
	for epoch := int64(1); epoch <= 5; epoch++ {
		tail := mustOpen(t, s, c)
		if tail.Epoch != epoch || tail.Sequence != epoch-1 {
			t.Errorf("opening number %d gave %+v", epoch, tail)
		}
		if epoch > 1 && tail.Last != chunkOf(c, epoch-1).Last {
			t.Errorf("opening number %d gave %+v", epoch, tail)
		}
		mustAppend(t, s, c, epoch, chunkOf(c, epoch))
	}
	wantChunks(t, s, c, 5)
}

func chunkFenced(t *testing.T, s store.Store) {
	c := captureOf("c1")
	mustOpen(t, s, c)
	mustAppend(t, s, c, 1, chunkOf(c, 1))
	mustOpen(t, s, c)
	for _, offered := range []int64{1, 3} {
		for _, sequence := range []int64{1, 2, 9} { // A repeat, the next one and a gap.
			_, err := s.Append(t.Context(), c, offered, chunkOf(c, sequence))
			var fenced *store.FencedError
			if !errors.Is(err, store.ErrFenced) || !errors.As(err, &fenced) {
				t.Fatalf("epoch %d, sequence %d: error is %v", offered, sequence, err)
			}
			if fenced.Current != 2 || fenced.Offered != offered {
				t.Errorf("epoch %d, sequence %d: %+v", offered, sequence, fenced)
			}
		}
	}
	wantChunks(t, s, c, 1)
	mustAppend(t, s, c, 2, chunkOf(c, 2))
	wantChunks(t, s, c, 2)
}

func chunkRepeat(t *testing.T, s store.Store) {
	c := captureOf("c1")
	mustOpen(t, s, c)
	mustAppend(t, s, c, 1, chunksOf(c, 1, 5)...)
	mustOpen(t, s, c)
	for _, one := range []struct {
		from, to, sequence int64
		repeats            int
	}{{1, 1, 5, 1}, {5, 5, 5, 1}, {1, 5, 5, 5}, {4, 8, 8, 2}, {8, 8, 8, 1}} {
		ack := mustAppend(t, s, c, 2, chunksOf(c, one.from, one.to)...)
		if ack.Sequence != one.sequence || ack.Repeats != one.repeats {
			t.Errorf("append of %d to %d gave %+v", one.from, one.to, ack)
		}
	}
	wantChunks(t, s, c, 8)
}

func altered(chunk store.Chunk) store.Chunk {
	chunk.Blob = bytes.Clone(chunk.Blob)
	chunk.Blob[len(chunk.Blob)-1] ^= 1
	return chunk
}

func chunkConflict(t *testing.T, s store.Store) {
	c := captureOf("c1")
	mustOpen(t, s, c)
	mustAppend(t, s, c, 1, chunksOf(c, 1, 3)...)
	for sequence := int64(1); sequence <= 3; sequence++ {
		_, err := s.Append(t.Context(), c, 1, altered(chunkOf(c, sequence)))
		wantErr(t, "altered", err, store.ErrConflict)
		longer := chunkOf(c, sequence)
		longer.Blob = append(longer.Blob, 0)
		_, err = s.Append(t.Context(), c, 1, longer)
		wantErr(t, "longer", err, store.ErrConflict)
	}
	wantChunks(t, s, c, 3)
}

func chunkGap(t *testing.T, s store.Store) {
	c := captureOf("c1")
	mustOpen(t, s, c)
	for expected := int64(1); expected <= 3; expected++ {
		for _, offered := range []int64{expected + 1, expected + 100, store.MaxSequence} {
			_, err := s.Append(t.Context(), c, 1, chunkOf(c, offered))
			var gap *store.GapError
			if !errors.Is(err, store.ErrGap) || !errors.As(err, &gap) {
				t.Fatalf("error is %v", err)
			}
			if gap.Expected != expected || gap.Offered != offered {
				t.Errorf("got %+v, want expected %d, offered %d", gap, expected, offered)
			}
		}
		mustAppend(t, s, c, 1, chunkOf(c, expected))
	}
	wantChunks(t, s, c, 3)
}

func chunkNothingLeft(t *testing.T, s store.Store) {
	c := captureOf("c1")
	mustOpen(t, s, c)
	mustAppend(t, s, c, 1, chunksOf(c, 1, 3)...)
	mixed := append([]store.Chunk{chunkOf(c, 2), altered(chunkOf(c, 3))}, chunksOf(c, 4, 6)...)
	_, err := s.Append(t.Context(), c, 1, mixed...)
	wantErr(t, "append with a contradiction inside", err, store.ErrConflict)
	wantChunks(t, s, c, 3)
	mustAppend(t, s, c, 1, chunksOf(c, 4, 6)...)
	wantChunks(t, s, c, 6)
}

func chunkRange(t *testing.T, s store.Store) {
	c := captureOf("c1")
	mustOpen(t, s, c)
	const last = 700
	for from := int64(1); from <= last; from += 100 {
		mustAppend(t, s, c, 1, chunksOf(c, from, from+99)...)
	}
	for _, from := range []int64{1, 2, 255, 256, 257, 699, 700, 701, 5000, store.MaxSequence + 1} {
		next, err := checkRange(t.Context(), s, c, from)
		if want := max(from, last+1); err != nil || next != want {
			t.Errorf("range from %d ended before %d (%v), want %d", from, next, err, want)
		}
	}
	wantErr(t, "range of an unknown capture", rangeErr(t.Context(), s, captureOf("c2"), 1), store.ErrNotFound)
}

func chunkRangeBody(t *testing.T, s store.Store) {
	c, d := captureOf("c1"), captureOf("c2")
	mustOpen(t, s, c)
	mustOpen(t, s, d)
	mustAppend(t, s, c, 1, chunksOf(c, 1, 600)...)
	for chunk, err := range s.Range(t.Context(), c, 1) {
		if err != nil {
			t.Fatal(err)
		}
		if chunk.Sequence == 550 {
			break
		}
		if chunk.Sequence%100 == 0 { // The body reads, writes and ranges itself.
			mustAppend(t, s, d, 1, chunkOf(d, chunk.Sequence/100))
			wantChunks(t, s, c, 600)
		}
	}
	wantChunks(t, s, d, 5)
	for _, err := range s.Range(t.Context(), c, 1) { // Closing does not wait for the body to end.
		if err != nil {
			wantErr(t, "range after close", err, store.ErrClosed)
			return
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	t.Error("the range went on to its end after the store was closed")
}

func chunkRangeGrowing(t *testing.T, s store.Store) {
	c := captureOf("c1")
	mustOpen(t, s, c)
	mustAppend(t, s, c, 1, chunkOf(c, 1))
	last := int64(1)
	next := int64(1)
	for chunk, err := range s.Range(t.Context(), c, 1) {
		if err != nil || !sameChunk(chunk, chunkOf(c, next)) {
			t.Fatalf("chunk %d came where %d belongs (%v)", chunk.Sequence, next, err)
		}
		next++
		if last < 300 {
			last++
			mustAppend(t, s, c, 1, chunkOf(c, last))
		}
	}
	if next != 301 {
		t.Errorf("the range ended before %d", next)
	}
}

func chunkLimits(t *testing.T, s store.Store) {
	c := captureOf("c1")
	mustOpen(t, s, c)
	small, large := chunkOfSize(c, 1, 1), chunkOfSize(c, 2, store.MaxChunk)
	mustAppend(t, s, c, 1, small, large)
	third := chunkOfSize(c, 3, store.MaxChunk)
	mustAppend(t, s, c, 1, third)
	want := []store.Chunk{small, large, third}
	for chunk, err := range s.Range(t.Context(), c, 1) {
		if err != nil || !sameChunk(chunk, want[chunk.Sequence-1]) {
			t.Errorf("chunk %d was not read back (%v)", chunk.Sequence, err)
		}
	}
}

func chunkRemove(t *testing.T, s store.Store) {
	gone := []store.Capture{captureOf("c1"), captureOf("c2"), captureOf("c3")}
	kept := []store.Capture{{Shop: otherShop, Session: "s1", ID: "c1"}, {Shop: shop, Session: "s2", ID: "c1"}}
	for _, c := range append(gone, kept...) {
		mustOpen(t, s, c)
		mustOpen(t, s, c)
		mustAppend(t, s, c, 2, chunksOf(c, 1, 600)...)
	}
	for range 2 {
		if err := s.Remove(t.Context(), shop, "s1"); err != nil {
			t.Fatal(err)
		}
		for _, c := range gone {
			_, err := s.Tail(t.Context(), c)
			wantErr(t, "tail", err, store.ErrNotFound)
			_, err = s.Append(t.Context(), c, 2, chunkOf(c, 601))
			wantErr(t, "append", err, store.ErrNotFound)
			wantErr(t, "range", rangeErr(t.Context(), s, c, 1), store.ErrNotFound)
		}
		for _, c := range kept {
			wantChunks(t, s, c, 600)
		}
	}
	if tail := mustOpen(t, s, gone[0]); tail != (store.Tail{Epoch: 1}) {
		t.Errorf("a removed capture came back as %+v", tail)
	}
	wantChunks(t, s, gone[0], 0)
}

func chunkInvalid(t *testing.T, s store.Store) {
	c := captureOf("c1")
	mustOpen(t, s, c)
	for what, bad := range map[string]store.Capture{
		"no shop":    {Session: "s1", ID: "c1"},
		"no session": {Shop: shop, ID: "c1"},
		"no id":      {Shop: shop, Session: "s1"},
		"a novel":    {Shop: shop, Session: "s1", ID: strings.Repeat("c", store.MaxName+1)},
	} {
		_, err := s.Open(t.Context(), bad)
		wantErr(t, "open with "+what, err, store.ErrInvalid)
		_, err = s.Append(t.Context(), bad, 1, chunkOf(c, 1))
		wantErr(t, "append with "+what, err, store.ErrInvalid)
		_, err = s.Tail(t.Context(), bad)
		wantErr(t, "tail with "+what, err, store.ErrInvalid)
		wantErr(t, "range with "+what, rangeErr(t.Context(), s, bad, 1), store.ErrInvalid)
	}
	blob := []byte{1}
	for what, chunks := range map[string][]store.Chunk{
		"nothing":          nil,
		"sequence 0":       {{Sequence: 0, Blob: blob}},
		"sequence too big": {{Sequence: store.MaxSequence + 1, Blob: blob}},
		"no bytes":         {{Sequence: 1}},
		"too many bytes":   {{Sequence: 1, Blob: make([]byte, store.MaxChunk+1)}},
		"too many chunks":  {chunkOfSize(c, 1, store.MaxChunk), chunkOfSize(c, 2, store.MaxChunk), chunkOf(c, 3)},
		"a hole":           {chunkOf(c, 1), chunkOf(c, 3)},
		"one twice":        {chunkOf(c, 1), chunkOf(c, 1)},
		"samples < 0":      {{Sequence: 1, Blob: blob, Samples: -1}},
	} {
		_, err := s.Append(t.Context(), c, 1, chunks...)
		wantErr(t, "append of "+what, err, store.ErrInvalid)
	}
	_, err := s.Append(t.Context(), c, 0, chunkOf(c, 1))
	wantErr(t, "append with epoch 0", err, store.ErrInvalid)
	for _, from := range []int64{0, -1, store.MaxSequence + 2} {
		wantErr(t, "range from nowhere", rangeErr(t.Context(), s, c, from), store.ErrInvalid)
	}
	wantErr(t, "remove without session", s.Remove(t.Context(), shop, ""), store.ErrInvalid)
	wantErr(t, "remove without shop", s.Remove(t.Context(), "", "s1"), store.ErrInvalid)
	wantChunks(t, s, c, 0)
}

func chunkAliasing(t *testing.T, s store.Store) {
	c := captureOf("c1")
	mustOpen(t, s, c)
	chunk := chunkOf(c, 1)
	mustAppend(t, s, c, 1, chunk)
	chunk.Blob[0] ^= 1
	for range 2 {
		for got, err := range s.Range(t.Context(), c, 1) {
			if err != nil || !sameChunk(got, chunkOf(c, 1)) {
				t.Fatalf("what is stored was changed from outside (%v)", err)
			}
			got.Blob[0] ^= 1
		}
	}
}

func chunkCancelled(t *testing.T, s store.Store) {
	c := captureOf("c1")
	mustOpen(t, s, c)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := s.Append(ctx, c, 1, chunkOf(c, 1))
	wantErr(t, "append", err, context.Canceled)
	_, err = s.Open(ctx, c)
	wantErr(t, "open", err, context.Canceled)
	_, err = s.Tail(ctx, c)
	wantErr(t, "tail", err, context.Canceled)
	wantErr(t, "range", rangeErr(ctx, s, c, 1), context.Canceled)
	wantErr(t, "remove", s.Remove(ctx, shop, "s1"), context.Canceled)
	wantChunks(t, s, c, 0)
	if tail := mustOpen(t, s, c); tail.Epoch != 2 {
		t.Errorf("the epoch is %d", tail.Epoch)
	}
}

func chunkClosed(t *testing.T, s store.Store) {
	c := captureOf("c1")
	mustOpen(t, s, c)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	_, err := s.Open(t.Context(), c)
	wantErr(t, "open", err, store.ErrClosed)
	_, err = s.Append(t.Context(), c, 1, chunkOf(c, 1))
	wantErr(t, "append", err, store.ErrClosed)
	_, err = s.Tail(t.Context(), c)
	wantErr(t, "tail", err, store.ErrClosed)
	wantErr(t, "range", rangeErr(t.Context(), s, c, 1), store.ErrClosed)
	wantErr(t, "remove", s.Remove(t.Context(), shop, "s1"), store.ErrClosed)
}
