// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package host

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

const (
	// tempPrefix begins the name of a private temporary folder; the host's process number follows.
	tempPrefix = "airassay-"
	// runPrefix begins the name of the folder of one run, as the plugin library makes it.
	runPrefix = "plugin-dir"
	// maxSocketPath is what the address of a Unix socket can hold on every system: 104 bytes with the zero at its end,
	// as on the BSDs (sys/un.h); Linux has 108.
	maxSocketPath = 103
	// socketRoom is what comes behind the folder: two names with the longest random number that os.CreateTemp appends.
	socketRoom = len("/" + runPrefix + "4294967295" + "/plugin4294967295")
)

// socketFolder makes the folder for an adapter's sockets, with nothing left in it of a host that was killed.
func socketFolder(o *Options) (dir string, temporary bool, err error) {
	if o.SocketDir == "" {
		dir, err = temporaryFolder()
		return dir, true, err
	}
	dir, err = filepath.Abs(filepath.Join(o.SocketDir, o.Manifest.Name))
	if err != nil {
		return "", false, err
	}
	if err := checkLength(dir); err != nil {
		return "", false, err
	}
	if err := errors.Join(privateDir(dir), sweep(dir, runPrefix, func(string) bool { return true })); err != nil {
		return "", false, fmt.Errorf("folder for the adapter's sockets: %w", err)
	}
	return dir, false, nil
}

func checkLength(dir string) error {
	if most := maxSocketPath - socketRoom; len(dir) > most {
		return fmt.Errorf("the folder for sockets %s has a path of %d bytes, but at most %d leave room for a socket's name: choose a shorter one", dir, len(dir), most)
	}
	return nil
}

func temporaryFolder() (string, error) {
	base := os.TempDir()
	pattern := tempPrefix + strconv.Itoa(os.Getpid()) + "-*"
	if checkLength(filepath.Join(base, pattern+"4294967295")) != nil {
		base = "/tmp" // the variable TMPDIR may lead deep; the default of every Unix does not
	}
	// A folder of somebody else cannot be removed, which is as well.
	_ = sweep(base, tempPrefix, func(name string) bool {
		number, _, _ := strings.Cut(name, "-")
		pid, err := strconv.Atoi(number)
		return err == nil && !alive(pid)
	})
	dir, err := os.MkdirTemp(base, pattern)
	if err != nil {
		return "", err
	}
	return dir, checkLength(dir)
}

// sweep removes the folders in dir whose name has the prefix and whose rest is stale.
func sweep(dir, prefix string, stale func(rest string) bool) error {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return err
	}
	var failed []error
	for _, entry := range entries {
		rest, ours := strings.CutPrefix(entry.Name(), prefix)
		if ours && entry.IsDir() && stale(rest) {
			failed = append(failed, os.RemoveAll(filepath.Join(dir, entry.Name())))
		}
	}
	return errors.Join(failed...)
}
