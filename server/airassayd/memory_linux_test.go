// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package main

import (
	"os"
	"syscall"
)

// peakMemory is the largest resident memory of an ended process, in bytes.
func peakMemory(p *os.ProcessState) (int64, bool) {
	usage, ok := p.SysUsage().(*syscall.Rusage)
	if !ok {
		return 0, false
	}
	const kibibyte = 1024
	return usage.Maxrss * kibibyte, true
}
