// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package sqlite

import (
	"context"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/airassay/airassay/server/store"
)

// A release that changes the schema adds a file to testdata:
//
//	go test ./server/store/sqlite -run TestStoresOfEarlierReleases -update
//
// and checks it in. Files of earlier releases are never made anew: they are
// what is in the field.
var update = flag.Bool("update", false, "write the golden database of the present schema version")

func goldenPath(version int) string { return filepath.Join("testdata", fmt.Sprintf("v%d.db", version)) }

func TestStoresOfEarlierReleasesAreUpgradedWhole(t *testing.T) {
	steps, err := migrations()
	if err != nil {
		t.Fatal(err)
	}
	if *update {
		writeGolden(t, goldenPath(len(steps)))
	}
	fresh := schema(t, mustOpen(t, t.TempDir()))
	for version := 1; version <= len(steps); version++ {
		t.Run(fmt.Sprint("v", version), func(t *testing.T) {
			s := openGolden(t, goldenPath(version), version)
			checkGolden(t, s)
			if upgraded := schema(t, s); !slices.Equal(upgraded, fresh) {
				t.Errorf("the upgraded schema is\n%s\na new one is\n%s", strings.Join(upgraded, "\n"), strings.Join(fresh, "\n"))
			}
			useGolden(t, s)
			mustClose(t, s)
		})
	}
}

// writeGolden makes the database of the present release, with something in
// every table.
func writeGolden(t *testing.T, path string) {
	t.Helper()
	dir := t.TempDir()
	s := mustOpen(t, dir)
	change := store.Change{Request: goldenRequest()}
	for i := range 5 {
		change.Create = append(change.Create, goldenFact(i))
	}
	if _, err := s.Apply(t.Context(), change); err != nil {
		t.Fatal(err)
	}
	if _, err := store.Update(t.Context(), s, goldenFact(3)); err != nil {
		t.Fatal(err)
	}
	if err := store.Delete(t.Context(), s, goldenFact(4).Key, 1); err != nil {
		t.Fatal(err)
	}
	for _, c := range goldenCaptures() {
		fill(t, s, c, 3)
		fill(t, s, c, 6)
	}
	mustClose(t, s)
	content, err := os.ReadFile(filepath.Join(dir, fileName))
	if err == nil {
		err = os.MkdirAll(filepath.Dir(path), 0o755)
	}
	if err == nil {
		err = os.WriteFile(path, content, 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
}

func goldenFact(i int) store.Fact {
	return store.Fact{
		Key:    store.Key{Shop: "local", Kind: "thing", ID: fmt.Sprint("id", i)},
		Parent: fmt.Sprint("parent", i%2), Reference: fmt.Sprint("reference ", i), State: "open",
		Blob: []byte{byte(i), 0, 255},
	}
}

func goldenRequest() *store.Request {
	return &store.Request{Shop: "local", Method: "CreateThing", ID: "r1", Body: [32]byte{1, 2, 3}, Response: "id0", Time: time.UnixMicro(1_800_000_000_000_000)}
}

func goldenCaptures() []store.Capture {
	return []store.Capture{capture, {Shop: "local", Session: "s2", ID: "c1"}}
}

func openGolden(t *testing.T, path string, version int) *Store {
	t.Helper()
	content, err := os.ReadFile(path)
	if err != nil {
		t.Fatalf("%v; run the test with -update where version %d is the one you have just made", err, version)
	}
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, fileName), content, 0o600); err != nil {
		t.Fatal(err)
	}
	db, err := openDB(filepath.Join(dir, fileName), 1)
	if err != nil {
		t.Fatal(err)
	}
	var stored int
	if err := db.QueryRow(`PRAGMA user_version`).Scan(&stored); err != nil || stored != version {
		t.Errorf("%s holds schema version %d (%v)", path, stored, err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	return mustOpen(t, dir)
}

func checkGolden(t *testing.T, s *Store) {
	t.Helper()
	page, err := s.List(t.Context(), store.Query{Shop: "local", Kind: "thing", State: "open", Limit: 10})
	if err != nil || page.More || len(page.Facts) != 4 {
		t.Fatalf("listed %+v (%v)", page, err)
	}
	for i, got := range page.Facts {
		want := goldenFact(i)
		want.Version, want.Serial = 1, int64(i+1)
		if i == 3 {
			want.Version = 2
		}
		if fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("fact %d is %+v, want %+v", i, got, want)
		}
	}
	if response, err := s.Recall(t.Context(), *goldenRequest()); err != nil || response != "id0" {
		t.Errorf("recalled %q (%v)", response, err)
	}
	for _, c := range goldenCaptures() {
		tail, err := s.Tail(t.Context(), c)
		if want := (store.Tail{Epoch: 2, Sequence: 6, Last: chunk(6, 1).Last}); err != nil || tail != want {
			t.Errorf("%s stands at %+v (%v), want %+v", c, tail, err, want)
		}
		for got, err := range s.Range(t.Context(), c, 1) {
			want := chunk(got.Sequence, 600)
			if err != nil || got.First != want.First || got.Last != want.Last || got.Samples != want.Samples || !slices.Equal(got.Blob, want.Blob) {
				t.Errorf("%s: chunk %d is not what was written (%v)", c, got.Sequence, err)
			}
		}
	}
}

// useGolden writes on where the earlier release left off.
func useGolden(t *testing.T, s *Store) {
	t.Helper()
	fact, err := store.Create(t.Context(), s, goldenFact(4))
	if err != nil || fact.Serial != 6 {
		t.Errorf("created %+v (%v), want serial 6: 5 has been used", fact, err)
	}
	fill(t, s, capture, 9)
	if sequences, err := readAll(context.Background(), s, capture); err != nil || len(sequences) != 9 {
		t.Errorf("read %v (%v)", sequences, err)
	}
}

func schema(t *testing.T, s *Store) (lines []string) {
	t.Helper()
	rows, err := s.reads.Query(`SELECT type || ' ' || name || ' ' || coalesce(sql, '') FROM sqlite_schema ORDER BY type, name`)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = rows.Close() }() // Err below tells.
	for rows.Next() {
		var line string
		if err := rows.Scan(&line); err != nil {
			t.Fatal(err)
		}
		lines = append(lines, line)
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return lines
}
