// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapter

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"github.com/airassay/airassay/sdk/host/manifest"
	"github.com/airassay/airassay/sdk/internal/handshake"
	"github.com/hashicorp/go-hclog"
	"github.com/hashicorp/go-plugin"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/protojson"
)

// Serve runs the adapter until its host lets it go, and ends the process. It is the one line of an adapter's main.
//
// Started by a host, it answers the host's calls. Started by hand, it says what it is and how it is used; with
// --describe it prints the description as JSON, with --manifest the manifest that an administrator puts beside it; with
// --debug it serves a host that attaches, for a debugger, and prints
// where as one line of JSON.
func Serve(a Adapter) {
	os.Exit(run(a, os.Args[1:], streams))
}

// Exit codes of an adapter.
const (
	exitGood  = 0
	exitUsage = 2 // started by hand, without a flag that it knows
	exitBad   = 3 // it cannot serve
	exitHung  = 4 // it should have ended, and its hardware did not let go in time
)

func run(a Adapter, args []string, s *standard) int {
	hosted := s.hosted
	log := slog.New(NewLogHandler(s.err, levelFrom(os.Getenv(handshake.EnvLogLevel))))
	about, err := guard(log, "Describe", func() (Description, error) {
		d := a.Describe()
		return d, d.check()
	})
	if err != nil {
		_, _ = fmt.Fprintln(s.err, err)
		return exitBad
	}
	switch {
	case hosted:
		return serveHost(a, about, log, s)
	case slices.Contains(args, "--describe"):
		return printDescription(about, s.out, s.err)
	case slices.Contains(args, "--manifest"):
		return printManifest(about, s.out, s.err)
	case slices.Contains(args, "--debug"):
		return serveDebug(a, about, s)
	}
	explain(about, s.err)
	return exitUsage
}

func explain(about Description, w io.Writer) {
	program := filepath.Base(os.Args[0])
	_, _ = fmt.Fprintf(w, `%s %s: %s

This is an adapter for Airassay. It does nothing by itself: a host starts it and asks it for devices and samples. To use
it, put it into a folder of its own among the host's adapters, beside a manifest.json that names it.

  %s --describe   print what it can do, as JSON
  %s --manifest   print the manifest.json that goes beside it
  %s --debug      serve a host that attaches; prints where
`, about.Name, about.Version, about.Summary, program, program, program)
}

// printManifest writes the manifest of the running program, as it lies on the disk now.
func printManifest(about Description, out, errs io.Writer) int {
	text, err := ownManifest(about)
	if err == nil {
		_, err = fmt.Fprintf(out, "%s\n", text)
	}
	if err != nil {
		_, _ = fmt.Fprintln(errs, "writing the manifest:", err)
		return exitBad
	}
	return exitGood
}

func ownManifest(about Description) ([]byte, error) {
	path, err := os.Executable()
	if err != nil {
		return nil, err
	}
	program, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer program.Close() //nolint:errcheck // read only
	sum := sha256.New()
	if _, err := io.Copy(sum, program); err != nil {
		return nil, err
	}
	name := filepath.Base(path)
	m := manifest.Manifest{
		Name: about.Name, Version: about.Version, Executable: name,
		Files: map[string]string{name: hex.EncodeToString(sum.Sum(nil))}, Configuration: json.RawMessage("{}"),
	}
	for version := range handshake.Services {
		m.ProtocolVersions = append(m.ProtocolVersions, version)
	}
	slices.Sort(m.ProtocolVersions)
	if err := m.Validate(); err != nil {
		return nil, err
	}
	return json.MarshalIndent(&m, "", "  ")
}

func printDescription(about Description, out, errs io.Writer) int {
	text, err := protojson.Marshal(about.message())
	if err == nil {
		_, err = fmt.Fprintf(out, "%s\n", text)
	}
	if err != nil {
		_, _ = fmt.Fprintln(errs, "printing the description:", err)
		return exitBad
	}
	return exitGood
}

// served hands the service to the plugin library.
type served struct {
	plugin.NetRPCUnsupportedPlugin

	service *service
}

func (p served) GRPCServer(_ *plugin.GRPCBroker, g *grpc.Server) error {
	adapterv1beta1.RegisterAdapterServiceServer(g, p.service)
	return nil
}

// GRPCClient is for hosts; an adapter is none.
func (p served) GRPCClient(context.Context, *plugin.GRPCBroker, *grpc.ClientConn) (any, error) {
	return nil, errors.New("an adapter does not call adapters")
}

func pluginConfig(s *service, errs io.Writer, started func(*grpc.Server)) *plugin.ServeConfig {
	sets := map[int]plugin.PluginSet{}
	for version := range handshake.Services {
		sets[version] = plugin.PluginSet{handshake.Plugin: served{service: s}}
	}
	return &plugin.ServeConfig{
		HandshakeConfig:  plugin.HandshakeConfig{MagicCookieKey: handshake.CookieKey, MagicCookieValue: handshake.CookieValue},
		VersionedPlugins: sets,
		Logger:           hclog.New(&hclog.LoggerOptions{Level: hclog.Warn, Output: errs, JSONFormat: true}),
		GRPCServer: func(options []grpc.ServerOption) *grpc.Server {
			g := grpc.NewServer(append(options, s.serverOptions()...)...)
			started(g)
			return g
		},
	}
}

func serveHost(a Adapter, about Description, log *slog.Logger, std *standard) int {
	slog.SetDefault(log)
	for _, d := range about.Deprecations {
		log.Warn("deprecated", "what", d)
	}
	s := newService(a, about, log)
	s.firstCall = sync.OnceFunc(std.settle)
	var g atomic.Pointer[grpc.Server]
	ended := make(chan struct{})
	// end stops the server, so that the plugin library removes its socket.
	s.exit = sync.OnceFunc(func() {
		close(ended)
		if made := g.Load(); made != nil {
			made.Stop()
			return
		}
		os.Exit(exitGood) // nothing is served yet, so nothing is held
	})
	s.hung = func() { os.Exit(exitHung) }
	// A dead host no longer reads standard error, and the runtime would end the process on the next line of log, with the
	// hardware still held. Once somebody takes the signal, the write fails and nothing else happens.
	broken := make(chan os.Signal, 1)
	signal.Notify(broken, syscall.SIGPIPE)
	defer signal.Stop(broken)
	stopSignals := onTerminate(s)
	defer stopSignals()
	config := pluginConfig(s, std.err, func(made *grpc.Server) { g.Store(made); s.awaitHost() })
	std.handshake(log)
	plugin.Serve(config)
	select {
	case <-ended:
	default: // the plugin library's own shutdown, or a listener that failed
		watchdog := time.AfterFunc(s.bounds.release, s.hung)
		s.releaseAll()
		watchdog.Stop()
	}
	return exitGood
}

// onTerminate makes a polite kill release the hardware. An interrupt is the host's affair: a terminal sends it to the
// whole group.
func onTerminate(s *service) (stop func()) {
	signals, done := make(chan os.Signal, 1), make(chan struct{})
	signal.Notify(signals, syscall.SIGTERM)
	go func() {
		select {
		case <-signals:
			s.log.Info("asked to end by a signal")
			s.abandon()
		case <-done:
		}
	}()
	return func() { signal.Stop(signals); close(done) }
}

// serveDebug serves hosts that attach, until it is interrupted.
func serveDebug(a Adapter, about Description, std *standard) int {
	log := slog.New(NewLogHandler(std.err, slog.LevelDebug))
	slog.SetDefault(log)
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	s := newService(a, about, log)
	s.attached = true
	attach, closed := make(chan *plugin.ReattachConfig, 1), make(chan struct{})
	config := pluginConfig(s, std.err, func(*grpc.Server) {})
	config.Test = &plugin.ServeTestConfig{Context: ctx, ReattachConfigCh: attach, CloseCh: closed}
	go plugin.Serve(config)
	select {
	case where := <-attach:
		line, err := json.Marshal(handshake.Reattach{ProtocolVersion: where.ProtocolVersion, Network: where.Addr.Network(), Address: where.Addr.String(), PID: os.Getpid()})
		if err != nil {
			log.Error("printing where to attach", "error", err)
		}
		_, _ = fmt.Fprintf(std.out, "%s\n", line)
	case <-closed:
		return exitBad
	}
	<-closed
	s.releaseAll()
	return exitGood
}
