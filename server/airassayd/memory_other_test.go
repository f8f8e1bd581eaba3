// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build !linux

package main

import "os"

// peakMemory is not told by every system.
func peakMemory(*os.ProcessState) (int64, bool) { return 0, false }
