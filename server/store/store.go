// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package store says how the service keeps what it was told: two small
// contracts, and nothing of the trade in them.
//
// Facts are records of some kind (a vehicle, a session, a verdict ...): opaque
// bytes beside the few columns that listing needs. Chunks are the sample
// batches of captures: append-only, numbered without holes, and durable before
// they are acknowledged. What the bytes mean is decided above; a store that
// has to be written for another database therefore stays small, and one suite,
// storetest, holds every store to the same behaviour.
//
// The shop is the first part of every key. A caller who knows one shop's keys
// reaches nothing of another's.
//
// How the layers above are meant to use it:
//   - An etag is made of Fact.Serial and Fact.Version, a page token of the
//     query and the Serial of the last fact.
//   - A session is closed by Open of its captures, which fences their writers
//     off, then one Change that creates the verdict and updates the session.
//   - A session is deleted by Remove, then one Change that deletes its facts:
//     in this order a crash between the two leaves something to delete again.
//   - A request is first looked up by Recall, before anything is checked that
//     may have changed since it was carried out; Apply decides.
package store

// Store keeps facts and chunks. Every method may be called from any number of
// goroutines at once. A method that changes something returns without error
// only after the change would survive a loss of power (the memory store, which
// keeps nothing, aside).
type Store interface {
	Facts
	Chunks

	// Close commits what has been accepted, waits for reads under way and
	// lets go of the data. Later calls of any method give ErrClosed; a
	// second Close only waits for the first.
	Close() error
}
