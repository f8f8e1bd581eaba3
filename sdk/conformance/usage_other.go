// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build !linux

package conformance

// canMeasure says that the system tells what another process uses.
const canMeasure = false

// usage is what a process and those that it has started hold.
type usage struct {
	memory int64 // bytes that are resident
	files  int   // open descriptors
}

func measure(int) usage { return usage{} }
