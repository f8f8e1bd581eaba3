// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/airassay/airassay/server/store"
)

var capture = store.Capture{Shop: "local", Session: "s1", ID: "c1"}

func mustOpen(t testing.TB, dir string) *Store {
	t.Helper()
	s, err := Open(context.Background(), dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { mustClose(t, s) })
	return s
}

func mustClose(t testing.TB, s *Store) {
	t.Helper()
	if err := s.Close(); err != nil {
		t.Errorf("close: %v", err)
	}
}

// edit runs statements on the file of a store that is not open.
func edit(t testing.TB, dir string, statements ...string) {
	t.Helper()
	path := filepath.Join(dir, fileName)
	if err := createFile(path); err != nil {
		t.Fatal(err)
	}
	db, err := openDB(path, 1)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := db.Close(); err != nil {
			t.Error(err)
		}
	}()
	for _, statement := range statements {
		if _, err := db.Exec(statement); err != nil {
			t.Fatalf("%s: %v", statement, err)
		}
	}
}

func wantOpenError(t *testing.T, dir string, want error, words ...string) {
	t.Helper()
	s, err := Open(context.Background(), dir)
	if err == nil {
		mustClose(t, s)
	}
	if !errors.Is(err, want) {
		t.Fatalf("error is %v, want %v", err, want)
	}
	for _, word := range append(words, dir) {
		if !strings.Contains(err.Error(), word) {
			t.Errorf("%q does not say %q", err, word)
		}
	}
}

func TestCommitsAreDurable(t *testing.T) {
	s := mustOpen(t, t.TempDir())
	pragmas := func(db interface {
		QueryRowContext(context.Context, string, ...any) *sql.Row
	}, want map[string]string) {
		t.Helper()
		for name, value := range want {
			var got string
			if err := db.QueryRowContext(t.Context(), "PRAGMA "+name).Scan(&got); err != nil || got != value {
				t.Errorf("%s is %q (%v), want %q", name, got, err, value)
			}
		}
	}
	err := s.submit(t.Context(), &job{do: func(w *writer) error {
		pragmas(w.conn, map[string]string{
			"journal_mode": "wal", "synchronous": "2", "foreign_keys": "1", "busy_timeout": "5000", "query_only": "0",
		})
		return nil
	}})
	if err != nil {
		t.Fatal(err)
	}
	pragmas(s.reads, map[string]string{
		"journal_mode": "wal", "foreign_keys": "1", "busy_timeout": "5000", "query_only": "1",
	})
}

func TestFilesAreReadableByTheirOwnerOnly(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("Windows has no such modes")
	}
	dir := filepath.Join(t.TempDir(), "a", "b")
	s := mustOpen(t, dir)
	if _, err := s.Open(t.Context(), capture); err != nil {
		t.Fatal(err)
	}
	entries, err := os.ReadDir(dir)
	if err != nil || len(entries) < 3 {
		t.Fatalf("%v (%v)", entries, err)
	}
	for _, entry := range entries {
		info, err := entry.Info()
		if err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s has mode %v (%v)", entry.Name(), info.Mode(), err)
		}
	}
}

func TestADirectoryIsOpenedByOneStoreAtATime(t *testing.T) {
	dir := t.TempDir()
	s := mustOpen(t, dir)
	wantOpenError(t, dir, store.ErrInUse, fmt.Sprintf("process %d", os.Getpid()), "choose another data directory")
	mustClose(t, s)
	mustClose(t, mustOpen(t, dir))
}

func TestAFailedOpenLetsGoOfTheDirectory(t *testing.T) {
	dir := t.TempDir()
	edit(t, dir, `CREATE TABLE foreign_table (x)`)
	wantOpenError(t, dir, store.ErrCorrupt, "another program")
	wantOpenError(t, dir, store.ErrCorrupt, "another program") // Not ErrInUse.
}

func TestANewerSchemaIsRefusedUnchanged(t *testing.T) {
	dir := t.TempDir()
	mustClose(t, mustOpen(t, dir))
	edit(t, dir, `PRAGMA user_version = 9`)
	before, err := os.ReadFile(filepath.Join(dir, fileName))
	if err != nil {
		t.Fatal(err)
	}
	wantOpenError(t, dir, store.ErrNewer, "schema version is 9", "up to 1")
	after, err := os.ReadFile(filepath.Join(dir, fileName))
	if err != nil || !slices.Equal(before, after) {
		t.Errorf("the refused file was changed (%v)", err)
	}
}

func TestASchemaVersionThatNoReleaseWritesIsReportedAsCorrupt(t *testing.T) {
	for _, version := range []int{-1, -318767104, -1 << 31} {
		dir := t.TempDir()
		mustClose(t, mustOpen(t, dir))
		edit(t, dir, fmt.Sprintf(`PRAGMA user_version = %d`, version))
		wantOpenError(t, dir, store.ErrCorrupt, fmt.Sprint("schema version is ", version))
	}
}

func TestAMigrationThatFailsLeavesTheSchemaAsItWas(t *testing.T) {
	dir := t.TempDir()
	s := mustOpen(t, dir)
	steps, err := migrations()
	if err != nil {
		t.Fatal(err)
	}
	bad := append(slices.Clone(steps), `CREATE TABLE half (x); INSERT INTO nowhere VALUES (1);`)
	err = s.submit(t.Context(), &job{do: func(w *writer) error {
		if _, err := w.stmts.rollback.Exec(); err != nil { // The job's own transaction is in the way.
			return err
		}
		migrateErr := migrate(context.Background(), w.conn, bad)
		if migrateErr == nil || !strings.Contains(migrateErr.Error(), "schema version 2") {
			t.Errorf("error is %v", migrateErr)
		}
		version, err := schemaVersion(context.Background(), w.conn)
		if err != nil || version != len(steps) {
			t.Errorf("version is %d (%v)", version, err)
		}
		var half int
		if err := w.conn.QueryRowContext(context.Background(), `SELECT count(*) FROM sqlite_schema WHERE name = 'half'`).Scan(&half); err != nil || half != 0 {
			t.Errorf("half of the migration was kept: %d (%v)", half, err)
		}
		_, err = w.stmts.begin.Exec()
		return err
	}})
	if err != nil {
		t.Fatal(err)
	}
}

func TestWhatIsNoDatabaseIsRefused(t *testing.T) {
	for what, bytes := range map[string]string{
		"text":                  strings.Repeat("this is no database\n", 500),
		"zeros":                 strings.Repeat("\x00", 8192),
		"a header without body": "SQLite format 3\x00" + strings.Repeat("\xff", 4080),
	} {
		t.Run(what, func(t *testing.T) {
			dir := t.TempDir()
			if err := os.WriteFile(filepath.Join(dir, fileName), []byte(bytes), 0o600); err != nil {
				t.Fatal(err)
			}
			wantOpenError(t, dir, store.ErrCorrupt, fileName)
		})
	}
}

func TestDamageIsReportedNotReadOver(t *testing.T) {
	for what, damage := range map[string]string{
		"a chunk with other bytes":  `UPDATE chunks SET blob = x'00' WHERE sequence = 5`,
		"a chunk that is missing":   `DELETE FROM chunks WHERE sequence = 5`,
		"a digest that is cut off":  `UPDATE chunks SET digest = x'00' WHERE sequence = 5`,
		"a chunk under another key": `UPDATE chunks SET sequence = sequence + 100 WHERE sequence >= 5`,
	} {
		t.Run(what, func(t *testing.T) {
			dir := t.TempDir()
			s := mustOpen(t, dir)
			fill(t, s, capture, 10)
			mustClose(t, s)
			edit(t, dir, damage)
			s = mustOpen(t, dir)
			sequences, err := readAll(t.Context(), s, capture)
			if !errors.Is(err, store.ErrCorrupt) || !strings.Contains(err.Error(), s.path) {
				t.Errorf("error is %v", err)
			}
			if !slices.Equal(sequences, []int64{1, 2, 3, 4}) {
				t.Errorf("read %v before the damage", sequences)
			}
		})
	}
}

func TestADamagedFactIsReportedNotReadOver(t *testing.T) {
	dir := t.TempDir()
	s := mustOpen(t, dir)
	fact, err := store.Create(t.Context(), s, goldenFact(1))
	if err != nil {
		t.Fatal(err)
	}
	mustClose(t, s)
	edit(t, dir, `UPDATE facts SET blob = x'00'`)
	s = mustOpen(t, dir)
	if _, err := s.Get(t.Context(), fact.Key); !errors.Is(err, store.ErrCorrupt) || !strings.Contains(err.Error(), fact.Key.String()) {
		t.Errorf("error is %v", err)
	}
}

func TestAnEmptyFileThatAKilledFirstStartLeftIsANewStore(t *testing.T) {
	dir := t.TempDir()
	if err := createFile(filepath.Join(dir, fileName)); err != nil {
		t.Fatal(err)
	}
	fill(t, mustOpen(t, dir), capture, 3)
}

// The database engine is a large machine to feed with damaged files; what it
// gives back must be an error or the truth.
func TestRandomDamageNeverGivesWrongBytes(t *testing.T) {
	whole, err := os.ReadFile(goldenPath(1))
	if err != nil {
		t.Fatal(err)
	}
	rounds := 300
	if testing.Short() {
		rounds = 50
	}
	seed := rand.Uint64()
	random := rand.New(rand.NewPCG(seed, 0))
	reported := 0
	for round := range rounds {
		damaged := slices.Clone(whole)
		for range 1 + random.IntN(20) {
			damaged[random.IntN(len(damaged))] = byte(random.Uint32())
		}
		if err := readDamaged(t, damaged); errors.Is(err, errWrongBytes) {
			t.Fatalf("seed %d, round %d: %v", seed, round, err)
		} else if err != nil {
			reported++
		}
	}
	t.Logf("damage was reported in %d of %d files", reported, rounds)
}

var errWrongBytes = errors.New("wrong bytes")

func readDamaged(t *testing.T, content []byte) error {
	t.Helper()
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, fileName), content, 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := Open(t.Context(), dir)
	if err != nil {
		return err
	}
	defer func() { _ = s.Close() }() // It may say that the file is damaged, too.
	for got, err := range s.Range(t.Context(), capture, 1) {
		if err != nil {
			return err
		}
		if !slices.Equal(got.Blob, chunk(got.Sequence, 600).Blob) {
			return fmt.Errorf("chunk %d: %w", got.Sequence, errWrongBytes)
		}
	}
	for i := range 4 {
		want := goldenFact(i)
		got, err := s.Get(t.Context(), want.Key)
		if err != nil {
			return err
		}
		if !slices.Equal(got.Blob, want.Blob) {
			return fmt.Errorf("%s: %w", want.Key, errWrongBytes)
		}
	}
	_, err = s.Append(t.Context(), capture, 2, chunk(7, 600))
	return err
}

func TestADamagedFileIsReportedAsCorrupt(t *testing.T) {
	dir := t.TempDir()
	s := mustOpen(t, dir)
	fill(t, s, capture, 200)
	mustClose(t, s)
	path := filepath.Join(dir, fileName)
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for _, damaged := range [][]byte{
		whole[:len(whole)/2/4096*4096],                                                 // Cut off.
		append(whole[:4096:4096], make([]byte, len(whole)-4096)...),                    // All pages but the first lost.
		append(slices.Repeat([]byte{0xff}, 8192), whole[8192:]...),                     // The first two lost.
		slices.Concat(whole[:8192], slices.Repeat([]byte{0xa5}, 40960), whole[49152:]), // Some in the middle lost.
	} {
		if err := os.WriteFile(path, damaged, 0o600); err != nil {
			t.Fatal(err)
		}
		s, err := Open(t.Context(), dir)
		if err == nil {
			_, err = readAll(t.Context(), s, capture)
			if err == nil {
				_, err = s.List(t.Context(), store.Query{Shop: "local", Kind: "thing", Limit: 10})
			}
			_ = s.Close() // It may say that the file is damaged, too.
		}
		if !errors.Is(err, store.ErrCorrupt) || !strings.Contains(err.Error(), path) {
			t.Errorf("error is %v", err)
		}
	}
}

func TestADirectoryThatCannotBeUsedIsNamed(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	wantOpenError(t, filepath.Join(file, "data"), store.ErrUnavailable, "data directory")
	t.Run("read-only", func(t *testing.T) {
		if os.Getuid() == 0 {
			t.Skip("modes do not stop the administrator")
		}
		dir := t.TempDir()
		mustClose(t, mustOpen(t, dir))
		if err := os.Chmod(filepath.Join(dir, fileName), 0o400); err != nil {
			t.Fatal(err)
		}
		wantOpenError(t, dir, store.ErrUnavailable)
		if err := os.Chmod(dir, 0o500); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = os.Chmod(dir, 0o700) }) // So that it can be removed.
		wantOpenError(t, dir, store.ErrUnavailable)
		empty := filepath.Join(dir, "below")
		wantOpenError(t, empty, store.ErrUnavailable)
	})
}

// limit caps the file at its present size and some pages, which SQLite answers
// like a full disk; 0 lifts the cap.
func limit(t *testing.T, s *Store, more int64) {
	t.Helper()
	err := s.submit(t.Context(), &job{do: func(w *writer) error {
		pages := int64(1 << 30)
		if more > 0 {
			if err := w.conn.QueryRowContext(context.Background(), `PRAGMA page_count`).Scan(&pages); err != nil {
				return err
			}
			pages += more
		}
		_, err := w.conn.ExecContext(context.Background(), fmt.Sprintf(`PRAGMA max_page_count = %d`, pages))
		return err
	}})
	if err != nil {
		t.Fatal(err)
	}
}

func TestAFullDiskLosesNothingAndIsSurvived(t *testing.T) {
	dir := t.TempDir()
	s := mustOpen(t, dir)
	if _, err := s.Open(t.Context(), capture); err != nil {
		t.Fatal(err)
	}
	limit(t, s, 50)
	last := int64(0)
	for {
		_, err := s.Append(t.Context(), capture, 1, chunk(last+1, 5000), chunk(last+2, 5000))
		if errors.Is(err, store.ErrFull) && strings.Contains(err.Error(), s.path) {
			break
		}
		if err != nil || last > 1000 {
			t.Fatalf("after chunk %d: %v", last, err)
		}
		last += 2
	}
	if sequences, err := readAll(t.Context(), s, capture); err != nil || int64(len(sequences)) != last {
		t.Errorf("%d chunks were acknowledged, %d are there (%v)", last, len(sequences), err)
	}
	_, err := store.Create(t.Context(), s, store.Fact{Key: store.Key{Shop: "local", Kind: "thing", ID: "a"}, Blob: make([]byte, 20_000)})
	if !errors.Is(err, store.ErrFull) {
		t.Errorf("error is %v", err)
	}
	limit(t, s, 0)
	if ack, err := s.Append(t.Context(), capture, 1, chunk(last+1, 5000)); err != nil || ack.Sequence != last+1 {
		t.Errorf("with room again: %+v (%v)", ack, err)
	}
}

func TestAnAppendThatFindsNoRoomTakesNoNeighbourWithIt(t *testing.T) {
	s := mustOpen(t, t.TempDir())
	const neighbours = 10
	names := make([]store.Capture, neighbours)
	for i := range names {
		names[i] = store.Capture{Shop: "local", Session: "s1", ID: fmt.Sprint(i)}
		if _, err := s.Open(t.Context(), names[i]); err != nil {
			t.Fatal(err)
		}
	}
	limit(t, s, 40)
	release := stall(t, s)
	var calls sync.WaitGroup
	errs := make([]error, neighbours)
	for i, name := range names {
		size := 500
		if i == 3 {
			size = 1 << 20 // More than there is room for.
		}
		calls.Go(func() { _, errs[i] = s.Append(t.Context(), name, 1, chunk(1, size)) })
	}
	waitForQueue(t, s, neighbours)
	before := s.groups.Load()
	release()
	calls.Wait()
	for i, err := range errs {
		want := error(nil)
		if i == 3 {
			want = store.ErrFull
		}
		if !errors.Is(err, want) {
			t.Errorf("append %d: %v, want %v", i, err, want)
		}
		sequences, err := readAll(t.Context(), s, names[i])
		if err != nil || len(sequences) == 1 != (want == nil) {
			t.Errorf("capture %d holds %v (%v)", i, sequences, err)
		}
	}
	if got := s.groups.Load() - before; got > 2 { // The stalled job's and that of the appends.
		t.Errorf("the appends came in %d groups; the test means one", got)
	}
}

// stall keeps the writer busy until the returned function is called.
func stall(t *testing.T, s *Store) (release func()) {
	t.Helper()
	begun, held := make(chan struct{}), make(chan struct{})
	done := make(chan error, 1)
	go func() {
		done <- s.submit(context.Background(), &job{do: func(*writer) error {
			close(begun)
			<-held
			return nil
		}})
	}()
	<-begun
	return func() {
		close(held)
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
}

func waitForQueue(t *testing.T, s *Store, n int) {
	t.Helper()
	for len(s.jobs) < n {
		if t.Context().Err() != nil {
			t.Fatal("the queue does not fill")
		}
		runtime.Gosched()
	}
}

func TestAnAppendGivenUpWhileItWaitsIsNeverWritten(t *testing.T) {
	s := mustOpen(t, t.TempDir())
	if _, err := s.Open(t.Context(), capture); err != nil {
		t.Fatal(err)
	}
	release := stall(t, s)
	ctx, cancel := context.WithCancel(t.Context())
	failed := make(chan error)
	go func() {
		_, err := s.Append(ctx, capture, 1, chunk(1, 100))
		failed <- err
	}()
	waitForQueue(t, s, 1)
	cancel()
	if err := <-failed; !errors.Is(err, context.Canceled) { // At once, though the writer is busy.
		t.Errorf("error is %v", err)
	}
	release()
	if ack, err := s.Append(t.Context(), capture, 1, chunk(1, 200)); err != nil || ack.Repeats != 0 {
		t.Errorf("the next append gave %+v (%v)", ack, err)
	}
}

func TestAFullQueueHoldsCallersBackUntilTheyGiveUp(t *testing.T) {
	s := mustOpen(t, t.TempDir())
	release := stall(t, s)
	nothing := func(*writer) error { return nil }
	for range queueLength {
		s.jobs <- &job{do: nothing, done: make(chan error, 1)}
	}
	ctx, cancel := context.WithCancel(t.Context())
	failed := make(chan error)
	go func() { failed <- s.submit(ctx, &job{do: nothing}) }()
	select {
	case err := <-failed:
		t.Errorf("a full queue took another call: %v", err)
	default:
	}
	cancel()
	if err := <-failed; !errors.Is(err, context.Canceled) {
		t.Errorf("error is %v", err)
	}
	release()
}

func TestTheWriterTakesAFreshConnectionWhereItsOwnIsBroken(t *testing.T) {
	s := mustOpen(t, t.TempDir())
	fill(t, s, capture, 3)
	err := s.submit(t.Context(), &job{do: func(w *writer) error {
		w.discard()
		return errors.New("the connection broke")
	}})
	if !errors.Is(err, store.ErrUnavailable) {
		t.Errorf("error is %v", err)
	}
	if ack, err := s.Append(t.Context(), capture, 1, chunk(4, 100)); err != nil || ack.Sequence != 4 {
		t.Errorf("afterwards: %+v (%v)", ack, err)
	}
}

func TestListsReadAnIndexInOrder(t *testing.T) {
	s := mustOpen(t, t.TempDir())
	for _, one := range []struct {
		query store.Query
		index string
	}{
		{store.Query{}, "facts_by_kind"},
		{store.Query{Parent: "p"}, "facts_by_parent"},
		{store.Query{Reference: "r"}, "facts_by_reference"},
		{store.Query{State: "open"}, "facts_by_state"},
		{store.Query{State: "open", After: 7, Newest: true}, "facts_by_state"},
	} {
		one.query.Shop, one.query.Kind, one.query.Limit = "local", "thing", 10
		text, args := listStatement(one.query)
		wantPlan(t, s, text, args, one.index)
	}
	wantPlan(t, s, sqlReadChunks, []any{1, "local", "s1", "c1"}, "USING INDEX sqlite_autoindex_chunks_1 (capture=? AND sequence>?)")
	wantPlan(t, s, sqlReadTail, []any{"local", "s1", "c1"}, "USING INDEX sqlite_autoindex_chunks_1 (capture=? AND sequence=?)")
}

func wantPlan(t *testing.T, s *Store, text string, args []any, index string) {
	t.Helper()
	rows, err := s.reads.Query("EXPLAIN QUERY PLAN "+text, args...)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = rows.Close() }() // Err below tells.
	var plan []string
	for rows.Next() {
		var id, parent, unused int
		var detail string
		if err := rows.Scan(&id, &parent, &unused, &detail); err != nil {
			t.Fatal(err)
		}
		plan = append(plan, detail)
	}
	joined := strings.Join(plan, "; ")
	if rows.Err() != nil || !strings.Contains(joined, index) || strings.Contains(joined, "SCAN") || strings.Contains(joined, "TEMP B-TREE") {
		t.Errorf("%s\nis planned as %s (%v), want %s", text, joined, rows.Err(), index)
	}
}

func TestAPathWithOddCharactersIsTakenLiterally(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "a b?c=d&e%20#f'ä")
	if runtime.GOOS == "windows" {
		dir = filepath.Join(t.TempDir(), "a b&e%20#f'ä")
	}
	s := mustOpen(t, dir)
	fill(t, s, capture, 3)
	mustClose(t, s)
	if _, err := os.Stat(filepath.Join(dir, fileName)); err != nil {
		t.Error(err)
	}
	s = mustOpen(t, dir)
	if sequences, err := readAll(t.Context(), s, capture); err != nil || len(sequences) != 3 {
		t.Errorf("read %v (%v)", sequences, err)
	}
}

func chunk(sequence int64, size int) store.Chunk {
	blob := make([]byte, size)
	for i := range blob {
		blob[i] = byte(sequence + int64(i)*7)
	}
	return store.Chunk{Sequence: sequence, First: sequence * 1000, Last: sequence*1000 + 999, Samples: 50, Blob: blob}
}

func fill(t testing.TB, s *Store, c store.Capture, last int64) {
	t.Helper()
	tail, err := s.Open(t.Context(), c)
	for err == nil && tail.Sequence < last {
		tail.Sequence++
		_, err = s.Append(t.Context(), c, tail.Epoch, chunk(tail.Sequence, 600))
	}
	if err != nil {
		t.Fatal(err)
	}
}

func readAll(ctx context.Context, s *Store, c store.Capture) (sequences []int64, err error) {
	for chunk, err := range s.Range(ctx, c, 1) {
		if err != nil {
			return sequences, err
		}
		sequences = append(sequences, chunk.Sequence)
	}
	return sequences, nil
}

func TestARemovalThatWasCutOffIsFinishedByTheNext(t *testing.T) {
	dir := t.TempDir()
	s := mustOpen(t, dir)
	fill(t, s, capture, 600)
	err := s.submit(t.Context(), &job{do: func(w *writer) error {
		if err := w.fenceOff(capture.Shop, capture.Session); err != nil {
			return err
		}
		_, err := w.dropSome(capture.Shop, capture.Session)
		return err
	}})
	if err != nil {
		t.Fatal(err)
	}
	mustClose(t, s) // As if the process had been killed after the first step.
	s = mustOpen(t, dir)
	if _, err := s.Tail(t.Context(), capture); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("tail of a capture that is being removed: %v", err)
	}
	if sequences, err := readAll(t.Context(), s, capture); !errors.Is(err, store.ErrNotFound) || len(sequences) > 0 {
		t.Errorf("range of a capture that is being removed: %v (%v)", sequences, err)
	}
	if _, err := s.Append(t.Context(), capture, 1, chunk(601, 600)); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("append to a capture that is being removed: %v", err)
	}
	if _, err := s.Open(t.Context(), capture); !errors.Is(err, store.ErrConflict) {
		t.Errorf("open of a capture that is being removed: %v", err)
	}
	if err := s.Remove(t.Context(), capture.Shop, capture.Session); err != nil {
		t.Fatal(err)
	}
	var left int
	if err := s.reads.QueryRow(`SELECT (SELECT count(*) FROM chunks) + (SELECT count(*) FROM captures)`).Scan(&left); err != nil || left != 0 {
		t.Errorf("%d rows are left (%v)", left, err)
	}
}

func TestWhatTheWriterForgotItReadsAgain(t *testing.T) {
	s := mustOpen(t, t.TempDir())
	fill(t, s, capture, 3)
	err := s.submit(t.Context(), &job{do: func(w *writer) error {
		for i := range rememberedCaptures {
			w.remember(store.Capture{ID: fmt.Sprint(i)}, new(position))
		}
		if len(w.captures) > rememberedCaptures || w.captures[capture] != nil {
			t.Errorf("%d captures are remembered", len(w.captures))
		}
		w.forget()
		return nil
	}})
	if err != nil {
		t.Fatal(err)
	}
	ack, err := s.Append(t.Context(), capture, 1, chunk(3, 600), chunk(4, 600))
	if want := (store.Ack{Sequence: 4, Repeats: 1}); err != nil || ack != want {
		t.Errorf("append gave %+v (%v), want %+v", ack, err, want)
	}
}
