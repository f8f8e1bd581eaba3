// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package rpc

import (
	"context"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/page/wording"
	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/assay/assaytest"
)

// shopFloor drives sessions through the API.
type shopFloor struct {
	t        *testing.T
	ctx      context.Context
	sessions pb.SessionServiceClient
	verdicts pb.VerdictServiceClient
	vehicle  string
}

func newShopFloor(t *testing.T, conn *grpc.ClientConn) *shopFloor {
	t.Helper()
	f := &shopFloor{t: t, ctx: within10s(t), sessions: pb.NewSessionServiceClient(conn), verdicts: pb.NewVerdictServiceClient(conn)}
	v, err := pb.NewVehicleServiceClient(conn).CreateVehicle(f.ctx, &pb.CreateVehicleRequest{Vehicle: &pb.Vehicle{
		DisplacementL: proto.Float64(2), Cylinders: proto.Int32(4), Aspiration: pb.Aspiration_ASPIRATION_NATURAL, Fuel: pb.Fuel_FUEL_GASOLINE,
	}})
	f.must(err)
	f.vehicle = v.GetVehicle().GetName()
	return f
}

func (f *shopFloor) must(err error) {
	f.t.Helper()
	if err != nil {
		f.t.Fatal(err)
	}
}

func (f *shopFloor) drive(d *assaytest.Drive, references ...string) *pb.Session {
	f.t.Helper()
	s, err := f.sessions.CreateSession(f.ctx, &pb.CreateSessionRequest{Session: &pb.Session{Vehicle: f.vehicle, ReferenceSessions: references}})
	f.must(err)
	capture := &pb.Capture{Clock: pb.ClockKind(d.Clock)}
	for _, x := range d.Defs {
		capture.Signals = append(capture.Signals, &pb.SignalDefinition{Path: x.Path, Unit: x.Unit, TimeUncertaintyUs: x.TimeUncertaintyUS})
	}
	c, err := f.sessions.CreateCapture(f.ctx, &pb.CreateCaptureRequest{Parent: s.GetSession().GetName(), Capture: capture})
	f.must(err)
	stream, err := f.sessions.PushSamples(f.ctx)
	f.must(err)
	f.must(stream.Send(&pb.PushSamplesRequest{Message: &pb.PushSamplesRequest_Open{Open: &pb.PushOpen{Capture: c.GetCapture().GetName()}}}))
	const size = 5000
	for i := 0; i*size < len(d.Samples); i++ {
		part := d.Samples[i*size : min((i+1)*size, len(d.Samples))]
		b := &pb.SampleBatch{Sequence: int64(i) + 1, BaseTimeUs: part[0].TimeUS}
		for _, x := range part {
			b.OffsetUs = append(b.OffsetUs, x.TimeUS-b.BaseTimeUs)
			b.Signal = append(b.Signal, x.Signal)
			b.Value = append(b.Value, x.Value)
		}
		f.must(stream.Send(&pb.PushSamplesRequest{Message: &pb.PushSamplesRequest_Batch{Batch: b}}))
	}
	f.must(stream.CloseSend())
	for {
		if _, err := stream.Recv(); err != nil {
			break
		}
	}
	return s.GetSession()
}

func (f *shopFloor) close(s *pb.Session) string {
	f.t.Helper()
	_, err := f.sessions.CloseSession(f.ctx, &pb.CloseSessionRequest{Name: s.GetName()})
	f.must(err)
	return s.GetName()
}

// What the API says of two drives must be what their samples say, in the same bytes.
func TestComparisonThroughTheAPI(t *testing.T) {
	_, conn, _ := start(t, Config{})
	f := newShopFloor(t, conn)
	low := assaytest.Make(assaytest.Spec{Seed: 1, Fault: assaytest.Fault{Gain: -0.2}})
	sound := assaytest.Make(assaytest.Spec{Seed: 2})
	before := f.close(f.drive(low))
	open := f.drive(sound)
	_, err := f.verdicts.CompareSessions(f.ctx, &pb.CompareSessionsRequest{Before: before, After: open.GetName()})
	if status.Code(err) != codes.FailedPrecondition || infoOf(t, err).GetReason() != "SESSION_OPEN" {
		t.Errorf("an open session: %v", err)
	}
	after := f.close(open)
	got, err := f.verdicts.CompareSessions(f.ctx, &pb.CompareSessionsRequest{Before: before, After: after})
	f.must(err)
	facts := FactsFromProto(open.GetVehicleSnapshot(), nil)
	want := ComparisonToProto(assay.Compare(straight(t, low, facts), straight(t, sound, facts)))
	want.Text = wording.ComparisonText(want, "")
	if !proto.Equal(got.GetComparison(), want) || want.GetOutcome() != pb.Outcome_OUTCOME_RESTORED {
		t.Errorf("got %v\nwant %v", got.GetComparison(), want)
	}
	for name, r := range map[string]*pb.CompareSessionsRequest{"unknown": {Before: before, After: "sessions/aaaa"}, "no name": {Before: before}} {
		if _, err := f.verdicts.CompareSessions(f.ctx, r); status.Code(err) != codes.NotFound && status.Code(err) != codes.InvalidArgument {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestReferencesThroughTheAPI(t *testing.T) {
	_, conn, _ := start(t, Config{})
	f := newShopFloor(t, conn)
	ref := f.close(f.drive(assaytest.Make(assaytest.Spec{Seed: 2})))
	s := f.drive(assaytest.Make(assaytest.Spec{Seed: 1, Fault: assaytest.Fault{Gain: -0.2}}), ref)
	v, err := f.verdicts.AssessSession(f.ctx, &pb.AssessSessionRequest{Session: s.GetName()})
	f.must(err)
	r := v.GetVerdict().GetAssessment().GetReferences()
	if len(r) != 1 || r[0].GetBelief() != pb.ReferenceBelief_REFERENCE_BELIEF_BELIEVED || !r[0].GetSameVehicle() {
		t.Errorf("%v", r)
	}
	_, err = f.sessions.CreateSession(f.ctx, &pb.CreateSessionRequest{Session: &pb.Session{Vehicle: f.vehicle, ReferenceSessions: []string{"sessions/aaaa"}}})
	if status.Code(err) != codes.InvalidArgument {
		t.Errorf("an unknown reference: %v", err)
	}
}

// straight is the assay of a drive that went through no server.
func straight(t *testing.T, d *assaytest.Drive, facts assay.Facts) *assay.Assay {
	t.Helper()
	a := assay.New(facts)
	if err := a.Declare(0, d.Clock, d.Defs); err != nil {
		t.Fatal(err)
	}
	for _, x := range d.Samples {
		x.Capture, x.UncertaintyUS = 0, -1
		a.Push(x)
	}
	return a
}
