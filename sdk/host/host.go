// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package host runs adapters: programs of their own that speak to interface hardware and serve the contract of
// airassay.adapter.v1beta1. The server uses it, and so does a vendor who tests an adapter.
//
// An adapter is another's code and may do anything, so the package trusts none of it: the files are checked at every
// start, the process sees only the environment that the manifest allows, what it prints is bounded and cleaned, what it
// answers is bounded, where it says it listens must be where it was told to, its death is noticed at once, and with it
// goes all that it has started. When the host itself is killed, the contract's lifeline breaks; on Linux the kernel also
// sends SIGTERM to the adapter's process group, which reaches what the adapter has started too.
//
// What the operating system allows differs: on Linux a program runs from the very file that was checked (a script, which
// its interpreter opens by name, and any program elsewhere, is checked and then started, so its folder must not be open
// to others); process groups exist on Unix.
package host

import (
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc"

	"github.com/airassay/airassay/sdk/host/manifest"
	"github.com/airassay/airassay/sdk/internal/handshake"
)

// MaxMessageBytes is the largest message that is taken from an adapter or sent to one. A full batch of 4096 samples
// with every column is about 140 KiB.
const MaxMessageBytes = 4 << 20

// Options say which adapter to run, and how. Only Manifest is needed; every other zero value stands for the default.
type Options struct {
	// Manifest of the adapter.
	Manifest *manifest.Manifest
	// HostVersion is told to the adapter, for its logs.
	HostVersion string
	// Logger receives what the adapter writes, cleaned and bounded; nil discards it.
	Logger *slog.Logger
	// LogLevel is the lowest level that the adapter is asked to write.
	LogLevel slog.Level
	// LogLinesPerS is how many lines are passed on in the long run, ten times that at once; 100 by default. The
	// number of lines dropped is logged.
	LogLinesPerS float64
	// OnChange is called with each new status, one call at a time and in order. It must return soon: the adapter's
	// supervision waits for it.
	OnChange func(Status)

	// SocketDir is a folder for the adapter's socket, made with mode 0700 where it is missing and swept when the
	// adapter is made; a private temporary folder by default.
	SocketDir string
	// MaxProcs is the number of threads that a Go adapter runs at once; 2 by default.
	MaxProcs int
	// MemoryLimitBytes is where a Go adapter's collector begins to work hard; 256 MiB by default.
	MemoryLimitBytes int64

	// StartTimeout bounds the time from the start of the process until it serves; 10 s by default, sentence C2.
	StartTimeout time.Duration
	// CallTimeout bounds each of the calls that make an adapter ready; 5 s by default.
	CallTimeout time.Duration
	// LifelineTimeout is how long the lifeline may be silent before the adapter is taken to hang; 5 s by default, five
	// of the messages that sentence K3 asks for.
	LifelineTimeout time.Duration
	// ShutdownTimeout bounds the call of Shutdown; 5 s by default. The process then has the 2 s of sentence Q1 to end.
	ShutdownTimeout time.Duration
	// Restart says how an adapter that failed is started again.
	Restart Restart

	// Reattach is the line that an adapter in debugging prints; it is connected to instead of starting the manifest's
	// program, without checksum and without TLS. It is refused unless Development is set.
	Reattach string
	// Development permits what is unsafe in a shop.
	Development bool

	// Local serves an adapter that is linked into this program, in place of starting the manifest's; adapter.Local of
	// sdk/adapter fits. All that holds of a process holds of it, except that it cannot be killed: a defect of
	// its own is one of the program. The manifest then needs a name only, and a configuration where there is one.
	Local func(log *slog.Logger) (conn *grpc.ClientConn, stop func(), err error)
}

// Restart says how an adapter that failed is started again: after a time drawn evenly between 0 and a bound that doubles
// with each failure, so that twenty adapters of one broken hub do not all come back at once.
type Restart struct {
	// MinBackoff bounds the first wait; 0.5 s by default.
	MinBackoff time.Duration
	// MaxBackoff bounds every wait; 30 s by default.
	MaxBackoff time.Duration
	// Failures within Window stop the restarts until Reset; 5 by default.
	Failures int
	// Window is the stretch in which failures count; 2 min by default.
	Window time.Duration
}

func orDefault[T comparable](v *T, fallback T) {
	if *v == *new(T) {
		*v = fallback
	}
}

func (o *Options) fill() {
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	if o.OnChange == nil {
		o.OnChange = func(Status) {}
	}
	orDefault(&o.LogLinesPerS, 100)
	orDefault(&o.MaxProcs, 2)
	orDefault(&o.MemoryLimitBytes, 256<<20)
	orDefault(&o.StartTimeout, 10*time.Second)
	orDefault(&o.CallTimeout, 5*time.Second)
	orDefault(&o.LifelineTimeout, 5*time.Second)
	orDefault(&o.ShutdownTimeout, 5*time.Second)
	orDefault(&o.Restart.MinBackoff, 500*time.Millisecond)
	orDefault(&o.Restart.MaxBackoff, 30*time.Second)
	orDefault(&o.Restart.Failures, 5)
	orDefault(&o.Restart.Window, 2*time.Minute)
}

func (o *Options) check() error {
	if o.Manifest == nil {
		return errors.New("options without a manifest: load one with manifest.Load")
	}
	if o.Reattach != "" && !o.Development {
		return errors.New("reattaching to a running adapter checks neither its files nor its certificate, so it is for development only: set Development as well, or leave Reattach empty")
	}
	if o.Local != nil {
		return nil
	}
	return o.Manifest.Validate()
}

// Versions lists the protocol versions that this host speaks, newest first.
func Versions() []int {
	versions := slices.Sorted(maps.Keys(handshake.Services))
	slices.Reverse(versions)
	return versions
}

func commonVersion(offered []int) error {
	for _, v := range offered {
		if _, ok := handshake.Services[v]; ok {
			return nil
		}
	}
	return versionError(offered)
}

func versionError(offered []int) error {
	return fmt.Errorf("it speaks protocol version %s, this host %s: install a release of the adapter that fits", list(offered), list(Versions()))
}

func list(versions []int) string {
	return strings.Trim(strings.ReplaceAll(fmt.Sprint(versions), " ", ", "), "[]")
}
