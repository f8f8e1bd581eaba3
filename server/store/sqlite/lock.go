// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package sqlite

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"

	"github.com/airassay/airassay/server/store"
)

// lockDir makes sure that one store at a time has a data directory open. The
// lock goes with the file handle, so a killed process leaves none behind; the
// file itself stays, because removing it would let two processes lock two
// files of the same name.
func lockDir(path string) (*os.File, error) {
	file, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", store.ErrUnavailable, err)
	}
	taken, err := tryLock(file)
	switch {
	case err != nil:
		err = fmt.Errorf("lock %s: %w: %w", path, store.ErrUnavailable, err)
	case !taken:
		err = fmt.Errorf("%s: %w%s; stop it, or choose another data directory", path, store.ErrInUse, holder(file))
	default:
		err = signLock(file)
	}
	if err != nil {
		return nil, errors.Join(err, file.Close())
	}
	return file, nil
}

// signLock writes down who holds the lock, for the message that others get.
func signLock(file *os.File) error {
	err := file.Truncate(0)
	if err == nil {
		_, err = file.WriteAt([]byte(strconv.Itoa(os.Getpid())+"\n"), 0)
	}
	if err != nil {
		return fmt.Errorf("write %s: %w: %w", file.Name(), store.ErrUnavailable, err)
	}
	return nil
}

func holder(file *os.File) string {
	text, err := io.ReadAll(io.LimitReader(file, 32))
	pid, convErr := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil || convErr != nil {
		return ""
	}
	return fmt.Sprintf(" (process %d)", pid)
}
