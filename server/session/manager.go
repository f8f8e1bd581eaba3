// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"runtime"
	"sync"
	"time"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/store"
)

// Config is what a Manager needs. Store, Facts and Convert must be given.
type Config struct {
	// Store keeps everything. The manager does not close it. One manager at a time may work on a store.
	Store store.Store
	// Facts translates a vehicle and the day for the assay; either may be nil.
	Facts func(*pb.Vehicle, *pb.DayConditions) assay.Facts
	// Convert translates an assessment for the API. It may keep its argument.
	Convert func(*assay.Assessment) *pb.Assessment
	// Clock gives the time of day; time.Now where it is nil. How often watchers are
	// told something is measured by the machine's own clock.
	Clock func() time.Time
	// Logger takes what no caller can be told; discarded where it is nil.
	Logger *slog.Logger
	// Limits; what is 0 has its default.
	Limits Limits
}

// Limits bound what the manager keeps.
type Limits struct {
	// Assays is how many assays are kept in memory, at 0.7 MB each; 256 where it is 0.
	// Those that are watched are kept beyond it.
	Assays int
	// Idle is how long an assay that nobody asks for is kept; 10 minutes where it is 0.
	Idle time.Duration
	// Requests is how long request ids are remembered; 7 days where it is 0.
	Requests time.Duration
}

// Limits of one call, as the API states them.
const (
	// MaxBatchSamples is the most samples of one batch.
	MaxBatchSamples = 10_000
	// MaxBatchBytes is the most bytes of one batch, as it is stored.
	MaxBatchBytes = 1 << 20
	// MaxAhead is how far ahead of now a sample may be: a recording may be pushed faster than it was driven.
	MaxAhead = 24 * time.Hour
	// MaxSignals is the most signals of one capture; VSS itself has about a thousand leaves.
	MaxSignals = 1000
	// MaxCaptures is the most captures of one session: one is usual, one more for each source that was set up anew.
	MaxCaptures = 100
	// DefaultPageSize and MaxPageSize bound lists.
	DefaultPageSize = 50
	MaxPageSize     = store.MaxPage
)

// Manager keeps sessions. Every method may be called from any number of
// goroutines at once.
type Manager struct {
	store   store.Store
	facts   func(*pb.Vehicle, *pb.DayConditions) assay.Facts
	convert func(*assay.Assessment) *pb.Assessment
	clock   func() time.Time
	log     *slog.Logger
	limits  Limits

	ctx    context.Context //nolint:containedctx // of what outlives a call; it ends when Close has waited long enough
	cancel context.CancelFunc
	stop   chan struct{} // Closed when Close begins: watchers and upkeep end.
	tasks  sync.WaitGroup

	gate    sync.RWMutex
	closing bool // Guarded by gate, so that tasks never grows while Close waits for it.

	// deleting keeps the creation of a session apart from the deletion of its vehicle.
	deleting sync.RWMutex

	// judging bounds the assessments that are made at once and leaves a core to the writers; replaying
	// bounds the replays, which take longer and must not hold up those who watch.
	judging, replaying chan struct{}

	sources Sources // Set before the first call.

	mu       sync.Mutex
	sessions map[key]*live
	loaded   map[*live]struct{} // Those with an assay.
	writers  int
	watchers int
}

// New makes a manager. It reads nothing: sessions are loaded when they are first asked for.
func New(c Config) (*Manager, error) {
	if c.Store == nil || c.Facts == nil || c.Convert == nil {
		return nil, errors.New("session: Config without Store, Facts or Convert")
	}
	if c.Clock == nil {
		c.Clock = time.Now
	}
	if c.Logger == nil {
		c.Logger = slog.New(slog.DiscardHandler)
	}
	orDefault(&c.Limits.Assays, 256)
	orDefault(&c.Limits.Idle, 10*time.Minute)
	orDefault(&c.Limits.Requests, 7*24*time.Hour)
	ctx, cancel := context.WithCancel(context.Background())
	cores := runtime.GOMAXPROCS(0)
	m := &Manager{
		store: c.Store, facts: c.Facts, convert: c.Convert, clock: c.Clock, log: c.Logger, limits: c.Limits,
		ctx: ctx, cancel: cancel, stop: make(chan struct{}),
		judging: make(chan struct{}, max(1, cores-1)), replaying: make(chan struct{}, cores),
		sessions: make(map[key]*live), loaded: make(map[*live]struct{}),
	}
	m.tasks.Go(m.upkeep)
	return m, nil
}

func orDefault[T int | time.Duration](limit *T, value T) {
	if *limit <= 0 {
		*limit = value
	}
}

// Close ends watchers with ErrUnavailable, makes durable what writers have queued and
// ends them with ErrUnavailable, and waits for calls under way, at most until ctx ends.
// Later calls give ErrUnavailable. The store may be closed afterwards.
func (m *Manager) Close(ctx context.Context) error {
	m.gate.Lock()
	if !m.closing {
		m.closing = true
		close(m.stop)
	}
	m.gate.Unlock()
	m.endWriters()
	done := make(chan struct{})
	go func() {
		defer close(done)
		m.tasks.Wait()
	}()
	defer m.cancel()
	select {
	case <-done:
		return nil
	case <-ctx.Done():
		m.cancel()
		<-done
		return fmt.Errorf("closing the sessions: %w", ctx.Err())
	}
}

func (m *Manager) endWriters() {
	m.mu.Lock()
	sessions := make([]*live, 0, len(m.sessions))
	for _, l := range m.sessions {
		sessions = append(sessions, l)
	}
	m.mu.Unlock()
	for _, l := range sessions {
		for _, w := range l.openWriters() {
			w.end(goingDown())
		}
	}
}

func goingDown() *Error {
	return &Error{Reason: pb.ErrorReason_ERROR_REASON_UNAVAILABLE, Message: "the server is going down; come back in a moment"}
}

// begin opens a call, or refuses it while the manager closes. The call ends with m.tasks.Done.
func (m *Manager) begin() error {
	m.gate.RLock()
	defer m.gate.RUnlock()
	if m.closing {
		return goingDown()
	}
	m.tasks.Add(1)
	return nil
}

// Stats counts what is in memory.
type Stats struct {
	// Sessions in memory, Assays among them, Writers and Watchers that are open.
	Sessions, Assays, Writers, Watchers int
}

// Stats counts what is in memory now, for metrics.
func (m *Manager) Stats() Stats {
	m.mu.Lock()
	defer m.mu.Unlock()
	return Stats{Sessions: len(m.sessions), Assays: len(m.loaded), Writers: m.writers, Watchers: m.watchers}
}

func (m *Manager) count(what *int, by int) {
	m.mu.Lock()
	*what += by
	m.mu.Unlock()
}

const (
	// sweepEvery is how often idle assays are looked for.
	sweepEvery = time.Minute
	// forgetEvery is how many sweeps lie between two looks at old request ids.
	forgetEvery = 60
)

// upkeep drops what nobody needs any more.
func (m *Manager) upkeep() {
	ticker := time.NewTicker(sweepEvery)
	defer ticker.Stop()
	for n := 1; ; n++ {
		select {
		case <-m.stop:
			return
		case <-ticker.C:
		}
		m.evictIdle()
		if n%forgetEvery == 0 {
			m.forgetRequests()
		}
	}
}

func (m *Manager) forgetRequests() {
	if err := m.store.Forget(m.ctx, m.clock().Add(-m.limits.Requests)); err != nil {
		m.log.Warn("old request ids could not be dropped", "error", err)
	}
}

// now is the time of day as it is stored, to the microsecond.
func (m *Manager) now() time.Time { return m.clock().UTC().Truncate(time.Microsecond) }

// take waits for a place in a semaphore and gives the function that leaves it.
func take(ctx context.Context, places chan struct{}) (leave func(), err error) {
	select {
	case places <- struct{}{}:
		return func() { <-places }, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}
