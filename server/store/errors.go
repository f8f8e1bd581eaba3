// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package store

import (
	"errors"
	"fmt"
)

// The errors of every store, wrapped with what was done to which key. Test for
// them with errors.Is.
var (
	// ErrNotFound: there is nothing under that key in that shop.
	ErrNotFound = errors.New("not found")
	// ErrExists: a fact with that key is there already.
	ErrExists = errors.New("already exists")
	// ErrConflict: the fact has changed since it was read, or a chunk repeats
	// a sequence number with other bytes. Read again, then decide.
	ErrConflict = errors.New("conflict")
	// ErrFenced: the capture has been opened by a later writer, or never with
	// that epoch. See FencedError.
	ErrFenced = errors.New("fenced off")
	// ErrGap: chunks are missing before the one offered. See GapError.
	ErrGap = errors.New("gap")
	// ErrInvalid: the call breaks the contract, whatever the store holds: an
	// empty key, a blob beyond its limit, a sequence below 1.
	ErrInvalid = errors.New("invalid argument")
	// ErrCorrupt: what is stored cannot be what was written. Nothing is
	// repaired and nothing is guessed; restore a copy.
	ErrCorrupt = errors.New("stored data is corrupt")
	// ErrFull: there is no room left. What was acknowledged is safe, and the
	// store works again as soon as there is room.
	ErrFull = errors.New("storage is full")
	// ErrUnavailable: the medium refuses to be read or written, now or for good.
	ErrUnavailable = errors.New("storage is unavailable")
	// ErrNewer: the data was written by a newer release. Nothing was changed.
	ErrNewer = errors.New("stored data is of a newer release")
	// ErrInUse: another process has the data open.
	ErrInUse = errors.New("storage is in use by another process")
	// ErrClosed: the store has been closed.
	ErrClosed = errors.New("store is closed")
)

// GapError is an append that would leave a hole. It is an ErrGap.
type GapError struct {
	// Expected is the sequence number that has to come next.
	Expected int64
	// Offered is the one that was offered.
	Offered int64
}

// Error says what was offered and what is expected.
func (e *GapError) Error() string {
	return fmt.Sprintf("gap: sequence %d was offered, %d is expected", e.Offered, e.Expected)
}

// Unwrap gives ErrGap.
func (e *GapError) Unwrap() error { return ErrGap }

// FencedError is an append by a writer that is not the capture's last. It is an ErrFenced.
type FencedError struct {
	// Current is the epoch of the capture's last writer.
	Current int64
	// Offered is the epoch that the append came with.
	Offered int64
}

// Error says which epoch wrote and which one may.
func (e *FencedError) Error() string {
	return fmt.Sprintf("fenced off: epoch %d may not write, the capture's writer has epoch %d", e.Offered, e.Current)
}

// Unwrap gives ErrFenced.
func (e *FencedError) Unwrap() error { return ErrFenced }
