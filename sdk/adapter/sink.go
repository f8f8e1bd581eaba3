// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapter

// Sink takes the samples of one feed.
type Sink struct{}
