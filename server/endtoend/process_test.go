// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package endtoend

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/credentials/insecure"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

func TestMain(m *testing.M) {
	if len(os.Args) > 2 && os.Args[1] == asAdapter {
		playAdapter(os.Args[2])
	}
	os.Exit(testMain(m))
}

// bin is where the program is built, once.
var bin string

func testMain(m *testing.M) int {
	dir, err := os.MkdirTemp("", "endtoend")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer func() { _ = os.RemoveAll(dir) }()
	bin = dir
	code := m.Run()
	if err := goleak.Find(); code == 0 && err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return code
}

// program is the path of the program.
var program = sync.OnceValues(func() (string, error) {
	path := filepath.Join(bin, "airassayd")
	if runtime.GOOS == "windows" {
		path += ".exe"
	}
	if out, err := exec.Command("go", "build", "-o", path, "../airassayd").CombinedOutput(); err != nil {
		return "", fmt.Errorf("building the program: %w\n%s", err, out)
	}
	return path, nil
})

// complete reports whether everything must be tested, however long it takes.
func complete() bool { return os.Getenv("AIRASSAY_COMPLETE") != "" }

// within gives a call that should be answered at once more than enough time.
func within(t testing.TB) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	t.Cleanup(cancel)
	return ctx
}

func must[T any](value T, err error) func(t testing.TB) T {
	return func(t testing.TB) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return value
	}
}

// server is the program as a process, with a directory that outlives it.
type server struct {
	t       testing.TB
	data    string
	log     *os.File
	address string // Stays the same when the process is started again.
	flags   []string
	cmd     *exec.Cmd
	out     io.Closer
}

// serve starts the program, with flags besides its own, and ends it with the test.
func serve(t testing.TB, flags ...string) *server {
	t.Helper()
	s := &server{t: t, data: t.TempDir(), address: "127.0.0.1:0", flags: flags}
	s.log = must(os.Create(filepath.Join(s.data, "log")))(t)
	t.Cleanup(func() {
		s.kill()
		if t.Failed() {
			text, _ := os.ReadFile(s.log.Name()) // The test has failed already.
			t.Logf("the server's log ends with:\n%s", text[max(0, len(text)-2000):])
		}
		if err := s.log.Close(); err != nil {
			t.Error(err)
		}
	})
	if err := s.start(); err != nil {
		t.Fatal(err)
	}
	return s
}

// start returns when the process says that it is ready.
func (s *server) start() error {
	path, err := program()
	if err != nil {
		return err
	}
	s.cmd = exec.Command(path, append([]string{"serve", "--listen", s.address, "--data", filepath.Join(s.data, "data"), "--log-level", "warn"}, s.flags...)...)
	s.cmd.Stderr = s.log
	out, err := s.cmd.StdoutPipe()
	if err != nil {
		return err
	}
	if err := s.cmd.Start(); err != nil {
		return err
	}
	s.out = out
	line, err := bufio.NewReader(out).ReadString('\n')
	address, ok := strings.CutPrefix(strings.TrimSpace(line), "ready grpc=")
	if !ok {
		return fmt.Errorf("the server said %q: %w", line, err)
	}
	s.address = address
	return nil
}

// kill ends the process without a warning.
func (s *server) kill() {
	if s.cmd == nil || s.cmd.Process == nil {
		return
	}
	_ = s.cmd.Process.Kill() // It may be over.
	_ = s.cmd.Wait()         // It was killed.
	s.cmd = nil
}

// api is a connection with its clients.
type api struct {
	conn     *grpc.ClientConn
	vehicles pb.VehicleServiceClient
	sessions pb.SessionServiceClient
	verdicts pb.VerdictServiceClient
	adapters pb.AdapterServiceClient
}

// dial makes a connection that the test closes.
func (s *server) dial() *api {
	s.t.Helper()
	quick := grpc.ConnectParams{Backoff: backoff.Config{BaseDelay: 5 * time.Millisecond, Multiplier: 1.2, MaxDelay: 30 * time.Millisecond}, MinConnectTimeout: time.Second}
	// Calls wait for a server that is being started again.
	patient := grpc.WithDefaultCallOptions(grpc.WaitForReady(true))
	conn := must(grpc.NewClient(s.address, grpc.WithTransportCredentials(insecure.NewCredentials()), grpc.WithConnectParams(quick), patient))(s.t)
	s.t.Cleanup(func() { _ = conn.Close() }) // Nothing is under way on it.
	return &api{conn, pb.NewVehicleServiceClient(conn), pb.NewSessionServiceClient(conn), pb.NewVerdictServiceClient(conn), pb.NewAdapterServiceClient(conn)}
}

// signals are declared by every capture here that does not come from a recording.
var signals = []*pb.SignalDefinition{
	{Path: "Vehicle.OBD.EngineSpeed", Unit: "rpm", TimeUncertaintyUs: 10_000},
	{Path: "Vehicle.OBD.MAF", Unit: "g/s", TimeUncertaintyUs: 10_000},
}

// vehicle creates one.
func (a *api) vehicle(ctx context.Context) (string, error) {
	r, err := a.vehicles.CreateVehicle(ctx, &pb.CreateVehicleRequest{Vehicle: &pb.Vehicle{DisplayName: "estate"}})
	return r.GetVehicle().GetName(), err
}

// session creates one of a vehicle.
func (a *api) session(ctx context.Context, vehicle string) (string, error) {
	r, err := a.sessions.CreateSession(ctx, &pb.CreateSessionRequest{Session: &pb.Session{Vehicle: vehicle}})
	return r.GetSession().GetName(), err
}

// capture creates one in a new session.
func (a *api) capture(ctx context.Context, vehicle string) (string, error) {
	session, err := a.session(ctx, vehicle)
	if err != nil {
		return "", err
	}
	r, err := a.sessions.CreateCapture(ctx, &pb.CreateCaptureRequest{Parent: session, Capture: &pb.Capture{Signals: signals, Clock: pb.ClockKind_CLOCK_KIND_HOST}})
	return r.GetCapture().GetName(), err
}

type pushStream = grpc.BidiStreamingClient[pb.PushSamplesRequest, pb.PushSamplesResponse]

// open opens a capture for writing.
func (a *api) open(ctx context.Context, capture string, epoch int64) (pushStream, *pb.PushOpened, error) {
	stream, err := a.sessions.PushSamples(ctx)
	if err != nil {
		return nil, nil, err
	}
	_ = stream.Send(&pb.PushSamplesRequest{Message: &pb.PushSamplesRequest_Open{Open: &pb.PushOpen{Capture: capture, WriterEpoch: epoch}}}) // Receiving tells.
	r, err := stream.Recv()
	return stream, r.GetOpened(), err
}

func inBatch(b *pb.SampleBatch) *pb.PushSamplesRequest {
	return &pb.PushSamplesRequest{Message: &pb.PushSamplesRequest_Batch{Batch: b}}
}

// batch holds n samples, 10 ms apart, of values that depend on salt.
func batch(sequence int64, n int, salt uint64) *pb.SampleBatch {
	b := &pb.SampleBatch{
		Sequence: sequence, BaseTimeUs: (sequence - 1) * 200_000,
		OffsetUs: make([]int64, n), Signal: make([]int32, n), Value: make([]float64, n),
	}
	for i := range n {
		b.OffsetUs[i] = int64(i) * 200_000 / int64(n)
		b.Signal[i] = int32(i % len(signals))
		b.Value[i] = float64((salt+uint64(sequence)*31+uint64(i)*7)%4000) / 4
	}
	return b
}
