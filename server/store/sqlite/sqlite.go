// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package sqlite is the embedded store: one SQLite file in a directory of its
// own, through a driver in pure Go, so that one static binary is the whole
// product on a box.
//
// The file is in WAL mode with synchronous=FULL: what was committed survives
// the loss of power. One goroutine writes. It gathers what waits, from all
// sessions, into one transaction, so the price of making it durable is shared
// among those who wait (group commit), and nobody waits for the sake of a
// larger group. Reads have connections of their own and never wait for the
// writer.
//
// The directory must be on a local disk: SQLite's log needs memory that is
// shared between connections, and the lock on the directory is not to be
// trusted over a network.
package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"sync"
	"sync/atomic"

	"github.com/airassay/airassay/server/store"
)

const (
	fileName = "airassay.db"
	lockName = "airassay.lock"
)

// Store is a store.Store in one directory. Open makes it.
type Store struct {
	path    string
	lock    *os.File
	writes  *sql.DB
	reads   *sql.DB
	jobs    chan *job
	stopped chan struct{} // Closed when the writing goroutine has ended.
	groups  atomic.Int64  // Groups written so far; the benchmarks compare with loops that commit as often.

	gate     sync.RWMutex  // Held for reading by every call under way.
	closed   bool          // Guarded by gate.
	released chan struct{} // Closed when Close is done.
}

var _ store.Store = (*Store)(nil)

// Open opens the store in a directory, which it makes (with mode 0700) where
// it is not there, and brings its schema up to date. Close it again.
//
// store.ErrInUse: another process, or another Store of this one, has it open.
// store.ErrNewer: a newer release has written it; nothing was changed.
// store.ErrCorrupt: the file is damaged, or no database of this program.
// store.ErrUnavailable: the directory cannot be made, read or written.
func Open(ctx context.Context, dir string) (*Store, error) {
	dir, err := makeDir(dir)
	if err != nil {
		return nil, err
	}
	lock, err := lockDir(filepath.Join(dir, lockName))
	if err != nil {
		return nil, err
	}
	s := &Store{
		path:     filepath.Join(dir, fileName),
		lock:     lock,
		jobs:     make(chan *job, queueLength),
		stopped:  make(chan struct{}),
		released: make(chan struct{}),
	}
	writer, err := s.open(ctx)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("open store: %w", s.explain(err)), s.release())
	}
	go s.write(writer)
	return s, nil
}

func (s *Store) open(ctx context.Context) (*writer, error) {
	steps, err := migrations()
	if err != nil {
		return nil, err
	}
	if err := createFile(s.path); err != nil {
		return nil, err
	}
	if s.writes, err = openWriter(s.path); err != nil {
		return nil, err
	}
	if s.reads, err = openReaders(s.path); err != nil {
		return nil, err
	}
	conn, err := s.writes.Conn(ctx)
	if err != nil {
		return nil, err
	}
	if err := migrate(ctx, conn, steps); err != nil {
		return nil, errors.Join(err, conn.Close())
	}
	if err := conn.Close(); err != nil { // Back to the pool, from where the writer takes it.
		return nil, err
	}
	return newWriter(ctx, s.writes)
}

// Close commits what was accepted and lets go of the directory.
func (s *Store) Close() error {
	s.gate.Lock()
	if s.closed {
		s.gate.Unlock()
		<-s.released
		return nil
	}
	s.closed = true
	close(s.jobs)
	s.gate.Unlock()
	defer close(s.released)
	<-s.stopped
	return s.explain(s.release())
}

func (s *Store) release() error {
	var errs []error
	for _, db := range []*sql.DB{s.reads, s.writes} { // The writer last: it folds the log into the file.
		if db != nil {
			errs = append(errs, db.Close())
		}
	}
	return errors.Join(append(errs, s.lock.Close())...)
}

// enter holds the store open for a call; leave ends it.
func (s *Store) enter() error {
	s.gate.RLock()
	if s.closed {
		s.gate.RUnlock()
		return fmt.Errorf("%s: %w", s.path, store.ErrClosed)
	}
	return nil
}

func (s *Store) leave() { s.gate.RUnlock() }

func makeDir(dir string) (string, error) {
	absolute, err := filepath.Abs(dir)
	if err == nil {
		err = os.MkdirAll(absolute, 0o700)
	}
	if err != nil {
		return "", fmt.Errorf("data directory %s: %w: %w", dir, store.ErrUnavailable, err)
	}
	return absolute, nil
}

// createFile makes the database file where it is not there: readable by its
// owner only, which the log beside it inherits, and with its name on the disk
// before anything is acknowledged.
func createFile(path string) error {
	file, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, os.ErrExist) {
		return nil
	}
	if err != nil {
		return err
	}
	return errors.Join(file.Sync(), file.Close(), syncDir(filepath.Dir(path)), syncDir(filepath.Dir(filepath.Dir(path))))
}

func syncDir(path string) error {
	if runtime.GOOS == "windows" {
		return nil // Directories cannot be opened for syncing; NTFS journals names itself.
	}
	dir, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(dir.Sync(), dir.Close())
}
