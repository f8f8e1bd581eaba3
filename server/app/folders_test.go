// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"bytes"
	"context"
	"path/filepath"
	"strings"
	"testing"
)

func TestServeRefusesFoldersThatAreNotThere(t *testing.T) {
	missing := filepath.Join(t.TempDir(), "missing")
	for _, flag := range []string{"--recordings", "--scenarios", "--adapters"} {
		var out, errs bytes.Buffer
		status := Main(context.Background(), []string{"serve", "--listen", "127.0.0.1:0", "--data", t.TempDir(), flag, missing}, &out, &errs)
		if status != StatusRefused || out.Len() != 0 || !strings.Contains(errs.String(), flag) || !strings.Contains(errs.String(), missing) {
			t.Errorf("%s: %d\n%s\n%s", flag, status, out.String(), errs.String())
		}
	}
}
