// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"path/filepath"
	"runtime"
	"time"

	"github.com/airassay/airassay/server/adapters"
	"github.com/airassay/airassay/server/rpc"
	"github.com/airassay/airassay/server/session"
	"github.com/airassay/airassay/server/store"
	"github.com/airassay/airassay/server/store/sqlite"
	"github.com/airassay/airassay/server/telemetry"
)

const (
	dataFolder = "airassay"
	onWindows  = runtime.GOOS == "windows"
)

func absolute(dir string) bool    { return filepath.IsAbs(dir) }
func join(parts ...string) string { return filepath.Join(parts...) }

// ServeOptions say how to serve. The zero value serves on defaultListen from
// the default directory.
type ServeOptions struct {
	// Listen is HOST:PORT or unix:/PATH.
	Listen string
	// Data is the directory of the store.
	Data string
	// TLSCert and TLSKey are PEM files; TLSClientCA, besides, makes clients show a certificate.
	TLSCert, TLSKey, TLSClientCA string
	// InsecureNetwork permits an address beyond this machine without TLS.
	InsecureNetwork bool
	// NoReflection hides the services from clients that do not know them.
	NoReflection bool
	// Drain bounds the end; 10 seconds where it is 0.
	Drain time.Duration
	// LogHandler takes the log; nil for none.
	LogHandler slog.Handler
	// Ready is told the address when calls are taken; may be nil. Its error ends Run.
	Ready func(address string) error
	// Limits of the service; what is 0 has its default.
	Limits rpc.Limits
	// Adapters that the server runs.
	Adapters AdapterOptions
}

func (o *ServeOptions) setDefaults() (err error) {
	if o.Listen == "" {
		o.Listen = defaultListen
	}
	if o.Drain == 0 {
		o.Drain = defaultDrain
	}
	if o.LogHandler == nil {
		o.LogHandler = slog.DiscardHandler
	}
	if o.Data == "" {
		o.Data, err = defaultData()
	}
	return err
}

// App is the service with all its parts put together. New makes it, Run is its life.
type App struct {
	options     ServeOptions
	log         *slog.Logger
	telemetry   *telemetry.Providers
	instruments *telemetry.Instruments
	listener    net.Listener
	store       store.Store
	manager     *session.Manager
	adapters    *adapters.Manager
	server      *rpc.Server
}

// New puts the parts together, opens the store and listens, but takes no calls
// yet. Run must follow; where New fails, everything is let go of.
func New(ctx context.Context, o ServeOptions) (*App, error) {
	if err := o.setDefaults(); err != nil {
		return nil, err
	}
	a := &App{options: o}
	for _, step := range []func(context.Context) error{a.startTelemetry, a.listen, a.openStore, a.makeServer} {
		if err := step(ctx); err != nil {
			return nil, errors.Join(err, a.release()) //nolint:contextcheck // What is let go of must not depend on a context that has ended.
		}
	}
	return a, nil
}

func (a *App) startTelemetry(ctx context.Context) (err error) {
	version, _, _ := build()
	if a.telemetry, err = telemetry.Start(ctx, program, version); err != nil {
		return &refusal{err.Error()}
	}
	a.log = slog.New(a.telemetry.Handler(a.options.LogHandler))
	a.instruments, err = a.telemetry.Instruments()
	return err
}

func (a *App) listen(ctx context.Context) (err error) {
	a.listener, err = listen(ctx, &a.options)
	return err
}

func (a *App) openStore(ctx context.Context) error {
	s, err := sqlite.Open(ctx, a.options.Data)
	if err != nil {
		return err
	}
	a.store = s
	if a.instruments != nil {
		a.store = &meteredStore{Store: s, instruments: a.instruments}
	}
	return nil
}

func (a *App) makeServer(context.Context) error {
	secrets, err := transportCredentials(&a.options)
	if err != nil {
		return err
	}
	a.manager, err = session.New(session.Config{
		Store: a.store, Facts: rpc.FactsFromProto, Convert: rpc.AssessmentToProto, Logger: a.log,
	})
	if err != nil {
		return fmt.Errorf("making the sessions: %w", err)
	}
	if err := a.loadAdapters(); err != nil { //nolint:contextcheck // Adapters outlive the context of their loading.
		return err
	}
	a.server, err = rpc.New(rpc.Config{ //nolint:contextcheck // The server outlives the context of its making.
		Manager: a.manager, Adapters: a.adapters, Log: a.log, Telemetry: a.telemetry, Instruments: a.instruments,
		Credentials: secrets, Reflection: !a.options.NoReflection, Limits: a.options.Limits,
	})
	return err
}

func (a *App) loadAdapters() error {
	found, problems, err := a.options.Adapters.load()
	if err != nil {
		return err
	}
	for _, p := range problems {
		a.log.Error("an adapter is not run", "error", p.Error())
	}
	if dir := a.options.Adapters.Directory; dir != "" && len(found) == 0 && len(problems) == 0 {
		a.log.Warn("there is no adapter to run; each has a folder of its name with its program and its manifest.json", "adapters", dir)
	}
	version, _, _ := build()
	a.adapters, err = adapters.New(adapters.Config{Sessions: a.manager, Adapters: found, Version: version, Logger: a.log})
	if err != nil {
		return &refusal{err.Error()}
	}
	a.manager.SetSources(a.adapters)
	return nil
}

// Address is where calls are taken.
func (a *App) Address() string { return addressOf(a.listener) }

// Run takes calls until ctx ends, then drains within the bound and lets go of
// everything, in this order: calls, captures and adapters, sessions, store, telemetry. It returns nil
// after a drain, whether or not calls had to be cut off. Call it once.
func (a *App) Run(ctx context.Context) error {
	a.adapters.Start() //nolint:contextcheck // the adapters live until Close
	served := make(chan error, 1)
	go func() { served <- a.server.Serve(a.listener) }()
	err := a.announce()
	if err == nil {
		select {
		case <-ctx.Done():
			a.log.Info("going down", "why", fmt.Sprint(context.Cause(ctx)), "within", a.options.Drain.String())
		case err = <-served:
			served <- nil
		}
	}
	a.drain()                                      //nolint:contextcheck // ctx has ended; the drain has a bound of its own.
	return errors.Join(err, <-served, a.release()) //nolint:contextcheck // The same.
}

func (a *App) announce() error {
	a.log.Info("ready", "grpc", a.Address(), "data", a.options.Data, "tls", a.options.TLSCert != "")
	if a.options.Ready == nil {
		return nil
	}
	return a.options.Ready(a.Address())
}

// drain ends the calls. Their contexts are gone by now, so that it has a bound of its own.
func (a *App) drain() {
	ctx, cancel := context.WithTimeout(context.Background(), a.options.Drain)
	defer cancel()
	if err := a.server.Drain(ctx); err != nil {
		a.log.Warn("drained, but not all calls had ended", "error", err.Error())
		return
	}
	a.log.Info("drained")
}

// releaseTime bounds what is left when no calls are: the last commits and the
// last export of telemetry.
const releaseTime = 5 * time.Second

// adaptersTime bounds the end of captures and adapters: the contract gives a device and a process a few seconds each.
const adaptersTime = 7 * time.Second

func (a *App) releaseAdapters() {
	if a.adapters == nil {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), adaptersTime)
	defer cancel()
	a.adapters.Close(ctx)
}

// release lets go of what there is; parts that were not made yet are nil.
func (a *App) release() error {
	a.releaseAdapters()
	ctx, cancel := context.WithTimeout(context.Background(), releaseTime)
	defer cancel()
	var errs []error
	if a.manager != nil {
		errs = append(errs, a.manager.Close(ctx))
	}
	if a.store != nil {
		errs = append(errs, a.store.Close())
	}
	if a.listener != nil {
		if err := a.listener.Close(); !errors.Is(err, net.ErrClosed) {
			errs = append(errs, err)
		}
	}
	if a.telemetry != nil {
		if err := a.telemetry.Shutdown(ctx); err != nil { // The operator's collector is no reason to fail.
			a.log.Warn(err.Error())
		}
	}
	return errors.Join(errs...)
}

// meteredStore measures what becomes durable.
type meteredStore struct {
	store.Store

	instruments *telemetry.Instruments
}

// Append measures the append it passes on.
func (s *meteredStore) Append(ctx context.Context, c store.Capture, epoch int64, chunks ...store.Chunk) (store.Ack, error) {
	start := time.Now()
	ack, err := s.Store.Append(ctx, c, epoch, chunks...)
	s.instruments.Appended(ctx, time.Since(start))
	if err != nil {
		return ack, err
	}
	samples := int64(0)
	for _, chunk := range chunks[min(ack.Repeats, len(chunks)):] { // Repeats come first: sequences adjoin.
		samples += chunk.Samples
	}
	s.instruments.Received(ctx, samples)
	return ack, nil
}
