// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/plugins/simulator/scenario"
	"github.com/airassay/airassay/plugins/simulator/write"
	"github.com/airassay/airassay/sdk/recording"
	"github.com/airassay/airassay/sdk/recording/vehiclefile"
)

func maskOf(paths ...string) *fieldmaskpb.FieldMask { return &fieldmaskpb.FieldMask{Paths: paths} }

func bytesOf(t testing.TB, m proto.Message) []byte {
	t.Helper()
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func sameBytes(t testing.TB, a, b proto.Message) bool {
	t.Helper()
	return bytes.Equal(bytesOf(t, a), bytesOf(t, b))
}

func header(h *pb.RecordingHeader) *pb.AssayRecordingRequest {
	return &pb.AssayRecordingRequest{Message: &pb.AssayRecordingRequest_Header{Header: h}}
}

func piece(b []byte) *pb.AssayRecordingRequest {
	return &pb.AssayRecordingRequest{Message: &pb.AssayRecordingRequest_FileChunk{FileChunk: b}}
}

func inBatch(b *pb.SampleBatch) *pb.AssayRecordingRequest {
	return &pb.AssayRecordingRequest{Message: &pb.AssayRecordingRequest_Batch{Batch: b}}
}

// assay sends messages to AssayRecording and gives the answer.
func (s *service) assay(messages ...*pb.AssayRecordingRequest) (*pb.Verdict, error) {
	s.t.Helper()
	stream, err := s.verdicts.AssayRecording(s.context())
	if err != nil {
		return nil, err
	}
	for _, m := range messages {
		if err := stream.Send(m); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			return nil, err
		}
	}
	r, err := stream.CloseAndRecv()
	return r.GetVerdict(), err
}

// assayFile sends a file in pieces.
func (s *service) assayFile(h *pb.RecordingHeader, text []byte, size int) (*pb.Verdict, error) {
	s.t.Helper()
	messages := []*pb.AssayRecordingRequest{header(h)}
	for len(text) > 0 {
		n := min(size, len(text))
		messages = append(messages, piece(text[:n]))
		text = text[n:]
	}
	return s.assay(messages...)
}

// drive is one recording in all its forms.
type drive struct {
	path    string
	vehicle *pb.Vehicle
	day     *pb.DayConditions
	rec     *recording.Recording
}

// drivesOf are the recordings that all ways must agree on: simulated ones, and
// those of real vehicles where they lie beside the project.
func drivesOf(t *testing.T) map[string]drive {
	t.Helper()
	all := map[string]drive{}
	for i := range 2 {
		c := scenario.Draw(scenario.Options{}, scenario.CaseSeed(7, i))
		all[fmt.Sprintf("simulated %d", i)] = simulated(t, &c)
	}
	for _, pattern := range []string{"r1-*.csv", "r2-*.csv", "r3*.csv", "r4-*.csv"} {
		found, err := filepath.Glob(filepath.Join("..", "..", "..", "shared", "data", pattern))
		if err != nil {
			t.Fatal(err)
		}
		for _, path := range found {
			if d, ok := recorded(t, path); ok {
				all[filepath.Base(path)] = d
			}
		}
	}
	t.Logf("%d recordings", len(all))
	return all
}

func simulated(t *testing.T, c *scenario.Case) drive {
	t.Helper()
	r := c.Run()
	dir := t.TempDir()
	d := drive{path: filepath.Join(dir, "recording.csv")}
	f, err := os.Create(d.path)
	if err != nil {
		t.Fatal(err)
	}
	facts := filepath.Join(dir, vehicleBeside)
	if err := errors.Join(write.Recording(f, c.Signals, r.Samples), f.Close(), write.JSON(facts, c.Facts)); err != nil {
		t.Fatal(err)
	}
	g, err := os.Open(facts)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = g.Close() }() // It was only read.
	if d.vehicle, d.day, err = vehiclefile.Read(g, facts); err != nil {
		t.Fatal(err)
	}
	d.rec = readBy(t, d.path, nil)
	return d
}

// recorded reads a recording by the proposed mapping; those that leave questions
// open need a person.
func recorded(t *testing.T, path string) (drive, bool) {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }() // It was only read.
	if ours, err := recording.IsOurs(f); err != nil {
		t.Fatal(err)
	} else if ours {
		return drive{path: path, rec: readBy(t, path, nil)}, true
	}
	p, err := recording.Propose(t.Context(), f, path)
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Open()) > 0 {
		return drive{}, false
	}
	return drive{path: path, rec: readBy(t, path, p.Mapping)}, true
}

func readBy(t *testing.T, path string, m *recording.Mapping) *recording.Recording {
	t.Helper()
	rec, err := recording.Open(t.Context(), path, recording.Options{Mapping: m})
	if err != nil {
		t.Fatal(err)
	}
	return rec
}

func (d *drive) signals() (out []*pb.SignalDefinition) {
	for _, s := range d.rec.Signals {
		def := &pb.SignalDefinition{Path: s.Path, Unit: s.Unit, TimeUncertaintyUs: s.TimeUncertaintyUS}
		if s.Resolution > 0 {
			def.Resolution = &s.Resolution
		}
		out = append(out, def)
	}
	return out
}

// batches cuts a recording into batches of n samples.
func (d *drive) batches(n int) (out []*pb.SampleBatch) {
	rest := d.rec.Samples
	for len(rest) > 0 {
		n := min(n, len(rest))
		b := &pb.SampleBatch{Sequence: int64(len(out) + 1), BaseTimeUs: rest[0].TimeUS}
		for _, x := range rest[:n] {
			b.OffsetUs = append(b.OffsetUs, x.TimeUS-b.BaseTimeUs)
			b.Signal = append(b.Signal, x.Signal)
			b.Value = append(b.Value, x.Value)
		}
		out, rest = append(out, b), rest[n:]
	}
	return out
}

// pushed drives a session and gives the verdict that it is closed with.
func (s *service) pushed(d *drive, batchSize int) *pb.Assessment {
	s.t.Helper()
	ctx := s.context()
	vehicle := d.vehicle
	if vehicle == nil {
		vehicle = &pb.Vehicle{}
	}
	v := must(s.vehicles.CreateVehicle(ctx, &pb.CreateVehicleRequest{Vehicle: vehicle}))(s.t).GetVehicle()
	opened := must(s.sessions.CreateSession(ctx, &pb.CreateSessionRequest{Session: &pb.Session{Vehicle: v.GetName(), DayConditions: d.day}}))(s.t).GetSession()
	c := must(s.sessions.CreateCapture(ctx, &pb.CreateCaptureRequest{Parent: opened.GetName(), Capture: &pb.Capture{
		Signals: d.signals(), Clock: pb.ClockKind(d.rec.Clock),
	}}))(s.t).GetCapture()
	s.pushAll(c.GetName(), d.batches(batchSize)...)
	live := must(s.verdicts.AssessSession(ctx, &pb.AssessSessionRequest{Session: opened.GetName()}))(s.t).GetVerdict().GetAssessment()
	closed := must(s.sessions.CloseSession(ctx, &pb.CloseSessionRequest{Name: opened.GetName()}))(s.t)
	frozen := must(s.verdicts.GetVerdict(ctx, &pb.GetVerdictRequest{Name: closed.GetVerdict()}))(s.t).GetVerdict().GetAssessment()
	if !sameBytes(s.t, live, frozen) {
		s.t.Errorf("the live assessment differs from the frozen one, in batches of %d", batchSize)
	}
	return frozen
}

func TestARecordingGivesTheSameAssessmentEveryWay(t *testing.T) {
	s := serveHere(t)
	for name, d := range drivesOf(t) {
		t.Run(name, func(t *testing.T) {
			s := *s
			s.t = t
			args := []string{"assay", "--json", d.path}
			status, out, diagnostics := call(t, args...)
			if status != StatusDone {
				t.Fatal(diagnostics)
			}
			var byCommand pb.Verdict
			if err := protojson.Unmarshal([]byte(out), &byCommand); err != nil {
				t.Fatal(err)
			}
			want := byCommand.GetAssessment()
			for _, size := range []int{17, 500, 10_000} {
				if got := s.pushed(&d, size); !sameBytes(t, got, want) {
					t.Errorf("pushed in batches of %d it differs from the command's", size)
				}
			}
			h := &pb.RecordingHeader{Vehicle: d.vehicle, DayConditions: d.day, Signals: d.signals(), Clock: pb.ClockKind(d.rec.Clock)}
			messages := []*pb.AssayRecordingRequest{header(h)}
			for _, b := range d.batches(333) {
				messages = append(messages, inBatch(b))
			}
			if got := must(s.assay(messages...))(t); !sameBytes(t, got.GetAssessment(), want) {
				t.Error("as AssayRecording in batches it differs from the command's")
			}
			text, err := os.ReadFile(d.path)
			if err != nil {
				t.Fatal(err)
			}
			h = &pb.RecordingHeader{Vehicle: d.vehicle, DayConditions: d.day, FileName: filepath.Base(d.path)}
			got := must(s.assayFile(h, text, 100_000))(t)
			if !sameBytes(t, got.GetAssessment(), want) {
				t.Error("as AssayRecording in pieces of a file it differs from the command's")
			}
			if got.GetName() != "" || got.GetCreateTime() != nil || got.GetText().GetSummary() != byCommand.GetText().GetSummary() {
				t.Errorf("the verdict on a recording is %v", got)
			}
		})
	}
}

func TestEveryRefusalOfARecordingHasItsStatusAndReason(t *testing.T) {
	s := serveHere(t, func(o *ServeOptions) { o.Limits.RecordingBytes = 1 << 20 })
	own := "time_s,EngineSpeed\n0,800\n1,"
	file := header(&pb.RecordingHeader{FileName: "drive.csv"})
	batches := header(&pb.RecordingHeader{Signals: twoSignals, Clock: pb.ClockKind_CLOCK_KIND_HOST})
	litres := 99.0
	outside := batch(1, 4)
	outside.Signal[0] = 2
	early := batch(1, 4)
	early.BaseTimeUs = -1
	foreign := "abc\ndef\n"
	for name, c := range map[string]struct {
		messages []*pb.AssayRecordingRequest
		code     codes.Code
		reason   pb.ErrorReason
		metadata []string
	}{
		"nothing":               {nil, codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_INVALID_FIELD, nil},
		"no header":             {[]*pb.AssayRecordingRequest{piece([]byte(own))}, codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_INVALID_FIELD, nil},
		"two headers":           {[]*pb.AssayRecordingRequest{file, file}, codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_INVALID_FIELD, nil},
		"neither kind":          {[]*pb.AssayRecordingRequest{header(&pb.RecordingHeader{})}, codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_INVALID_FIELD, nil},
		"both kinds":            {[]*pb.AssayRecordingRequest{header(&pb.RecordingHeader{Signals: twoSignals, FileName: "x"})}, codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_INVALID_FIELD, nil},
		"facts out of range":    {[]*pb.AssayRecordingRequest{header(&pb.RecordingHeader{Vehicle: &pb.Vehicle{DisplacementL: &litres}, FileName: "x"})}, codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_INVALID_FIELD, nil},
		"batch of a file":       {[]*pb.AssayRecordingRequest{file, inBatch(batch(1, 4))}, codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_INVALID_FIELD, nil},
		"piece among batches":   {[]*pb.AssayRecordingRequest{batches, piece([]byte(own))}, codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_INVALID_FIELD, nil},
		"gap":                   {[]*pb.AssayRecordingRequest{batches, inBatch(batch(2, 4))}, codes.OutOfRange, pb.ErrorReason_ERROR_REASON_SEQUENCE_GAP, []string{"expected_sequence"}},
		"undeclared signal":     {[]*pb.AssayRecordingRequest{batches, inBatch(outside)}, codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_INVALID_FIELD, nil},
		"before the start":      {[]*pb.AssayRecordingRequest{batches, inBatch(early)}, codes.OutOfRange, pb.ErrorReason_ERROR_REASON_TIME_OUT_OF_SESSION, nil},
		"too many samples":      {[]*pb.AssayRecordingRequest{batches, inBatch(batch(1, 10_001))}, codes.ResourceExhausted, pb.ErrorReason_ERROR_REASON_BATCH_TOO_LARGE, nil},
		"wrong unit":            {[]*pb.AssayRecordingRequest{header(&pb.RecordingHeader{Clock: pb.ClockKind_CLOCK_KIND_HOST, Signals: []*pb.SignalDefinition{{Path: "Vehicle.OBD.MAF", Unit: "kg/h"}}})}, codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_WRONG_UNIT, nil},
		"file too large":        {[]*pb.AssayRecordingRequest{file, piece(make([]byte, 1<<20)), piece(make([]byte, 1))}, codes.ResourceExhausted, pb.ErrorReason_ERROR_REASON_BATCH_TOO_LARGE, []string{"max_bytes"}},
		"piece too large":       {[]*pb.AssayRecordingRequest{file, piece(make([]byte, 1<<20+1))}, codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_INVALID_FIELD, nil},
		"empty file":            {[]*pb.AssayRecordingRequest{file}, codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_RECORDING_UNREADABLE, []string{"file"}},
		"unreadable number":     {[]*pb.AssayRecordingRequest{file, piece([]byte(own + "fast\n"))}, codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_RECORDING_UNREADABLE, []string{"file", "line", "column"}},
		"mapping that is none":  {[]*pb.AssayRecordingRequest{header(&pb.RecordingHeader{FileName: "x.csv", MappingJson: "{"}), piece([]byte(own))}, codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_RECORDING_UNREADABLE, []string{"file", "line"}},
		"nobody's column names": {[]*pb.AssayRecordingRequest{file, piece([]byte(foreign))}, codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_RECORDING_UNREADABLE, nil},
		"ambiguous columns": {
			[]*pb.AssayRecordingRequest{file, piece([]byte("Time,MAF (g/s),MAF (g/s),RPM\n" + strings.Repeat("0.1,3.1,3.2,801\n", 40)))},
			codes.FailedPrecondition, pb.ErrorReason_ERROR_REASON_MAPPING_AMBIGUOUS, []string{"question_1", "choice_1a", "choice_1b"},
		},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := s.assay(c.messages...)
			refused(t, err, c.code, c.reason, c.metadata...)
		})
	}
}

func TestMoreRecordingsThanAreTakenAtOnceWaitOutside(t *testing.T) {
	s := serveHere(t, func(o *ServeOptions) { o.Limits.Recordings = 1 })
	ctx, cancel := context.WithCancel(s.context())
	first := must(s.verdicts.AssayRecording(ctx))(t)
	if err := first.Send(header(&pb.RecordingHeader{FileName: "a.csv"})); err != nil {
		t.Fatal(err)
	}
	s.awaitStreams(1)
	// The first has its place a moment after it is open.
	var err error
	for range 100 {
		if _, err = s.assay(header(&pb.RecordingHeader{FileName: "b.csv"})); codeIs(err, codes.ResourceExhausted) {
			break
		}
	}
	refused(t, err, codes.ResourceExhausted, pb.ErrorReason_ERROR_REASON_TOO_MANY_STREAMS)
	cancel()
	s.awaitStreams(0)
	_, err = s.assay(header(&pb.RecordingHeader{FileName: "b.csv"}), piece([]byte("time_s,EngineSpeed\n0,800\n1,800\n")))
	if err != nil {
		t.Errorf("the place did not become free: %v", err)
	}
}
