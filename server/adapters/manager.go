// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapters

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"

	"google.golang.org/grpc"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/host"
	"github.com/airassay/airassay/sdk/host/manifest"
	"github.com/airassay/airassay/server/session"
)

// Adapter is one that the administrator has installed.
type Adapter struct {
	// Manifest says what is started.
	Manifest *manifest.Manifest
	// BuiltIn says that it is the server's own program in an adapter's role.
	BuiltIn bool
	// Reattach is the line that an adapter in debugging printed; empty to start the manifest's program.
	Reattach string
	// Reload reads the manifest anew, for an adapter that is reset after the administrator has mended something; nil
	// where the manifest is in no file.
	Reload func() (*manifest.Manifest, error)
	// Linked is served within the server's own process in place of the manifest's program; nil for none. It spares
	// a small machine a process, and a defect of it is one of the server.
	Linked adapter.Adapter
}

// Config is what a Manager needs. Sessions must be given.
type Config struct {
	// Sessions take the captures.
	Sessions *session.Manager
	// Adapters are those that there are, each name once.
	Adapters []Adapter
	// Version is told to the adapters.
	Version string
	// Logger takes what the adapters write and what happens to them; nil for none.
	Logger *slog.Logger
	// LogLevel is the lowest level that adapters are asked to write.
	LogLevel slog.Level
	// Restart says how an adapter that failed is started again; what is 0 has the default of sdk/host.
	Restart host.Restart
}

// Manager runs adapters and captures from them. Its methods may be called from any goroutine.
type Manager struct {
	sessions *session.Manager
	log      *slog.Logger
	adapters []*entry // in the order of their names

	ctx    context.Context //nolint:containedctx // of the captures, which outlive the calls that start them
	cancel context.CancelFunc

	mu      sync.Mutex
	closing bool
	devices map[string]*run // by the device's name; nil while a capture from it is being started
	settled chan struct{}   // closed and replaced when a device is not being opened any more
	runs    sync.WaitGroup
}

// New makes a manager; nothing is started yet. The caller ends it with Close.
func New(c Config) (*Manager, error) {
	if c.Logger == nil {
		c.Logger = slog.New(slog.DiscardHandler)
	}
	m := &Manager{sessions: c.Sessions, log: c.Logger, devices: make(map[string]*run), settled: make(chan struct{})}
	m.ctx, m.cancel = context.WithCancel(context.Background())
	for _, a := range c.Adapters {
		e, err := newEntry(&c, a)
		if err == nil && m.find(a.Manifest.Name) != nil {
			e.adapter.Shutdown(context.Background())
			err = fmt.Errorf("two adapters are named %q; rename one, in its manifest and its folder", a.Manifest.Name)
		}
		if err != nil {
			m.Close(context.Background())
			return nil, err
		}
		m.adapters = append(m.adapters, e)
	}
	slices.SortFunc(m.adapters, func(a, b *entry) int { return strings.Compare(a.id(), b.id()) })
	return m, nil
}

// Start starts all adapters and returns at once.
func (m *Manager) Start() {
	for _, e := range m.adapters {
		e.adapter.Start()
	}
}

// Close stops all captures, which stay open and can be resumed by the next server, and shuts all adapters down. When
// the context ends, force is used. Nothing runs any more when it returns.
func (m *Manager) Close(ctx context.Context) {
	m.mu.Lock()
	m.closing = true
	runs := m.running(func(*run) bool { return true })
	m.mu.Unlock()
	stopAll(ctx, runs)
	m.cancel()
	m.runs.Wait()
	var all sync.WaitGroup
	for _, e := range m.adapters {
		all.Go(func() { e.adapter.Shutdown(ctx) })
	}
	all.Wait()
}

// running lists captures; the caller holds mu.
func (m *Manager) running(want func(*run) bool) []*run {
	var found []*run
	for _, r := range m.devices {
		if r != nil && want(r) {
			found = append(found, r)
		}
	}
	return found
}

// anchorOf is where the axis of a session is tied to the machine's steady clock: by the first of its captures that runs, so
// that all agree. The time of day may have been set since the server was started, as on a box without a clock of its own.
func (m *Manager) anchorOf(shop, session string) time.Time {
	m.mu.Lock()
	defer m.mu.Unlock()
	if found := m.running(func(r *run) bool { return r.of(shop, session) }); len(found) > 0 {
		return found[0].anchor
	}
	return time.Now()
}

func stopAll(ctx context.Context, runs []*run) {
	var all sync.WaitGroup
	for _, r := range runs {
		all.Go(func() { r.stop(ctx) })
	}
	all.Wait()
}

func (m *Manager) find(id string) *entry {
	for _, e := range m.adapters {
		if e.id() == id {
			return e
		}
	}
	return nil
}

// reserve keeps a device for a capture that is being started. Where another one is, it waits for the outcome.
func (m *Manager) reserve(ctx context.Context, device string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	for m.opening(device) {
		settled := m.settled
		m.mu.Unlock()
		select {
		case <-settled:
		case <-ctx.Done():
		}
		m.mu.Lock()
		if ctx.Err() != nil {
			return ctx.Err()
		}
	}
	if m.closing {
		return unavailable("the server is going down")
	}
	if m.devices[device] != nil {
		return busy(device, "another capture reads it; ListDevices says which; finish that one first")
	}
	m.devices[device] = nil
	m.runs.Add(1)
	return nil
}

// opening reports whether a capture from a device is being started; the caller holds mu.
func (m *Manager) opening(device string) bool {
	r, taken := m.devices[device]
	return taken && r == nil
}

// settle ends a reservation: with the capture that runs now, or with none.
func (m *Manager) settle(device string, r *run) {
	m.mu.Lock()
	defer m.mu.Unlock()
	close(m.settled)
	m.settled = make(chan struct{})
	if r != nil {
		m.devices[device] = r
		return
	}
	delete(m.devices, device)
	m.runs.Done()
}

// entry is one adapter with what is remembered of it.
type entry struct {
	about    Adapter
	adapter  *host.Adapter
	log      *slog.Logger
	mu       sync.Mutex
	describe described
	news     chan struct{} // closed and replaced when the adapter's state changes
}

func newEntry(c *Config, a Adapter) (*entry, error) {
	e := &entry{
		about: a, log: c.Logger.With("adapter", a.Manifest.Name),
		describe: described{version: a.Manifest.Version}, news: make(chan struct{}),
	}
	options := host.Options{
		Manifest: a.Manifest, HostVersion: c.Version, Logger: c.Logger, LogLevel: c.LogLevel, OnChange: e.changed,
		Reattach: a.Reattach, Development: a.Reattach != "", Restart: c.Restart,
	}
	if a.Linked != nil {
		options.Local = func(log *slog.Logger) (*grpc.ClientConn, func(), error) { return adapter.Local(a.Linked, log) }
	}
	var err error
	e.adapter, err = host.New(options)
	if err != nil {
		return nil, fmt.Errorf("adapter %s: %w", a.Manifest.Name, err)
	}
	return e, nil
}

func (e *entry) id() string { return e.about.Manifest.Name }

// changed logs where the adapter stands, and remembers what it said of itself while it was there.
func (e *entry) changed(s host.Status) {
	e.mu.Lock()
	if s.Description != nil {
		e.describe.description = s.Description
	}
	if s.Failure != nil && s.State != host.StateReady && s.State != host.StateStarting && s.State != host.StateShutDown {
		e.describe.failed = time.Now()
	}
	close(e.news)
	e.news = make(chan struct{})
	e.mu.Unlock()
	switch s.State {
	case host.StateReady:
		e.log.Info("the adapter is ready", "pid", s.PID, "version", s.Description.GetVersion(), "starts", s.Starts)
		for _, d := range clipAll(s.Description.GetDeprecations(), maxDeprecations) {
			e.log.Warn("the adapter uses what will go", "deprecation", d)
		}
	case host.StateBackingOff:
		e.log.Warn("the adapter failed and is started again", "failure", failureText(s.Failure), "at", s.RetryAt, "failures", s.Failures)
	case host.StateFailed, host.StateBroken:
		e.log.Error("the adapter failed and is left alone until it is reset", "failure", failureText(s.Failure), "failures", s.Failures)
	}
}

// resetTime bounds how long a reset waits for the new start to begin, which takes no time but that of the scheduler.
const resetTime = time.Second

// reset starts the adapter again where it does not run, with the manifest as it is now.
func (e *entry) reset() error {
	switch e.adapter.Status().State {
	case host.StateFailed, host.StateBroken, host.StateBackingOff:
	default:
		return nil
	}
	if err := e.reload(); err != nil {
		return err
	}
	e.mu.Lock()
	news := e.news
	e.mu.Unlock()
	e.adapter.Reset()
	select {
	case <-news:
	case <-time.After(resetTime):
	}
	return nil
}

func (e *entry) reload() error {
	if e.about.Reload == nil {
		return nil
	}
	m, err := e.about.Reload()
	if err != nil {
		return err
	}
	if err := e.adapter.Replace(m); err != nil {
		return err
	}
	e.mu.Lock()
	e.describe.version = m.Version
	e.mu.Unlock()
	return nil
}

func failureText(f *host.Failure) string {
	if f == nil {
		return ""
	}
	return f.Error()
}

// startPatience is how long a call waits for an adapter that is being started; a start takes some tens of milliseconds,
// that of an interpreter up to a second.
const startPatience = 5 * time.Second

// ready gives the adapter's present run, and waits a moment for one that is being started.
func (e *entry) ready(ctx context.Context) (*host.Connection, error) {
	wait, cancel := context.WithTimeout(ctx, startPatience)
	defer cancel()
	c, err := e.adapter.Ready(wait)
	if err == nil {
		return c, nil
	}
	if ctx.Err() != nil && !errors.Is(err, host.ErrShutDown) {
		return nil, ctx.Err()
	}
	return nil, adapterUnavailable(e.id(), e.adapter.Status())
}
