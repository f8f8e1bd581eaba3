// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package rpc

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"sync/atomic"
	"time"

	"buf.build/go/protovalidate"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/reflection"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/adapters"
	"github.com/airassay/airassay/server/session"
	"github.com/airassay/airassay/server/telemetry"
)

// Config is what a Server needs. Manager must be given.
type Config struct {
	Manager *session.Manager
	// Adapters are those that the server runs; nil for none, and then their service is not served.
	Adapters *adapters.Manager
	// Shop finds the shop that a caller belongs to; nil for one shop, LocalShop.
	Shop func(context.Context) (string, error)
	// Log takes one line for each call and what no caller is told; nil for none.
	Log *slog.Logger
	// Telemetry is where traces and metrics go; nil for nowhere.
	Telemetry   *telemetry.Providers
	Instruments *telemetry.Instruments
	// Credentials secure the connections; nil for plain text.
	Credentials credentials.TransportCredentials
	// Reflection lets clients without the definitions list and describe the services.
	Reflection bool
	Limits     Limits
}

// LocalShop is the shop of everybody while nobody has to say who they are.
const LocalShop = "local"

// Limits bound what callers can ask for together. What is 0 has its default.
type Limits struct {
	// MessageBytes is the largest message that is received; 4 MiB by default,
	// the usual limit of gRPC.
	MessageBytes int
	// StreamsPerConnection bounds calls under way on one connection, streams
	// and others; 5,000 by default, so that one gateway can push and watch
	// 2,000 sessions. A client waits for its turn beyond it.
	StreamsPerConnection int
	// Streams bounds the streams of all connections together; 10,000 by
	// default: 2,000 sessions that are pushed and watched, twice over.
	Streams int
	// Recordings bounds the recordings that are sent at once; 8 by default.
	Recordings int
	// RecordingBytes bounds the file of one recording; 256 MiB by default.
	RecordingBytes int64
	// RecordingTime bounds the sending and judging of one; 10 minutes by default.
	RecordingTime time.Duration
}

func (l Limits) withDefaults() Limits {
	set(&l.MessageBytes, 4<<20)
	set(&l.StreamsPerConnection, 5000)
	set(&l.Streams, 10_000)
	set(&l.Recordings, 8)
	set(&l.RecordingBytes, 256<<20)
	set(&l.RecordingTime, 10*time.Minute)
	return l
}

func set[T comparable](to *T, value T) {
	var zero T
	if *to == zero {
		*to = value
	}
}

// Server serves the API, and the standard health and reflection services, by
// gRPC. New makes it; its methods may be called from any goroutine.
type Server struct {
	grpc        *grpc.Server
	health      *health.Server
	manager     *session.Manager
	adapters    *adapters.Manager
	shop        func(context.Context) (string, error)
	log         *slog.Logger
	instruments *telemetry.Instruments
	limits      Limits
	validator   protovalidate.Validator

	// down ends when the server goes down; goDown ends it.
	down   context.Context //nolint:containedctx // It is the life of the server, not of a call.
	goDown context.CancelFunc

	streams    atomic.Int64
	panics     atomic.Int64
	recordings chan struct{}
	// reading bounds the files that are read at once: each takes a core and up to 120 MB.
	reading chan struct{}
}

const (
	// pingAfter and pingTimeout find dead connections within 40 s: a box in a
	// car loses its network without a word.
	pingAfter   = 30 * time.Second
	pingTimeout = 10 * time.Second
	// pingSpacing is how often clients may ping, with or without a call, without
	// being cut off.
	pingSpacing = 10 * time.Second
	// maxHeaderBytes is room for tokens and traces; the library's default is 16 MiB.
	maxHeaderBytes = 64 << 10
	// handshakeTime is how long a connection may take to become one.
	handshakeTime = 20 * time.Second
)

// New makes a server that does not listen yet.
func New(c Config) (*Server, error) {
	s := &Server{
		manager: c.Manager, adapters: c.Adapters, shop: c.Shop, log: c.Log, instruments: c.Instruments, limits: c.Limits.withDefaults(),
		health: health.NewServer(),
	}
	if s.shop == nil {
		s.shop = func(context.Context) (string, error) { return LocalShop, nil }
	}
	if s.log == nil {
		s.log = slog.New(slog.DiscardHandler)
	}
	s.down, s.goDown = context.WithCancel(context.Background())
	s.recordings = make(chan struct{}, s.limits.Recordings)
	s.reading = make(chan struct{}, readers())
	var err error
	if s.validator, err = protovalidate.New(); err != nil { // A message's own rules are compiled when it first comes.
		return nil, fmt.Errorf("compiling the rules of the API: %w", err)
	}
	s.grpc = grpc.NewServer(s.options(c)...)
	s.register(c.Reflection)
	return s, nil
}

func (s *Server) options(c Config) []grpc.ServerOption {
	layers := s.layers()
	options := []grpc.ServerOption{
		grpc.UnaryInterceptor(unaryLayers(layers)),
		grpc.StreamInterceptor(streamLayers(layers)),
		grpc.MaxRecvMsgSize(s.limits.MessageBytes),
		grpc.MaxConcurrentStreams(uint32(s.limits.StreamsPerConnection)),
		grpc.MaxHeaderListSize(maxHeaderBytes),
		grpc.ConnectionTimeout(handshakeTime),
		grpc.KeepaliveParams(keepalive.ServerParameters{Time: pingAfter, Timeout: pingTimeout}),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: pingSpacing, PermitWithoutStream: true}),
		grpc.WaitForHandlers(true),
	}
	if c.Telemetry != nil {
		if h := c.Telemetry.CallHandler(long); h != nil {
			options = append(options, grpc.StatsHandler(h))
		}
	}
	if c.Credentials != nil {
		options = append(options, grpc.Creds(c.Credentials))
	}
	return options
}

// long reports the methods whose calls last as long as a drive.
func long(method string) bool {
	switch method {
	case pb.SessionService_PushSamples_FullMethodName, pb.SessionService_WatchSamples_FullMethodName,
		pb.SessionService_WatchProgress_FullMethodName, pb.VerdictService_WatchVerdict_FullMethodName,
		healthpb.Health_Watch_FullMethodName:
		return true
	}
	return false
}

func (s *Server) register(reflect bool) {
	pb.RegisterVehicleServiceServer(s.grpc, &vehicles{Server: s})
	pb.RegisterSessionServiceServer(s.grpc, &sessions{Server: s})
	pb.RegisterVerdictServiceServer(s.grpc, &verdicts{Server: s})
	if s.adapters != nil {
		pb.RegisterAdapterServiceServer(s.grpc, &adapterService{Server: s})
	}
	for name := range s.grpc.GetServiceInfo() {
		s.health.SetServingStatus(name, healthpb.HealthCheckResponse_SERVING)
	}
	healthpb.RegisterHealthServer(s.grpc, s.health)
	if reflect {
		reflection.RegisterV1(s.grpc)
	}
}

// Serve takes connections from the listener, which it closes in the end, until
// the server is drained; then it returns nil.
func (s *Server) Serve(listener net.Listener) error {
	// A server that was drained before it came to serve has nothing to complain of.
	if err := s.grpc.Serve(listener); err != nil && !errors.Is(err, grpc.ErrServerStopped) {
		return fmt.Errorf("serving on %s: %w", listener.Addr(), err)
	}
	return nil
}

// Drain lets the server go down within the life of ctx: it says so to those
// who ask for its health, ends the streams with UNAVAILABLE, takes no new
// connections and calls, and waits for the calls under way. When ctx ends
// first it cuts them off, waits for their handlers and gives ctx's cause.
func (s *Server) Drain(ctx context.Context) error {
	s.health.Shutdown()
	s.goDown()
	done := make(chan struct{})
	go func() {
		defer close(done)
		s.grpc.GracefulStop()
	}()
	select {
	case <-done:
		return nil
	case <-ctx.Done():
		s.grpc.Stop()
		<-done
		return fmt.Errorf("calls under way were cut off: %w", context.Cause(ctx))
	}
}

// Panics counts the panics that were recovered from, for tests and alarms.
func (s *Server) Panics() int64 { return s.panics.Load() }

// Streams counts the streams that are open now.
func (s *Server) Streams() int64 { return s.streams.Load() }
