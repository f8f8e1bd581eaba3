// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"iter"

	"github.com/airassay/airassay/server/store"
)

const (
	sqlInsertChunk = `INSERT INTO chunks (capture, sequence, first_us, last_us, samples, digest, blob) VALUES (?, ?, ?, ?, ?, ?, ?)`
	sqlDigestOf    = `SELECT digest FROM chunks WHERE capture = ? AND sequence = ?`
	sqlFindCapture = `SELECT number, epoch, removed FROM captures WHERE shop = ? AND session = ? AND capture = ?`
	sqlNewCapture  = `INSERT INTO captures (shop, session, capture, epoch) VALUES (?, ?, ?, 1)`
	sqlSetEpoch    = `UPDATE captures SET epoch = ? WHERE number = ?`
	sqlLastChunk   = `SELECT sequence, last_us FROM chunks WHERE capture = ? ORDER BY sequence DESC LIMIT 1`
	sqlMarkRemoved = `UPDATE captures SET removed = 1 WHERE shop = ? AND session = ?`
	sqlNextRemoved = `SELECT number FROM captures WHERE shop = ? AND session = ? AND removed = 1 LIMIT 1`
	sqlDropChunks  = `DELETE FROM chunks WHERE place IN (SELECT place FROM chunks WHERE capture = ? LIMIT 256)`
	sqlDropped     = `DELETE FROM captures WHERE number = ?`

	// One statement sees one state of the file, so a removal that begins
	// meanwhile can never look like missing chunks.
	sqlReadTail = `SELECT c.epoch, coalesce(k.sequence, 0), coalesce(k.last_us, 0)
		FROM captures c LEFT JOIN chunks k ON k.capture = c.number AND k.sequence =
			(SELECT max(sequence) FROM chunks WHERE capture = c.number)
		WHERE c.shop = ? AND c.session = ? AND c.capture = ? AND c.removed = 0`
	sqlReadChunks = `SELECT k.sequence, k.first_us, k.last_us, k.samples, k.digest, k.blob
		FROM captures c JOIN chunks k ON k.capture = c.number AND k.sequence >= ?
		WHERE c.shop = ? AND c.session = ? AND c.capture = ? AND c.removed = 0
		ORDER BY k.sequence LIMIT 256`
)

const (
	// rememberedCaptures bounds the writer's memory at about 4 MB; beyond it
	// the positions are looked up afresh.
	rememberedCaptures = 16384
	// readBytes is how much Range reads ahead.
	readBytes = 1 << 20
)

// position is where a capture stands, under its number in the file.
type position struct {
	number int64
	store.Tail
}

// Open takes the next epoch of a capture.
func (s *Store) Open(ctx context.Context, capture store.Capture) (store.Tail, error) {
	if err := capture.Check(); err != nil {
		return store.Tail{}, err
	}
	var tail store.Tail
	err := s.submit(ctx, &job{do: func(w *writer) (err error) {
		tail, err = w.open(capture)
		return err
	}})
	if err != nil {
		return store.Tail{}, fmt.Errorf("open capture %s: %w", capture, err)
	}
	return tail, nil
}

// Append adds chunks to a capture.
func (s *Store) Append(ctx context.Context, capture store.Capture, epoch int64, chunks ...store.Chunk) (store.Ack, error) {
	if err := capture.Check(); err != nil {
		return store.Ack{}, err
	}
	chunks, err := store.Prepare(epoch, chunks)
	if err != nil {
		return store.Ack{}, err
	}
	bytes := 0
	for _, chunk := range chunks {
		bytes += len(chunk.Blob)
	}
	var ack store.Ack
	err = s.submit(ctx, &job{bytes: bytes, do: func(w *writer) (err error) {
		ack, err = w.append(capture, epoch, chunks)
		return err
	}})
	if err != nil {
		return store.Ack{}, fmt.Errorf("append to capture %s: %w", capture, err)
	}
	return ack, nil
}

// Tail says where a capture stands.
func (s *Store) Tail(ctx context.Context, capture store.Capture) (store.Tail, error) {
	if err := capture.Check(); err != nil {
		return store.Tail{}, err
	}
	if err := s.enter(); err != nil {
		return store.Tail{}, err
	}
	defer s.leave()
	var tail store.Tail
	err := s.reads.QueryRowContext(ctx, sqlReadTail, capture.Shop, capture.Session, capture.ID).
		Scan(&tail.Epoch, &tail.Sequence, &tail.Last)
	if errors.Is(err, sql.ErrNoRows) {
		err = store.ErrNotFound
	}
	if err != nil {
		return store.Tail{}, fmt.Errorf("capture %s: %w", capture, s.explain(err))
	}
	return tail, nil
}

// Range yields the chunks of a capture in order.
func (s *Store) Range(ctx context.Context, capture store.Capture, from int64) iter.Seq2[store.Chunk, error] {
	return func(yield func(store.Chunk, error) bool) {
		fail := func(err error) { yield(store.Chunk{}, fmt.Errorf("read capture %s: %w", capture, err)) }
		if err := errors.Join(capture.Check(), store.CheckFrom(from)); err != nil {
			fail(err)
			return
		}
		promised := int64(0) // What the tail has said is there.
		for next := from; ; {
			chunks, err := s.readChunks(ctx, capture, next)
			for _, chunk := range chunks {
				if err := chunk.Verify(next); err != nil {
					fail(fmt.Errorf("%s: %w", s.path, err))
					return
				}
				if !yield(chunk, nil) {
					return
				}
				next++
			}
			if err != nil {
				fail(err)
				return
			}
			if len(chunks) > 0 {
				continue
			}
			tail, err := s.Tail(ctx, capture)
			switch {
			case err != nil:
				yield(store.Chunk{}, err)
				return
			case tail.Sequence < next:
				return
			case promised >= next:
				fail(fmt.Errorf("%s: chunk %d is missing: %w", s.path, next, store.ErrCorrupt))
				return
			}
			promised = tail.Sequence
		}
	}
}

// readChunks reads a few chunks, those before an error included, and holds nothing afterwards, so that a slow
// reader neither keeps the log from being folded nor the store from closing.
func (s *Store) readChunks(ctx context.Context, capture store.Capture, from int64) (chunks []store.Chunk, err error) {
	if err := s.enter(); err != nil {
		return nil, err
	}
	defer s.leave()
	rows, err := s.reads.QueryContext(ctx, sqlReadChunks, from, capture.Shop, capture.Session, capture.ID)
	if err != nil {
		return nil, s.explain(err)
	}
	defer func() { err = errors.Join(err, s.explain(rows.Close())) }()
	for bytes := 0; bytes < readBytes && rows.Next(); {
		chunk, err := scanChunk(rows)
		if err != nil {
			return chunks, s.explain(err)
		}
		bytes += len(chunk.Blob)
		chunks = append(chunks, chunk)
	}
	return chunks, s.explain(rows.Err())
}

func scanChunk(rows *sql.Rows) (store.Chunk, error) {
	var chunk store.Chunk
	var digest []byte
	err := rows.Scan(&chunk.Sequence, &chunk.First, &chunk.Last, &chunk.Samples, &digest, &chunk.Blob)
	copy(chunk.Digest[:], digest) // One that is cut off fits no blob.
	return chunk, err
}

// Remove drops the chunks of all captures of a session.
func (s *Store) Remove(ctx context.Context, shop, session string) error {
	if err := store.CheckSession(shop, session); err != nil {
		return err
	}
	step := func(do func(*writer) error) error {
		if err := s.submit(ctx, &job{do: do}); err != nil {
			return fmt.Errorf("remove the captures of session %s/%s: %w", shop, session, err)
		}
		return nil
	}
	if err := step(func(w *writer) error { return w.fenceOff(shop, session) }); err != nil {
		return err
	}
	for more := true; more; {
		err := step(func(w *writer) (err error) {
			more, err = w.dropSome(shop, session)
			return err
		})
		if err != nil {
			return err
		}
	}
	return nil
}

func (w *writer) open(capture store.Capture) (store.Tail, error) {
	at, err := w.find(capture)
	switch {
	case errors.Is(err, errBeingRemoved):
		return store.Tail{}, fmt.Errorf("its session is being removed: %w", store.ErrConflict)
	case errors.Is(err, store.ErrNotFound):
		return w.create(capture)
	case err != nil:
		return store.Tail{}, err
	}
	if _, err := w.stmts.setEpoch.Exec(at.Epoch+1, at.number); err != nil {
		return store.Tail{}, err
	}
	at.Epoch++
	return at.Tail, nil
}

func (w *writer) create(capture store.Capture) (store.Tail, error) {
	result, err := w.stmts.newCapture.Exec(capture.Shop, capture.Session, capture.ID)
	if err != nil {
		return store.Tail{}, err
	}
	number, err := result.LastInsertId()
	if err != nil {
		return store.Tail{}, err
	}
	at := &position{number: number, Tail: store.Tail{Epoch: 1}}
	w.remember(capture, at)
	return at.Tail, nil
}

func (w *writer) append(capture store.Capture, epoch int64, chunks []store.Chunk) (store.Ack, error) {
	at, err := w.find(capture)
	if err != nil {
		return store.Ack{}, err
	}
	repeats, err := w.admit(at, epoch, chunks)
	if err != nil {
		return store.Ack{}, err
	}
	for _, chunk := range chunks[repeats:] {
		_, err := w.stmts.insertChunk.Exec(at.number, chunk.Sequence,
			chunk.First, chunk.Last, chunk.Samples, chunk.Digest[:], chunk.Blob)
		if err != nil {
			return store.Ack{}, err
		}
		at.Sequence, at.Last = chunk.Sequence, chunk.Last
	}
	return store.Ack{Sequence: at.Sequence, Repeats: repeats}, nil
}

// admit decides on all chunks before the first is written, so that a refusal
// leaves nothing to undo. It gives the number of repeats at their front.
func (w *writer) admit(at *position, epoch int64, chunks []store.Chunk) (repeats int, err error) {
	tail := at.Tail
	for _, chunk := range chunks {
		isNew, err := tail.Admit(epoch, chunk.Sequence)
		if err != nil {
			return 0, err
		}
		if isNew {
			tail.Sequence = chunk.Sequence
			continue
		}
		if err := w.compare(at, chunk); err != nil {
			return 0, err
		}
		repeats++
	}
	return repeats, nil
}

func (w *writer) compare(at *position, chunk store.Chunk) error {
	var digest []byte
	err := w.stmts.digestOf.QueryRow(at.number, chunk.Sequence).Scan(&digest)
	if errors.Is(err, sql.ErrNoRows) {
		return fmt.Errorf("chunk %d of %d is missing: %w", chunk.Sequence, at.Sequence, store.ErrCorrupt)
	}
	if err != nil {
		return err
	}
	var stored store.Digest
	copy(stored[:], digest)
	return chunk.Compare(stored)
}

var errBeingRemoved = fmt.Errorf("its session is being removed: %w", store.ErrNotFound)

// find gives the position of a capture, remembered or read.
func (w *writer) find(capture store.Capture) (*position, error) {
	if at := w.captures[capture]; at != nil {
		return at, nil
	}
	at := new(position)
	var removed bool
	err := w.stmts.findCapture.QueryRow(capture.Shop, capture.Session, capture.ID).
		Scan(&at.number, &at.Epoch, &removed)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return nil, store.ErrNotFound
	case err != nil:
		return nil, err
	case removed:
		return nil, errBeingRemoved
	}
	err = w.stmts.lastChunk.QueryRow(at.number).Scan(&at.Sequence, &at.Last)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return nil, err
	}
	w.remember(capture, at)
	return at, nil
}

func (w *writer) remember(capture store.Capture, at *position) {
	if len(w.captures) >= rememberedCaptures {
		w.forget()
	}
	w.captures[capture] = at
}

func (w *writer) fenceOff(shop, session string) error {
	for capture := range w.captures {
		if capture.Shop == shop && capture.Session == session {
			delete(w.captures, capture)
		}
	}
	_, err := w.stmts.markRemoved.Exec(shop, session)
	return err
}

func (w *writer) dropSome(shop, session string) (more bool, err error) {
	var number int64
	err = w.stmts.nextRemoved.QueryRow(shop, session).Scan(&number)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	result, err := w.stmts.dropChunks.Exec(number)
	if err != nil {
		return false, err
	}
	if dropped, err := result.RowsAffected(); err != nil || dropped > 0 {
		return true, err
	}
	_, err = w.stmts.dropped.Exec(number)
	return true, err
}
