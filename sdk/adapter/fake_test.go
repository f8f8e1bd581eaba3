// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapter

import (
	"bytes"
	"context"
	"errors"
	"io"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

const (
	flow  = "Vehicle.OBD.MAF"
	speed = "Vehicle.OBD.EngineSpeed"
)

// fake is an adapter whose every method a test may replace.
type fake struct {
	about     Description
	configure func(ctx context.Context, c []byte) (func(), error)
	devices   func(ctx context.Context) ([]Device, error)
	open      func(ctx context.Context, id string) (Conn, error)
}

func newFake() *fake {
	return &fake{
		about:     Description{Name: "fake", Version: "1.0.0", Summary: "For tests.", Abilities: []Ability{AbilityFeed, AbilityLink}},
		configure: func(context.Context, []byte) (func(), error) { return nil, nil },
		devices:   func(context.Context) ([]Device, error) { return []Device{{ID: "one"}, {ID: "two"}}, nil },
		open:      func(context.Context, string) (Conn, error) { return newFakeConn(), nil },
	}
}

func (f *fake) Describe() Description { return f.about }
func (f *fake) Configure(ctx context.Context, c []byte) (func(), error) {
	return f.configure(ctx, c)
}
func (f *fake) Devices(ctx context.Context) ([]Device, error)     { return f.devices(ctx) }
func (f *fake) Open(ctx context.Context, id string) (Conn, error) { return f.open(ctx, id) }
func (f *fake) opens(c Conn)                                      { f.open = func(context.Context, string) (Conn, error) { return c, nil } }

type fakeConn struct {
	signals func(ctx context.Context, wanted []Wanted) ([]Signal, error)
	feed    func(ctx context.Context, sink *Sink) error
	request func(ctx context.Context, r Request) (Answers, error)
	once    sync.Once
	closed  chan struct{}
	more    Details
}

func newFakeConn() *fakeConn {
	return &fakeConn{
		signals: func(context.Context, []Wanted) ([]Signal, error) {
			return []Signal{{Path: flow, Unit: "g/s", Uncertainty: time.Millisecond}, {Path: speed, Unit: "rpm", Uncertainty: time.Millisecond}}, nil
		},
		feed: func(ctx context.Context, _ *Sink) error { <-ctx.Done(); return ctx.Err() },
		request: func(context.Context, Request) (Answers, error) {
			return Answers{Answers: []Answer{{Source: 0x7E8, Payload: []byte{0x41}}}}, nil
		},
		closed: make(chan struct{}),
	}
}

func (c *fakeConn) Signals(ctx context.Context, wanted []Wanted) ([]Signal, error) {
	return c.signals(ctx, wanted)
}
func (c *fakeConn) Feed(ctx context.Context, sink *Sink) error { return c.feed(ctx, sink) }
func (c *fakeConn) Request(ctx context.Context, r Request) (Answers, error) {
	return c.request(ctx, r)
}
func (c *fakeConn) Details() Details { return c.more }
func (c *fakeConn) Close() error     { c.once.Do(func() { close(c.closed) }); return nil }

func (c *fakeConn) isClosed() bool {
	select {
	case <-c.closed:
		return true
	default:
		return false
	}
}

// lines collects a log.
type lines struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.buf.Write(p)
}

func (l *lines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.buf.String()
}

// bench is a service within the process, and its client.
type bench struct {
	adapterv1beta1.AdapterServiceClient

	t       *testing.T
	service *service
	log     *lines
}

func newBench(t *testing.T, a Adapter, change ...func(*service)) *bench {
	t.Helper()
	log := &lines{}
	s := newService(a, a.Describe(), slog.New(NewLogHandler(log, slog.LevelDebug)))
	for _, c := range change {
		c(s)
	}
	conn, stop, err := local(s)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(stop)
	return &bench{adapterv1beta1.NewAdapterServiceClient(conn), t, s, log}
}

// configured is a bench whose adapter has been configured.
func configured(t *testing.T, a Adapter, change ...func(*service)) *bench {
	t.Helper()
	b := newBench(t, a, change...)
	if _, err := b.Configure(t.Context(), &adapterv1beta1.ConfigureRequest{}); err != nil {
		t.Fatal(err)
	}
	return b
}

// opened is a bench with device one open.
func opened(t *testing.T, c *fakeConn, change ...func(*service)) *bench {
	t.Helper()
	f := newFake()
	f.opens(c)
	b := configured(t, f, change...)
	b.openOne()
	return b
}

func (b *bench) openOne() {
	b.t.Helper()
	if _, err := b.OpenDevice(b.t.Context(), &adapterv1beta1.OpenDeviceRequest{DeviceId: "one"}); err != nil {
		b.t.Fatal(err)
	}
}

func (b *bench) closeOne() {
	b.t.Helper()
	if _, err := b.CloseDevice(b.t.Context(), &adapterv1beta1.CloseDeviceRequest{DeviceId: "one"}); err != nil {
		b.t.Fatal(err)
	}
}

type stream = grpc.BidiStreamingClient[adapterv1beta1.FeedRequest, adapterv1beta1.FeedResponse]

func wants(paths ...string) *adapterv1beta1.FeedRequest {
	r := &adapterv1beta1.FeedRequest{DeviceId: "one"}
	for _, p := range paths {
		r.Signals = append(r.Signals, &adapterv1beta1.WantedSignal{Path: p})
	}
	return r
}

// subscribe opens a feed, without reading from it.
func (b *bench) subscribe(ctx context.Context, paths ...string) stream {
	b.t.Helper()
	s, err := b.Feed(ctx)
	if err == nil {
		err = s.Send(wants(paths...))
	}
	if err != nil && !errors.Is(err, io.EOF) { // EOF: refused already; what is received next says why.
		b.t.Fatal(err)
	}
	return s
}

func (b *bench) receive(s stream) *adapterv1beta1.FeedResponse {
	b.t.Helper()
	m, err := s.Recv()
	if err != nil {
		b.t.Fatal(err)
	}
	return m
}

func (b *bench) ask(payload ...byte) (*adapterv1beta1.SendRequestResponse, error) {
	return b.SendRequest(b.t.Context(), &adapterv1beta1.SendRequestRequest{DeviceId: "one", Payload: payload})
}

// ended reads a stream to its end.
func ended(s stream) error {
	for {
		if _, err := s.Recv(); err != nil {
			return err
		}
	}
}

// refused checks code and reason of an error.
func refused(t *testing.T, err error, code codes.Code, reason string) {
	t.Helper()
	s, _ := status.FromError(err)
	if s.Code() != code {
		t.Fatalf("got %v, want %v", err, code)
	}
	for _, d := range s.Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok {
			if info.GetDomain() != Domain || info.GetReason() != reason {
				t.Fatalf("got the reason %s of %s, want %s of %s", info.GetReason(), info.GetDomain(), reason, Domain)
			}
			return
		}
	}
	if reason != "" {
		t.Fatalf("%v has no reason, want %s", err, reason)
	}
}

func within(t *testing.T, d time.Duration, what string, f func()) {
	t.Helper()
	began := time.Now()
	f()
	if took := time.Since(began); took > d {
		t.Errorf("%s took %v, at most %v are allowed", what, took, d)
	}
}

func has(text string, parts ...string) bool {
	return !slices.ContainsFunc(parts, func(p string) bool { return !strings.Contains(text, p) })
}

var errOdd = errors.New("odd")
