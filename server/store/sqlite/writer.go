// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package sqlite

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"math"
	"runtime"
	"sync/atomic"

	"github.com/airassay/airassay/server/store"
)

const (
	// queueLength is how many calls wait for the writer before further ones
	// block: about one from each of the 2,000 sessions that are to stream at once.
	queueLength = 2048
	// groupBytes ends a group, so that on a memory card that writes 25 MB/s
	// nobody waits longer than about a third of a second for the others.
	groupBytes = 8 << 20
)

// job is one call that waits for the writer.
type job struct {
	do    func(*writer) error // May run twice; the last run counts.
	guard bool                // Undo what it did where it refuses.
	bytes int
	state atomic.Int32
	done  chan error // Holds one, so that the writer never waits for a reader.
	err   error      // The writer's own, until the group is settled.
}

const (
	waiting int32 = iota
	taken         // The writer works on it: it waits for the outcome.
	gone          // Its caller has given up before the writer came to it.
)

// submit hands a job to the writer and waits until it is durable. When the
// context ends while the job is still waiting it is withdrawn; when the writer
// has begun with it, submit waits for the outcome, which takes one commit, so
// that the caller is never left in doubt and the blobs are free on return.
func (s *Store) submit(ctx context.Context, j *job) error {
	if err := s.enqueue(ctx, j); err != nil {
		return err
	}
	select {
	case err := <-j.done:
		return err
	case <-ctx.Done():
		if j.state.CompareAndSwap(waiting, gone) {
			return ctx.Err()
		}
		return <-j.done
	}
}

func (s *Store) enqueue(ctx context.Context, j *job) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if err := s.enter(); err != nil {
		return err
	}
	defer s.leave()
	j.done = make(chan error, 1)
	select {
	case s.jobs <- j:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// write is the writing goroutine. It ends when the store is closed and the
// queue is empty.
func (s *Store) write(w *writer) {
	defer close(s.stopped)
	defer func() { _ = w.close() }() // Every job has its answer; the pool is closed next and reports what it finds.
	var group []*job
	for first := range s.jobs {
		group = s.gather(group[:0], first)
		w.settle(group)
		s.groups.Add(1)
		for _, j := range group {
			j.done <- s.explain(j.err)
		}
		clear(group)
	}
}

// gather takes what waits, without waiting for more. It yields once, so that
// those who were woken by the last commit can come with their next call.
func (s *Store) gather(group []*job, first *job) []*job {
	runtime.Gosched()
	bytes := 0
	for j := first; ; {
		if j.state.CompareAndSwap(waiting, taken) {
			group = append(group, j)
			bytes += j.bytes
		}
		if bytes >= groupBytes || len(group) >= queueLength {
			return group
		}
		var more bool
		select {
		case j, more = <-s.jobs:
			if !more {
				return group
			}
		default:
			return group
		}
	}
}

// writer is the one connection that writes, with what it remembers. Only the
// writing goroutine uses it.
type writer struct {
	db       *sql.DB
	conn     *sql.Conn
	stmts    statements
	captures map[store.Capture]*position
}

func newWriter(ctx context.Context, db *sql.DB) (*writer, error) {
	w := &writer{db: db, captures: make(map[store.Capture]*position)}
	err := w.connect(ctx)
	if err == nil {
		err = w.tryWriting()
	}
	if err != nil {
		return nil, errors.Join(err, w.close())
	}
	return w, nil
}

// tryWriting finds out at once whether the file may be written: SQLite opens a
// file that may only be read without a word, and begins transactions on it. It
// writes nothing: no request came before the beginning of time.
func (w *writer) tryWriting() error {
	_, err := w.stmts.dropRequests.Exec(int64(math.MinInt64))
	return err
}

func (w *writer) connect(ctx context.Context) (err error) {
	if w.conn, err = w.db.Conn(ctx); err != nil {
		return err
	}
	return w.stmts.prepare(ctx, w.conn)
}

func (w *writer) close() error {
	err := w.stmts.close()
	if w.conn != nil {
		err = errors.Join(err, w.conn.Close())
		w.conn = nil
	}
	return err
}

// discard closes the connection for good instead of giving it back to the pool.
func (w *writer) discard() {
	_ = w.stmts.close() // Before the connection: the driver does not survive the other order.
	if w.conn != nil {
		_ = w.conn.Raw(func(any) error { return driver.ErrBadConn }) // Gives that error back.
	}
	_ = w.close() // It is given up because it does not work; it may say so once more.
}

// settle carries out a group in one transaction. Where that fails for a reason
// that is not the caller's, each job gets a transaction of its own, so that
// one that cannot be written does not take its neighbours with it.
func (w *writer) settle(group []*job) {
	if len(group) == 0 {
		return
	}
	err := w.transact(group)
	if err == nil {
		return
	}
	for _, j := range group {
		if len(group) > 1 {
			err = w.transact([]*job{j})
		}
		if err != nil {
			j.err = err
		}
	}
}

// transact runs jobs in one transaction. An error means that nothing was
// written; what a job refuses is no error here but its own.
func (w *writer) transact(group []*job) error {
	if err := w.begin(); err != nil {
		return err
	}
	for _, j := range group {
		if j.err = w.run(j); j.err != nil && !isRefusal(j.err) {
			return w.abort(j.err)
		}
	}
	if _, err := w.stmts.commit.Exec(); err != nil {
		return w.abort(fmt.Errorf("commit: %w", err))
	}
	return nil
}

// begin starts a transaction; where the connection is no longer fit for one,
// with a fresh connection.
func (w *writer) begin() error {
	if w.conn != nil {
		if _, err := w.stmts.begin.Exec(); err == nil {
			return nil
		}
	}
	w.forget()
	w.discard()
	if err := w.connect(context.Background()); err != nil {
		return errors.Join(err, w.close())
	}
	if _, err := w.stmts.begin.Exec(); err != nil {
		return fmt.Errorf("begin: %w", err)
	}
	return nil
}

func (w *writer) abort(cause error) error {
	w.forget()
	if w.conn != nil {
		// SQLite rolls back by itself after some errors and then has nothing left
		// to roll back; where it truly fails, begin takes a fresh connection.
		_, _ = w.stmts.rollback.Exec()
	}
	return cause
}

// forget drops what was remembered of captures; it may not be what is stored.
func (w *writer) forget() { clear(w.captures) }

func (w *writer) run(j *job) error {
	if !j.guard {
		return j.do(w)
	}
	if _, err := w.stmts.savepoint.Exec(); err != nil {
		return err
	}
	refused := j.do(w)
	if refused != nil {
		if !isRefusal(refused) {
			return refused
		}
		if _, err := w.stmts.undo.Exec(); err != nil {
			return fmt.Errorf("undo: %w", err)
		}
	}
	if _, err := w.stmts.release.Exec(); err != nil {
		return err
	}
	return refused
}

// isRefusal reports whether an error is an answer of the contract, not a
// failure of the database.
func isRefusal(err error) bool {
	for _, answer := range []error{
		store.ErrNotFound, store.ErrExists, store.ErrConflict,
		store.ErrFenced, store.ErrGap, store.ErrInvalid,
	} {
		if errors.Is(err, answer) {
			return true
		}
	}
	return false
}

// statements are prepared once, on the writing connection.
type statements struct {
	all []*sql.Stmt

	begin, commit, rollback, savepoint, undo, release *sql.Stmt

	insertChunk, digestOf                         *sql.Stmt
	findCapture, newCapture, setEpoch, lastChunk  *sql.Stmt
	markRemoved, nextRemoved, dropChunks, dropped *sql.Stmt

	versionOf, insertFact, updateFact, deleteFact *sql.Stmt
	findRequest, insertRequest, dropRequests      *sql.Stmt
}

func (s *statements) prepare(ctx context.Context, conn *sql.Conn) error {
	*s = statements{}
	for _, one := range []struct {
		stmt **sql.Stmt
		text string
	}{
		{&s.begin, `BEGIN IMMEDIATE`},
		{&s.commit, `COMMIT`},
		{&s.rollback, `ROLLBACK`},
		{&s.savepoint, `SAVEPOINT change`},
		{&s.undo, `ROLLBACK TO change`},
		{&s.release, `RELEASE change`},
		{&s.insertChunk, sqlInsertChunk},
		{&s.digestOf, sqlDigestOf},
		{&s.findCapture, sqlFindCapture},
		{&s.newCapture, sqlNewCapture},
		{&s.setEpoch, sqlSetEpoch},
		{&s.lastChunk, sqlLastChunk},
		{&s.markRemoved, sqlMarkRemoved},
		{&s.nextRemoved, sqlNextRemoved},
		{&s.dropChunks, sqlDropChunks},
		{&s.dropped, sqlDropped},
		{&s.versionOf, sqlVersionOf},
		{&s.insertFact, sqlInsertFact},
		{&s.updateFact, sqlUpdateFact},
		{&s.deleteFact, sqlDeleteFact},
		{&s.findRequest, sqlFindRequest},
		{&s.insertRequest, sqlInsertRequest},
		{&s.dropRequests, sqlDropRequests},
	} {
		stmt, err := conn.PrepareContext(ctx, one.text)
		if err != nil {
			return fmt.Errorf("prepare %q: %w", one.text, err)
		}
		*one.stmt = stmt
		s.all = append(s.all, stmt)
	}
	return nil
}

func (s *statements) close() error {
	var errs []error
	for _, stmt := range s.all {
		errs = append(errs, stmt.Close())
	}
	*s = statements{}
	return errors.Join(errs...)
}
