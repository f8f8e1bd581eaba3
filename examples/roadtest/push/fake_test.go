// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package push

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"slices"
	"sync"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

// faults are what a server and a network do to a writer. The chances are for each batch or call.
type faults struct {
	// cut breaks every connection; crash also loses what was received and not yet acknowledged.
	cut, crash float64
	// refuse ends the stream with UNAVAILABLE, hang stops to answer, end ends it without an error.
	refuse, hang, end float64
	// late keeps acknowledgements back, for up to a second.
	late bool
	// loseAnswer does what a call asks for and then breaks the connection.
	loseAnswer float64
}

// fake is a server that keeps the promises of the streams and breaks everything else.
type fake struct {
	pb.UnimplementedSessionServiceServer

	faults faults
	wire   *wire

	mu  sync.Mutex
	rng *rand.Rand
	// durable is on disk, volatile is received and not acknowledged.
	durable, volatile []*pb.SampleBatch
	epoch             int64
	holder            int // The stream that holds the capture.
	broken            []string
	repeats, breaks   int
	// sessions by request id; made counts the creations.
	sessions map[string]*pb.Session
	made     int
	// answer, where it is set, takes the place of the acknowledgements.
	answer func(last int64) *pb.PushSamplesResponse
}

func (f *fake) chance(p float64) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	hit := f.rng.Float64() < p
	if hit {
		f.breaks++
	}
	return hit
}

// reasoned is an error as the service makes it.
func reasoned(code codes.Code, reason string, after time.Duration) error {
	s := status.New(code, "the fake says "+reason)
	s, err := s.WithDetails(&errdetails.ErrorInfo{Domain: domain, Reason: reason})
	if err == nil && after > 0 {
		s, err = s.WithDetails(&errdetails.RetryInfo{RetryDelay: durationpb.New(after)})
	}
	if err != nil {
		return err
	}
	return s.Err()
}

func (f *fake) open(o *pb.PushOpen) (holder int, opened *pb.PushOpened, err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	switch o.GetWriterEpoch() {
	case 0:
		f.epoch++
	case f.epoch:
	default:
		return 0, nil, reasoned(codes.Aborted, "WRITER_FENCED", 0)
	}
	f.holder++
	// What an older stream of the same writer has received becomes durable, before or after the answer.
	last := len(f.durable)
	if f.commit(); f.rng.IntN(2) == 0 {
		last = len(f.durable)
	}
	return f.holder, &pb.PushOpened{WriterEpoch: f.epoch, LastSequence: int64(last)}, nil
}

func (f *fake) commit() {
	f.durable = append(f.durable, f.volatile...)
	f.volatile = nil
}

// die loses what is not durable, and acknowledges nothing any more on the stream that is open.
func (f *fake) die() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.holder++
	f.volatile = nil
}

// take takes a batch in, as the service does.
func (f *fake) take(holder int, b *pb.SampleBatch) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if holder != f.holder {
		return reasoned(codes.Aborted, "WRITER_FENCED", 0)
	}
	all := slices.Concat(f.durable, f.volatile)
	switch at := b.GetSequence() - 1; {
	case at > int64(len(all)):
		f.broken = append(f.broken, fmt.Sprintf("batch %d came after %d", b.GetSequence(), len(all)))
		return reasoned(codes.OutOfRange, "SEQUENCE_GAP", 0)
	case at < int64(len(all)) && !proto.Equal(all[at], b):
		f.broken = append(f.broken, fmt.Sprintf("batch %d came again with other bytes", b.GetSequence()))
		return reasoned(codes.Aborted, "BATCH_CONFLICT", 0)
	case at < int64(len(all)):
		f.repeats++
	default:
		f.volatile = append(f.volatile, proto.CloneOf(b))
	}
	return nil
}

func (f *fake) PushSamples(stream pb.SessionService_PushSamplesServer) error {
	first, err := stream.Recv()
	if err != nil {
		return err
	}
	holder, opened, err := f.open(first.GetOpen())
	if err != nil {
		return err
	}
	if err := stream.Send(&pb.PushSamplesResponse{Message: &pb.PushSamplesResponse_Opened{Opened: opened}}); err != nil {
		return err
	}
	ended := make(chan error, 1)
	go func() { ended <- f.receive(stream, holder) }()
	for {
		pause := time.Millisecond
		if f.faults.late {
			f.mu.Lock()
			pause = time.Duration(f.rng.Int64N(int64(time.Second)))
			f.mu.Unlock()
		}
		select {
		case err := <-ended:
			if errors.Is(err, io.EOF) {
				return nil
			}
			return err
		case <-time.After(pause):
			if err := f.acknowledge(stream, holder); err != nil {
				return err
			}
		}
	}
}

func (f *fake) acknowledge(stream pb.SessionService_PushSamplesServer, holder int) error {
	f.mu.Lock()
	n := len(f.volatile)
	if holder != f.holder || n == 0 {
		f.mu.Unlock()
		return nil
	}
	f.commit()
	last := int64(len(f.durable))
	f.mu.Unlock()
	answer := &pb.PushSamplesResponse{Message: &pb.PushSamplesResponse_Acknowledged{Acknowledged: &pb.PushAcknowledged{LastSequence: last}}}
	if f.answer != nil {
		answer = f.answer(last)
	}
	return stream.Send(answer)
}

func (f *fake) receive(stream pb.SessionService_PushSamplesServer, holder int) error {
	for {
		m, err := stream.Recv()
		if err != nil {
			return err
		}
		if err := f.take(holder, m.GetBatch()); err != nil {
			return err
		}
		switch {
		case f.chance(f.faults.crash):
			f.die()
			f.wire.cut()
			<-stream.Context().Done()
			return stream.Context().Err()
		case f.chance(f.faults.cut):
			f.wire.cut()
		case f.chance(f.faults.refuse):
			return reasoned(codes.Unavailable, "UNAVAILABLE", time.Second)
		case f.chance(f.faults.end):
			return io.EOF
		case f.chance(f.faults.hang):
			f.die()
			<-stream.Context().Done()
			return stream.Context().Err()
		}
	}
}

func (f *fake) CreateSession(_ context.Context, r *pb.CreateSessionRequest) (*pb.CreateSessionResponse, error) {
	if f.chance(f.faults.refuse) {
		return nil, reasoned(codes.Unavailable, "UNAVAILABLE", 0)
	}
	f.mu.Lock()
	s := f.sessions[r.GetRequestId()]
	if s == nil {
		f.made++
		s = &pb.Session{Name: fmt.Sprintf("sessions/s%d", f.made)}
		f.sessions[r.GetRequestId()] = s
	}
	f.mu.Unlock()
	if f.chance(f.faults.loseAnswer) {
		f.wire.cut()
	}
	return &pb.CreateSessionResponse{Session: s}, nil
}

// wire is a network that can be cut.
type wire struct {
	*bufconn.Listener

	mu    sync.Mutex
	conns []net.Conn
}

func (w *wire) Accept() (net.Conn, error) {
	c, err := w.Listener.Accept()
	if err != nil {
		return nil, err
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.conns = append(w.conns, c)
	return c, nil
}

// cut breaks every connection, with what is on its way.
func (w *wire) cut() {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, c := range w.conns {
		_ = c.Close()
	}
	w.conns = nil
}

// serve starts the fake and connects to it.
func serve(t *testing.T, f *fake, seed uint64) pb.SessionServiceClient {
	t.Helper()
	f.rng = rand.New(rand.NewPCG(seed, 1))
	f.sessions = map[string]*pb.Session{}
	f.wire = &wire{Listener: bufconn.Listen(1 << 16)}
	server := grpc.NewServer()
	pb.RegisterSessionServiceServer(server, f)
	served := make(chan struct{})
	go func() {
		defer close(served)
		_ = server.Serve(f.wire)
	}()
	conn, err := Dial("passthrough:///fake", grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return f.wire.DialContext(ctx) }))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = conn.Close()
		server.Stop()
		<-served
	})
	return pb.NewSessionServiceClient(conn)
}
