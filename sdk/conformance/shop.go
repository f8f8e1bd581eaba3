// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
)

// shop holds what all runs of an adapter share.
type shop struct {
	host, stranger *identity
	sockets        string // folder of the folders for sockets
	logs           string

	mu      sync.Mutex
	runs    int
	verbose io.Writer
}

func newShop(o *Options) (*shop, error) {
	s := &shop{logs: o.Logs, verbose: o.Verbose}
	var errs [4]error
	s.host, errs[0] = newIdentity()
	s.stranger, errs[1] = newIdentity()
	sweep(shortTemp())
	s.sockets, errs[2] = os.MkdirTemp(shortTemp(), fmt.Sprint(socketPrefix, os.Getpid(), "-"))
	if s.logs != "" {
		errs[3] = os.MkdirAll(s.logs, 0o755)
	}
	return s, errors.Join(errs[:]...)
}

// socketPrefix begins the name of a folder for sockets; the kit's process number follows.
const socketPrefix = "airassay-kit-"

// sweep removes what kits that were killed have left. What is another user's cannot be removed, which is as well.
func sweep(dir string) {
	left, _ := filepath.Glob(filepath.Join(dir, socketPrefix+"*")) // the pattern is well formed
	for _, path := range left {
		number, _, _ := strings.Cut(strings.TrimPrefix(filepath.Base(path), socketPrefix), "-")
		if pid, err := strconv.Atoi(number); err == nil && isGone(pid) {
			_ = os.RemoveAll(path)
		}
	}
}

// shortTemp is a folder for temporary files in which the path of a Unix socket fits into the 104 bytes that it may have.
func shortTemp() string {
	dir := os.TempDir()
	if len(dir) > 40 && filepath.Separator == '/' {
		return "/tmp" // the variable TMPDIR may lead deep; the default of every Unix does not
	}
	return dir
}

func (s *shop) close() error { return os.RemoveAll(s.sockets) }

// place makes a folder for the socket of one run, and a file for its log.
func (s *shop) place(name string) (dir string, log io.WriteCloser, err error) {
	s.mu.Lock()
	s.runs++
	run := s.runs
	s.mu.Unlock()
	dir = filepath.Join(s.sockets, strconv.Itoa(run))
	if err := os.Mkdir(dir, 0o700); err != nil {
		return "", nil, err
	}
	if s.logs == "" {
		return dir, nil, nil
	}
	file, err := os.Create(filepath.Join(s.logs, fmt.Sprintf("%03d-%s.log", run, name)))
	if err != nil {
		return "", nil, errors.Join(err, os.RemoveAll(dir))
	}
	return dir, file, nil
}

// pass shows a line of an adapter's log to who wants to see it.
func (s *shop) pass(line string) {
	if s.verbose == nil {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	_, _ = fmt.Fprintln(s.verbose, line) // a terminal that is gone fails no adapter
}
