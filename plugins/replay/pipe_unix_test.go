// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build unix

package replay

import (
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
)

// Opening a pipe for reading waits for somebody who writes.
func TestPipeIsWaitedFor(t *testing.T) {
	dir := folder(t, map[string]string{"a.csv": good, "b.csv": ambiguous})
	b := newBench(t, dir, "")
	b.list()
	if err := os.Remove(filepath.Join(dir, "a.csv")); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"a.csv", "b.csv" + mappingSuffix} {
		if err := syscall.Mkfifo(filepath.Join(dir, name), 0o600); err != nil {
			t.Skipf("this system has no named pipes: %v", err)
		}
	}
	began := time.Now()
	if got := b.ids(); got != "b.csv" {
		t.Errorf("%q is listed", got)
	}
	_, err := b.open("a.csv")
	refused(t, err, codes.InvalidArgument, "BAD_CONFIGURATION", "no regular file")
	_, err = b.open("b.csv")
	refused(t, err, codes.InvalidArgument, "BAD_CONFIGURATION", "b.csv"+mappingSuffix, "no regular file")
	// Put in the file's place between the look and the opening, it is opened without waiting.
	f, err := os.OpenFile(filepath.Join(dir, "a.csv"), readFlags, 0)
	if err != nil {
		t.Fatal(err)
	}
	closeRead(f)
	if took := time.Since(began); took > time.Second {
		t.Errorf("it took %v", took)
	}
}

func TestUnreadableFileIsListed(t *testing.T) {
	if os.Geteuid() == 0 {
		t.Skip("root may read everything")
	}
	dir := folder(t, map[string]string{"a.csv": good, "b.csv": good})
	b := newBench(t, dir, "")
	b.list()
	if err := os.Chmod(filepath.Join(dir, "a.csv"), 0); err != nil {
		t.Fatal(err)
	}
	if got := b.ids(); got != "b.csv" {
		t.Errorf("%q is listed", got)
	}
	_, err := b.open("a.csv")
	refused(t, err, codes.InvalidArgument, "BAD_CONFIGURATION", "a.csv: it cannot be opened: permission denied")
}
