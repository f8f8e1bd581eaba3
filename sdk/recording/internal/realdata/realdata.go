// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package realdata finds the recordings of real vehicles that tests read. They belong
// to others and are not part of the project: they lie beside it, in ../shared/data of
// the repository.
package realdata

import (
	"os"
	"path/filepath"
	"testing"
)

// Open opens one recording and closes it when the test ends. Where the recordings are
// missing, the test is skipped, saying so, and fails under continuous integration (CI
// is set in the environment).
func Open(t testing.TB, name string) *os.File {
	t.Helper()
	path := filepath.Join(root(t), "..", "shared", "data", name)
	f, err := os.Open(path)
	if err != nil && os.Getenv("CI") != "" {
		t.Fatalf("continuous integration needs the recordings: %v", err)
	}
	if err != nil {
		t.Skipf("skipped, because the recording is not here: %v", err)
	}
	t.Cleanup(func() { _ = f.Close() })
	return f
}

// root is the directory of go.mod, above the test's own.
func root(t testing.TB) string {
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return dir
		}
		parent := filepath.Dir(dir)
		if parent == dir {
			t.Fatal("no go.mod above the test")
		}
		dir = parent
	}
}
