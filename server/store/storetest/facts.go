// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package storetest

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/airassay/airassay/server/store"
)

var factTests = []test{
	{"a fact is read back as it was written", factRoundTrip},
	{"a fact is found by its own shop and kind only", factIsolation},
	{"a fact is not created twice", factExists},
	{"an update replaces only the version that was seen", factUpdate},
	{"a delete removes only the version that was seen", factDelete},
	{"a change happens as a whole or not at all", changeAtomic},
	{"a change expects what it was told to expect", changeExpect},
	{"a repeated request does nothing and gives the first answer", requestRepeat},
	{"requests are told apart by shop, method, id and body", requestScope},
	{"a refused request is not remembered", requestRefused},
	{"old requests are forgotten and later ones kept", requestForget},
	{"a list has exactly the facts that pass its filters", listFilters},
	{"a list is in the order of creation, either way", listOrder},
	{"pages join without holes or repeats", listPages},
	{"a call that breaks the contract is refused", factInvalid},
	{"the caller's bytes are neither kept nor shared", factAliasing},
	{"a call whose context has ended does nothing", factCancelled},
	{"a closed store answers that it is closed", factClosed},
}

func factRoundTrip(t *testing.T, s store.Store) {
	for _, fact := range []store.Fact{
		{Key: key("a"), Parent: "p", Reference: "r", State: "open", Blob: []byte("bytes")},
		{Key: key("b")},
		{Key: key("s1/c1 ä%'\"?_"), Reference: "ünïcödé 'quoted'", Blob: []byte{0, 1, 255}},
		{Key: key("large"), Blob: []byte(strings.Repeat("x", store.MaxFact))},
	} {
		created := mustCreate(t, s, fact)
		if created.Version != 1 || created.Serial < 1 {
			t.Errorf("%s was created with version %d and serial %d", fact.Key, created.Version, created.Serial)
		}
		got, err := s.Get(t.Context(), fact.Key)
		fact.Version, fact.Serial = created.Version, created.Serial
		if err != nil || !sameFact(got, fact) || !sameFact(created, fact) {
			t.Errorf("got %.200v (%v), want %.200v", got, err, fact)
		}
	}
}

func factIsolation(t *testing.T, s store.Store) {
	mustCreate(t, s, store.Fact{Key: key("a")})
	for _, k := range []store.Key{
		{Shop: otherShop, Kind: thing, ID: "a"}, {Shop: shop, Kind: otherKind, ID: "a"}, key("A"), key("a "),
	} {
		_, err := s.Get(t.Context(), k)
		wantErr(t, "get "+k.String(), err, store.ErrNotFound)
		_, err = store.Update(t.Context(), s, store.Fact{Key: k})
		wantErr(t, "update "+k.String(), err, store.ErrNotFound)
		wantErr(t, "delete "+k.String(), store.Delete(t.Context(), s, k, 0), store.ErrNotFound)
		mustCreate(t, s, store.Fact{Key: k})
	}
}

func factExists(t *testing.T, s store.Store) {
	first := mustCreate(t, s, store.Fact{Key: key("a"), Blob: []byte("first")})
	_, err := store.Create(t.Context(), s, store.Fact{Key: key("a"), Blob: []byte("second")})
	wantErr(t, "second create", err, store.ErrExists)
	if got, err := s.Get(t.Context(), key("a")); err != nil || !sameFact(got, first) {
		t.Errorf("after a refused create: %v (%v)", got, err)
	}
}

func factUpdate(t *testing.T, s store.Store) {
	fact := mustCreate(t, s, store.Fact{Key: key("a"), Parent: "p1", Reference: "r1", State: "open", Blob: []byte("1")})
	seen := fact
	seen.Parent, seen.Reference, seen.State, seen.Blob = "p2", "r2", "closed", []byte("2")
	updated, err := store.Update(t.Context(), s, seen)
	if err != nil || updated.Version != 2 || updated.Serial != fact.Serial {
		t.Fatalf("update gave %+v (%v)", updated, err)
	}
	_, err = store.Update(t.Context(), s, seen)
	wantErr(t, "update of an old version", err, store.ErrConflict)
	seen.Version = 3
	_, err = store.Update(t.Context(), s, seen)
	wantErr(t, "update of a version that never was", err, store.ErrConflict)
	if got, err := s.Get(t.Context(), key("a")); err != nil || !sameFact(got, updated) {
		t.Errorf("after refused updates: %v (%v), want %v", got, err, updated)
	}
	seen.Version = 0
	if updated, err = store.Update(t.Context(), s, seen); err != nil || updated.Version != 3 {
		t.Errorf("update of any version gave %+v (%v)", updated, err)
	}
	for _, q := range []store.Query{{Parent: "p1"}, {Reference: "r1"}, {State: "open"}} {
		q.Shop, q.Kind, q.Limit = shop, thing, 10
		if page, err := s.List(t.Context(), q); err != nil || len(page.Facts) != 0 {
			t.Errorf("the old columns still list it: %+v (%v)", page, err)
		}
	}
}

func factDelete(t *testing.T, s store.Store) {
	fact := mustCreate(t, s, store.Fact{Key: key("a")})
	wantErr(t, "delete of another version", store.Delete(t.Context(), s, key("a"), 7), store.ErrConflict)
	if err := store.Delete(t.Context(), s, key("a"), fact.Version); err != nil {
		t.Fatal(err)
	}
	_, err := s.Get(t.Context(), key("a"))
	wantErr(t, "get after delete", err, store.ErrNotFound)
	again := mustCreate(t, s, store.Fact{Key: key("a")})
	if again.Serial <= fact.Serial || again.Version != 1 {
		t.Errorf("created again as %+v, after serial %d", again, fact.Serial)
	}
}

func changeAtomic(t *testing.T, s store.Store) {
	fact := mustCreate(t, s, store.Fact{Key: key("there"), Blob: []byte("1")})
	gone := mustCreate(t, s, store.Fact{Key: key("to go")})
	good := store.Change{
		Create: []store.Fact{{Key: key("new")}, {Key: key("new too")}},
		Update: []store.Fact{{Key: key("there"), Version: fact.Version, Blob: []byte("2")}},
		Delete: []store.Fact{{Key: key("to go"), Version: gone.Version}},
	}
	for what, spoil := range map[string]func(*store.Change){
		"create of what is there": func(c *store.Change) { c.Create = append(c.Create, store.Fact{Key: key("kept")}) },
		"update of what is not": func(c *store.Change) {
			c.Update = append(slices.Clone(c.Update), store.Fact{Key: key("missing")})
		},
		"delete of what has changed": func(c *store.Change) { c.Delete = []store.Fact{{Key: key("to go"), Version: 9}} },
	} {
		bad := good
		bad.Create = slices.Clone(good.Create)
		spoil(&bad)
		_, _ = store.Create(t.Context(), s, store.Fact{Key: key("kept")}) // From the second round on it is there.
		if _, err := s.Apply(t.Context(), bad); err == nil {
			t.Fatalf("%s was not refused", what)
		}
		if _, err := s.Get(t.Context(), key("new")); err == nil {
			t.Errorf("%s: half of the change was made", what)
		}
		if got, err := s.Get(t.Context(), key("there")); err != nil || !sameFact(got, fact) {
			t.Errorf("%s: half of the change was made: %v (%v)", what, got, err)
		}
		if _, err := s.Get(t.Context(), key("to go")); err != nil {
			t.Errorf("%s: half of the change was made: %v", what, err)
		}
	}
	applied, err := s.Apply(t.Context(), good)
	if err != nil || applied.Repeat || len(applied.Created) != 2 || len(applied.Updated) != 1 {
		t.Fatalf("apply gave %+v (%v)", applied, err)
	}
	if applied.Created[0].ID != "new" || applied.Created[1].Serial <= applied.Created[0].Serial || applied.Updated[0].Version != 2 {
		t.Errorf("apply gave %+v", applied)
	}
	_, err = s.Get(t.Context(), key("to go"))
	wantErr(t, "get of the deleted", err, store.ErrNotFound)
}

func changeExpect(t *testing.T, s store.Store) {
	parent := mustCreate(t, s, store.Fact{Key: key("parent"), State: "open"})
	child := func(id string, version int64) error {
		_, err := s.Apply(t.Context(), store.Change{
			Expect: []store.Fact{{Key: key("parent"), Version: version}},
			Create: []store.Fact{{Key: key(id), Parent: "parent"}},
		})
		return err
	}
	if err := child("1", parent.Version); err != nil {
		t.Fatal(err)
	}
	if err := child("2", 0); err != nil {
		t.Fatal(err)
	}
	parent.State = "closed"
	if _, err := store.Update(t.Context(), s, parent); err != nil {
		t.Fatal(err)
	}
	wantErr(t, "child of a changed parent", child("3", parent.Version), store.ErrConflict)
	if err := store.Delete(t.Context(), s, parent.Key, 0); err != nil {
		t.Fatal(err)
	}
	wantErr(t, "child of a deleted parent", child("4", 0), store.ErrNotFound)
	page, err := s.List(t.Context(), store.Query{Shop: shop, Kind: thing, Parent: "parent", Limit: 10})
	if err != nil || len(page.Facts) != 2 {
		t.Errorf("children are %+v (%v)", page, err)
	}
}

func request(id string) *store.Request {
	return &store.Request{Shop: shop, Method: "Create", ID: id, Body: [32]byte{1}, Response: "answer to " + id, Time: time.UnixMicro(1_000_000)}
}

func requestRepeat(t *testing.T, s store.Store) {
	_, err := s.Recall(t.Context(), *request("r"))
	wantErr(t, "recall of an unknown request", err, store.ErrNotFound)
	for round := range 3 {
		r := request("r")
		r.Response += fmt.Sprint(" in round ", round)
		applied, err := s.Apply(t.Context(), store.Change{Request: r, Create: []store.Fact{{Key: key(fmt.Sprint(round))}}})
		if err != nil || applied.Repeat != (round > 0) || applied.Response != "answer to r in round 0" {
			t.Fatalf("round %d gave %+v (%v)", round, applied, err)
		}
		if made := len(applied.Created) > 0; made != (round == 0) {
			t.Errorf("round %d created %v", round, applied.Created)
		}
		if response, err := s.Recall(t.Context(), *request("r")); err != nil || response != "answer to r in round 0" {
			t.Errorf("recall gave %q (%v)", response, err)
		}
	}
	page, err := s.List(t.Context(), store.Query{Shop: shop, Kind: thing, Limit: 10})
	if err != nil || len(page.Facts) != 1 || page.Facts[0].ID != "0" {
		t.Errorf("the repeats left %+v (%v)", page, err)
	}
}

func requestScope(t *testing.T, s store.Store) {
	for i, alter := range []func(*store.Request){
		func(r *store.Request) {},
		func(r *store.Request) { r.Shop = otherShop },
		func(r *store.Request) { r.Method = "Update" },
		func(r *store.Request) { r.ID = "other" },
		func(r *store.Request) { r.Body[31] = 9 },
	} {
		r := request("r")
		alter(r)
		_, err := s.Recall(t.Context(), *r)
		wantErr(t, fmt.Sprint("recall ", i), err, store.ErrNotFound)
		applied, err := s.Apply(t.Context(), store.Change{Request: r})
		if err != nil || applied.Repeat {
			t.Errorf("request %d is taken for another: %+v (%v)", i, applied, err)
		}
		applied, err = s.Apply(t.Context(), store.Change{Request: r})
		if err != nil || !applied.Repeat {
			t.Errorf("request %d is not known again: %+v (%v)", i, applied, err)
		}
	}
}

func requestRefused(t *testing.T, s store.Store) {
	change := store.Change{Request: request("r"), Update: []store.Fact{{Key: key("a")}}}
	_, err := s.Apply(t.Context(), change)
	wantErr(t, "update of what is not there", err, store.ErrNotFound)
	_, err = s.Recall(t.Context(), *request("r"))
	wantErr(t, "recall of a refused request", err, store.ErrNotFound)
	mustCreate(t, s, store.Fact{Key: key("a")})
	if applied, err := s.Apply(t.Context(), change); err != nil || applied.Repeat {
		t.Errorf("the request is spent although it was refused: %+v (%v)", applied, err)
	}
}

func requestForget(t *testing.T, s store.Store) {
	start := time.UnixMicro(1_700_000_000_000_000)
	for i := range 2500 {
		r := request(fmt.Sprint(i))
		r.Time = start.Add(time.Duration(i) * time.Microsecond)
		if _, err := s.Apply(t.Context(), store.Change{Request: r}); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Forget(t.Context(), start.Add(2100*time.Microsecond)); err != nil {
		t.Fatal(err)
	}
	_, err := s.Recall(t.Context(), *request("2099"))
	wantErr(t, "recall of a forgotten request", err, store.ErrNotFound)
	if _, err := s.Recall(t.Context(), *request("2100")); err != nil {
		t.Errorf("a request was forgotten too soon: %v", err)
	}
	if applied, err := s.Apply(t.Context(), store.Change{Request: request("0")}); err != nil || applied.Repeat {
		t.Errorf("a forgotten request is known: %+v (%v)", applied, err)
	}
}

func listFilters(t *testing.T, s store.Store) {
	var all []store.Fact
	for _, sh := range []string{shop, otherShop} {
		for _, kind := range []store.Kind{thing, otherKind} {
			for i := range 27 {
				fact := store.Fact{Key: store.Key{Shop: sh, Kind: kind, ID: fmt.Sprint(i)}}
				fact.Parent = []string{"", "p1", "p2"}[i%3]
				fact.Reference = []string{"", "r1", "r2"}[i/3%3]
				fact.State = []string{"", "open", "closed"}[i/9]
				all = append(all, mustCreate(t, s, fact))
			}
		}
	}
	for _, parent := range []string{"", "p1", "p3"} {
		for _, reference := range []string{"", "r1", "r"} {
			for _, state := range []string{"", "open", "OPEN"} {
				q := store.Query{Shop: shop, Kind: otherKind, Parent: parent, Reference: reference, State: state, Limit: 100}
				want := slices.DeleteFunc(slices.Clone(all), func(f store.Fact) bool { return !passes(q, f) })
				page, err := s.List(t.Context(), q)
				if err != nil || page.More || !slices.EqualFunc(page.Facts, want, sameFact) {
					t.Errorf("%+v lists %+v (%v), want %+v", q, page, err, want)
				}
			}
		}
	}
}

func passes(q store.Query, f store.Fact) bool {
	return f.Shop == q.Shop && f.Kind == q.Kind &&
		(q.Parent == "" || f.Parent == q.Parent) &&
		(q.Reference == "" || f.Reference == q.Reference) &&
		(q.State == "" || f.State == q.State)
}

func listOrder(t *testing.T, s store.Store) {
	var made []string
	for i := range 20 {
		id := fmt.Sprint((i * 7) % 20) // Created in another order than that of the names.
		mustCreate(t, s, store.Fact{Key: key(id)})
		made = append(made, id)
	}
	if _, err := store.Update(t.Context(), s, store.Fact{Key: key(made[3])}); err != nil {
		t.Fatal(err)
	}
	rising := listAll(t, s, store.Query{Shop: shop, Kind: thing, Limit: 100})
	if !slices.Equal(rising, made) {
		t.Errorf("listed as %v, created as %v", rising, made)
	}
	slices.Reverse(made)
	falling := listAll(t, s, store.Query{Shop: shop, Kind: thing, Limit: 100, Newest: true})
	if !slices.Equal(falling, made) {
		t.Errorf("newest first listed as %v, want %v", falling, made)
	}
}

func listPages(t *testing.T, s store.Store) {
	var made []string
	for i := range 25 {
		made = append(made, fmt.Sprint(i))
		mustCreate(t, s, store.Fact{Key: key(made[i]), State: "open"})
		mustCreate(t, s, store.Fact{Key: key(fmt.Sprint("x", i)), State: "closed"})
	}
	for _, limit := range []int{1, 4, 5, 24, 25, 26, store.MaxPage} {
		for _, newest := range []bool{false, true} {
			got := listAll(t, s, store.Query{Shop: shop, Kind: thing, State: "open", Limit: limit, Newest: newest})
			if newest {
				slices.Reverse(got)
			}
			if !slices.Equal(got, made) {
				t.Errorf("pages of %d (newest first: %v) join to %v", limit, newest, got)
			}
		}
	}
	empty, err := s.List(t.Context(), store.Query{Shop: shop, Kind: "nothing", Limit: 5})
	if err != nil || empty.More || len(empty.Facts) != 0 {
		t.Errorf("an empty list is %+v (%v)", empty, err)
	}
}

// listAll follows the pages of a list to the end.
func listAll(t *testing.T, s store.Facts, q store.Query) (ids []string) {
	t.Helper()
	for {
		page, err := s.List(t.Context(), q)
		if err != nil {
			t.Fatal(err)
		}
		if len(page.Facts) > q.Limit || page.More && len(page.Facts) != q.Limit {
			t.Fatalf("a page of %d has %d facts, more: %v", q.Limit, len(page.Facts), page.More)
		}
		for _, fact := range page.Facts {
			ids = append(ids, fact.ID)
			q.After = fact.Serial
		}
		if !page.More {
			return ids
		}
	}
}

func factInvalid(t *testing.T, s store.Store) {
	for what, k := range map[string]store.Key{
		"no shop":      {Kind: thing, ID: "a"},
		"no kind":      {Shop: shop, ID: "a"},
		"no id":        {Shop: shop, Kind: thing},
		"no text":      {Shop: shop, Kind: thing, ID: "a\xff"},
		"a zero byte":  {Shop: shop, Kind: thing, ID: "a\x00b"},
		"a novel":      {Shop: shop, Kind: thing, ID: strings.Repeat("a", store.MaxName+1)},
		"a novel shop": {Shop: strings.Repeat("a", store.MaxName+1), Kind: thing, ID: "a"},
	} {
		_, err := s.Get(t.Context(), k)
		wantErr(t, "get with "+what, err, store.ErrInvalid)
		_, err = store.Create(t.Context(), s, store.Fact{Key: k})
		wantErr(t, "create with "+what, err, store.ErrInvalid)
	}
	for what, c := range map[string]store.Change{
		"nothing":        {},
		"two shops":      {Create: []store.Fact{{Key: key("a")}, {Key: store.Key{Shop: otherShop, Kind: thing, ID: "b"}}}},
		"one fact twice": {Create: []store.Fact{{Key: key("a")}}, Delete: []store.Fact{{Key: key("a")}}},
		"a novel state":  {Create: []store.Fact{{Key: key("a"), State: strings.Repeat("a", store.MaxName+1)}}},
		"a huge blob":    {Create: []store.Fact{{Key: key("a"), Blob: make([]byte, store.MaxFact+1)}}},
		"a version < 0":  {Update: []store.Fact{{Key: key("a"), Version: -1}}},
		"no request id":  {Request: request(""), Create: []store.Fact{{Key: key("a")}}},
		"another's request": {Request: &store.Request{Shop: otherShop, Method: "m", ID: "r"},
			Create: []store.Fact{{Key: key("a")}}},
	} {
		_, err := s.Apply(t.Context(), c)
		wantErr(t, "change with "+what, err, store.ErrInvalid)
	}
	for what, q := range map[string]store.Query{
		"no shop":        {Kind: thing, Limit: 1},
		"no kind":        {Shop: shop, Limit: 1},
		"no limit":       {Shop: shop, Kind: thing},
		"a huge limit":   {Shop: shop, Kind: thing, Limit: store.MaxPage + 1},
		"a place < 0":    {Shop: shop, Kind: thing, Limit: 1, After: -1},
		"a novel parent": {Shop: shop, Kind: thing, Limit: 1, Parent: strings.Repeat("a", store.MaxName+1)},
	} {
		_, err := s.List(t.Context(), q)
		wantErr(t, "query with "+what, err, store.ErrInvalid)
	}
	_, err := s.Recall(t.Context(), store.Request{})
	wantErr(t, "recall of nothing", err, store.ErrInvalid)
}

func factAliasing(t *testing.T, s store.Store) {
	blob := []byte("bytes")
	mustCreate(t, s, store.Fact{Key: key("a"), Blob: blob})
	blob[0] = 'X'
	for range 2 {
		got, err := s.Get(t.Context(), key("a"))
		if err != nil || string(got.Blob) != "bytes" {
			t.Fatalf("got %q (%v)", got.Blob, err)
		}
		got.Blob[1] = 'Y'
		page, err := s.List(t.Context(), store.Query{Shop: shop, Kind: thing, Limit: 1})
		if err != nil || string(page.Facts[0].Blob) != "bytes" {
			t.Fatalf("listed %q (%v)", page.Facts[0].Blob, err)
		}
		page.Facts[0].Blob[2] = 'Z'
	}
}

func factCancelled(t *testing.T, s store.Store) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := store.Create(ctx, s, store.Fact{Key: key("a")})
	wantErr(t, "create", err, context.Canceled)
	_, err = s.Get(ctx, key("a"))
	wantErr(t, "get", err, context.Canceled)
	_, err = s.List(ctx, store.Query{Shop: shop, Kind: thing, Limit: 1})
	wantErr(t, "list", err, context.Canceled)
	_, err = s.Recall(ctx, *request("r"))
	wantErr(t, "recall", err, context.Canceled)
	wantErr(t, "forget", s.Forget(ctx, time.Now()), context.Canceled)
	_, err = s.Get(t.Context(), key("a"))
	wantErr(t, "get afterwards", err, store.ErrNotFound)
}

func factClosed(t *testing.T, s store.Store) {
	mustCreate(t, s, store.Fact{Key: key("a")})
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	_, err := s.Get(t.Context(), key("a"))
	wantErr(t, "get", err, store.ErrClosed)
	_, err = s.List(t.Context(), store.Query{Shop: shop, Kind: thing, Limit: 1})
	wantErr(t, "list", err, store.ErrClosed)
	_, err = store.Create(t.Context(), s, store.Fact{Key: key("b")})
	wantErr(t, "create", err, store.ErrClosed)
	_, err = s.Recall(t.Context(), *request("r"))
	wantErr(t, "recall", err, store.ErrClosed)
	wantErr(t, "forget", s.Forget(t.Context(), time.Now()), store.ErrClosed)
}
