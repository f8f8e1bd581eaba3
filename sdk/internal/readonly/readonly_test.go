// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package readonly

import (
	"bytes"
	"errors"
	"log/slog"
	"strings"
	"testing"

	"github.com/airassay/airassay/sdk/j1979"
)

func TestEachRefusalIsRecorded(t *testing.T) {
	var out bytes.Buffer
	g := Guard{Log: slog.New(slog.NewTextHandler(&out, nil))}
	if err := g.Check([]byte{0x01, 0x0C}); err != nil || out.Len() > 0 {
		t.Fatalf("a request that reads: %v, %s", err, &out)
	}
	if err := g.Check([]byte{0x2E, 0xF4, 0x0C, 0}, "device", "one"); !errors.Is(err, j1979.ErrNotReadOnly) {
		t.Fatal(err)
	}
	for _, want := range []string{"level=WARN", "service=2E", `payload="2E F4 0C 00"`, "refused=1", "device=one"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("the log lacks %s: %s", want, &out)
		}
	}
	out.Reset()
	if err := g.Check(nil); err == nil || !strings.Contains(out.String(), "refused=2") {
		t.Errorf("%v, %s", err, &out)
	}
	if err := g.Check(bytes.Repeat([]byte{4}, 4095)); err == nil || out.Len() > 2000 {
		t.Errorf("%v, a line of %d bytes", err, out.Len())
	}
	if g.Refused() != 3 {
		t.Errorf("%d refusals were counted, want 3", g.Refused())
	}
}

func TestWithoutALogRefusalsAreCounted(t *testing.T) {
	var g Guard
	if err := g.Check([]byte{4}); err == nil || g.Refused() != 1 {
		t.Errorf("%v, %d", err, g.Refused())
	}
}
