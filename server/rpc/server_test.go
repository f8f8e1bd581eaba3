// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package rpc

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"buf.build/go/protovalidate"
	"go.uber.org/goleak"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/page/wording"
	"github.com/airassay/airassay/sdk/recording"
	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/session"
	"github.com/airassay/airassay/server/store/memory"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// logs is a log that may be read while it is written.
type logs struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *logs) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *logs) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// start serves over a socket of loopback until the test ends.
func start(t *testing.T, c Config) (*Server, *grpc.ClientConn, *logs) {
	t.Helper()
	kept := memory.New()
	m, err := session.New(session.Config{Store: kept, Facts: FactsFromProto, Convert: AssessmentToProto})
	if err != nil {
		t.Fatal(err)
	}
	l := &logs{}
	c.Manager = m
	if c.Log == nil {
		c.Log = slog.New(slog.NewTextHandler(l, &slog.HandlerOptions{Level: slog.LevelDebug}))
	}
	s, err := New(c)
	if err != nil {
		t.Fatal(err)
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	served := make(chan error, 1)
	go func() { served <- s.Serve(listener) }()
	conn, err := grpc.NewClient(listener.Addr().String(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		if err := errors.Join(conn.Close(), s.Drain(ctx), <-served, m.Close(ctx), kept.Close()); err != nil {
			t.Error(err)
		}
	})
	return s, conn, l
}

func within10s(t *testing.T) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	t.Cleanup(cancel)
	return ctx
}

func infoOf(t *testing.T, err error) *errdetails.ErrorInfo {
	t.Helper()
	for _, d := range status.Convert(err).Details() {
		if i, ok := d.(*errdetails.ErrorInfo); ok {
			return i
		}
	}
	t.Fatalf("%v has no ErrorInfo", err)
	return nil
}

func TestEveryReasonHasItsStatus(t *testing.T) {
	for number, name := range pb.ErrorReason_name {
		reason := pb.ErrorReason(number)
		if _, ok := codeOf[reason]; !ok && reason != pb.ErrorReason_ERROR_REASON_UNSPECIFIED {
			t.Errorf("%s has no status", name)
		}
	}
}

// The comment of each reason begins with its status, for readers of the definition.
func TestStatusOfAReasonIsTheOneThatItsCommentPromises(t *testing.T) {
	for reason, want := range map[pb.ErrorReason]codes.Code{
		pb.ErrorReason_ERROR_REASON_INVALID_FIELD:     codes.InvalidArgument,
		pb.ErrorReason_ERROR_REASON_SEQUENCE_GAP:      codes.OutOfRange,
		pb.ErrorReason_ERROR_REASON_BATCH_TOO_LARGE:   codes.ResourceExhausted,
		pb.ErrorReason_ERROR_REASON_BATCH_CONFLICT:    codes.Aborted,
		pb.ErrorReason_ERROR_REASON_MAPPING_AMBIGUOUS: codes.FailedPrecondition,
	} {
		st, _ := statusOf(t.Context(), fmt.Errorf("below: %w", refuse(reason, "x")))
		if st.Code() != want {
			t.Errorf("%s: %s, want %s", reason, st.Code(), want)
		}
	}
}

func TestNothingInsideLeaksToACaller(t *testing.T) {
	secret := errors.New("open /var/lib/secret: disk on fire")
	internal := *session.ErrInternal
	internal.Message, internal.Err = "secret", secret
	corrupt := *session.ErrCorrupt
	corrupt.Message, corrupt.Err = "chunk 7 is damaged", secret
	for _, err := range []error{secret, &internal, &corrupt, fmt.Errorf("reading: %w", secret)} {
		st, cause := statusOf(t.Context(), err)
		if strings.Contains(st.String(), "secret") || strings.Contains(fmt.Sprint(st.Details()), "secret") {
			t.Errorf("%v is told as %v", err, st)
		}
		if cause == nil || !errors.Is(cause, secret) {
			t.Errorf("%v is not told to the operator, but %v", err, cause)
		}
	}
}

func TestAStatusFitsIntoATrailer(t *testing.T) {
	e := refuse(pb.ErrorReason_ERROR_REASON_INVALID_FIELD, strings.Repeat("ü", 9000))
	e.Metadata = map[string]string{"got": strings.Repeat("\xff", 9000)}
	for range 5000 {
		e.Violations = append(e.Violations, session.Violation{Field: strings.Repeat("f", 9000), Description: "is long"})
	}
	st, _ := statusOf(t.Context(), e)
	if n := proto.Size(st.Proto()); n > 20_000 {
		t.Errorf("the status has %d bytes", n)
	}
}

func TestAPanicIsAnIncidentThatTheLogExplains(t *testing.T) {
	calls := 0
	s, conn, l := start(t, Config{Shop: func(context.Context) (string, error) {
		if calls++; calls > 2 {
			return LocalShop, nil
		}
		var nothing []int
		return fmt.Sprint(nothing[calls]), nil
	}})
	vehicles, sessions := pb.NewVehicleServiceClient(conn), pb.NewSessionServiceClient(conn)
	_, err := vehicles.ListVehicles(within10s(t), &pb.ListVehiclesRequest{})
	if status.Code(err) != codes.Internal || strings.Contains(err.Error(), "index out of range") {
		t.Errorf("got %v", err)
	}
	incident := infoOf(t, err).GetMetadata()["incident"]
	if log := l.String(); incident == "" || !strings.Contains(log, incident) || !strings.Contains(log, "index out of range") || !strings.Contains(log, "server_test.go") {
		t.Errorf("the log of incident %q is %s", incident, log)
	}
	stream, err := sessions.PushSamples(within10s(t))
	if err != nil {
		t.Fatal(err)
	}
	if _, err = stream.Recv(); status.Code(err) != codes.Internal {
		t.Errorf("the stream ended with %v", err)
	}
	if s.Panics() != 2 {
		t.Errorf("%d panics, want 2", s.Panics())
	}
	if _, err := vehicles.ListVehicles(within10s(t), &pb.ListVehiclesRequest{}); err != nil {
		t.Errorf("after the panics: %v", err)
	}
}

func TestAPanicBesideTheHandlerIsCaughtToo(t *testing.T) {
	s := &Server{log: slog.New(slog.DiscardHandler)}
	err := s.guarded(t.Context(), "here", func() error { panic("there") })
	if status.Code(err) != codes.Internal || s.Panics() != 1 {
		t.Errorf("got %v, %d panics", err, s.Panics())
	}
}

func TestACallKeepsItsIDAndIsLogged(t *testing.T) {
	_, conn, l := start(t, Config{})
	for given, kept := range map[string]bool{"order-12.a": true, "two words": false, strings.Repeat("x", 65): false} {
		var header metadata.MD
		ctx := metadata.AppendToOutgoingContext(within10s(t), requestIDHeader, given)
		if _, err := pb.NewVehicleServiceClient(conn).ListVehicles(ctx, &pb.ListVehiclesRequest{}, grpc.Header(&header)); err != nil {
			t.Fatal(err)
		}
		got := header.Get(requestIDHeader)
		if len(got) != 1 || (got[0] == given) != kept || got[0] == "" {
			t.Errorf("%q comes back as %q", given, got)
		}
		if !strings.Contains(l.String(), got[0]) {
			t.Errorf("the log lacks %q", got[0])
		}
	}
}

func TestStreamsBeyondTheLimitAreTurnedAway(t *testing.T) {
	_, conn, _ := start(t, Config{Limits: Limits{Streams: 1}})
	ctx, cancel := context.WithCancel(within10s(t))
	health := healthpb.NewHealthClient(conn)
	first, err := health.Watch(ctx, &healthpb.HealthCheckRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := first.Recv(); err != nil {
		t.Fatal(err)
	}
	second, err := pb.NewSessionServiceClient(conn).WatchProgress(within10s(t), &pb.WatchProgressRequest{Session: "sessions/x"})
	if err != nil {
		t.Fatal(err)
	}
	_, err = second.Recv()
	if status.Code(err) != codes.ResourceExhausted || infoOf(t, err).GetReason() != "TOO_MANY_STREAMS" {
		t.Errorf("got %v", err)
	}
	if _, err := pb.NewVehicleServiceClient(conn).ListVehicles(within10s(t), &pb.ListVehiclesRequest{}); err != nil {
		t.Errorf("a call that is no stream: %v", err)
	}
	cancel()
	for {
		if _, err := first.Recv(); err != nil {
			break
		}
	}
}

func TestHealthIsToldForEachServiceAndTurnsFirst(t *testing.T) {
	s, conn, _ := start(t, Config{})
	health := healthpb.NewHealthClient(conn)
	for _, name := range []string{"", "airassay.v1beta1.VehicleService", "airassay.v1beta1.SessionService", "airassay.v1beta1.VerdictService"} {
		got, err := health.Check(within10s(t), &healthpb.HealthCheckRequest{Service: name})
		if err != nil || got.GetStatus() != healthpb.HealthCheckResponse_SERVING {
			t.Errorf("%q: %v (%v)", name, got, err)
		}
	}
	watch, err := health.Watch(within10s(t), &healthpb.HealthCheckRequest{Service: "airassay.v1beta1.SessionService"})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := watch.Recv(); err != nil {
		t.Fatal(err)
	}
	if err := s.Drain(within10s(t)); err != nil {
		t.Error(err)
	}
	// The change and the end of the stream race; the end alone also says it.
	got, err := watch.Recv()
	if err == nil && got.GetStatus() != healthpb.HealthCheckResponse_NOT_SERVING || err != nil && status.Code(err) != codes.Unavailable {
		t.Errorf("the watch gave %v (%v)", got, err)
	}
}

func TestReflectionIsThereOnlyWhereItIsAskedFor(t *testing.T) {
	const method = "/grpc.reflection.v1.ServerReflection/ServerReflectionInfo"
	for _, on := range []bool{true, false} {
		_, conn, _ := start(t, Config{Reflection: on})
		stream, err := conn.NewStream(within10s(t), &grpc.StreamDesc{ClientStreams: true, ServerStreams: true}, method)
		if err != nil {
			t.Fatal(err)
		}
		if err := stream.CloseSend(); err != nil {
			t.Fatal(err)
		}
		err = stream.RecvMsg(&pb.DeleteVehicleResponse{})
		if there := errors.Is(err, io.EOF); there != on || !on && status.Code(err) != codes.Unimplemented {
			t.Errorf("reflection %v: %v", on, err)
		}
	}
}

// stuck never ends before it is let go.
type stuck struct {
	pb.UnimplementedVehicleServiceServer

	entered, release chan struct{}
}

func (s *stuck) GetVehicle(ctx context.Context, _ *pb.GetVehicleRequest) (*pb.GetVehicleResponse, error) {
	close(s.entered)
	select {
	case <-s.release:
		return &pb.GetVehicleResponse{}, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

func TestADrainIsBounded(t *testing.T) {
	for name, bound := range map[string]time.Duration{"ends by itself": 5 * time.Second, "is cut off": 50 * time.Millisecond} {
		t.Run(name, func(t *testing.T) {
			down, goDown := context.WithCancel(context.Background())
			s := &Server{log: slog.New(slog.DiscardHandler), down: down, goDown: goDown, limits: Limits{}.withDefaults(), shop: func(context.Context) (string, error) { return "", nil }}
			full, _, _ := start(t, Config{})
			s.health, s.validator = full.health, full.validator
			s.grpc = grpc.NewServer(s.options(Config{})...)
			handler := &stuck{entered: make(chan struct{}), release: make(chan struct{})}
			pb.RegisterVehicleServiceServer(s.grpc, handler)
			listener, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				t.Fatal(err)
			}
			served := make(chan error, 1)
			go func() { served <- s.Serve(listener) }()
			conn, err := grpc.NewClient(listener.Addr().String(), grpc.WithTransportCredentials(insecure.NewCredentials()))
			if err != nil {
				t.Fatal(err)
			}
			called := make(chan error, 1)
			go func() {
				_, err := pb.NewVehicleServiceClient(conn).GetVehicle(within10s(t), &pb.GetVehicleRequest{Name: "vehicles/x"})
				called <- err
			}()
			<-handler.entered
			ctx, cancel := context.WithTimeout(context.Background(), bound)
			defer cancel()
			drained := make(chan error, 1)
			go func() { drained <- s.Drain(ctx) }()
			if bound > time.Second {
				close(handler.release)
			}
			err, callErr := <-drained, <-called
			if cut := err != nil; cut != (bound < time.Second) || cut != (callErr != nil) {
				t.Errorf("the drain gave %v, the call %v", err, callErr)
			}
			if err := errors.Join(<-served, conn.Close()); err != nil {
				t.Error(err)
			}
		})
	}
}

func TestKindsOfClocksHaveTheSameNumbers(t *testing.T) {
	for in, want := range map[recording.ClockKind]struct {
		api   pb.ClockKind
		assay assay.Clock
	}{
		recording.ClockUnknown:     {pb.ClockKind_CLOCK_KIND_UNSPECIFIED, assay.ClockUnspecified},
		recording.ClockHardware:    {pb.ClockKind_CLOCK_KIND_HARDWARE, assay.ClockHardware},
		recording.ClockHost:        {pb.ClockKind_CLOCK_KIND_HOST, assay.ClockHost},
		recording.ClockWholeSecond: {pb.ClockKind_CLOCK_KIND_WHOLE_SECOND, assay.ClockWholeSecond},
		recording.ClockRowOrder:    {pb.ClockKind_CLOCK_KIND_ROW_ORDER, assay.ClockRowOrder},
	} {
		if int(in) != int(want.api) || int(in) != int(want.assay) {
			t.Errorf("%s is %d, %d and %d", in, in, want.api, want.assay)
		}
	}
}

func TestAPageIsCutWhereItWouldNotFit(t *testing.T) {
	asked := []int{}
	page, err := fitting(session.ListOptions{PageSize: 1000}, func(o session.ListOptions) (*pb.ListVehiclesResponse, error) {
		asked = append(asked, o.PageSize)
		r := &pb.ListVehiclesResponse{}
		for range o.PageSize {
			r.Vehicles = append(r.Vehicles, &pb.Vehicle{DisplayName: strings.Repeat("x", 10_000)})
		}
		return r, nil
	})
	if err != nil || proto.Size(page) > maxPageBytes || len(page.GetVehicles()) < 200 {
		t.Errorf("%d vehicles in %d bytes after %v (%v)", len(page.GetVehicles()), proto.Size(page), asked, err)
	}
}

func TestFullLoadIsHeldBackInWordsToo(t *testing.T) {
	words := wording.For("en")
	next := []*pb.Advice{{Action: pb.AdviceAction_ADVICE_ACTION_DRIVE_AGAIN, Manoeuvre: pb.ManoeuvreKind_MANOEUVRE_KIND_STEADY_CRUISE}}
	for name, c := range map[string]struct {
		state session.ProgressState
		asks  bool
	}{
		"confirmed":        {session.ProgressState{Progress: &pb.SessionProgress{Next: next}}, false},
		"not confirmed":    {session.ProgressState{Progress: &pb.SessionProgress{Next: next}, ConfirmationMissing: true}, true},
		"nothing else":     {session.ProgressState{Progress: &pb.SessionProgress{}, ConfirmationMissing: true}, true},
		"closed meanwhile": {session.ProgressState{Progress: &pb.SessionProgress{}, ConfirmationMissing: true, Closed: true}, false},
	} {
		got := prompt(words, &c.state)
		if strings.Contains(got, confirmFirst) != c.asks {
			t.Errorf("%s: %q", name, got)
		}
		if len(c.state.Progress.GetNext()) > 0 && !strings.Contains(got, "constant speed") {
			t.Errorf("%s: %q does not say how to drive", name, got)
		}
	}
}

func TestDriverIsNotToldWhatADriveIsGoodFor(t *testing.T) {
	cruise := pb.ManoeuvreKind_MANOEUVRE_KIND_STEADY_CRUISE
	p := &pb.SessionProgress{
		Next: []*pb.Advice{{Action: pb.AdviceAction_ADVICE_ACTION_INSPECT}, {Action: pb.AdviceAction_ADVICE_ACTION_DRIVE_AGAIN, Manoeuvre: cruise}},
		NextTests: []*pb.NextTest{{Manoeuvre: cruise, Minutes: 5, TellsApart: []*pb.AmbiguousCause{
			{Condition: pb.Condition_CONDITION_FUEL_WEAK, Cause: pb.Cause_CAUSE_FUEL_PRESSURE_LOW}, {Condition: pb.Condition_CONDITION_NO_FAULT, Cause: pb.Cause_CAUSE_NONE},
		}}},
	}
	got := prompt(wording.For("en"), &session.ProgressState{Progress: p})
	if want := `tell "low fuel pressure" from "no fault in the intake air"; it takes about 5 min`; !strings.Contains(got, want) || !strings.Contains(got, "constant speed") {
		t.Errorf("the driver reads %q, expected %q in it", got, want)
	}
}

func TestADriverIsNotSentToTheWorkshop(t *testing.T) {
	const (
		clean   = pb.AdviceAction_ADVICE_ACTION_CLEAN_AND_RETEST
		inspect = pb.AdviceAction_ADVICE_ACTION_INSPECT
		leave   = pb.AdviceAction_ADVICE_ACTION_LEAVE_ALONE
		drive   = pb.AdviceAction_ADVICE_ACTION_DRIVE_AGAIN
	)
	words := wording.For("en")
	of := func(actions ...pb.AdviceAction) *pb.SessionProgress {
		p := &pb.SessionProgress{}
		for _, a := range actions {
			x := &pb.Advice{Action: a, Sensor: pb.Sensor_SENSOR_AIR_METER}
			if a == drive {
				x.Manoeuvre = pb.ManoeuvreKind_MANOEUVRE_KIND_WARM_IDLE
			}
			p.Next = append(p.Next, x)
		}
		return p
	}
	for name, c := range map[string]struct {
		progress *pb.SessionProgress
		closed   bool
		says     string
	}{
		"cleaning":               {of(clean), false, "Enough was driven"},
		"inspecting":             {of(inspect, leave), false, "Enough was driven"},
		"looking elsewhere":      {of(pb.AdviceAction_ADVICE_ACTION_LOOK_ELSEWHERE), false, "Enough was driven"},
		"cleaning, or drive":     {of(clean, drive), false, "Warm idle"},
		"nothing to be done":     {of(leave), false, "alone"},
		"when the test is over":  {of(clean), true, "Clean"},
		"nothing is advised yet": {of(), false, ""},
	} {
		got := prompt(words, &session.ProgressState{Progress: c.progress, Closed: c.closed})
		if !strings.Contains(got, c.says) || c.says == "" && got != "" {
			t.Errorf("%s: the driver reads %q, expected %q", name, got, c.says)
		}
	}
}

func TestRefusedNameIsExplainedByARegularExpression(t *testing.T) {
	for pattern, want := range map[string]string{
		`^sessions/[a-z0-9]{1,40}$`:                                   "sessions/{session}",
		`^sessions/[a-z0-9]{1,40}/captures/[a-z0-9]{1,40}$`:           "sessions/{session}/captures/{capture}",
		`^adapters/[a-z0-9][a-z0-9-]{0,39}/devices/[a-z0-9.-]{1,60}$`: "adapters/{adapter}/devices/{device}",
		`^adapters/([a-z0-9][a-z0-9-]{0,39}|-)$`:                      "adapters/{adapter} or, for all, adapters/-",
		`^[PCBU][0-3][0-9A-F]{3}$`:                                    "",
		`^`:                                                           "", `a/b/c`: "",
	} {
		if got := nameForm(pattern); got != want {
			t.Errorf("%s: %q, want %q", pattern, got, want)
		}
	}
	s := &Server{}
	var err error
	if s.validator, err = protovalidate.New(); err != nil {
		t.Fatal(err)
	}
	err = s.validate(&pb.StartCaptureRequest{Parent: "nobody", Device: "adapters/a/devices/b"})
	if err == nil || !strings.Contains(fmt.Sprintf("%+v", err), "sessions/{session}") {
		t.Errorf("%+v", err)
	}
}
