// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package storetest

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/goleak"

	"github.com/airassay/airassay/server/store"
)

// OpenFunc opens the store in a directory, the same store each time.
type OpenFunc func(dir string) (store.Store, error)

// childVariable tells the test binary that it is to be the victim of a crash test.
const childVariable = "AIRASSAY_STORETEST_DIR"

// Victim lets the crash test run the test binary as the process that is killed. There it
// does not return; everywhere else it does nothing.
func Victim(open OpenFunc) {
	if dir := os.Getenv(childVariable); dir != "" {
		fmt.Fprintln(os.Stderr, victim(open, dir))
		os.Exit(1)
	}
}

// RunDurable runs the part of the suite that a store must pass if it is to
// outlive its process. The package's TestMain must call Victim first.
func RunDurable(t *testing.T, open OpenFunc) {
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	t.Run("everything is there after closing and opening", func(t *testing.T) { reopen(t, open) })
	t.Run("closing under load loses nothing that was acknowledged", func(t *testing.T) { reopenUnderLoad(t, open) })
	t.Run("any sequence of calls and openings answers as the model does", func(t *testing.T) { reopenModel(t, open) })
	t.Run("a killed process loses nothing that was acknowledged", func(t *testing.T) { crash(t, open) })
}

func openOrFail(t *testing.T, open OpenFunc, dir string) store.Store {
	t.Helper()
	s, err := open(dir)
	if err != nil {
		t.Fatalf("open: %v", err)
	}
	return s
}

func closeOrFail(t *testing.T, s store.Store) {
	t.Helper()
	if err := s.Close(); err != nil {
		t.Fatalf("close: %v", err)
	}
}

func reopen(t *testing.T, open OpenFunc) {
	dir := t.TempDir()
	c := captureOf("c1")
	var last store.Fact
	for round := range int64(4) {
		s := openOrFail(t, open, dir)
		if tail := mustOpen(t, s, c); tail.Epoch != round+1 || tail.Sequence != round*5 {
			t.Errorf("in round %d the capture stands at %+v", round, tail)
		}
		mustAppend(t, s, c, round+1, chunksOf(c, round*5+1, round*5+5)...)
		if round > 0 {
			_, err := s.Append(t.Context(), c, round, chunkOf(c, round*5+6))
			wantErr(t, "append by a writer from before", err, store.ErrFenced)
			if got, err := s.Get(t.Context(), last.Key); err != nil || !sameFact(got, last) {
				t.Errorf("in round %d: %+v (%v)", round, got, err)
			}
		}
		applied, err := s.Apply(t.Context(), store.Change{Request: request("r"), Create: []store.Fact{{Key: key("once")}}})
		if err != nil || applied.Repeat != (round > 0) {
			t.Errorf("in round %d the request gave %+v (%v)", round, applied, err)
		}
		fact := mustCreate(t, s, store.Fact{Key: key(fmt.Sprint("a", round)), Blob: []byte("bytes")})
		if fact.Serial <= last.Serial {
			t.Errorf("serial %d came after %d", fact.Serial, last.Serial)
		}
		last = fact
		gone := mustCreate(t, s, store.Fact{Key: key("gone")})
		if err := store.Delete(t.Context(), s, gone.Key, 1); err != nil {
			t.Fatal(err)
		}
		last.Serial = fact.Serial
		closeOrFail(t, s)
	}
	s := openOrFail(t, open, dir)
	wantChunks(t, s, c, 20)
	closeOrFail(t, s)
}

func reopenUnderLoad(t *testing.T, open OpenFunc) {
	const captures = 16
	dir := t.TempDir()
	s := openOrFail(t, open, dir)
	var acked [captures]atomic.Int64
	time.AfterFunc(30*time.Millisecond, func() {
		if err := s.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	})
	together(t, captures, func(i int) error {
		return appendUntilClosed(t.Context(), s, captureOf(fmt.Sprint("c", i)), &acked[i])
	})
	closeOrFail(t, s)
	s = openOrFail(t, open, dir)
	for i := range captures {
		if acked[i].Load() > 0 {
			wantChunks(t, s, captureOf(fmt.Sprint("c", i)), acked[i].Load())
		}
	}
	closeOrFail(t, s)
}

func reopenModel(t *testing.T, open OpenFunc) {
	dir := t.TempDir()
	s := openOrFail(t, open, dir)
	m := newModel(rand.Uint64())
	m.walk(t, 600, func() store.Store {
		if m.random.IntN(40) == 0 {
			closeOrFail(t, s)
			s = openOrFail(t, open, dir)
		}
		return s
	})
	closeOrFail(t, s)
}

const (
	crashRounds   = 20
	crashCaptures = 8
	crashFacts    = 2
)

func crashCapture(i int) store.Capture {
	return store.Capture{Shop: shop, Session: fmt.Sprint("s", i%3), ID: fmt.Sprint("c", i)}
}

// victim writes as fast as it can and prints what was acknowledged, one line
// each, until it is killed.
func victim(open OpenFunc, dir string) error {
	s, err := open(dir)
	if err != nil {
		return err
	}
	var mu sync.Mutex
	say := func(format string, args ...any) error {
		mu.Lock()
		defer mu.Unlock()
		_, err := fmt.Fprintf(os.Stdout, format, args...) // Written at once: os.Stdout has no buffer.
		return err
	}
	failed := make(chan error, crashCaptures+crashFacts)
	for i := range crashCaptures {
		go func() { failed <- victimAppends(s, i, say) }()
	}
	for i := range crashFacts {
		go func() { failed <- victimCreates(s, i, say) }()
	}
	return <-failed
}

func victimAppends(s store.Store, i int, say func(string, ...any) error) error {
	ctx, c := context.Background(), crashCapture(i)
	tail, err := s.Open(ctx, c)
	if err != nil {
		return err
	}
	if err := say("opened %d %d\n", i, tail.Epoch); err != nil {
		return err
	}
	for {
		ack, err := s.Append(ctx, c, tail.Epoch, chunksOf(c, tail.Sequence+1, tail.Sequence+1+tail.Sequence%3)...)
		if err != nil {
			return err
		}
		tail.Sequence = ack.Sequence
		if err := say("appended %d %d\n", i, tail.Sequence); err != nil {
			return err
		}
	}
}

// victimCreates makes pairs of facts, each with a request.
func victimCreates(s store.Store, i int, say func(string, ...any) error) error {
	for n := 0; ; n++ {
		id := fmt.Sprint(os.Getpid(), "-", i, "-", n)
		_, err := s.Apply(context.Background(), store.Change{
			Request: request(id),
			Create:  []store.Fact{{Key: key(id), Parent: "first"}, {Key: key(id + "-twin"), Parent: "second"}},
		})
		if err != nil {
			return err
		}
		if err := say("created %s 0\n", id); err != nil {
			return err
		}
	}
}

// testimony is what victims have said was acknowledged.
type testimony struct {
	epochs    [crashCaptures]int64
	sequences [crashCaptures]int64
	facts     []string // Those that check has not looked at yet.
	created   int
	lines     int
}

func (y *testimony) listen(from io.Reader, first func()) error {
	lines := bufio.NewReader(from)
	for {
		line, err := lines.ReadString('\n')
		if errors.Is(err, io.EOF) {
			return nil // A line that was cut off was said to nobody.
		}
		if err != nil {
			return err
		}
		if err := y.note(line); err != nil {
			return err
		}
		first()
	}
}

func (y *testimony) note(line string) error {
	var what, name string
	var value int64
	if _, err := fmt.Sscan(line, &what, &name, &value); err != nil {
		return fmt.Errorf("line %q: %w", line, err)
	}
	y.lines++
	if what == "created" {
		y.facts = append(y.facts, name)
		y.created++
		return nil
	}
	var i int
	if _, err := fmt.Sscan(name, &i); err != nil || i < 0 || i >= crashCaptures {
		return fmt.Errorf("line %q: no such capture", line)
	}
	list := &y.sequences
	if what == "opened" {
		list = &y.epochs
	}
	if value <= list[i] {
		return fmt.Errorf("line %q comes after %d", line, list[i])
	}
	list[i] = value
	return nil
}

func crash(t *testing.T, open OpenFunc) {
	dir := t.TempDir()
	var said testimony
	rounds := crashRounds
	if testing.Short() {
		rounds = 4
	}
	for round := range rounds {
		killOne(t, dir, &said)
		s := openOrFail(t, open, dir)
		said.check(t, s)
		closeOrFail(t, s)
		if t.Failed() {
			t.Fatalf("in round %d", round)
		}
	}
	t.Logf("%d kills, %d acknowledgements, %d facts, sequences %v", rounds, said.lines, said.created, said.sequences)
}

// killOne starts a process that writes, kills it at a random instant after its
// first acknowledgement, and listens to what it said.
func killOne(t *testing.T, dir string, said *testimony) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	victim := exec.CommandContext(ctx, program, "-test.run=^$")
	victim.Env = append(os.Environ(), childVariable+"="+dir)
	victim.Stderr = os.Stderr
	out, err := victim.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := victim.Start(); err != nil {
		t.Fatal(err)
	}
	var killing sync.WaitGroup
	kill := sync.OnceFunc(func() {
		killing.Go(func() {
			time.Sleep(time.Duration(rand.Int64N(int64(120 * time.Millisecond))))
			if err := victim.Process.Kill(); err != nil {
				t.Errorf("kill: %v", err)
			}
		})
	})
	if err := said.listen(out, kill); err != nil {
		t.Error(err)
	}
	killing.Wait()
	if err := victim.Wait(); err == nil || victim.ProcessState.ExitCode() == 1 {
		t.Fatalf("the victim ended by itself: %v", err)
	}
}

// check compares what is stored with what was said. More may be there than was
// said: the process died between the commit and the saying.
func (y *testimony) check(t *testing.T, s store.Store) {
	t.Helper()
	for i := range crashCaptures {
		if y.epochs[i] == 0 {
			continue
		}
		c := crashCapture(i)
		tail, err := s.Tail(t.Context(), c)
		if err != nil || tail.Epoch < y.epochs[i] || tail.Sequence < y.sequences[i] {
			t.Errorf("%s stands at %+v (%v), acknowledged: epoch %d, sequence %d", c, tail, err, y.epochs[i], y.sequences[i])
			continue
		}
		wantChunks(t, s, c, tail.Sequence)
		y.sequences[i] = tail.Sequence
		y.epochs[i] = tail.Epoch
	}
	for _, id := range y.facts {
		for _, k := range []store.Key{key(id), key(id + "-twin")} {
			if _, err := s.Get(t.Context(), k); err != nil {
				t.Errorf("%s was acknowledged: %v", k, err)
			}
		}
		if _, err := s.Recall(t.Context(), *request(id)); err != nil {
			t.Errorf("the request of %s was acknowledged: %v", id, err)
		}
	}
	first := listAll(t, s, store.Query{Shop: shop, Kind: thing, Parent: "first", Limit: 1000})
	second := listAll(t, s, store.Query{Shop: shop, Kind: thing, Parent: "second", Limit: 1000})
	if len(first) != len(second) || len(first) < y.created {
		t.Errorf("%d facts, %d twins, %d acknowledged", len(first), len(second), y.created)
	}
	y.facts = nil // Later rounds only count them.
}
