// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/goleak"
	"google.golang.org/protobuf/proto"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/assay/assaytest"
	"github.com/airassay/airassay/server/session"
	"github.com/airassay/airassay/server/store"
	"github.com/airassay/airassay/server/store/memory"
	"github.com/airassay/airassay/server/store/sqlite"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const shop = "local"

// clock is a time of day that tests set.
type clock struct{ at atomic.Int64 }

func (c *clock) now() time.Time           { return time.UnixMicro(c.at.Load()) }
func (c *clock) advance(by time.Duration) { c.at.Add(by.Microseconds()) }

// fixture is a manager over a store that can be started anew.
type fixture struct {
	*session.Manager
	t      testing.TB
	store  store.Store
	clock  *clock
	limits session.Limits
	reopen func() store.Store
}

func (f *fixture) start() {
	f.t.Helper()
	m, err := session.New(session.Config{
		Store: f.store, Facts: factsOf, Convert: assessmentOf, Clock: f.clock.now, Limits: f.limits,
	})
	f.must(err)
	f.Manager = m
}

// restart throws away what is in memory, as a crash does: nobody says goodbye to anybody.
func (f *fixture) restart() {
	f.t.Helper()
	f.must(f.Manager.Close(context.Background()))
	f.store = f.reopen()
	f.start()
}

func (f *fixture) must(err error) {
	f.t.Helper()
	if err != nil {
		f.t.Fatal(err)
	}
}

func newFixture(t testing.TB, kind string, limits session.Limits) *fixture {
	t.Helper()
	f := &fixture{t: t, clock: new(clock), limits: limits}
	f.clock.at.Store(time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC).UnixMicro())
	switch kind {
	case "memory":
		f.store = memory.New()
		f.reopen = func() store.Store { return f.store }
	case "sqlite":
		dir := t.TempDir()
		open := func() store.Store {
			s, err := sqlite.Open(context.Background(), dir)
			f.must(err)
			return s
		}
		f.store = open()
		f.reopen = func() store.Store {
			f.must(f.store.Close())
			return open()
		}
	}
	f.start()
	t.Cleanup(func() {
		f.must(f.Manager.Close(context.Background()))
		f.must(f.store.Close())
	})
	return f
}

// onEachStore runs a test over every store there is.
func onEachStore(t *testing.T, test func(t *testing.T, f *fixture)) {
	for _, kind := range []string{"memory", "sqlite"} {
		t.Run(kind, func(t *testing.T) { test(t, newFixture(t, kind, session.Limits{})) })
	}
}

func (f *fixture) vehicle() *pb.Vehicle {
	f.t.Helper()
	v, err := f.CreateVehicle(f.t.Context(), shop, sedan(), "")
	f.must(err)
	return v
}

func sedan() *pb.Vehicle {
	return &pb.Vehicle{
		DisplayName: "green estate", DisplacementL: proto.Float64(2), Cylinders: proto.Int32(4),
		Aspiration: pb.Aspiration_ASPIRATION_NATURAL, Fuel: pb.Fuel_FUEL_GASOLINE,
		AirMeter: pb.AirMeterTechnology_AIR_METER_TECHNOLOGY_HOT_FILM, ExternalReference: "WO-17",
	}
}

func (f *fixture) session() *pb.Session {
	f.t.Helper()
	return f.sessionOf(&pb.Session{Vehicle: f.vehicle().GetName()})
}

func (f *fixture) sessionOf(s *pb.Session) *pb.Session {
	f.t.Helper()
	s, err := f.CreateSession(f.t.Context(), shop, s, "")
	f.must(err)
	return s
}

func (f *fixture) capture(parent string, d *assaytest.Drive) *pb.Capture {
	f.t.Helper()
	c := &pb.Capture{Clock: pb.ClockKind(d.Clock)}
	for _, s := range d.Defs {
		c.Signals = append(c.Signals, &pb.SignalDefinition{Path: s.Path, Unit: s.Unit, TimeUncertaintyUs: s.TimeUncertaintyUS})
	}
	c, err := f.CreateCapture(f.t.Context(), shop, parent, c, "")
	f.must(err)
	return c
}

func (f *fixture) writer(capture string, epoch int64) *session.Writer {
	f.t.Helper()
	w, err := f.OpenWriter(f.t.Context(), shop, capture, epoch)
	f.must(err)
	return w
}

// cut makes batches of a drive: size gives the samples of each.
func cut(samples []assay.Sample, size func() int) []*pb.SampleBatch {
	var out []*pb.SampleBatch
	for len(samples) > 0 {
		n := min(max(1, size()), len(samples))
		b := &pb.SampleBatch{Sequence: int64(len(out)) + 1, BaseTimeUs: samples[0].TimeUS}
		for _, s := range samples[:n] {
			b.OffsetUs = append(b.OffsetUs, s.TimeUS-b.BaseTimeUs)
			b.Signal = append(b.Signal, s.Signal)
			b.Value = append(b.Value, s.Value)
		}
		out, samples = append(out, b), samples[n:]
	}
	return out
}

func always(n int) func() int { return func() int { return n } }

func clone(b *pb.SampleBatch) *pb.SampleBatch { return proto.CloneOf(b) }

// pushAll appends batches, closes the writer and gives the sequences that were acknowledged.
func (f *fixture) pushAll(w *session.Writer, batches []*pb.SampleBatch) []int64 {
	f.t.Helper()
	acks := make(chan []int64)
	go func() { acks <- acknowledged(w) }()
	for _, b := range batches {
		f.must(w.Append(f.t.Context(), clone(b)))
	}
	f.must(w.Close())
	return <-acks
}

func acknowledged(w *session.Writer) (got []int64) {
	for {
		sequence, err := w.Acknowledged(context.Background())
		if err != nil {
			return got
		}
		got = append(got, sequence)
	}
}

// outcomeOf drains a writer and gives the error that ended it; nil after Close.
func outcomeOf(w *session.Writer) error {
	for {
		if _, err := w.Acknowledged(context.Background()); errors.Is(err, io.EOF) {
			return nil
		} else if err != nil {
			return err
		}
	}
}

func (f *fixture) assess(name string) []byte {
	f.t.Helper()
	v, err := f.AssessSession(f.t.Context(), shop, name)
	f.must(err)
	return f.bytes(v.GetAssessment())
}

func (f *fixture) bytes(a *pb.Assessment) []byte {
	f.t.Helper()
	raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(a)
	f.must(err)
	return raw
}

// straight is the assessment of samples that went through no session at all.
func (f *fixture) straight(s *pb.Session, d *assaytest.Drive, samples []assay.Sample) []byte {
	f.t.Helper()
	a := assay.New(factsOf(s.GetVehicleSnapshot(), s.GetDayConditions()))
	f.must(a.Declare(0, d.Clock, d.Defs))
	for _, x := range samples {
		x.Capture, x.UncertaintyUS = 0, -1
		a.Push(x)
	}
	return f.bytes(assessmentOf(a.Assess()))
}

func (f *fixture) same(what string, got, want []byte) {
	f.t.Helper()
	if !bytes.Equal(got, want) {
		f.t.Fatalf("%s: the assessment has other bytes than that of the same samples in one go", what)
	}
}

// drive is a short drive, made once.
var drive = sync.OnceValue(func() *assaytest.Drive { return assaytest.Make(assaytest.Spec{Seed: 1}) })

// details gives an error of that kind to look into.
func details(t testing.TB, err error, kind *session.Error) *session.Error {
	t.Helper()
	var e *session.Error
	if !errors.Is(err, kind) || !errors.As(err, &e) {
		t.Fatalf("got %v, want %s", err, kind.Reason)
	}
	return e
}

func wantKind(t testing.TB, err error, kind *session.Error) {
	t.Helper()
	_ = details(t, err, kind)
}
