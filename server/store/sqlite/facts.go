// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package sqlite

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/airassay/airassay/server/store"
)

const (
	sqlVersionOf  = `SELECT version, serial FROM facts WHERE shop = ? AND kind = ? AND id = ?`
	sqlInsertFact = `INSERT INTO facts (shop, kind, id, parent, reference, state, version, digest, blob) VALUES (?, ?, ?, ?, ?, ?, 1, ?, ?)`
	sqlUpdateFact = `UPDATE facts SET parent = ?, reference = ?, state = ?, version = ?, digest = ?, blob = ? WHERE serial = ?`
	sqlDeleteFact = `DELETE FROM facts WHERE serial = ?`
	sqlSelectFact = `SELECT serial, shop, kind, id, parent, reference, state, version, digest, blob FROM facts`

	sqlFindRequest   = `SELECT response FROM requests WHERE shop = ? AND method = ? AND id = ? AND body = ?`
	sqlInsertRequest = `INSERT INTO requests (shop, method, id, body, response, time_us) VALUES (?, ?, ?, ?, ?, ?)`
	sqlDropRequests  = `DELETE FROM requests WHERE rowid IN (SELECT rowid FROM requests WHERE time_us < ? LIMIT 1000)`
)

// Get reads one fact.
func (s *Store) Get(ctx context.Context, key store.Key) (store.Fact, error) {
	if err := key.Check(); err != nil {
		return store.Fact{}, err
	}
	facts, err := s.selectFacts(ctx, sqlSelectFact+` WHERE shop = ? AND kind = ? AND id = ?`,
		key.Shop, string(key.Kind), key.ID)
	if err == nil && len(facts) == 0 {
		err = store.ErrNotFound
	}
	if err != nil {
		return store.Fact{}, fmt.Errorf("get %s: %w", key, err)
	}
	return facts[0], nil
}

// List reads one page of facts.
func (s *Store) List(ctx context.Context, query store.Query) (store.Page, error) {
	if err := query.Check(); err != nil {
		return store.Page{}, err
	}
	text, args := listStatement(query)
	facts, err := s.selectFacts(ctx, text, args...)
	if err != nil {
		return store.Page{}, fmt.Errorf("list %s/%s: %w", query.Shop, query.Kind, err)
	}
	more := len(facts) > query.Limit
	if more {
		facts = slices.Clip(facts[:query.Limit])
	}
	return store.Page{Facts: facts, More: more}, nil
}

// listStatement asks for one fact more than the page holds, which tells
// whether the list goes on.
func listStatement(query store.Query) (string, []any) {
	var text strings.Builder
	text.WriteString(sqlSelectFact + ` WHERE shop = ? AND kind = ?`)
	args := []any{query.Shop, string(query.Kind)}
	for _, filter := range []struct{ column, value string }{
		{"parent", query.Parent}, {"reference", query.Reference}, {"state", query.State},
	} {
		if filter.value != "" { // The second half lets the planner use the partial index.
			fmt.Fprintf(&text, ` AND %[1]s = ? AND %[1]s <> ''`, filter.column)
			args = append(args, filter.value)
		}
	}
	relation, order := ">", "ASC"
	if query.Newest {
		relation, order = "<", "DESC"
	}
	if query.After != 0 {
		fmt.Fprintf(&text, ` AND serial %s ?`, relation)
		args = append(args, query.After)
	}
	fmt.Fprintf(&text, ` ORDER BY serial %s LIMIT ?`, order)
	return text.String(), append(args, query.Limit+1)
}

func (s *Store) selectFacts(ctx context.Context, text string, args ...any) (facts []store.Fact, err error) {
	if err := s.enter(); err != nil {
		return nil, err
	}
	defer s.leave()
	rows, err := s.reads.QueryContext(ctx, text, args...)
	if err != nil {
		return nil, s.explain(err)
	}
	defer func() { err = errors.Join(err, s.explain(rows.Close())) }()
	for rows.Next() {
		fact, err := scanFact(rows)
		if err != nil {
			return nil, s.explain(err)
		}
		facts = append(facts, fact)
	}
	return facts, s.explain(rows.Err())
}

func scanFact(rows *sql.Rows) (f store.Fact, err error) {
	var digest []byte
	err = rows.Scan(&f.Serial, &f.Shop, &f.Kind, &f.ID, &f.Parent, &f.Reference, &f.State, &f.Version, &digest, &f.Blob)
	if err == nil && !bytes.Equal(digest, digestOf(f.Blob)) {
		err = fmt.Errorf("%s has other bytes than were written: %w", f.Key, store.ErrCorrupt)
	}
	return f, err
}

func digestOf(blob []byte) []byte {
	digest := sha256.Sum256(blob)
	return digest[:]
}

// Apply carries out a change in one transaction.
func (s *Store) Apply(ctx context.Context, change store.Change) (store.Applied, error) {
	if err := change.Check(); err != nil {
		return store.Applied{}, err
	}
	size := 0
	for _, fact := range slices.Concat(change.Create, change.Update) {
		size += len(fact.Blob)
	}
	var applied store.Applied
	err := s.submit(ctx, &job{guard: true, bytes: size, do: func(w *writer) (err error) {
		applied, err = w.apply(change)
		return err
	}})
	if err != nil {
		return store.Applied{}, fmt.Errorf("apply change: %w", err)
	}
	return applied, nil
}

// Recall gives what was remembered with a request.
func (s *Store) Recall(ctx context.Context, request store.Request) (string, error) {
	if err := request.Check(); err != nil {
		return "", err
	}
	if err := s.enter(); err != nil {
		return "", err
	}
	defer s.leave()
	var response string
	err := s.reads.QueryRowContext(ctx, sqlFindRequest, request.Shop, request.Method, request.ID, request.Body[:]).
		Scan(&response)
	if errors.Is(err, sql.ErrNoRows) {
		err = store.ErrNotFound
	}
	if err != nil {
		return "", fmt.Errorf("recall request %s: %w", request.ID, s.explain(err))
	}
	return response, nil
}

// Forget drops old requests, in steps that do not hold up others.
func (s *Store) Forget(ctx context.Context, before time.Time) error {
	for dropped := int64(1); dropped > 0; {
		err := s.submit(ctx, &job{do: func(w *writer) error {
			result, err := w.stmts.dropRequests.Exec(before.UnixMicro())
			if err != nil {
				return err
			}
			dropped, err = result.RowsAffected()
			return err
		}})
		if err != nil {
			return fmt.Errorf("forget requests: %w", err)
		}
	}
	return nil
}

func (w *writer) apply(change store.Change) (applied store.Applied, err error) {
	if change.Request != nil {
		response, known, err := w.recall(*change.Request)
		if err != nil || known {
			return store.Applied{Repeat: known, Response: response}, err
		}
		applied.Response = change.Request.Response
	}
	for _, fact := range change.Expect {
		if _, err := w.match(fact); err != nil {
			return store.Applied{}, fmt.Errorf("expect %s: %w", fact.Key, err)
		}
	}
	for _, fact := range change.Delete {
		if err := w.delete(fact); err != nil {
			return store.Applied{}, fmt.Errorf("delete %s: %w", fact.Key, err)
		}
	}
	if applied.Updated, err = each("update", change.Update, w.update); err != nil {
		return store.Applied{}, err
	}
	if applied.Created, err = each("create", change.Create, w.createFact); err != nil {
		return store.Applied{}, err
	}
	return applied, nil
}

func each(what string, facts []store.Fact, do func(store.Fact) (store.Fact, error)) ([]store.Fact, error) {
	var done []store.Fact
	for _, fact := range facts {
		now, err := do(fact)
		if err != nil {
			return nil, fmt.Errorf("%s %s: %w", what, fact.Key, err)
		}
		done = append(done, now)
	}
	return done, nil
}

// recall looks a request up and remembers it where it is new.
func (w *writer) recall(r store.Request) (response string, known bool, err error) {
	err = w.stmts.findRequest.QueryRow(r.Shop, r.Method, r.ID, r.Body[:]).Scan(&response)
	if errors.Is(err, sql.ErrNoRows) {
		_, err = w.stmts.insertRequest.Exec(r.Shop, r.Method, r.ID, r.Body[:], r.Response, r.Time.UnixMicro())
		return "", false, err
	}
	return response, err == nil, err
}

// match gives the stored version and serial of a fact that has to be there.
func (w *writer) match(fact store.Fact) (stored store.Fact, err error) {
	err = w.stmts.versionOf.QueryRow(fact.Shop, string(fact.Kind), fact.ID).Scan(&stored.Version, &stored.Serial)
	if errors.Is(err, sql.ErrNoRows) {
		return stored, store.ErrNotFound
	}
	if err != nil {
		return stored, err
	}
	return stored, fact.Match(stored.Version)
}

func (w *writer) createFact(fact store.Fact) (store.Fact, error) {
	result, err := w.stmts.insertFact.Exec(fact.Shop, string(fact.Kind), fact.ID,
		fact.Parent, fact.Reference, fact.State, digestOf(fact.Blob), notNil(fact.Blob))
	if isUniqueViolation(err) {
		return store.Fact{}, store.ErrExists
	}
	if err != nil {
		return store.Fact{}, err
	}
	fact.Version = 1
	fact.Serial, err = result.LastInsertId()
	return fact, err
}

func (w *writer) update(fact store.Fact) (store.Fact, error) {
	stored, err := w.match(fact)
	if err != nil {
		return store.Fact{}, err
	}
	fact.Version, fact.Serial = stored.Version+1, stored.Serial
	_, err = w.stmts.updateFact.Exec(fact.Parent, fact.Reference, fact.State, fact.Version,
		digestOf(fact.Blob), notNil(fact.Blob), fact.Serial)
	return fact, err
}

func (w *writer) delete(fact store.Fact) error {
	stored, err := w.match(fact)
	if err != nil {
		return err
	}
	_, err = w.stmts.deleteFact.Exec(stored.Serial)
	return err
}

// notNil keeps an empty record from being taken for NULL.
func notNil(blob []byte) []byte {
	if blob == nil {
		return []byte{}
	}
	return blob
}
