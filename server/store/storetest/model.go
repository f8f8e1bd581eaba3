// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package storetest

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/airassay/airassay/server/store"
)

var modelTests = []test{
	{"any sequence of calls answers as the model does", func(t *testing.T, s store.Store) {
		steps := 1500
		if testing.Short() {
			steps = 300
		}
		m := newModel(rand.Uint64())
		m.walk(t, steps, func() store.Store { return s })
	}},
}

// model is the contract in its plainest form: lists that are searched from end
// to end. walk makes random calls and compares each answer.
type model struct {
	seed     uint64
	random   *rand.Rand
	facts    []store.Fact // In the order of creation; serials are the store's.
	requests map[string]string
	epochs   map[store.Capture]int64
	chunks   map[store.Capture][]store.Chunk
	serial   int64
}

func newModel(seed uint64) *model {
	return &model{
		seed: seed, random: rand.New(rand.NewPCG(seed, 0)),
		requests: make(map[string]string),
		epochs:   make(map[store.Capture]int64),
		chunks:   make(map[store.Capture][]store.Chunk),
	}
}

// walk makes random calls on the store that current gives before each.
func (m *model) walk(t *testing.T, steps int, current func() store.Store) {
	t.Helper()
	for step := range steps {
		what, err := m.step(t, current())
		if err != nil {
			t.Fatalf("seed %d, step %d, %s: %v", m.seed, step, what, err)
		}
	}
}

func (m *model) step(t *testing.T, s store.Store) (string, error) {
	steps := []struct {
		name   string
		weight int
		run    func(*testing.T, store.Store) error
	}{
		{"apply", 30, m.apply}, {"get", 10, m.get}, {"list", 10, m.list}, {"recall", 3, m.recall},
		{"open", 8, m.open}, {"append", 40, m.append}, {"tail", 8, m.tail}, {"range", 8, m.readRange}, {"remove", 1, m.remove},
	}
	at := m.random.IntN(118)
	for _, one := range steps {
		if at -= one.weight; at < 0 {
			return one.name, one.run(t, s)
		}
	}
	return "", errors.New("the weights do not add up")
}

func (m *model) pick(from ...string) string { return from[m.random.IntN(len(from))] }

func (m *model) key(sh string) store.Key {
	return store.Key{Shop: sh, Kind: store.Kind(m.pick("k1", "k2")), ID: m.pick("a", "b", "c", "d", "e", "f", "g")}
}

func (m *model) find(k store.Key) *store.Fact {
	for i := range m.facts {
		if m.facts[i].Key == k {
			return &m.facts[i]
		}
	}
	return nil
}

// fact makes a random fact whose version is mostly the one that is there.
func (m *model) fact(sh string) store.Fact {
	f := store.Fact{
		Key: m.key(sh), Parent: m.pick("", "p", "q"), Reference: m.pick("", "r"), State: m.pick("", "open", "closed"),
		Blob: []byte(m.pick("", "x", "yy")),
	}
	if there := m.find(f.Key); there != nil && m.random.IntN(2) == 0 {
		f.Version = there.Version
	} else {
		f.Version = int64(m.random.IntN(3))
	}
	return f
}

func (m *model) change() store.Change {
	sh := m.pick(shop, otherShop)
	var c store.Change
	used := make(map[store.Key]bool)
	for range 1 + m.random.IntN(3) {
		f := m.fact(sh)
		isFree := !used[f.Key]
		switch which := m.random.IntN(4); {
		case which == 0:
			c.Expect = append(c.Expect, f)
		case !isFree:
		case which == 1 && m.find(f.Key) != nil:
			c.Update = append(c.Update, f)
		case which == 2 && m.random.IntN(2) == 0:
			c.Delete = append(c.Delete, f)
		default:
			c.Create = append(c.Create, f)
		}
		used[f.Key] = true
	}
	if m.random.IntN(3) == 0 {
		c.Request = &store.Request{Shop: sh, Method: m.pick("m", "n"), ID: fmt.Sprint(m.random.IntN(40)), Response: fmt.Sprint(m.random.IntN(1000))}
	}
	return c
}

func requestName(r store.Request) string { return r.Shop + "/" + r.Method + "/" + r.ID }

// verdict gives the answers that are allowed to a change; none for success.
func (m *model) verdict(c store.Change) (allowed []error) {
	for _, f := range slices.Concat(c.Expect, c.Update, c.Delete) {
		there := m.find(f.Key)
		switch {
		case there == nil:
			allowed = append(allowed, store.ErrNotFound)
		case f.Version != 0 && f.Version != there.Version:
			allowed = append(allowed, store.ErrConflict)
		}
	}
	for _, f := range c.Create {
		if m.find(f.Key) != nil {
			allowed = append(allowed, store.ErrExists)
		}
	}
	return allowed
}

func (m *model) apply(t *testing.T, s store.Store) error {
	c := m.change()
	applied, err := s.Apply(t.Context(), c)
	if c.Request != nil {
		if known, ok := m.requests[requestName(*c.Request)]; ok {
			if err != nil || !applied.Repeat || applied.Response != known {
				return fmt.Errorf("the repeat of %v gave %+v (%w)", c.Request, applied, err)
			}
			return nil
		}
	}
	if allowed := m.verdict(c); len(allowed) > 0 {
		if !slices.ContainsFunc(allowed, func(want error) bool { return errors.Is(err, want) }) {
			return fmt.Errorf("%+v gave %+v (%w), want one of %v", c, applied, err, allowed)
		}
		return nil
	}
	if err != nil || applied.Repeat || len(applied.Created) != len(c.Create) || len(applied.Updated) != len(c.Update) {
		return fmt.Errorf("%+v gave %+v (%w)", c, applied, err)
	}
	return m.carryOut(c, applied)
}

func (m *model) carryOut(c store.Change, applied store.Applied) error {
	if c.Request != nil {
		m.requests[requestName(*c.Request)] = c.Request.Response
	}
	for _, f := range c.Delete {
		m.facts = slices.DeleteFunc(m.facts, func(there store.Fact) bool { return there.Key == f.Key })
	}
	for i, f := range c.Update {
		there := m.find(f.Key)
		f.Version, f.Serial = there.Version+1, there.Serial
		*there = f
		if !sameFact(applied.Updated[i], f) {
			return fmt.Errorf("update gave %+v, want %+v", applied.Updated[i], f)
		}
	}
	for i, f := range c.Create {
		f.Version, f.Serial = 1, applied.Created[i].Serial
		if !sameFact(applied.Created[i], f) || f.Serial <= m.serial {
			return fmt.Errorf("create gave %+v after serial %d, want %+v", applied.Created[i], m.serial, f)
		}
		m.serial = f.Serial
		m.facts = append(m.facts, f)
	}
	return nil
}

func (m *model) get(t *testing.T, s store.Store) error {
	k := m.key(m.pick(shop, otherShop))
	got, err := s.Get(t.Context(), k)
	want := m.find(k)
	if want == nil {
		if !errors.Is(err, store.ErrNotFound) {
			return fmt.Errorf("%s is not there, got %+v (%w)", k, got, err)
		}
		return nil
	}
	if err != nil || !sameFact(got, *want) {
		return fmt.Errorf("got %+v (%w), want %+v", got, err, *want)
	}
	return nil
}

func (m *model) list(t *testing.T, s store.Store) error {
	q := store.Query{
		Shop: m.pick(shop, otherShop), Kind: store.Kind(m.pick("k1", "k2")),
		Parent: m.pick("", "", "p"), Reference: m.pick("", "", "r"), State: m.pick("", "", "open"),
		Newest: m.random.IntN(2) == 0, Limit: 1 + m.random.IntN(4),
	}
	if len(m.facts) > 0 && m.random.IntN(2) == 0 {
		q.After = m.facts[m.random.IntN(len(m.facts))].Serial
	}
	var want []store.Fact
	for _, f := range m.facts {
		if passes(q, f) && (q.After == 0 || f.Serial != q.After && (f.Serial < q.After) == q.Newest) {
			want = append(want, f)
		}
	}
	if q.Newest {
		slices.Reverse(want)
	}
	more := len(want) > q.Limit
	want = want[:min(len(want), q.Limit)]
	page, err := s.List(t.Context(), q)
	if err != nil || page.More != more || !slices.EqualFunc(page.Facts, want, sameFact) {
		return fmt.Errorf("%+v gave %+v (%w), want %+v, more: %v", q, page, err, want, more)
	}
	return nil
}

func (m *model) recall(t *testing.T, s store.Store) error {
	r := store.Request{Shop: m.pick(shop, otherShop), Method: m.pick("m", "n"), ID: fmt.Sprint(m.random.IntN(40))}
	response, err := s.Recall(t.Context(), r)
	known, ok := m.requests[requestName(r)]
	if ok && (err != nil || response != known) || !ok && !errors.Is(err, store.ErrNotFound) {
		return fmt.Errorf("%v gave %q (%w), want %q (known: %v)", r, response, err, known, ok)
	}
	return nil
}

func (m *model) capture() store.Capture {
	return store.Capture{Shop: m.pick(shop, otherShop), Session: m.pick("s1", "s2"), ID: m.pick("c1", "c2")}
}

func (m *model) where(c store.Capture) store.Tail {
	tail := store.Tail{Epoch: m.epochs[c], Sequence: int64(len(m.chunks[c]))}
	if tail.Sequence > 0 {
		tail.Last = m.chunks[c][tail.Sequence-1].Last
	}
	return tail
}

func (m *model) open(t *testing.T, s store.Store) error {
	c := m.capture()
	m.epochs[c]++
	got, err := s.Open(t.Context(), c)
	if want := m.where(c); err != nil || got != want {
		return fmt.Errorf("%s gave %+v (%w), want %+v", c, got, err, want)
	}
	return nil
}

func (m *model) append(t *testing.T, s store.Store) error {
	c := m.capture()
	at := m.where(c)
	epoch := max(1, at.Epoch)
	if m.random.IntN(8) == 0 {
		epoch = 1 + m.random.Int64N(at.Epoch+2)
	}
	from := at.Sequence + 1
	if m.random.IntN(3) == 0 {
		from = max(1, from+m.random.Int64N(5)-3)
	}
	chunks := chunksOf(c, from, from+m.random.Int64N(4))
	if m.random.IntN(8) == 0 {
		i := m.random.IntN(len(chunks))
		chunks[i] = altered(chunks[i])
		chunks[i].Digest = store.Digest{} // The store makes its own.
	}
	ack, err := s.Append(t.Context(), c, epoch, chunks...)
	repeats, want := m.admit(c, epoch, chunks)
	if want != nil {
		if !errors.Is(err, want) {
			return fmt.Errorf("%s at %+v, epoch %d, from %d gave %+v (%w), want %w", c, at, epoch, from, ack, err, want)
		}
		return nil
	}
	for _, chunk := range chunks[repeats:] {
		prepared, err := store.Prepare(1, []store.Chunk{chunk})
		if err != nil {
			return err
		}
		m.chunks[c] = append(m.chunks[c], prepared...)
	}
	if wantAck := (store.Ack{Sequence: m.where(c).Sequence, Repeats: repeats}); err != nil || ack != wantAck {
		return fmt.Errorf("%s at %+v, epoch %d, from %d gave %+v (%w), want %+v", c, at, epoch, from, ack, err, wantAck)
	}
	return nil
}

// admit states the rules of append a second time, in other words than store.Tail does.
func (m *model) admit(c store.Capture, epoch int64, chunks []store.Chunk) (repeats int, want error) {
	if m.epochs[c] == 0 {
		return 0, store.ErrNotFound
	}
	if m.epochs[c] != epoch {
		return 0, store.ErrFenced
	}
	stored := m.chunks[c]
	for _, chunk := range chunks {
		if chunk.Sequence <= int64(len(stored)) {
			if string(stored[chunk.Sequence-1].Blob) != string(chunk.Blob) {
				return 0, store.ErrConflict
			}
			repeats++
		}
	}
	if chunks[0].Sequence > int64(len(stored))+1 {
		return 0, store.ErrGap
	}
	return repeats, nil
}

func (m *model) tail(t *testing.T, s store.Store) error {
	c := m.capture()
	got, err := s.Tail(t.Context(), c)
	want := m.where(c)
	if want.Epoch == 0 && errors.Is(err, store.ErrNotFound) {
		return nil
	}
	if want.Epoch == 0 || err != nil || got != want {
		return fmt.Errorf("%s gave %+v (%w), want %+v", c, got, err, want)
	}
	return nil
}

func (m *model) readRange(t *testing.T, s store.Store) error {
	c := m.capture()
	stored := m.chunks[c]
	from := 1 + m.random.Int64N(int64(len(stored))+2)
	var got []store.Chunk
	for chunk, err := range s.Range(t.Context(), c, from) {
		if err != nil {
			if m.epochs[c] == 0 && errors.Is(err, store.ErrNotFound) {
				return nil
			}
			return err
		}
		got = append(got, chunk)
	}
	want := stored[min(int(from)-1, len(stored)):]
	if m.epochs[c] == 0 || !slices.EqualFunc(got, want, sameChunk) {
		return fmt.Errorf("%s from %d gave %d chunks, want %d", c, from, len(got), len(want))
	}
	return nil
}

func (m *model) remove(t *testing.T, s store.Store) error {
	sh, session := m.pick(shop, otherShop), m.pick("s1", "s2")
	for c := range m.epochs {
		if c.Shop == sh && c.Session == session {
			delete(m.epochs, c)
			delete(m.chunks, c)
		}
	}
	return s.Remove(t.Context(), sh, session)
}
