// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build !race

package app

// raced says whether the race detector is at work.
const raced = false
