// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package sqlite

import (
	"context"
	"database/sql"
	"fmt"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/airassay/airassay/server/store"
)

// batchSizes are the bytes of a batch by its samples: about 12 bytes a sample
// in packed columns.
var batchSizes = map[int]int{50: 600, 500: 6000}

// BenchmarkAppend measures durable appends from captures that each wait for
// their acknowledgement, beside two bare loops that commit the same blobs to the
// same settings in groups of the same size: one into the same table, one into
// a table without key or index.
func BenchmarkAppend(b *testing.B) {
	for _, samples := range []int{50, 500} {
		for _, captures := range []int{1, 10, 100, 1000} {
			b.Run(fmt.Sprintf("samples=%d/captures=%d", samples, captures), func(b *testing.B) {
				s := mustOpen(b, b.TempDir())
				names := openCaptures(b, s, captures)
				before := s.groups.Load()
				b.ResetTimer()
				start := time.Now()
				appendAll(b, s, names, batchSizes[samples], 1)
				took := time.Since(start)
				b.StopTimer()
				group := max(1, b.N/int(max(1, s.groups.Load()-before)))
				same := bareLoop(b, captures, batchSizes[samples], group, sqlInsertChunk)
				plain := bareLoop(b, captures, batchSizes[samples], group, sqlInsertPlain)
				report(b, took, same, plain, group, samples)
			})
		}
	}
}

// BenchmarkAppendMany measures one capture that hands over ten batches a call.
func BenchmarkAppendMany(b *testing.B) {
	s := mustOpen(b, b.TempDir())
	names := openCaptures(b, s, 1)
	b.ResetTimer()
	start := time.Now()
	appendAll(b, s, names, batchSizes[50], 10)
	took := time.Since(start)
	b.StopTimer()
	same := bareLoop(b, 1, batchSizes[50], 10, sqlInsertChunk)
	plain := bareLoop(b, 1, batchSizes[50], 10, sqlInsertPlain)
	report(b, took, same, plain, 10, 50)
}

const (
	sqlCreatePlain = `CREATE TABLE plain (capture INTEGER, sequence INTEGER, first_us INTEGER, last_us INTEGER, samples INTEGER, digest BLOB, blob BLOB)`
	sqlInsertPlain = `INSERT INTO plain VALUES (?, ?, ?, ?, ?, ?, ?)`
)

func report(b *testing.B, took, same, plain time.Duration, group, samples int) {
	perSecond := float64(b.N) / took.Seconds()
	b.ReportMetric(perSecond, "appends/s")
	b.ReportMetric(perSecond*float64(samples), "samples/s")
	b.ReportMetric(float64(group), "appends/commit")
	b.ReportMetric(same.Seconds()/took.Seconds(), "of-same-table")
	b.ReportMetric(plain.Seconds()/took.Seconds(), "of-plain-table")
}

func openCaptures(b *testing.B, s *Store, n int) []store.Capture {
	b.Helper()
	names := make([]store.Capture, n)
	for i := range names {
		names[i] = store.Capture{Shop: "local", Session: fmt.Sprint("s", i), ID: "c"}
	}
	together := sync.WaitGroup{}
	for _, name := range names {
		together.Go(func() {
			if _, err := s.Open(context.Background(), name); err != nil {
				b.Error(err)
			}
		})
	}
	together.Wait()
	return names
}

// appendAll appends b.N batches, dealt out evenly to the captures.
func appendAll(b *testing.B, s *Store, names []store.Capture, size, atOnce int) {
	b.Helper()
	var group sync.WaitGroup
	for i, name := range names {
		group.Go(func() {
			blob := chunk(int64(i), size).Blob
			share := b.N / len(names)
			if i < b.N%len(names) {
				share++
			}
			for done := 0; done < share; {
				chunks := make([]store.Chunk, min(atOnce, share-done))
				for k := range chunks {
					done++
					chunks[k] = store.Chunk{Sequence: int64(done), Samples: 50, Blob: blob}
				}
				if _, err := s.Append(context.Background(), name, 1, chunks...); err != nil {
					b.Error(err)
					return
				}
			}
		})
	}
	group.Wait()
}

// bareLoop commits b.N blobs to one table with the same settings.
func bareLoop(b *testing.B, captures, size, group int, insert string) time.Duration {
	b.Helper()
	dir := b.TempDir()
	mustClose(b, mustOpen(b, dir)) // For the schema.
	db, err := openWriter(filepath.Join(dir, fileName))
	if err != nil {
		b.Fatal(err)
	}
	defer func() {
		if err := db.Close(); err != nil {
			b.Error(err)
		}
	}()
	conn, err := db.Conn(context.Background())
	if err != nil {
		b.Fatal(err)
	}
	defer func() { _ = conn.Close() }() // db.Close tells.
	var stmts statements
	if err := stmts.prepare(context.Background(), conn); err != nil {
		b.Fatal(err)
	}
	defer func() { _ = stmts.close() }() // Nor is there anything left to do here.
	if _, err := conn.ExecContext(context.Background(), sqlCreatePlain); err != nil {
		b.Fatal(err)
	}
	stmt, err := conn.PrepareContext(context.Background(), insert)
	if err != nil {
		b.Fatal(err)
	}
	defer func() { _ = stmt.Close() }() // Here too.
	for i := range captures {
		if _, err := stmts.newCapture.Exec("local", fmt.Sprint("s", i), "c"); err != nil {
			b.Fatal(err)
		}
	}
	start := time.Now()
	for done := 0; done < b.N; {
		done += bareCommit(b, stmts, stmt, done, min(group, b.N-done), captures, size)
	}
	return time.Since(start)
}

var bareBlob, bareDigest = make([]byte, 6000), make([]byte, 32)

func bareCommit(b *testing.B, stmts statements, insert *sql.Stmt, from, n, captures, size int) int {
	exec := func(stmt *sql.Stmt, args ...any) {
		if _, err := stmt.Exec(args...); err != nil {
			b.Fatal(err)
		}
	}
	exec(stmts.begin)
	for i := from; i < from+n; i++ {
		exec(insert, i%captures+1, i/captures+1, 0, 0, 50, bareDigest, bareBlob[:size])
	}
	exec(stmts.commit)
	return n
}

// BenchmarkOpen measures the opening of a store with 10,000 sessions of one
// capture and twelve batches each, and the first page of their list.
func BenchmarkOpen(b *testing.B) {
	dir := b.TempDir()
	s := mustOpen(b, dir)
	const sessions, batches = 10_000, 12
	for i := range sessions {
		id := fmt.Sprint("s", i)
		change := store.Change{Create: []store.Fact{{
			Key: store.Key{Shop: "local", Kind: "session", ID: id}, State: "closed", Blob: make([]byte, 400),
		}}}
		if _, err := s.Apply(b.Context(), change); err != nil {
			b.Fatal(err)
		}
	}
	names := openCaptures(b, s, sessions)
	var group sync.WaitGroup
	for _, name := range names {
		group.Go(func() {
			chunks := make([]store.Chunk, batches)
			for k := range chunks {
				chunks[k] = chunk(int64(k+1), 600)
			}
			if _, err := s.Append(context.Background(), name, 1, chunks...); err != nil {
				b.Error(err)
			}
		})
	}
	group.Wait()
	mustClose(b, s)
	var listing time.Duration
	b.ResetTimer()
	for b.Loop() {
		s, err := Open(context.Background(), dir)
		if err != nil {
			b.Fatal(err)
		}
		b.StopTimer()
		start := time.Now()
		page, err := s.List(context.Background(), store.Query{Shop: "local", Kind: "session", State: "closed", Newest: true, Limit: 50})
		if err != nil || len(page.Facts) != 50 {
			b.Fatalf("%d facts (%v)", len(page.Facts), err)
		}
		listing += time.Since(start)
		mustClose(b, s)
		b.StartTimer()
	}
	b.ReportMetric(float64(listing.Microseconds())/float64(b.N), "first-page-µs")
}

// BenchmarkRange measures reading a capture of 2,400 batches, a drive of
// twenty minutes at 100 samples a second.
func BenchmarkRange(b *testing.B) {
	s := mustOpen(b, b.TempDir())
	const batches = 2400
	if _, err := s.Open(b.Context(), capture); err != nil {
		b.Fatal(err)
	}
	for from := int64(1); from <= batches; from += 100 {
		chunks := make([]store.Chunk, 100)
		for k := range chunks {
			chunks[k] = chunk(from+int64(k), 600)
		}
		if _, err := s.Append(b.Context(), capture, 1, chunks...); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportAllocs()
	for b.Loop() {
		sequences, err := readAll(context.Background(), s, capture)
		if err != nil || len(sequences) != batches {
			b.Fatalf("%d batches (%v)", len(sequences), err)
		}
	}
	b.ReportMetric(float64(b.N)*batches/b.Elapsed().Seconds(), "chunks/s")
}
