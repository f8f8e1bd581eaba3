// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build race

package conformance

// raced says that the race detector is at work.
const raced = true
