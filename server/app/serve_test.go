// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"bytes"
	"context"
	"errors"
	"io"
	"log/slog"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

// service is a running service and a client of it.
type service struct {
	t    testing.TB
	app  *App
	conn *grpc.ClientConn
	logs *lockedBuffer
	stop func() error

	vehicles pb.VehicleServiceClient
	sessions pb.SessionServiceClient
	verdicts pb.VerdictServiceClient
}

type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// serveHere runs the service on a free port of loopback until the test ends.
func serveHere(t testing.TB, options ...func(*ServeOptions)) *service {
	t.Helper()
	s := &service{t: t, logs: &lockedBuffer{}}
	o := ServeOptions{Listen: "127.0.0.1:0", Data: filepath.Join(t.TempDir(), "data"), Drain: 5 * time.Second}
	o.LogHandler = slog.NewJSONHandler(s.logs, &slog.HandlerOptions{Level: slog.LevelDebug})
	for _, set := range options {
		set(&o)
	}
	a, err := New(context.Background(), o)
	if err != nil {
		t.Fatal(err)
	}
	s.app = a
	ctx, cancel := context.WithCancelCause(context.Background())
	done := make(chan error, 1)
	go func() { done <- a.Run(ctx) }()
	s.stop = sync.OnceValue(func() error {
		cancel(errors.New("the test is over"))
		return <-done
	})
	s.conn = s.dial()
	s.vehicles, s.sessions, s.verdicts = pb.NewVehicleServiceClient(s.conn), pb.NewSessionServiceClient(s.conn), pb.NewVerdictServiceClient(s.conn)
	t.Cleanup(s.end)
	return s
}

// dial makes a connection that the test closes.
func (s *service) dial() *grpc.ClientConn {
	s.t.Helper()
	conn, err := grpc.NewClient(s.app.Address(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		s.t.Fatal(err)
	}
	return conn
}

func (s *service) end() {
	if err := s.conn.Close(); err != nil && !codeIs(err, codes.Canceled) {
		s.t.Error(err)
	}
	if err := s.stop(); err != nil {
		s.t.Errorf("the service ended with %v", err)
	}
	if n := s.app.server.Panics(); n != 0 {
		s.t.Errorf("%d panics; the log has:\n%s", n, s.logs)
	}
}

// context ends with the test, and in any case after a while.
func (s *service) context() context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), 60*time.Second)
	s.t.Cleanup(cancel)
	return ctx
}

// awaitStreams waits until as many streams are open.
func (s *service) awaitStreams(n int64) {
	s.t.Helper()
	for range 10_000 {
		if s.app.server.Streams() == n {
			return
		}
		time.Sleep(time.Millisecond)
	}
	s.t.Fatalf("%d streams are open, want %d", s.app.server.Streams(), n)
}

// refused checks status, reason and what else belongs to the reason.
func refused(t testing.TB, err error, code codes.Code, reason pb.ErrorReason, metadata ...string) {
	t.Helper()
	st := status.Convert(err)
	if st.Code() != code {
		t.Errorf("status %s (%s), want %s", st.Code(), st.Message(), code)
		return
	}
	var infos []*errdetails.ErrorInfo
	fields, retry := 0, false
	for _, d := range st.Details() {
		switch d := d.(type) {
		case *errdetails.ErrorInfo:
			infos = append(infos, d)
		case *errdetails.BadRequest:
			fields = len(d.GetFieldViolations())
		case *errdetails.RetryInfo:
			retry = d.GetRetryDelay().AsDuration() > 0
		}
	}
	if len(infos) != 1 {
		t.Errorf("%v has %d ErrorInfo, want 1", st, len(infos))
		return
	}
	if got, want := infos[0].GetReason(), strings.TrimPrefix(reason.String(), "ERROR_REASON_"); got != want || infos[0].GetDomain() != "airassay.dev" {
		t.Errorf("reason %s of %s (%s), want %s", got, infos[0].GetDomain(), st.Message(), want)
	}
	for _, name := range metadata {
		if infos[0].GetMetadata()[name] == "" {
			t.Errorf("%s: metadata %v lacks %s", st.Message(), infos[0].GetMetadata(), name)
		}
	}
	if reason == pb.ErrorReason_ERROR_REASON_INVALID_FIELD && fields == 0 {
		t.Errorf("%s: no field is named", st.Message())
	}
	wantsRetry := reason == pb.ErrorReason_ERROR_REASON_UNAVAILABLE || reason == pb.ErrorReason_ERROR_REASON_TOO_MANY_STREAMS
	if retry != wantsRetry {
		t.Errorf("%s: retry %v, want %v", reason, retry, wantsRetry)
	}
}

// fieldOf is the first field that an error names.
func fieldOf(err error) string {
	for _, d := range status.Convert(err).Details() {
		if b, ok := d.(*errdetails.BadRequest); ok && len(b.GetFieldViolations()) > 0 {
			return b.GetFieldViolations()[0].GetField()
		}
	}
	return ""
}

func must[T any](value T, err error) func(t testing.TB) T {
	return func(t testing.TB) T {
		t.Helper()
		if err != nil {
			t.Fatalf("%v (%v)", err, status.Convert(err).Details())
		}
		return value
	}
}

func (s *service) vehicle() *pb.Vehicle {
	s.t.Helper()
	litres := 2.0
	return must(s.vehicles.CreateVehicle(s.context(), &pb.CreateVehicleRequest{Vehicle: &pb.Vehicle{
		DisplayName: "estate", DisplacementL: &litres, Fuel: pb.Fuel_FUEL_GASOLINE, ExternalReference: "fleet 7",
	}}))(s.t).GetVehicle()
}

func (s *service) session() *pb.Session {
	s.t.Helper()
	return must(s.sessions.CreateSession(s.context(), &pb.CreateSessionRequest{Session: &pb.Session{Vehicle: s.vehicle().GetName(), ExternalReference: "order 12"}}))(s.t).GetSession()
}

var twoSignals = []*pb.SignalDefinition{
	{Path: "Vehicle.OBD.EngineSpeed", Unit: "rpm", TimeUncertaintyUs: 50_000},
	{Path: "Vehicle.OBD.MAF", Unit: "g/s", TimeUncertaintyUs: 50_000},
}

func (s *service) capture(session string) *pb.Capture {
	s.t.Helper()
	return must(s.sessions.CreateCapture(s.context(), &pb.CreateCaptureRequest{
		Parent: session, Capture: &pb.Capture{Signals: twoSignals, Clock: pb.ClockKind_CLOCK_KIND_HOST},
	}))(s.t).GetCapture()
}

// batch holds n samples of two signals, 10 ms apart.
func batch(sequence int64, n int) *pb.SampleBatch {
	b := &pb.SampleBatch{Sequence: sequence, BaseTimeUs: (sequence - 1) * int64(n) * 10_000}
	for i := range n {
		b.OffsetUs = append(b.OffsetUs, int64(i)*10_000)
		b.Signal = append(b.Signal, int32(i%2))
		b.Value = append(b.Value, 800+float64(i))
	}
	return b
}

// pusher is an open stream of PushSamples.
type pusher struct {
	t      testing.TB
	stream grpc.BidiStreamingClient[pb.PushSamplesRequest, pb.PushSamplesResponse]
	opened *pb.PushOpened
}

func (s *service) open(ctx context.Context, capture string, epoch int64) (*pusher, error) {
	s.t.Helper()
	stream := must(s.sessions.PushSamples(ctx))(s.t)
	p := &pusher{t: s.t, stream: stream}
	p.send(&pb.PushSamplesRequest{Message: &pb.PushSamplesRequest_Open{Open: &pb.PushOpen{Capture: capture, WriterEpoch: epoch}}})
	r, err := stream.Recv()
	if err != nil {
		return nil, err
	}
	p.opened = r.GetOpened()
	return p, nil
}

// send ignores that the stream is over: the next receive says why.
func (p *pusher) send(r *pb.PushSamplesRequest) {
	p.t.Helper()
	if err := p.stream.Send(r); err != nil && !errors.Is(err, io.EOF) {
		p.t.Fatal(err)
	}
}

func (p *pusher) push(batches ...*pb.SampleBatch) {
	p.t.Helper()
	for _, b := range batches {
		p.send(&pb.PushSamplesRequest{Message: &pb.PushSamplesRequest_Batch{Batch: b}})
	}
}

// await receives until a sequence is acknowledged, or the stream's end.
func (p *pusher) await(sequence int64) error {
	for {
		r, err := p.stream.Recv()
		if err != nil {
			return err
		}
		if r.GetAcknowledged().GetLastSequence() >= sequence {
			return nil
		}
	}
}

// end says that the client is done and gives how the stream ended, nil for well.
func (p *pusher) end() error {
	if err := p.stream.CloseSend(); err != nil {
		return err
	}
	for {
		if _, err := p.stream.Recv(); errors.Is(err, io.EOF) {
			return nil
		} else if err != nil {
			return err
		}
	}
}

// pushAll opens a capture, pushes batches and waits for all of them.
func (s *service) pushAll(capture string, batches ...*pb.SampleBatch) {
	s.t.Helper()
	p := must(s.open(s.context(), capture, 0))(s.t)
	p.push(batches...)
	if err := p.await(batches[len(batches)-1].GetSequence()); err != nil {
		s.t.Fatal(err)
	}
	if err := p.end(); err != nil {
		s.t.Fatal(err)
	}
}

func TestAVehicleLivesFromCreationToDeletion(t *testing.T) {
	s := serveHere(t)
	ctx := s.context()
	v := s.vehicle()
	if got := must(s.vehicles.GetVehicle(ctx, &pb.GetVehicleRequest{Name: v.GetName()}))(t).GetVehicle(); got.GetDisplayName() != "estate" || got.GetEtag() == "" {
		t.Errorf("got %v", got)
	}
	s.vehicle()
	page := must(s.vehicles.ListVehicles(ctx, &pb.ListVehiclesRequest{PageSize: 1, Filter: `external_reference = "fleet 7"`}))(t)
	if len(page.GetVehicles()) != 1 || page.GetNextPageToken() == "" || page.GetVehicles()[0].GetName() != v.GetName() {
		t.Errorf("the first page is %v", page)
	}
	v.DisplayName = "van"
	changed := must(s.vehicles.UpdateVehicle(ctx, &pb.UpdateVehicleRequest{Vehicle: v}))(t).GetVehicle()
	if changed.GetDisplayName() != "van" || changed.GetEtag() == v.GetEtag() {
		t.Errorf("changed to %v", changed)
	}
	_, err := s.vehicles.UpdateVehicle(ctx, &pb.UpdateVehicleRequest{Vehicle: v})
	refused(t, err, codes.Aborted, pb.ErrorReason_ERROR_REASON_ETAG_MISMATCH)
	must(s.vehicles.DeleteVehicle(ctx, &pb.DeleteVehicleRequest{Name: v.GetName()}))(t)
	_, err = s.vehicles.GetVehicle(ctx, &pb.GetVehicleRequest{Name: v.GetName()})
	refused(t, err, codes.NotFound, pb.ErrorReason_ERROR_REASON_NOT_FOUND)
}

func TestASessionLivesFromOpeningToItsVerdicts(t *testing.T) {
	s := serveHere(t)
	ctx := s.context()
	opened := s.session()
	opened.DayConditions = &pb.DayConditions{Complaint: "hesitates"}
	updated := must(s.sessions.UpdateSession(ctx, &pb.UpdateSessionRequest{Session: opened}))(t).GetSession()
	if updated.GetDayConditions().GetComplaint() != "hesitates" {
		t.Errorf("updated to %v", updated)
	}
	c := s.capture(opened.GetName())
	s.pushAll(c.GetName(), batch(1, 50), batch(2, 50))
	if got := must(s.sessions.GetCapture(ctx, &pb.GetCaptureRequest{Name: c.GetName()}))(t).GetCapture(); got.GetLastSequence() != 2 || got.GetSampleCount() != 100 {
		t.Errorf("the capture is %v", got)
	}
	if got := must(s.sessions.ListCaptures(ctx, &pb.ListCapturesRequest{Parent: opened.GetName()}))(t).GetCaptures(); len(got) != 1 {
		t.Errorf("the captures are %v", got)
	}
	now := must(s.verdicts.AssessSession(ctx, &pb.AssessSessionRequest{Session: opened.GetName(), LanguageCode: "xx"}))(t).GetVerdict()
	if now.GetName() != "" || now.GetAssessment().GetSampleUse().GetUsed() != 100 || now.GetText().GetLanguageCode() != "en" || now.GetText().GetHeadline() == "" {
		t.Errorf("the verdict now is %v", now)
	}
	if got := must(s.sessions.FinishCapture(ctx, &pb.FinishCaptureRequest{Name: c.GetName()}))(t).GetCapture(); got.GetState() != pb.CaptureState_CAPTURE_STATE_FINISHED {
		t.Errorf("finished as %v", got)
	}
	closed := must(s.sessions.CloseSession(ctx, &pb.CloseSessionRequest{Name: opened.GetName()}))(t)
	again := must(s.sessions.CloseSession(ctx, &pb.CloseSessionRequest{Name: opened.GetName()}))(t)
	if closed.GetVerdict() == "" || closed.GetVerdict() != again.GetVerdict() || closed.GetSession().GetState() != pb.SessionState_SESSION_STATE_CLOSED {
		t.Errorf("closed as %v, then %v", closed, again)
	}
	frozen := must(s.verdicts.GetVerdict(ctx, &pb.GetVerdictRequest{Name: closed.GetVerdict()}))(t).GetVerdict()
	if !sameBytes(t, frozen.GetAssessment(), now.GetAssessment()) || frozen.GetText().GetHeadline() != now.GetText().GetHeadline() {
		t.Errorf("frozen is %v, live was %v", frozen, now)
	}
	another := must(s.verdicts.ReassessSession(ctx, &pb.ReassessSessionRequest{Session: opened.GetName()}))(t).GetVerdict()
	all := must(s.verdicts.ListVerdicts(ctx, &pb.ListVerdictsRequest{Parent: opened.GetName()}))(t).GetVerdicts()
	if len(all) != 2 || all[0].GetName() != closed.GetVerdict() || all[1].GetName() != another.GetName() || all[1].GetText() == nil {
		t.Errorf("the verdicts are %v", all)
	}
	list := must(s.sessions.ListSessions(ctx, &pb.ListSessionsRequest{Filter: `state = CLOSED AND external_reference = "order 12"`}))(t).GetSessions()
	if len(list) != 1 || list[0].GetName() != opened.GetName() {
		t.Errorf("the closed sessions are %v", list)
	}
}

func TestWatchersSeeADriveToItsEnd(t *testing.T) {
	s := serveHere(t)
	ctx := s.context()
	opened := s.session()
	c := s.capture(opened.GetName())
	s.pushAll(c.GetName(), batch(1, 50), batch(2, 50), batch(3, 50))
	samples := must(s.sessions.WatchSamples(ctx, &pb.WatchSamplesRequest{Capture: c.GetName(), StartSequence: 2}))(t)
	progress := must(s.sessions.WatchProgress(ctx, &pb.WatchProgressRequest{Session: opened.GetName()}))(t)
	verdict := must(s.verdicts.WatchVerdict(ctx, &pb.WatchVerdictRequest{Session: opened.GetName()}))(t)
	if got := must(samples.Recv())(t).GetBatch().GetSequence(); got != 2 {
		t.Errorf("the first batch is %d", got)
	}
	if got := must(progress.Recv())(t).GetProgress(); got.GetPrompt() == "" || got.GetSampleUse().GetUsed() != 150 {
		t.Errorf("progress is %v", got)
	}
	if got := must(verdict.Recv())(t).GetVerdict(); got.GetText().GetSummary() == "" {
		t.Errorf("the verdict is %v", got)
	}
	closed := must(s.sessions.CloseSession(ctx, &pb.CloseSessionRequest{Name: opened.GetName()}))(t)
	if got := last(t, samples).GetBatch().GetSequence(); got != 3 {
		t.Errorf("the last batch is %d", got)
	}
	if got := last(t, progress); got.GetProgress() == nil {
		t.Error("no last progress")
	}
	if got := last(t, verdict).GetVerdict().GetName(); got != closed.GetVerdict() {
		t.Errorf("the last verdict is %q, want %q", got, closed.GetVerdict())
	}
}

// last receives to the good end of a stream.
func last[M any](t testing.TB, stream grpc.ServerStreamingClient[M]) *M {
	t.Helper()
	var got *M
	for {
		m, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return got
		}
		if err != nil {
			t.Fatal(err)
		}
		got = m
	}
}

// endOf receives until a stream ends, and says how.
func endOf[M any](stream grpc.ServerStreamingClient[M]) error {
	for {
		if _, err := stream.Recv(); err != nil {
			return err
		}
	}
}

func TestEveryRefusalHasItsStatusAndReason(t *testing.T) {
	s := serveHere(t)
	ctx := s.context()
	opened := s.session()
	closed := s.session()
	finished := s.capture(opened.GetName())
	inClosed := s.capture(closed.GetName())
	must(s.sessions.FinishCapture(ctx, &pb.FinishCaptureRequest{Name: finished.GetName()}))(t)
	must(s.sessions.CloseSession(ctx, &pb.CloseSessionRequest{Name: closed.GetName()}))(t)
	const id = "2f1e9a34-6a5f-4d5e-9b0f-0d5ce0f0a001"
	must(s.vehicles.CreateVehicle(ctx, &pb.CreateVehicleRequest{Vehicle: &pb.Vehicle{}, RequestId: id}))(t)

	litres := 31.0
	for name, c := range map[string]struct {
		call   func() error
		code   codes.Code
		reason pb.ErrorReason
		field  string
	}{
		"displacement out of range": {
			func() error {
				_, err := s.vehicles.CreateVehicle(ctx, &pb.CreateVehicleRequest{Vehicle: &pb.Vehicle{DisplacementL: &litres}})
				return err
			}, codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_INVALID_FIELD, "vehicle.displacement_l",
		},
		"fuel that is no fuel": {
			func() error {
				_, err := s.vehicles.CreateVehicle(ctx, &pb.CreateVehicleRequest{Vehicle: &pb.Vehicle{Fuel: 99}})
				return err
			}, codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_INVALID_FIELD, "vehicle.fuel",
		},
		"update mask of nothing": {
			func() error {
				_, err := s.vehicles.UpdateVehicle(ctx, &pb.UpdateVehicleRequest{Vehicle: &pb.Vehicle{Name: opened.GetVehicle()}, UpdateMask: maskOf("colour")})
				return err
			}, codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_INVALID_FIELD, "update_mask.paths[0]",
		},
		"vehicle without a name": {
			func() error {
				_, err := s.vehicles.UpdateVehicle(ctx, &pb.UpdateVehicleRequest{Vehicle: &pb.Vehicle{}})
				return err
			}, codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_INVALID_FIELD, "vehicle.name",
		},
		"request id used twice": {
			func() error {
				_, err := s.vehicles.CreateVehicle(ctx, &pb.CreateVehicleRequest{Vehicle: &pb.Vehicle{DisplayName: "another"}, RequestId: id})
				return err
			}, codes.AlreadyExists, pb.ErrorReason_ERROR_REASON_REQUEST_ID_REUSED, "",
		},
		"vehicle with sessions": {
			func() error {
				_, err := s.vehicles.DeleteVehicle(ctx, &pb.DeleteVehicleRequest{Name: opened.GetVehicle()})
				return err
			}, codes.FailedPrecondition, pb.ErrorReason_ERROR_REASON_VEHICLE_HAS_SESSIONS, "",
		},
		"page token of another's": {
			func() error {
				_, err := s.vehicles.ListVehicles(ctx, &pb.ListVehiclesRequest{PageToken: "x"})
				return err
			}, codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_INVALID_PAGE_TOKEN, "page_token",
		},
		"filter that is none": {
			func() error {
				_, err := s.sessions.ListSessions(ctx, &pb.ListSessionsRequest{Filter: "colour = red"})
				return err
			}, codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_INVALID_FIELD, "filter",
		},
		"page size beyond the limit": {
			func() error {
				_, err := s.sessions.ListSessions(ctx, &pb.ListSessionsRequest{PageSize: 1001})
				return err
			}, codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_INVALID_FIELD, "page_size",
		},
		"session of no vehicle": {
			func() error {
				_, err := s.sessions.CreateSession(ctx, &pb.CreateSessionRequest{Session: &pb.Session{Vehicle: "vehicles/nobodys"}})
				return err
			}, codes.NotFound, pb.ErrorReason_ERROR_REASON_NOT_FOUND, "",
		},
		"session without a vehicle": {
			func() error {
				_, err := s.sessions.CreateSession(ctx, &pb.CreateSessionRequest{Session: &pb.Session{}})
				return err
			}, codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_INVALID_FIELD, "session.vehicle",
		},
		"update of a closed session": {
			func() error {
				_, err := s.sessions.UpdateSession(ctx, &pb.UpdateSessionRequest{Session: &pb.Session{Name: closed.GetName(), SecondPersonConfirmed: true}})
				return err
			}, codes.FailedPrecondition, pb.ErrorReason_ERROR_REASON_SESSION_CLOSED, "",
		},
		"capture in a closed session": {
			func() error {
				_, err := s.sessions.CreateCapture(ctx, &pb.CreateCaptureRequest{Parent: closed.GetName(), Capture: inClosed})
				return err
			}, codes.FailedPrecondition, pb.ErrorReason_ERROR_REASON_SESSION_CLOSED, "",
		},
		"signal in a wrong unit": {
			func() error {
				_, err := s.sessions.CreateCapture(ctx, &pb.CreateCaptureRequest{Parent: opened.GetName(), Capture: &pb.Capture{
					Clock: pb.ClockKind_CLOCK_KIND_HOST, Signals: []*pb.SignalDefinition{{Path: "Vehicle.OBD.MAF", Unit: "kg/h"}},
				}})
				return err
			}, codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_WRONG_UNIT, "capture.signals[0].unit",
		},
		"capture without signals": {
			func() error {
				_, err := s.sessions.CreateCapture(ctx, &pb.CreateCaptureRequest{Parent: opened.GetName(), Capture: &pb.Capture{Clock: pb.ClockKind_CLOCK_KIND_HOST}})
				return err
			}, codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_INVALID_FIELD, "capture.signals",
		},
		"reassessment of an open session": {
			func() error {
				_, err := s.verdicts.ReassessSession(ctx, &pb.ReassessSessionRequest{Session: opened.GetName()})
				return err
			}, codes.FailedPrecondition, pb.ErrorReason_ERROR_REASON_SESSION_OPEN, "",
		},
		"verdict that is not there": {
			func() error {
				_, err := s.verdicts.GetVerdict(ctx, &pb.GetVerdictRequest{Name: opened.GetName() + "/verdicts/x"})
				return err
			}, codes.NotFound, pb.ErrorReason_ERROR_REASON_NOT_FOUND, "",
		},
		"name that is no name": {
			func() error {
				_, err := s.verdicts.AssessSession(ctx, &pb.AssessSessionRequest{Session: "sessions/../x"})
				return err
			}, codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_INVALID_FIELD, "session",
		},
		"progress of nobody": {
			func() error {
				_, err := must(s.sessions.WatchProgress(ctx, &pb.WatchProgressRequest{Session: "sessions/nobodys"}))(t).Recv()
				return err
			}, codes.NotFound, pb.ErrorReason_ERROR_REASON_NOT_FOUND, "",
		},
		"verdict stream of nobody": {
			func() error {
				_, err := must(s.verdicts.WatchVerdict(ctx, &pb.WatchVerdictRequest{Session: "sessions/nobodys"}))(t).Recv()
				return err
			}, codes.NotFound, pb.ErrorReason_ERROR_REASON_NOT_FOUND, "",
		},
		"samples of nobody": {
			func() error {
				_, err := must(s.sessions.WatchSamples(ctx, &pb.WatchSamplesRequest{Capture: opened.GetName() + "/captures/x"}))(t).Recv()
				return err
			}, codes.NotFound, pb.ErrorReason_ERROR_REASON_NOT_FOUND, "",
		},
		"samples from a negative sequence": {
			func() error {
				_, err := must(s.sessions.WatchSamples(ctx, &pb.WatchSamplesRequest{Capture: finished.GetName(), StartSequence: -1}))(t).Recv()
				return err
			}, codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_INVALID_FIELD, "start_sequence",
		},
		"push into nothing": {
			func() error { _, err := s.open(ctx, opened.GetName()+"/captures/x", 0); return err },
			codes.NotFound, pb.ErrorReason_ERROR_REASON_NOT_FOUND, "",
		},
		"push into a finished capture": {
			func() error { _, err := s.open(ctx, finished.GetName(), 0); return err },
			codes.FailedPrecondition, pb.ErrorReason_ERROR_REASON_CAPTURE_FINISHED, "",
		},
		"push into a closed session": {
			func() error { _, err := s.open(ctx, inClosed.GetName(), 0); return err },
			codes.FailedPrecondition, pb.ErrorReason_ERROR_REASON_SESSION_CLOSED, "",
		},
		"push of a capture's name that is none": {
			func() error { _, err := s.open(ctx, "captures/x", 0); return err },
			codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_INVALID_FIELD, "open.capture",
		},
	} {
		t.Run(name, func(t *testing.T) {
			err := c.call()
			refused(t, err, c.code, c.reason)
			if got := fieldOf(err); got != c.field {
				t.Errorf("names the field %q (%s), want %q", got, status.Convert(err).Message(), c.field)
			}
		})
	}
}

func TestEveryRefusalOfAPushEndsItAndKeepsWhatWasAcknowledged(t *testing.T) {
	s := serveHere(t)
	ctx := s.context()
	other := batch(1, 4)
	other.Value[0]++
	early := batch(2, 4)
	early.BaseTimeUs = -1
	late := batch(2, 4)
	late.BaseTimeUs = 26 * 3600 * 1e6
	ragged := batch(2, 4)
	ragged.Signal = ragged.Signal[1:]
	open := &pb.PushSamplesRequest{Message: &pb.PushSamplesRequest_Open{Open: &pb.PushOpen{Capture: "sessions/a/captures/b"}}}
	wrap := func(b *pb.SampleBatch) *pb.PushSamplesRequest {
		return &pb.PushSamplesRequest{Message: &pb.PushSamplesRequest_Batch{Batch: b}}
	}
	for name, c := range map[string]struct {
		send     *pb.PushSamplesRequest
		code     codes.Code
		reason   pb.ErrorReason
		metadata []string
	}{
		"gap":                 {wrap(batch(3, 4)), codes.OutOfRange, pb.ErrorReason_ERROR_REASON_SEQUENCE_GAP, []string{"expected_sequence"}},
		"repeat, other bytes": {wrap(other), codes.Aborted, pb.ErrorReason_ERROR_REASON_BATCH_CONFLICT, []string{"sequence"}},
		"before the session":  {wrap(early), codes.OutOfRange, pb.ErrorReason_ERROR_REASON_TIME_OUT_OF_SESSION, []string{"earliest_us"}},
		"more than a day on":  {wrap(late), codes.OutOfRange, pb.ErrorReason_ERROR_REASON_TIME_OUT_OF_SESSION, []string{"latest_us"}},
		"too many samples":    {wrap(batch(2, 10_001)), codes.ResourceExhausted, pb.ErrorReason_ERROR_REASON_BATCH_TOO_LARGE, []string{"max_samples"}},
		"too many bytes":      {wrap(batch(2, 200_000)), codes.ResourceExhausted, pb.ErrorReason_ERROR_REASON_BATCH_TOO_LARGE, []string{"max_bytes"}},
		"ragged columns":      {wrap(ragged), codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_INVALID_FIELD, nil},
		"opened twice":        {open, codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_INVALID_FIELD, nil},
		"empty message":       {&pb.PushSamplesRequest{}, codes.InvalidArgument, pb.ErrorReason_ERROR_REASON_INVALID_FIELD, nil},
	} {
		t.Run(name, func(t *testing.T) {
			capture := s.capture(s.session().GetName()).GetName() //nolint:contextcheck // Each call has its own.
			p := must(s.open(ctx, capture, 0))(t)
			p.push(batch(1, 4))
			if err := p.await(1); err != nil {
				t.Fatal(err)
			}
			p.send(c.send)
			refused(t, p.await(9), c.code, c.reason, c.metadata...)
			resumed := must(s.open(ctx, capture, p.opened.GetWriterEpoch()))(t)
			if resumed.opened.GetLastSequence() != 1 || resumed.opened.GetWriterEpoch() != p.opened.GetWriterEpoch() {
				t.Errorf("resumed at %v", resumed.opened)
			}
			resumed.push(batch(1, 4), batch(2, 4)) // A repeat is absorbed.
			if err := errors.Join(resumed.await(2), resumed.end()); err != nil {
				t.Error(err)
			}
		})
	}
}

func TestAnOlderWriterIsFencedOff(t *testing.T) {
	s := serveHere(t)
	ctx := s.context()
	capture := s.capture(s.session().GetName()).GetName()
	older := must(s.open(ctx, capture, 0))(t)
	older.push(batch(1, 4))
	if err := older.await(1); err != nil {
		t.Fatal(err)
	}
	newer := must(s.open(ctx, capture, 0))(t)
	if newer.opened.GetLastSequence() != 1 || newer.opened.GetWriterEpoch() <= older.opened.GetWriterEpoch() {
		t.Errorf("the newer writer opened at %v, the older at %v", newer.opened, older.opened)
	}
	older.push(batch(2, 4))
	refused(t, older.await(2), codes.Aborted, pb.ErrorReason_ERROR_REASON_WRITER_FENCED)
	_, err := s.open(ctx, capture, older.opened.GetWriterEpoch())
	refused(t, err, codes.Aborted, pb.ErrorReason_ERROR_REASON_WRITER_FENCED)
	newer.push(batch(2, 4))
	if err := errors.Join(newer.await(2), newer.end()); err != nil {
		t.Error(err)
	}
}

func TestWritersEndWithTheirSessionAndCapture(t *testing.T) {
	s := serveHere(t)
	ctx := s.context()
	opened := s.session().GetName()
	one, two := s.capture(opened).GetName(), s.capture(opened).GetName()
	first := must(s.open(ctx, one, 0))(t)
	second := must(s.open(ctx, two, 0))(t)
	must(s.sessions.FinishCapture(ctx, &pb.FinishCaptureRequest{Name: one}))(t)
	first.push(batch(1, 4))
	refused(t, first.await(1), codes.FailedPrecondition, pb.ErrorReason_ERROR_REASON_CAPTURE_FINISHED)
	must(s.sessions.CloseSession(ctx, &pb.CloseSessionRequest{Name: opened}))(t)
	second.push(batch(1, 4))
	refused(t, second.await(1), codes.FailedPrecondition, pb.ErrorReason_ERROR_REASON_SESSION_CLOSED)
}

func TestAcknowledgementsNeverRunAhead(t *testing.T) {
	s := serveHere(t)
	capture := s.capture(s.session().GetName()).GetName()
	p := must(s.open(s.context(), capture, 0))(t)
	const n = 300
	go func() {
		for i := range int64(n) {
			if p.stream.Send(&pb.PushSamplesRequest{Message: &pb.PushSamplesRequest_Batch{Batch: batch(i+1, 20)}}) != nil {
				return
			}
		}
		_ = p.stream.CloseSend() // The receiving side sees what became of it.
	}()
	before, answers := int64(0), 0
	for {
		r, err := p.stream.Recv()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		got := r.GetAcknowledged().GetLastSequence()
		if got <= before {
			t.Fatalf("acknowledged %d after %d", got, before)
		}
		before = got
		answers++
	}
	if before != n {
		t.Errorf("acknowledged up to %d, want %d", before, n)
	}
	t.Logf("%d batches in %d acknowledgements", n, answers)
}

func TestAnOpenStreamIsToldOfTheDrain(t *testing.T) {
	s := serveHere(t)
	ctx := s.context()
	opened := s.session().GetName()
	capture := s.capture(opened).GetName()
	p := must(s.open(ctx, capture, 0))(t)
	p.push(batch(1, 4))
	if err := p.await(1); err != nil {
		t.Fatal(err)
	}
	unopened := must(s.sessions.PushSamples(ctx))(t)
	samples := must(s.sessions.WatchSamples(ctx, &pb.WatchSamplesRequest{Capture: capture}))(t)
	must(samples.Recv())(t)
	progress := must(s.sessions.WatchProgress(ctx, &pb.WatchProgressRequest{Session: opened}))(t)
	must(progress.Recv())(t)
	verdict := must(s.verdicts.WatchVerdict(ctx, &pb.WatchVerdictRequest{Session: opened}))(t)
	must(verdict.Recv())(t)
	rec := must(s.verdicts.AssayRecording(ctx))(t)
	if err := rec.Send(header(&pb.RecordingHeader{FileName: "x.csv"})); err != nil {
		t.Fatal(err)
	}
	s.awaitStreams(6)
	start := time.Now()
	if err := s.stop(); err != nil {
		t.Fatal(err)
	}
	if took := time.Since(start); took > 3*time.Second {
		t.Errorf("the drain took %v", took)
	}
	refused(t, p.await(9), codes.Unavailable, pb.ErrorReason_ERROR_REASON_UNAVAILABLE)
	refused(t, endOf(samples), codes.Unavailable, pb.ErrorReason_ERROR_REASON_UNAVAILABLE)
	refused(t, endOf(progress), codes.Unavailable, pb.ErrorReason_ERROR_REASON_UNAVAILABLE)
	refused(t, endOf(verdict), codes.Unavailable, pb.ErrorReason_ERROR_REASON_UNAVAILABLE)
	_, err := rec.CloseAndRecv()
	refused(t, err, codes.Unavailable, pb.ErrorReason_ERROR_REASON_UNAVAILABLE)
	_, err = unopened.Recv()
	refused(t, err, codes.Unavailable, pb.ErrorReason_ERROR_REASON_UNAVAILABLE)
}

func codeIs(err error, code codes.Code) bool { return status.Code(err) == code }
