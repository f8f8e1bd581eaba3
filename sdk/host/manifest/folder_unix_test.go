// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build unix

package manifest

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// Whoever can write there can put another program in the place of the checked one.
func TestWhatOthersCanWriteIsRefused(t *testing.T) {
	for _, open := range []string{".", "..", "adapter"} {
		m := place(t, filepath.Join(t.TempDir(), "adapters"), "bench")
		if err := os.Chmod(m.Path(open), 0o777); err != nil {
			t.Fatal(err)
		}
		if _, err := m.Verify(); err == nil || !strings.Contains(err.Error(), "can be written by everybody") {
			t.Errorf("%s: %v", open, err)
		}
	}
}
