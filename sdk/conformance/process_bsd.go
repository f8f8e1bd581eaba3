// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build unix && !linux

package conformance

import "syscall"

func groupAlive(pgid int) bool { return syscall.Kill(-pgid, 0) == nil }
