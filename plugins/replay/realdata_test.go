// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package replay

import (
	"context"
	"os"
	"path/filepath"
	"testing"

	"google.golang.org/grpc/codes"

	"github.com/airassay/airassay/sdk/recording"
)

// The recordings of real vehicles belong to others and lie beside the project.
func TestRealVehiclesArePlayedDifferently(t *testing.T) {
	dir := filepath.Join("..", "..", "..", "shared", "data")
	if _, err := os.Stat(dir); err != nil && os.Getenv("CI") != "" {
		t.Fatalf("continuous integration needs the recordings: %v", err)
	} else if err != nil {
		t.Skipf("skipped, because the recordings are not here: %v", err)
	}
	b := newBench(t, dir, `"speed": "max"`)
	b.list()
	_, err := b.open("r2-part-load-no-clock.csv")
	refused(t, err, codes.InvalidArgument, "BAD_CONFIGURATION", "r2-part-load-no-clock.csv: it has no clock")
	for _, id := range []string{"r3a-bench-nominal.csv", "r3b-bench-meter-gain-090.csv", "r3c-bench-manifold-leak-6mm.csv", "r1-full-load-slow-poll.csv", "r4-no-air-meter.csv"} {
		b.mustOpen(id)
		rec := readAsProposed(t, filepath.Join(dir, id))
		l := b.feed(wants(id, paths(rec)...))
		l.untilOver()
		same(t, l.samples, rec, rec.Samples)
	}
}

func readAsProposed(t *testing.T, path string) *recording.Recording {
	t.Helper()
	f, err := recording.OpenFile(path)
	if err != nil {
		t.Fatal(err)
	}
	defer closeRead(f)
	own, err := recording.IsOurs(f)
	if err != nil {
		t.Fatal(err)
	}
	var o recording.Options
	if !own {
		p, err := recording.Propose(context.Background(), f, path)
		if err != nil {
			t.Fatal(err)
		}
		o.Mapping = p.Mapping
	}
	rec, err := recording.Open(t.Context(), path, o)
	if err != nil {
		t.Fatal(err)
	}
	return rec
}
