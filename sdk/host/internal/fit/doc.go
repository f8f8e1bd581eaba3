// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package fit holds the tests that start an adapter of the SDK from the host: that both halves fit each other. It has no
// code of its own.
package fit
