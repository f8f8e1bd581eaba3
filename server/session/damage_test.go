// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session_test

import (
	"context"
	"fmt"
	"iter"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/protobuf/proto"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/session"
	"github.com/airassay/airassay/server/store"
)

// damagedStore gives back something else than batches.
type damagedStore struct {
	store.Store
	blob []byte
	err  error
}

func (d *damagedStore) Range(context.Context, store.Capture, int64) iter.Seq2[store.Chunk, error] {
	return func(yield func(store.Chunk, error) bool) { yield(store.Chunk{Sequence: 1, Blob: d.blob}, d.err) }
}

func TestDamagedSamplesAreNeverJudged(t *testing.T) {
	short, err := proto.Marshal(&pb.SampleBatch{Sequence: 1, Value: []float64{1}})
	if err != nil {
		t.Fatal(err)
	}
	misplaced, err := proto.Marshal(&pb.SampleBatch{Sequence: 2})
	if err != nil {
		t.Fatal(err)
	}
	for name, damage := range map[string]*damagedStore{
		"the store says so":    {err: fmt.Errorf("chunk 1: %w", store.ErrCorrupt)},
		"no message":           {blob: []byte{0xff}},
		"columns do not match": {blob: short},
		"another sequence":     {blob: misplaced},
	} {
		t.Run(name, func(t *testing.T) {
			f := newFixture(t, "memory", session.Limits{})
			s := f.session()
			c := f.capture(s.GetName(), drive())
			f.must(f.Manager.Close(context.Background()))
			damage.Store, f.store = f.store, damage
			f.start()
			_, err := f.AssessSession(t.Context(), shop, s.GetName())
			wantKind(t, err, session.ErrCorrupt)
			wantKind(t, firstError(f.WatchProgress(t.Context(), shop, s.GetName())), session.ErrCorrupt)
			wantKind(t, firstError(f.WatchVerdict(t.Context(), shop, s.GetName())), session.ErrCorrupt)
			wantKind(t, firstError(f.WatchSamples(t.Context(), shop, c.GetName(), 1)), session.ErrCorrupt)
			_, _, err = f.CloseSession(t.Context(), shop, s.GetName())
			wantKind(t, err, session.ErrCorrupt)
			if reason, ok := session.ReasonOf(err); !ok || reason != pb.ErrorReason_ERROR_REASON_CORRUPT {
				t.Errorf("reason %v, %v", reason, ok)
			}
			if got, err := f.GetSession(t.Context(), shop, s.GetName()); err != nil || got.GetState() != pb.SessionState_SESSION_STATE_OPEN {
				t.Errorf("a session that could not be judged is %v, %v", got.GetState(), err)
			}
		})
	}
}

func TestIdleAssaysAndOldRequestsAreDropped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFixture(t, "memory", session.Limits{Idle: 10 * time.Minute, Requests: time.Hour})
		s := f.session()
		_ = f.assess(s.GetName())
		v, err := f.CreateVehicle(t.Context(), shop, sedan(), requestID)
		f.must(err)
		time.Sleep(9 * time.Minute)
		synctest.Wait()
		if n := f.Stats(); n.Assays != 1 {
			t.Errorf("after nine minutes %+v", n)
		}
		f.clock.advance(3 * time.Hour)
		time.Sleep(2 * time.Hour)
		synctest.Wait()
		if n := f.Stats(); n != (session.Stats{}) {
			t.Errorf("after two hours %+v", n)
		}
		again, err := f.CreateVehicle(t.Context(), shop, sedan(), requestID)
		f.must(err)
		if again.GetName() == v.GetName() {
			t.Error("a request is remembered for longer than was asked for")
		}
		f.must(f.Manager.Close(context.Background()))
	})
}

func TestListsOfASessionAreInTheOrderOfCreation(t *testing.T) {
	onEachStore(t, func(t *testing.T, f *fixture) {
		ctx := t.Context()
		s, other := f.session(), f.session()
		var captures, verdicts []string
		for range 5 {
			captures = append(captures, f.capture(s.GetName(), drive()).GetName())
			f.capture(other.GetName(), drive())
		}
		_, first, err := f.CloseSession(ctx, shop, s.GetName())
		f.must(err)
		verdicts = append(verdicts, first)
		for range 4 {
			v, err := f.ReassessSession(ctx, shop, s.GetName(), "")
			f.must(err)
			verdicts = append(verdicts, v.GetName())
		}
		_, err = f.ReassessSession(ctx, shop, other.GetName(), "")
		wantKind(t, err, session.ErrSessionOpen)
		n := 0
		for o := (session.ListOptions{PageSize: 2}); ; {
			page, next, err := f.ListCaptures(ctx, shop, s.GetName(), o)
			f.must(err)
			for _, c := range page {
				if c.GetName() != captures[n] {
					t.Errorf("capture %d is %s, want %s", n, c.GetName(), captures[n])
				}
				n++
			}
			if o.PageToken = next; next == "" {
				break
			}
			_, _, err = f.ListCaptures(ctx, shop, other.GetName(), o)
			wantKind(t, err, session.ErrPageToken)
		}
		all, next, err := f.ListVerdicts(ctx, shop, s.GetName(), session.ListOptions{})
		f.must(err)
		for i, v := range all {
			if v.GetName() != verdicts[i] || v.GetAssessment() == nil || v.GetText() != nil {
				t.Errorf("verdict %d is %v, want %s with its assessment and without text", i, v, verdicts[i])
			}
		}
		if n != 5 || len(all) != 5 || next != "" {
			t.Errorf("%d captures, %d verdicts, next page %q", n, len(all), next)
		}
	})
}
