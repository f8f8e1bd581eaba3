// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build unix

package replay

import (
	"os"
	"syscall"
)

// readFlags keep the opening of a pipe, put in a file's place a moment ago, from waiting for a writer.
const readFlags = os.O_RDONLY | syscall.O_NONBLOCK
