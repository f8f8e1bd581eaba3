// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package session is the life of vehicles, sessions, captures and verdicts over
// a store: what a front end asks for, what a writer pushes, and who waits for
// what. It knows the API's messages, the store and the assay; it knows nothing
// of gRPC.
//
// Facts and batches are carried and stored as messages of airassay.v1beta1: a
// second set of structs would only repeat them. A stored blob is the
// deterministic marshalling of that message, without what the store itself
// knows (etag, sequences, epoch). The two translations that touch the assay are
// given by the caller (Config.Facts and Config.Convert), because server/rpc is
// their home and imports this package.
//
// A batch's way: validated, encoded, made durable by the store together with
// those of other sessions, only then fed to the session's assay (where one is
// in memory), acknowledged, and those who watch are told that something is new.
// Nothing on this way waits for a watcher or for an assessment.
//
// # Assays
//
// The assay of a session is a cache: it can be dropped at any moment and is built
// again from the store when it is next needed. It is built from the captures
// in the order of their creation, merged by time: of the next samples of all
// captures the earliest is taken, that of the older capture among equals, and
// the samples of one capture stay in the order of their sequence. With one
// capture that is the order in which they were pushed, so that live, resumed
// and replayed assessments are equal byte for byte. With several, samples that
// arrive after the assay was built are taken in the order of their arrival, and a
// live assessment may differ slightly from a replayed one; what is stored as a
// verdict then always comes from a fresh replay.
//
// # Shops
//
// Each method takes the shop first. It is in no name, and a name of another
// shop is not found. The caller decides which shop a caller belongs to.
package session
