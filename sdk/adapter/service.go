// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapter

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"github.com/airassay/airassay/sdk/internal/readonly"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/stats"
	"google.golang.org/grpc/tap"
)

// bounds are the times of the contract, with some room for the way to the host and back.
type bounds struct {
	patience time.Duration // for an author's method after its context has ended; C3 and S12 allow 1 s
	lifeline time.Duration // for the first lifeline; K2 says 10 s
	beat     time.Duration // between messages of the lifeline; K3 says 1 s
	release  time.Duration // for all hardware to be released; K1 allows 5 s until the process is gone
	linger   time.Duration // from the answer to Shutdown to the end; Q1 allows 2 s
	retry    time.Duration // before a feed is tried again on a silent vehicle
	flush    time.Duration // for a reader to take what is left when a feed ends
}

var contractBounds = bounds{
	patience: 700 * time.Millisecond,
	lifeline: 10 * time.Second,
	beat:     time.Second,
	release:  4 * time.Second,
	linger:   500 * time.Millisecond,
	retry:    time.Second,
	flush:    200 * time.Millisecond,
}

// service serves the contract over an author's type.
type service struct {
	adapterv1beta1.UnimplementedAdapterServiceServer
	bounds

	adapter   Adapter
	about     *adapterv1beta1.DescribeResponse
	log       *slog.Logger
	guard     readonly.Guard
	firstCall func()        // runs before the first call is answered
	exit      func()        // ends the process; does nothing where there is no process to end
	hung      func()        // ends it without waiting for anything
	attached  bool          // hosts come and go
	ended     chan struct{} // closed when all is to end
	finish    func()        // closes ended, once
	arrivals  atomic.Int64
	configure chan struct{} // held while Configure runs
	lifeMet   chan struct{} // closed with the first lifeline
	meetLife  func()

	mu         sync.Mutex
	configured bool
	changing   bool // a configuration is being put to use
	listed     map[string]bool
	devices    map[string]*device
	lifelines  int
}

func newService(a Adapter, about Description, log *slog.Logger) *service {
	s := &service{
		bounds: contractBounds, adapter: a, about: about.message(), log: log,
		firstCall: func() {}, exit: func() {}, hung: func() {},
		ended: make(chan struct{}), lifeMet: make(chan struct{}), configure: make(chan struct{}, 1),
		listed: map[string]bool{}, devices: map[string]*device{},
	}
	s.guard.Log = log
	s.finish = sync.OnceFunc(func() { close(s.ended) })
	s.meetLife = sync.OnceFunc(func() { close(s.lifeMet) })
	return s
}

func (s *service) timer(d time.Duration) *time.Timer { return time.NewTimer(d) }

// serverOptions are what the service needs of the server that carries it.
func (s *service) serverOptions() []grpc.ServerOption {
	return []grpc.ServerOption{
		grpc.StatsHandler(ends{}),
		grpc.InTapHandle(func(ctx context.Context, _ *tap.Info) (context.Context, error) {
			return context.WithValue(ctx, arrivalKey{}, s.arrivals.Add(1)), nil
		}),
		grpc.ChainUnaryInterceptor(func(ctx context.Context, request any, _ *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
			s.firstCall()
			answer, err := guard(s.log, "the SDK", func() (any, error) { return handler(ctx, request) })
			if err != nil {
				return nil, statusOf(err).Err()
			}
			return answer, nil
		}),
		grpc.ChainStreamInterceptor(func(srv any, stream grpc.ServerStream, _ *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
			s.firstCall()
			_, err := guard(s.log, "the SDK", func() (any, error) { return nil, handler(srv, stream) })
			return statusOf(err).Err()
		}),
	}
}

// arrivalKey holds the place of a call in the order in which calls came in. Handlers start in any order.
type arrivalKey struct{}

func arrivalOf(ctx context.Context) int64 {
	n, _ := ctx.Value(arrivalKey{}).(int64)
	return n
}

// endKey holds a channel that is closed once the call's status is on its way to the host.
type endKey struct{}

// ends is a stats handler that tells when a call is over, trailers included.
type ends struct{}

func (ends) TagRPC(ctx context.Context, info *stats.RPCTagInfo) context.Context {
	if info.FullMethodName != adapterv1beta1.AdapterService_Feed_FullMethodName {
		return ctx
	}
	return context.WithValue(ctx, endKey{}, make(chan struct{}))
}

func (ends) HandleRPC(ctx context.Context, s stats.RPCStats) {
	if _, over := s.(*stats.End); !over {
		return
	}
	if end, ok := ctx.Value(endKey{}).(chan struct{}); ok {
		close(end)
	}
}

func (ends) TagConn(ctx context.Context, _ *stats.ConnTagInfo) context.Context { return ctx }

func (ends) HandleConn(context.Context, stats.ConnStats) {}

// Describe answers from what the author said at the start, so that the answer never changes.
func (s *service) Describe(_ context.Context, r *adapterv1beta1.DescribeRequest) (*adapterv1beta1.DescribeResponse, error) {
	s.log.Debug("described", "host_version", r.GetHostVersion())
	return s.about, nil
}

func (s *service) Configure(ctx context.Context, r *adapterv1beta1.ConfigureRequest) (*adapterv1beta1.ConfigureResponse, error) {
	if err := s.alive(); err != nil {
		return nil, err
	}
	select {
	case s.configure <- struct{}{}:
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	free := func() { <-s.configure }
	if r.GetValidateOnly() {
		_, err := s.check(ctx, r.GetConfigurationJson(), free)
		return &adapterv1beta1.ConfigureResponse{}, err
	}
	if err := s.beginChange(); err != nil {
		free()
		return nil, err
	}
	use, err := s.check(ctx, r.GetConfigurationJson(), func() {})
	if err == nil {
		err = s.use(use)
	}
	s.endChange(err == nil)
	free()
	return &adapterv1beta1.ConfigureResponse{}, err
}

// check asks the author; free is called when the author's code has returned.
func (s *service) check(ctx context.Context, configuration string, free func()) (func(), error) {
	if configuration == "" {
		configuration = "{}"
	}
	type answer = func()
	done := start(s.log, "Configure", func() (answer, error) {
		defer free()
		return s.adapter.Configure(ctx, []byte(configuration))
	})
	use, err := await(ctx, s, "Configure", done, func(answer, error) {})
	if err == nil {
		err = ctx.Err() // the host has given up and believes that nothing changed
	}
	return use, err
}

func (s *service) use(use func()) error {
	if use == nil {
		return nil
	}
	_, err := guard(s.log, "use of the configuration", func() (struct{}, error) {
		use()
		return struct{}{}, nil
	})
	return err
}

func (s *service) beginChange() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	for id := range s.devices {
		return refuse(codes.FailedPrecondition, reasonBusy, "device %q is open; close all devices before configuring", id)
	}
	s.changing = true
	return nil
}

func (s *service) endChange(good bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.changing = false
	s.configured = s.configured || good
}

// alive refuses calls once all is to end.
func (s *service) alive() error {
	select {
	case <-s.ended:
		return refuse(codes.Aborted, reasonClosed, "the adapter is ending")
	default:
		return nil
	}
}

// ready refuses calls on devices before the first good Configure.
func (s *service) ready() error {
	if err := s.alive(); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.configured {
		return refuse(codes.FailedPrecondition, reasonNotConfigured, "the adapter is not configured; call Configure first")
	}
	return nil
}

// offers refuses an ability that the description does not list.
func (s *service) offers(a adapterv1beta1.Ability) error {
	if slices.Contains(s.about.GetAbilities(), a) {
		return nil
	}
	return refuse(codes.Unimplemented, reason(0), "%s does not offer %s", s.about.GetName(), a)
}

func (s *service) Lifeline(_ *adapterv1beta1.LifelineRequest, stream grpc.ServerStreamingServer[adapterv1beta1.LifelineResponse]) error {
	if err := s.alive(); err != nil {
		return err
	}
	s.holdLifeline()
	defer s.dropLifeline()
	beat := time.NewTicker(s.beat)
	defer beat.Stop()
	for {
		if err := stream.Send(&adapterv1beta1.LifelineResponse{NowUs: int64(Now())}); err != nil {
			return err
		}
		select {
		case <-beat.C:
		case <-stream.Context().Done():
			return stream.Context().Err()
		case <-s.ended:
			return nil
		}
	}
}

func (s *service) holdLifeline() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.lifelines++
	s.meetLife()
}

// dropLifeline ends everything with the last lifeline, unless it was ended on purpose.
func (s *service) dropLifeline() {
	s.mu.Lock()
	s.lifelines--
	last := s.lifelines == 0
	s.mu.Unlock()
	select {
	case <-s.ended:
		return
	default:
	}
	if !last {
		return
	}
	s.log.Warn("the lifeline broke; releasing all hardware")
	if s.attached {
		go s.releaseAll()
		return
	}
	go s.abandon()
}

// awaitHost ends an adapter that nobody holds.
func (s *service) awaitHost() {
	go func() {
		timer := s.timer(s.bounds.lifeline)
		defer timer.Stop()
		select {
		case <-s.lifeMet:
		case <-s.ended:
		case <-timer.C:
			s.log.Error(fmt.Sprintf("no lifeline was opened within %v; ending", s.bounds.lifeline))
			s.abandon()
		}
	}()
}

// abandon releases all hardware and ends the process, in time whatever the author's code does.
func (s *service) abandon() {
	watchdog := time.AfterFunc(s.release, s.hung)
	defer watchdog.Stop()
	s.finish()
	s.releaseAll()
	s.exit()
}

// Shutdown answers when all is released, however often it is called. The process ends shortly after, so that the answer
// still reaches the host.
func (s *service) Shutdown(context.Context, *adapterv1beta1.ShutdownRequest) (*adapterv1beta1.ShutdownResponse, error) {
	watchdog := time.AfterFunc(s.release, s.hung)
	s.finish()
	s.releaseAll()
	watchdog.Stop()
	time.AfterFunc(s.linger, s.exit)
	return &adapterv1beta1.ShutdownResponse{}, nil
}
