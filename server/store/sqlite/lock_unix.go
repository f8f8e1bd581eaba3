// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build unix

package sqlite

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// tryLock locks a whole file until it is closed, by this process or by its death.
func tryLock(file *os.File) (taken bool, err error) {
	err = unix.Flock(int(file.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		return false, nil
	}
	return err == nil, err
}
