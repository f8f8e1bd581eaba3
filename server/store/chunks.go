// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package store

import (
	"context"
	"crypto/sha256"
	"fmt"
	"iter"
)

// Capture names one stream of sample batches.
type Capture struct {
	// Shop is the tenant that the capture belongs to.
	Shop string
	// Session is the session that it is part of.
	Session string
	// ID is unique within the session.
	ID string
}

// String gives shop/session/id, for messages.
func (c Capture) String() string { return fmt.Sprintf("%s/%s/%s", c.Shop, c.Session, c.ID) }

// Digest is the SHA-256 of a chunk's blob. It tells a repeat from a
// contradiction, and what was written from what a failing disk gives back.
type Digest [sha256.Size]byte

// Chunk is one sample batch, stored whole or not at all.
type Chunk struct {
	// Sequence is its place in the capture: 1, 2, 3 ... up to MaxSequence.
	Sequence int64
	// First and Last are the times of its first and last sample, in
	// microseconds on the session's axis. The store keeps them and draws no
	// conclusion from them.
	First int64
	Last  int64
	// Samples is the number of samples in it.
	Samples int64
	// Blob is the batch itself, 1 to MaxChunk bytes. A repeat is compared by
	// it alone, so the same batch must always be given as the same bytes.
	Blob []byte
	// Digest is that of Blob. The store sets it.
	Digest Digest
}

// Tail says where a capture stands.
type Tail struct {
	// Epoch is that of the capture's last writer.
	Epoch int64
	// Sequence is the highest durable sequence number, 0 before the first chunk.
	Sequence int64
	// Last is the Last of that chunk, in microseconds on the session's axis.
	Last int64
}

// Ack says what became of an append.
type Ack struct {
	// Sequence is the capture's highest durable sequence number.
	Sequence int64
	// Repeats is how many of the chunks were there already, byte for byte.
	Repeats int
}

// Limits of chunks.
const (
	// MaxChunk is the most bytes of one chunk: 4 MiB, the largest message that
	// a gRPC server accepts unless told otherwise.
	MaxChunk = 4 << 20
	// MaxAppend is the most bytes of one call of Append, all chunks together.
	MaxAppend = 2 * MaxChunk
	// MaxSequence is the highest sequence number: the highest integer that
	// every reader of JSON keeps exact.
	MaxSequence = 1<<53 - 1
)

// Chunks keeps the sample batches of captures.
//
// What it promises of each capture:
//   - Ordered: chunks are stored and read by rising sequence, without holes.
//   - Unique: a sequence number is stored once; the same bytes again are
//     absorbed, other bytes are refused.
//   - Durable: an acknowledged chunk survives the loss of power.
//   - Whole: a chunk is there with all its bytes, or not at all.
//   - Fenced: from the moment that Open returns, no earlier writer adds anything.
type Chunks interface {
	// Open makes the caller the capture's writer: it takes the next epoch, 1
	// for a new capture, and makes it durable. Tail.Sequence is where to go
	// on. Open by a caller who then appends nothing ends all writing.
	Open(ctx context.Context, capture Capture) (Tail, error)

	// Append adds chunks with rising, adjoining sequence numbers and returns
	// when they are durable; all of them are added, or none. Chunks that are
	// there with the same bytes are absorbed and counted. ErrNotFound where the
	// capture was never opened, ErrFenced where the epoch is not that of its
	// last writer, ErrConflict where the sequence number is there with other
	// bytes, ErrGap where the first new chunk is not the next one.
	//
	// Append blocks while the store is behind. When ctx ends first, the chunks
	// may or may not be stored: append them again, or ask Tail. The blobs are
	// not touched after the return. An append that fails never makes one of
	// another capture fail.
	Append(ctx context.Context, capture Capture, epoch int64, chunks ...Chunk) (Ack, error)

	// Tail says where a capture stands, or gives ErrNotFound.
	Tail(ctx context.Context, capture Capture) (Tail, error)

	// Range yields the chunks of a capture from a sequence number (1 for the
	// first) on, in order, a few at a time in memory, up to the one that is
	// the last when it gets there: at least what was acknowledged before the
	// call. The body may take its time, and may call the store: nothing is
	// held meanwhile. An error is yielded once, with an empty chunk, and ends
	// it: ErrNotFound for an unknown capture, ErrCorrupt where a chunk is
	// missing or has other bytes than were written. The blobs belong to the
	// caller.
	Range(ctx context.Context, capture Capture, from int64) iter.Seq2[Chunk, error]

	// Remove drops the chunks and epochs of all captures of a session. Their
	// writers get ErrNotFound from the moment that it begins. It works in
	// steps, so that a long drive does not hold up the appends of others;
	// after an error call it again. A session without captures is no error.
	Remove(ctx context.Context, shop, session string) error
}

// Admit applies the rules of fencing and sequence to a chunk that is offered
// to a capture which stands at t. It reports whether the chunk is new; if it
// is not, the caller compares digests. The rules live here, once for all
// stores.
func (t Tail) Admit(epoch, sequence int64) (isNew bool, err error) {
	switch {
	case epoch != t.Epoch:
		return false, &FencedError{Current: t.Epoch, Offered: epoch}
	case sequence <= t.Sequence:
		return false, nil
	case sequence > t.Sequence+1:
		return false, &GapError{Expected: t.Sequence + 1, Offered: sequence}
	}
	return true, nil
}

// Compare gives ErrConflict where a repeated chunk has other bytes than the stored one.
func (c Chunk) Compare(stored Digest) error {
	if c.Digest == stored {
		return nil
	}
	return fmt.Errorf("sequence %d is stored with other bytes: %w", c.Sequence, ErrConflict)
}

// Verify gives ErrCorrupt where a chunk that was read is not the one with that
// sequence number, or its bytes are not those that were written.
func (c Chunk) Verify(sequence int64) error {
	if c.Sequence != sequence {
		return fmt.Errorf("chunk %d is missing, %d follows: %w", sequence, c.Sequence, ErrCorrupt)
	}
	if Digest(sha256.Sum256(c.Blob)) != c.Digest {
		return fmt.Errorf("chunk %d has other bytes than were written: %w", sequence, ErrCorrupt)
	}
	return nil
}
