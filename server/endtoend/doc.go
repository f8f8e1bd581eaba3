// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package endtoend holds the tests and benchmarks that meet the program as its
// callers do: as a process behind its API, which is killed and started again. It has no
// code of its own, and its tests know the contract and the reader of recordings, nothing
// of the server.
package endtoend
