// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/session"
	"github.com/airassay/airassay/server/store"
)

func TestPushedDriveGivesTheAssessmentOfTheSameSamplesInOneGo(t *testing.T) {
	onEachStore(t, func(t *testing.T, f *fixture) {
		s, d := f.session(), drive()
		c := f.capture(s.GetName(), d)
		_ = f.assess(s.GetName()) // So that the assay is fed as the samples come.
		batches := cut(d.Samples, always(40))
		acks := f.pushAll(f.writer(c.GetName(), 0), batches)
		if !slices.IsSorted(acks) || acks[len(acks)-1] != int64(len(batches)) {
			t.Errorf("acknowledged %v", acks)
		}
		want := f.straight(s, d, d.Samples)
		f.same("live", f.assess(s.GetName()), want)
		got, err := f.GetCapture(t.Context(), shop, c.GetName())
		f.must(err)
		if got.GetSampleCount() != int64(len(d.Samples)) || got.GetLastSequence() != int64(len(batches)) || got.GetWriterEpoch() != 1 {
			t.Errorf("the capture counts %d samples to sequence %d in epoch %d", got.GetSampleCount(), got.GetLastSequence(), got.GetWriterEpoch())
		}
		f.restart()
		f.same("replayed", f.assess(s.GetName()), want)
		closed, name, err := f.CloseSession(t.Context(), shop, s.GetName())
		f.must(err)
		v, err := f.GetVerdict(t.Context(), shop, name)
		f.must(err)
		f.same("frozen", f.bytes(v.GetAssessment()), want)
		if closed.GetState() != pb.SessionState_SESSION_STATE_CLOSED || closed.GetCloseTime() == nil || v.GetCreateTime() == nil {
			t.Errorf("closed as %v with %v", closed, v.GetCreateTime())
		}
		again, twice, err := f.CloseSession(t.Context(), shop, s.GetName())
		f.must(err)
		if !proto.Equal(again, closed) || twice != name {
			t.Errorf("closing again gave %v and %s", again, twice)
		}
		after, err := f.GetCapture(t.Context(), shop, c.GetName())
		f.must(err)
		if after.GetSampleCount() != int64(len(d.Samples)) || after.GetState() != pb.CaptureState_CAPTURE_STATE_FINISHED {
			t.Errorf("after closing the capture is %v with %d samples", after.GetState(), after.GetSampleCount())
		}
		other, err := f.ReassessSession(t.Context(), shop, s.GetName(), "")
		f.must(err)
		f.same("reassessed", f.bytes(other.GetAssessment()), want)
	})
}

// However a drive is cut, interrupted, repeated and resumed, and whoever asks in between: the same bytes.
func TestInterruptionsDoNotShowInTheAssessment(t *testing.T) {
	d := drive()
	for seed := range uint64(6) {
		for _, kind := range []string{"memory", "sqlite"} {
			t.Run(fmt.Sprint(kind, seed), func(t *testing.T) {
				rng := rand.New(rand.NewPCG(seed, 1))
				f := newFixture(t, kind, session.Limits{Assays: 1})
				s := f.session()
				c := f.capture(s.GetName(), d)
				batches := cut(d.Samples, func() int { return 1 + rng.IntN(400) })
				epoch := int64(0)
				for at := 0; at < len(batches); {
					if rng.IntN(3) == 0 {
						epoch = 0
					}
					w := f.writer(c.GetName(), epoch)
					epoch = w.Epoch
					from := max(0, int(w.LastSequence)-rng.IntN(5))
					at = min(len(batches), int(w.LastSequence)+1+rng.IntN(60))
					f.pushAll(w, batches[from:at])
					switch rng.IntN(4) {
					case 0:
						f.restart()
					case 1:
						_ = f.assess(s.GetName())
					case 2: // Displaces the assay.
						_ = f.assess(f.session().GetName())
					}
				}
				f.same("resumed", f.assess(s.GetName()), f.straight(s, d, d.Samples))
			})
		}
	}
}

func TestChangedDayIsUsedForAllSamples(t *testing.T) {
	f := newFixture(t, "memory", session.Limits{})
	s, d := f.session(), drive()
	c := f.capture(s.GetName(), d)
	batches := cut(d.Samples, always(100))
	half := len(batches) / 2
	w := f.writer(c.GetName(), 0)
	for _, b := range batches[:half] {
		f.must(w.Append(t.Context(), b))
	}
	_ = f.assess(s.GetName())
	s.DayConditions = &pb.DayConditions{AltitudeM: proto.Float64(900), AmbientC: proto.Float64(3)}
	s, err := f.UpdateSession(t.Context(), shop, s, nil)
	f.must(err)
	for _, b := range batches[half:] {
		f.must(w.Append(t.Context(), b))
	}
	f.must(w.Close())
	f.same("after the change", f.assess(s.GetName()), f.straight(s, d, d.Samples))
}

func TestStoredVerdictDoesNotDependOnHowCapturesRaced(t *testing.T) {
	d := drive()
	halves := [2][]*pb.SampleBatch{}
	odd, even := *d, *d
	odd.Samples, even.Samples = nil, nil
	for _, s := range d.Samples {
		if s.Signal%2 == 1 {
			odd.Samples = append(odd.Samples, s)
		} else {
			even.Samples = append(even.Samples, s)
		}
	}
	halves[0], halves[1] = cut(even.Samples, always(37)), cut(odd.Samples, always(90))
	var verdicts [][]byte
	for run := range 3 {
		f := newFixture(t, "memory", session.Limits{})
		s := f.session()
		var wg sync.WaitGroup
		var captures []*pb.Capture
		for range halves {
			captures = append(captures, f.capture(s.GetName(), d))
		}
		_ = f.assess(s.GetName())
		for i := range halves {
			if run == 2 {
				i = 1 - i
			}
			push := func() { f.pushAll(f.writer(captures[i].GetName(), 0), halves[i]) }
			if run == 0 {
				wg.Go(push)
			} else {
				push()
			}
		}
		wg.Wait()
		_, name, err := f.CloseSession(t.Context(), shop, s.GetName())
		f.must(err)
		v, err := f.GetVerdict(t.Context(), shop, name)
		f.must(err)
		verdicts = append(verdicts, f.bytes(v.GetAssessment()))
		f.same("asked for after closing", f.assess(s.GetName()), verdicts[run])
		if late := v.GetAssessment().GetSampleUse().GetLate(); late != 0 {
			t.Errorf("%d samples came late in a replay that merges by time", late)
		}
		f.same("raced", verdicts[run], verdicts[0])
	}
}

func TestRepeatIsAbsorbedAndContradictionRefused(t *testing.T) {
	onEachStore(t, func(t *testing.T, f *fixture) {
		s, d := f.session(), drive()
		c := f.capture(s.GetName(), d)
		batches := cut(d.Samples[:1000], always(100))
		f.pushAll(f.writer(c.GetName(), 0), batches)
		want := f.assess(s.GetName())
		acks := f.pushAll(f.writer(c.GetName(), 0), batches)
		if len(acks) == 0 || acks[len(acks)-1] != 10 {
			t.Errorf("a writer that starts over hears %v; it waits for 10", acks)
		}
		f.same("repeated", f.assess(s.GetName()), want)
		w := f.writer(c.GetName(), 0)
		other := clone(batches[3])
		other.Value[5]++
		more := cut(d.Samples[1000:1200], always(100))
		for i, b := range more {
			b.Sequence = int64(11 + i)
		}
		f.must(w.Append(t.Context(), more[0]))
		f.must(w.Append(t.Context(), batches[2]))
		f.must(w.Append(t.Context(), other))
		var err error
		for err == nil {
			_, err = w.Acknowledged(t.Context())
		}
		if e := details(t, err, session.ErrBatchConflict); e.Int("sequence") != 4 {
			t.Errorf("the conflict is told as %v", e.Metadata)
		}
		wantKind(t, w.Append(t.Context(), more[1]), session.ErrBatchConflict)
		wantKind(t, w.Close(), session.ErrBatchConflict)
		if w = f.writer(c.GetName(), 0); w.LastSequence != 11 {
			t.Errorf("the batches before the contradiction end at %d, want 11", w.LastSequence)
		}
		f.must(w.Close())
	})
}

func TestGapIsRefusedAndTellsWhatIsNext(t *testing.T) {
	onEachStore(t, func(t *testing.T, f *fixture) {
		s, d := f.session(), drive()
		c := f.capture(s.GetName(), d)
		batches := cut(d.Samples[:500], always(100))
		w := f.writer(c.GetName(), 0)
		f.must(w.Append(t.Context(), batches[0]))
		f.must(w.Append(t.Context(), batches[1]))
		if e := details(t, w.Append(t.Context(), batches[3]), session.ErrGap); e.Int("expected_sequence") != 3 || e.Int("sequence") != 4 {
			t.Errorf("metadata %v", e.Metadata)
		}
		acked := int64(0)
		var err error
		for {
			var sequence int64
			if sequence, err = w.Acknowledged(t.Context()); err != nil {
				break
			}
			acked = sequence
		}
		wantKind(t, err, session.ErrGap)
		if acked != 2 {
			t.Errorf("acknowledged up to %d, want 2", acked)
		}
	})
}

func TestOlderWriterIsFencedOff(t *testing.T) {
	onEachStore(t, func(t *testing.T, f *fixture) {
		ctx := t.Context()
		s, d := f.session(), drive()
		c := f.capture(s.GetName(), d)
		batches := cut(d.Samples[:500], always(100))
		_, err := f.OpenWriter(ctx, shop, c.GetName(), 7)
		wantKind(t, err, session.ErrFenced)
		w1 := f.writer(c.GetName(), 0)
		f.must(w1.Append(ctx, clone(batches[0])))
		w2 := f.writer(c.GetName(), 0)
		if w2.Epoch != w1.Epoch+1 || w2.LastSequence != 1 {
			t.Errorf("the new writer has epoch %d after %d and goes on after %d", w2.Epoch, w1.Epoch, w2.LastSequence)
		}
		wantKind(t, w1.Append(ctx, clone(batches[1])), session.ErrFenced)
		wantKind(t, outcomeOf(w1), session.ErrFenced)
		_, err = f.OpenWriter(ctx, shop, c.GetName(), w1.Epoch)
		if e := details(t, err, session.ErrFenced); e.Int("current_epoch") != w2.Epoch || e.Int("writer_epoch") != w1.Epoch {
			t.Errorf("metadata %v", e.Metadata)
		}
		w3 := f.writer(c.GetName(), w2.Epoch) // The same client, whose stream has broken.
		if w3.Epoch != w2.Epoch {
			t.Errorf("a resumed writer has epoch %d instead of %d", w3.Epoch, w2.Epoch)
		}
		wantKind(t, w2.Append(ctx, clone(batches[1])), session.ErrFenced)
		f.must(w3.Append(ctx, clone(batches[1])))
		f.must(w3.Close())
		f.restart()
		w4 := f.writer(c.GetName(), w2.Epoch)
		if w4.LastSequence != 2 {
			t.Errorf("goes on after %d, want 2", w4.LastSequence)
		}
		_, err = f.FinishCapture(ctx, shop, c.GetName())
		f.must(err)
		wantKind(t, w4.Append(ctx, clone(batches[2])), session.ErrCaptureFinished)
		_, err = f.OpenWriter(ctx, shop, c.GetName(), 0)
		wantKind(t, err, session.ErrCaptureFinished)
		again, err := f.FinishCapture(ctx, shop, c.GetName())
		f.must(err)
		if again.GetSampleCount() != 200 {
			t.Errorf("the finished capture counts %d samples, want 200", again.GetSampleCount())
		}
		_, _, err = f.CloseSession(ctx, shop, s.GetName())
		f.must(err)
		_, err = f.OpenWriter(ctx, shop, c.GetName(), 0)
		wantKind(t, err, session.ErrSessionClosed)
		_, err = f.CreateCapture(ctx, shop, s.GetName(), meter(), "")
		wantKind(t, err, session.ErrSessionClosed)
	})
}

func TestBatchesOutsideTheRulesAreRefused(t *testing.T) {
	f := newFixture(t, "memory", session.Limits{})
	s := f.session()
	c, err := f.CreateCapture(t.Context(), shop, s.GetName(), meter(), "")
	f.must(err)
	good := func() *pb.SampleBatch {
		return &pb.SampleBatch{Sequence: 1, BaseTimeUs: 1000, OffsetUs: []int64{0, 5}, Signal: []int32{0, 1}, Value: []float64{1, 2}}
	}
	day := session.MaxAhead.Microseconds()
	many := func(n int) *pb.SampleBatch {
		return &pb.SampleBatch{Sequence: 1, OffsetUs: make([]int64, n), Signal: make([]int32, n), Value: make([]float64, n)}
	}
	for name, one := range map[string]struct {
		change func(b *pb.SampleBatch)
		whole  *pb.SampleBatch
		want   *session.Error
		field  string
	}{
		"nothing":              {whole: &pb.SampleBatch{}, want: session.ErrInvalid, field: "batch.sequence"},
		"nil":                  {whole: (*pb.SampleBatch)(nil), want: session.ErrInvalid, field: "batch.sequence"},
		"empty":                {whole: &pb.SampleBatch{Sequence: 1}, want: session.ErrInvalid, field: "batch.value"},
		"sequence 0":           {change: func(b *pb.SampleBatch) { b.Sequence = 0 }, want: session.ErrInvalid, field: "batch.sequence"},
		"short offsets":        {change: func(b *pb.SampleBatch) { b.OffsetUs = b.OffsetUs[:1] }, want: session.ErrInvalid, field: "batch.offset_us"},
		"short signals":        {change: func(b *pb.SampleBatch) { b.Signal = nil }, want: session.ErrInvalid, field: "batch.signal"},
		"short uncertainties":  {change: func(b *pb.SampleBatch) { b.TimeUncertaintyUs = []int64{1} }, want: session.ErrInvalid, field: "batch.time_uncertainty_us"},
		"negative uncertainty": {change: func(b *pb.SampleBatch) { b.TimeUncertaintyUs = []int64{1, -1} }, want: session.ErrInvalid, field: "batch.time_uncertainty_us[1]"},
		"unknown signal":       {change: func(b *pb.SampleBatch) { b.Signal[1] = 2 }, want: session.ErrInvalid, field: "batch.signal[1]"},
		"negative signal":      {change: func(b *pb.SampleBatch) { b.Signal[0] = -1 }, want: session.ErrInvalid, field: "batch.signal[0]"},
		"not a number":         {change: func(b *pb.SampleBatch) { b.Value[1] = math.NaN() }, want: session.ErrInvalid, field: "batch.value[1]"},
		"infinite":             {change: func(b *pb.SampleBatch) { b.Value[0] = math.Inf(-1) }, want: session.ErrInvalid, field: "batch.value[0]"},
		"falling":              {change: func(b *pb.SampleBatch) { b.OffsetUs[0] = 9 }, want: session.ErrInvalid, field: "batch.offset_us[1]"},
		"negative offset":      {change: func(b *pb.SampleBatch) { b.OffsetUs[0] = -9 }, want: session.ErrInvalid, field: "batch.offset_us[0]"},
		"bad gap":              {change: func(b *pb.SampleBatch) { b.Gap = &pb.SampleGap{StartUs: 2, EndUs: 1} }, want: session.ErrInvalid, field: "batch.gap"},
		"before the session":   {change: func(b *pb.SampleBatch) { b.BaseTimeUs = -1 }, want: session.ErrTimeOutOfSession},
		"base a day ahead":     {change: func(b *pb.SampleBatch) { b.BaseTimeUs = day + 1 }, want: session.ErrTimeOutOfSession},
		"end a day ahead":      {change: func(b *pb.SampleBatch) { b.OffsetUs[1] = day }, want: session.ErrTimeOutOfSession},
		"end beyond all time":  {change: func(b *pb.SampleBatch) { b.OffsetUs[1] = math.MaxInt64 }, want: session.ErrTimeOutOfSession},
		"too many samples":     {whole: many(session.MaxBatchSamples + 1), want: session.ErrBatchTooLarge},
		"too many bytes": {change: func(b *pb.SampleBatch) {
			b.ProtoReflect().SetUnknown(append([]byte{0xfa, 0x07, 0x80, 0x80, 0x40}, make([]byte, 1<<20)...))
		}, want: session.ErrBatchTooLarge},
	} {
		t.Run(name, func(t *testing.T) {
			b := one.whole
			if one.change != nil {
				b = good()
				one.change(b)
			}
			w := f.writer(c.GetName(), 0)
			e := details(t, w.Append(t.Context(), b), one.want)
			if one.field != "" && (len(e.Violations) != 1 || e.Violations[0].Field != one.field) {
				t.Errorf("names %v, want %s", e.Violations, one.field)
			}
			wantKind(t, outcomeOf(w), one.want)
		})
	}
	w := f.writer(c.GetName(), 0)
	if w.LastSequence != 0 {
		t.Errorf("a refused batch is stored")
	}
	gap := &pb.SampleBatch{Sequence: 2, Gap: &pb.SampleGap{StartUs: 1, EndUs: 2, Reason: pb.SampleGapReason_SAMPLE_GAP_REASON_OVERRUN}}
	full := many(session.MaxBatchSamples)
	full.Sequence = 3
	if acks := f.pushAll(w, []*pb.SampleBatch{good(), gap, full}); acks[len(acks)-1] != 3 {
		t.Errorf("good batches, one of them a gap alone, were acknowledged up to %v", acks)
	}
}

// What was acknowledged is stored, once and in order, whoever closes whatever in the middle.
func TestClosingInTheMiddleKeepsWhatWasAcknowledged(t *testing.T) {
	for name, end := range map[string]func(f *fixture, s *pb.Session, c *pb.Capture) error{
		"session": func(f *fixture, s *pb.Session, _ *pb.Capture) error {
			_, _, err := f.CloseSession(context.Background(), shop, s.GetName())
			return err
		},
		"capture": func(f *fixture, _ *pb.Session, c *pb.Capture) error {
			_, err := f.FinishCapture(context.Background(), shop, c.GetName())
			return err
		},
		"server":     func(f *fixture, _ *pb.Session, _ *pb.Capture) error { return f.Manager.Close(context.Background()) },
		"new writer": func(f *fixture, _ *pb.Session, c *pb.Capture) error { return f.writer(c.GetName(), 0).Close() },
	} {
		t.Run(name, func(t *testing.T) {
			f := newFixture(t, "sqlite", session.Limits{})
			s, d := f.session(), drive()
			c := f.capture(s.GetName(), d)
			batches := cut(d.Samples, always(10))
			w := f.writer(c.GetName(), 0)
			acked := make(chan int64)
			go func() {
				last := int64(0)
				for {
					sequence, err := w.Acknowledged(context.Background())
					if err != nil {
						acked <- last
						return
					}
					last = sequence
				}
			}()
			ended := make(chan error, 1)
			go func() {
				time.Sleep(20 * time.Millisecond)
				ended <- end(f, s, c)
			}()
			sent := 0
			for _, b := range batches {
				if w.Append(context.Background(), clone(b)) != nil {
					break
				}
				sent++
			}
			f.must(<-ended)
			_ = w.Close()
			last := <-acked
			if name == "server" {
				f.restart()
			}
			stored := f.stored(s, c)
			if int64(len(stored)) < last || len(stored) > sent {
				t.Fatalf("%d batches stored, %d sent, %d acknowledged", len(stored), sent, last)
			}
			n := 0
			for i, b := range stored {
				if !proto.Equal(b, batches[i]) {
					t.Fatalf("batch %d is not the one that was sent", i+1)
				}
				n += len(b.GetValue())
			}
			f.same("what was stored", f.assess(s.GetName()), f.straight(s, d, d.Samples[:n]))
		})
	}
}

func (f *fixture) stored(s *pb.Session, c *pb.Capture) (out []*pb.SampleBatch) {
	f.t.Helper()
	k := store.Capture{Shop: shop, Session: s.GetName()[len("sessions/"):], ID: c.GetName()[len(s.GetName())+len("/captures/"):]}
	for chunk, err := range f.store.Range(context.Background(), k, 1) {
		f.must(err)
		b := new(pb.SampleBatch)
		f.must(proto.Unmarshal(chunk.Blob, b))
		out = append(out, b)
	}
	return out
}

func TestManySessionsStreamAtOnceWithFewAssaysInMemory(t *testing.T) {
	f := newFixture(t, "sqlite", session.Limits{Assays: 3})
	d := drive()
	samples := d.Samples[:3000]
	var wg sync.WaitGroup
	var wrong atomic.Int64
	for range 24 {
		s := f.session()
		c := f.capture(s.GetName(), d)
		wg.Go(func() {
			w, err := f.OpenWriter(context.Background(), shop, c.GetName(), 0)
			if err != nil {
				t.Error(err)
				return
			}
			for i, b := range cut(samples, always(50)) {
				if err := w.Append(context.Background(), b); err != nil {
					t.Error(err)
				}
				if i%20 == 7 {
					if _, err := f.AssessSession(context.Background(), shop, s.GetName()); err != nil {
						t.Error(err)
					}
				}
			}
			if err := w.Close(); err != nil {
				t.Error(err)
			}
			v, err := f.AssessSession(context.Background(), shop, s.GetName())
			if err != nil || string(f.bytes(v.GetAssessment())) != string(f.straight(s, d, samples)) {
				wrong.Add(1)
			}
		})
	}
	wg.Wait()
	if wrong.Load() > 0 {
		t.Errorf("%d of 24 assessments differ from those of the same samples in one go", wrong.Load())
	}
	if n := f.Stats(); n.Assays > 3 || n.Sessions > 3 || n.Writers != 0 {
		t.Errorf("in memory: %+v; 3 assays are allowed", n)
	}
}

func TestAppendWaitsForRoomAndForItsContext(t *testing.T) {
	f := newFixture(t, "memory", session.Limits{})
	gate := &gatedStore{Store: f.store, open: make(chan struct{})}
	f.must(f.Manager.Close(context.Background()))
	f.store = gate
	f.start()
	s := f.session()
	c := f.capture(s.GetName(), drive())
	w := f.writer(c.GetName(), 0)
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	n, err := int64(0), error(nil)
	for ; err == nil; n++ {
		b := cut(drive().Samples[:5000], always(5000))[0]
		b.Sequence = n + 1
		err = w.Append(ctx, b)
	}
	if !errors.Is(err, context.DeadlineExceeded) || n > 100 {
		t.Errorf("after %d batches that nobody stores: %v", n, err)
	}
	close(gate.open)
	f.must(w.Close())
	if got := f.writer(c.GetName(), 0); got.LastSequence != n-1 {
		t.Errorf("%d batches were taken, %d are stored", n-1, got.LastSequence)
	} else {
		f.must(got.Close())
	}
}

// gatedStore appends nothing until it is opened.
type gatedStore struct {
	store.Store
	open chan struct{}
}

func (g *gatedStore) Append(ctx context.Context, c store.Capture, epoch int64, chunks ...store.Chunk) (store.Ack, error) {
	<-g.open
	return g.Store.Append(ctx, c, epoch, chunks...)
}

func TestFullStoreEndsTheWriterAsUnavailable(t *testing.T) {
	f := newFixture(t, "memory", session.Limits{})
	f.must(f.Manager.Close(context.Background()))
	f.store = &fullStore{f.store}
	f.start()
	s := f.session()
	c := f.capture(s.GetName(), drive())
	w := f.writer(c.GetName(), 0)
	f.must(w.Append(t.Context(), cut(drive().Samples[:10], always(10))[0]))
	wantKind(t, outcomeOf(w), session.ErrUnavailable)
}

type fullStore struct{ store.Store }

func (*fullStore) Append(context.Context, store.Capture, int64, ...store.Chunk) (store.Ack, error) {
	return store.Ack{}, store.ErrFull
}

func TestNothingIsTakenAfterClose(t *testing.T) {
	f := newFixture(t, "memory", session.Limits{})
	s := f.session()
	c := f.capture(s.GetName(), drive())
	w := f.writer(c.GetName(), 0)
	f.must(f.Manager.Close(context.Background()))
	wantKind(t, w.Append(t.Context(), cut(drive().Samples[:10], always(10))[0]), session.ErrUnavailable)
	_, err := f.OpenWriter(t.Context(), shop, c.GetName(), 0)
	wantKind(t, err, session.ErrUnavailable)
	_, err = f.GetSession(t.Context(), shop, s.GetName())
	wantKind(t, err, session.ErrUnavailable)
	wantKind(t, firstError(f.WatchVerdict(t.Context(), shop, s.GetName())), session.ErrUnavailable)
	closed := f.reopenedWriterIsClosed(c)
	if !errors.Is(closed, io.ErrClosedPipe) {
		t.Errorf("append to a closed writer gave %v", closed)
	}
}

func (f *fixture) reopenedWriterIsClosed(c *pb.Capture) error {
	f.start()
	w := f.writer(c.GetName(), 0)
	f.must(w.Close())
	return w.Append(f.t.Context(), cut(drive().Samples[:10], always(10))[0])
}
