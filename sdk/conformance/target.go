// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"sync"

	"github.com/airassay/airassay/sdk/adapter"
)

// Target is what is checked: an Executable, or what InProcess makes.
type Target interface {
	fmt.Stringer

	// usable says early what would fail at every start.
	usable() (Target, error)
	// hosted says that each run is a process of its own.
	hosted() bool
	// alone says that only one run can be served at a time.
	alone() bool
	start(ctx context.Context, k *kit, how launch) (*life, error)
}

// Executable is an adapter as a host starts it: a program, in any language. It is started often, one process for each check.
type Executable struct {
	// Path of the program. PATH is not searched, as a host does not search it either.
	Path string
	// Args are its arguments.
	Args []string
	// Env has variables that the manifest would allow, as NAME=value. Of the kit's own environment the adapter sees only
	// what every host passes on.
	Env []string
	// Dir is the folder in which it runs; by default that of the program.
	Dir string
}

func (e Executable) String() string { return e.Path }

func (e Executable) hosted() bool { return true }

func (e Executable) alone() bool { return false }

func (e Executable) usable() (Target, error) {
	path, err := filepath.Abs(e.Path)
	if err != nil {
		return nil, err
	}
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return nil, fmt.Errorf("there is no file %s: give the path of the adapter's executable, PATH is not searched", path)
	case err != nil:
		return nil, err
	case info.IsDir():
		return nil, fmt.Errorf("%s is a folder: give the path of the adapter's executable", path)
	}
	e.Path = path
	return e, nil
}

func (e Executable) start(ctx context.Context, k *kit, how launch) (*life, error) {
	p, err := e.spawn(k.shop, how) //nolint:contextcheck // see spawn
	if err != nil {
		return nil, err
	}
	l := newLife(k, p)
	// A check measures what is late; here only a process that will never serve is given up.
	l.greeting, err = p.greet(ctx, 2*k.limits.start)
	if err == nil {
		l.connection, err = l.dial(k.shop.host, how.window)
	}
	if err != nil {
		return l, err
	}
	l.use(l.connection)
	return l, nil
}

// InProcess checks an adapter in Go within this process, through adapter.Local. What only a process shows is skipped. The
// checks run one after the other, each with a service of its own over the same adapter.
func InProcess(a adapter.Adapter) Target { return inProcess{a} }

type inProcess struct{ adapter adapter.Adapter }

func (t inProcess) String() string { return fmt.Sprintf("%T, in process", t.adapter) }

func (t inProcess) hosted() bool { return false }

func (t inProcess) alone() bool { return true }

func (t inProcess) usable() (Target, error) {
	if t.adapter == nil {
		return nil, errors.New("InProcess was given no adapter")
	}
	return t, nil
}

func (t inProcess) start(_ context.Context, k *kit, _ launch) (*life, error) {
	log := &lockedBuffer{}
	conn, stop, err := adapter.Local(t.adapter, slog.New(adapter.NewLogHandler(log, slog.LevelInfo)))
	if err != nil {
		return nil, err
	}
	l := newLife(k, nil)
	l.connection, l.stop, l.log = conn, stop, log
	l.use(conn)
	return l, nil
}

// lockedBuffer is a log that may be written and read at once.
type lockedBuffer struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (b *lockedBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.text.Write(p)
}

func (b *lockedBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.text.String()
}
