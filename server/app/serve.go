// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"time"

	"github.com/spf13/pflag"

	"github.com/airassay/airassay/server/store"
)

const serveLong = `Serves the API by gRPC until it is stopped, and keeps what it is told in a
directory. When it is ready it prints one line: "ready grpc=ADDRESS".

Without flags it listens on this machine only, to everybody who has an account
there. Any other address can be reached from other machines, where anybody may
read and change everything: it needs a certificate (--tls-cert and --tls-key;
with --tls-client-ca only clients with a certificate of that authority get in),
or --insecure-plaintext-network, which gives up secrecy and any knowledge of who
calls. --listen unix:/PATH takes calls by a socket in the file system, from this
user only.

Telemetry is silent unless the environment asks for it by the standard
variables, such as OTEL_EXPORTER_OTLP_ENDPOINT or OTEL_METRICS_EXPORTER.

The first SIGTERM or SIGINT drains: health turns to NOT_SERVING, streams end
with UNAVAILABLE, calls under way may finish. After --drain, or at a second
signal, the rest is cut off. What was acknowledged is safe in any case.
`

// defaultListen is on loopback, at a port that is assigned to nobody.
const defaultListen = "127.0.0.1:7632"

// defaultDrain is shorter than the grace that service managers usually give.
const defaultDrain = 10 * time.Second

func serveCommand() command {
	return command{
		name:  "serve",
		about: "serve the API by gRPC",
		long:  serveLong,
		prepare: func(flags *pflag.FlagSet) runner {
			o := ServeOptions{}
			level := slog.LevelInfo
			declareServe(flags, &o)
			flags.TextVar(&level, "log-level", slog.LevelInfo, "log from this `LEVEL` on: debug, info, warn or error")
			return func(ctx context.Context, t *streams, args []string) error {
				if len(args) > 0 {
					return &usageError{command: "serve", text: fmt.Sprintf("serve takes no arguments, but there is %q", args[0])}
				}
				if o.Drain < 0 {
					return &usageError{command: "serve", text: fmt.Sprintf("--drain is %v; expected 0 or more, such as %v", o.Drain, defaultDrain)}
				}
				if err := nameGiven(flags, "data", "adapters", "recordings", "scenarios", "tls-cert", "tls-key", "tls-client-ca"); err != nil {
					return err
				}
				return serve(ctx, t, o, level)
			}
		},
	}
}

func declareServe(flags *pflag.FlagSet, o *ServeOptions) {
	flags.StringVar(&o.Listen, "listen", defaultListen, "take calls at this `ADDRESS`: HOST:PORT (port 0 picks a free one) or unix:/PATH")
	flags.StringVar(&o.Data, "data", "", "keep vehicles, sessions and samples in this `DIRECTORY`, which is made if need be; by default airassay in $XDG_STATE_HOME or ~/.local/state")
	flags.StringVar(&o.TLSCert, "tls-cert", "", "secure connections with the certificate chain in this PEM `FILE`")
	flags.StringVar(&o.TLSKey, "tls-key", "", "the certificate's private key, in this PEM `FILE`")
	flags.StringVar(&o.TLSClientCA, "tls-client-ca", "", "let in only clients with a certificate of the authorities in this PEM `FILE`")
	flags.BoolVar(&o.InsecureNetwork, "insecure-plaintext-network", false, "listen beyond this machine without TLS: everybody on the way can read and change everything")
	flags.BoolVar(&o.NoReflection, "no-reflection", false, "do not let clients list and describe the services")
	declareAdapters(flags, &o.Adapters)
	flags.DurationVar(&o.Drain, "drain", defaultDrain, "when stopped, give calls under way this much `TIME`")
}

// serve is the command: options in, a line on stdout, logs on stderr.
func serve(ctx context.Context, t *streams, o ServeOptions, level slog.Level) error {
	o.LogHandler = logHandler(t, level)
	o.Ready = func(address string) error { return t.result([]byte("ready grpc=" + address + "\n")) }
	a, err := New(ctx, o)
	if err != nil {
		return serveRefusal(err)
	}
	return a.Run(ctx)
}

// logHandler writes for people on a terminal and for machines elsewhere.
func logHandler(t *streams, level slog.Leveler) slog.Handler {
	options := &slog.HandlerOptions{Level: level}
	if _, tty := terminal(t.err); tty {
		return slog.NewTextHandler(t.err, options)
	}
	return slog.NewJSONHandler(t.err, options)
}

// serveRefusal tells what the user can cure from what is a fault of ours.
func serveRefusal(err error) error {
	var own *refusal
	var hint string
	switch {
	case errors.As(err, &own):
		return err
	case errors.Is(err, store.ErrInUse):
		hint = "; stop the other server, or name another directory with --data"
	case errors.Is(err, store.ErrNewer):
		hint = "; use that release or a later one"
	case errors.Is(err, store.ErrCorrupt):
		hint = "; restore a copy, or name another directory with --data"
	case errors.Is(err, store.ErrUnavailable), errors.Is(err, store.ErrFull):
		hint = "; name a directory on a local disk that you may write to with --data"
	default:
		return err
	}
	return &refusal{err.Error() + hint}
}

// defaultData is where the XDG Base Directory Specification puts what a
// program must keep between runs and a user does not edit. Windows has a place
// of its own for that.
func defaultData() (string, error) {
	if dir := os.Getenv("XDG_STATE_HOME"); absolute(dir) {
		return join(dir, dataFolder), nil
	}
	if dir := os.Getenv("LOCALAPPDATA"); onWindows && absolute(dir) {
		return join(dir, dataFolder), nil
	}
	home, err := os.UserHomeDir()
	if err != nil || !absolute(home) {
		return "", &refusal{"there is no home directory to keep data in; name a directory with --data"}
	}
	return join(home, ".local", "state", dataFolder), nil
}
