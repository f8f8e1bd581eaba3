// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package sqlite

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

// tryLock locks a file until it is closed, by this process or by its death. It
// locks one byte far beyond the end, because a locked byte cannot be read and
// others want to read who holds the lock.
func tryLock(file *os.File) (taken bool, err error) {
	place := windows.Overlapped{OffsetHigh: 1 << 30}
	flags := uint32(windows.LOCKFILE_EXCLUSIVE_LOCK | windows.LOCKFILE_FAIL_IMMEDIATELY)
	err = windows.LockFileEx(windows.Handle(file.Fd()), flags, 0, 1, 0, &place)
	if errors.Is(err, windows.ERROR_LOCK_VIOLATION) {
		return false, nil
	}
	return err == nil, err
}
