// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"path/filepath"
	"runtime"
	"strings"
	"sync"

	driver "modernc.org/sqlite"
	codes "modernc.org/sqlite/lib"

	"github.com/airassay/airassay/server/store"
)

// This file is the only one that knows which SQLite driver is used.

const (
	// busyTimeoutMS is how long a connection waits for a lock, in
	// milliseconds. Only this process has the file open and only one
	// connection writes, so nothing waits except beside a backup tool.
	busyTimeoutMS = 5000
	// writerCacheKiB keeps the index page that each capture is being appended
	// to in memory: 2,000 captures of one 4 KiB page each, four times over.
	writerCacheKiB = 32 << 10
	// checkpointPages is how many pages of 4 KiB the log holds before it is
	// folded into the file: 16 MiB. A larger log folds more writes of the same
	// page into one, a smaller one is faster to recover.
	checkpointPages = 4096
	// logLimitBytes is what the log is cut back to after it grew past it.
	logLimitBytes = 64 << 20
)

// fdatasync makes commits wait for the data and the size of the file but not
// for its times, as the SQLite of every Linux distribution does. It is as
// durable and takes about half as long.
var fdatasync = sync.OnceFunc(func() {
	if _, err := driver.Fdatasync(true); err != nil {
		return // Not offered on this platform, where fsync stays in use.
	}
})

func openWriter(path string) (*sql.DB, error) {
	fdatasync()
	return openDB(path, 1,
		"_pragma", "journal_mode(WAL)",
		"_pragma", "synchronous(FULL)",
		"_pragma", fmt.Sprintf("cache_size(-%d)", writerCacheKiB),
		"_pragma", fmt.Sprintf("wal_autocheckpoint(%d)", checkpointPages),
		"_pragma", fmt.Sprintf("journal_size_limit(%d)", logLimitBytes),
	)
}

func openReaders(path string) (*sql.DB, error) {
	return openDB(path, max(4, runtime.GOMAXPROCS(0)), "_query_only", "1")
}

func openDB(path string, connections int, options ...string) (*sql.DB, error) {
	query := url.Values{
		"mode":          {"rw"},
		"_busy_timeout": {fmt.Sprint(busyTimeoutMS)},
		"_foreign_keys": {"1"},
		"_defensive":    {"1"},
		"_dqs":          {"0"},
		"_error_rc":     {"1"},
		"_txlock":       {"deferred"},
	}
	for i := 0; i+1 < len(options); i += 2 {
		query.Add(options[i], options[i+1])
	}
	db, err := sql.Open("sqlite", fileURI(path, query))
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", path, err)
	}
	db.SetMaxOpenConns(connections)
	db.SetMaxIdleConns(connections)
	return db, nil
}

// fileURI spells a path so that no character of it is taken for a part of the URI.
func fileURI(path string, query url.Values) string {
	slashed := filepath.ToSlash(path)
	if !strings.HasPrefix(slashed, "/") {
		slashed = "/" + slashed // A drive letter on Windows.
	}
	return (&url.URL{Scheme: "file", Path: slashed, RawQuery: query.Encode()}).String()
}

// explain turns an error of the database into one of the contract, with the
// path of the file that it is about.
func (s *Store) explain(err error) error { return explain(s.path, err) }

func explain(path string, err error) error {
	if err == nil || isRefusal(err) || errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	return fmt.Errorf("%s: %w: %w", path, meaning(err), err)
}

func meaning(err error) error {
	var failed *driver.Error
	if !errors.As(err, &failed) {
		if known := knownMeaning(err); known != nil {
			return known
		}
		return store.ErrUnavailable
	}
	switch failed.Code() & 0xff {
	case codes.SQLITE_CORRUPT, codes.SQLITE_NOTADB:
		return store.ErrCorrupt
	case codes.SQLITE_FULL:
		return store.ErrFull
	case codes.SQLITE_TOOBIG:
		return store.ErrInvalid
	}
	return store.ErrUnavailable
}

func knownMeaning(err error) error {
	for _, known := range []error{store.ErrCorrupt, store.ErrFull, store.ErrNewer, store.ErrInUse, store.ErrClosed} {
		if errors.Is(err, known) {
			return known
		}
	}
	return nil
}

func isUniqueViolation(err error) bool {
	var failed *driver.Error
	return errors.As(err, &failed) && failed.Code() == codes.SQLITE_CONSTRAINT_UNIQUE
}
