// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package endtoend

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/airassay/airassay/sdk/adapter"
)

// asAdapter makes the test's own program play an adapter, good or bad; its name follows.
const asAdapter = "play-adapter"

// playAdapter does not return.
func playAdapter(name string) {
	switch name {
	case "prints":
		print1("welcome to the bench\n")
	case "speaks-another-version":
		print1("1|7|unix|" + os.Getenv("PLUGIN_UNIX_SOCKET_DIR") + "/s|grpc|x\n")
		time.Sleep(time.Hour)
	case "never-answers":
		time.Sleep(time.Hour)
	case "exits":
		fmt.Fprintln(os.Stderr, "no licence for the bench found")
		os.Exit(3)
	case "writes-nonsense":
		for _, line := range []string{`{"@message":5}`, `{"@level":{},"@message":null}`, "{", "\xff\xfe\x00\x1b[31m", `[1,2]`, strings.Repeat("long", 50_000)} {
			fmt.Fprintln(os.Stderr, line)
		}
	case "floods":
		go func() {
			w := bufio.NewWriter(os.Stderr)
			for i := 0; ; i++ {
				_, _ = fmt.Fprintln(w, "line", i)
			}
		}()
	case "forks":
		child := exec.Command(os.Args[0], asAdapter, "never-answers")
		child.Stderr = os.Stderr
		if err := child.Start(); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
	adapter.Serve(&shelf{name: name})
}

// print1 writes on standard output past the SDK, which keeps a print from doing harm.
func print1(text string) { _, _ = os.NewFile(1, "stdout").WriteString(text) }

// shelf is the adapter: one box, whose air flow does not change.
type shelf struct {
	name   string
	folder string
}

func (s *shelf) Describe() adapter.Description {
	return adapter.Description{Name: s.name, Version: "1.0.0", Summary: "One box.", Abilities: []adapter.Ability{adapter.AbilityFeed}}
}

func (s *shelf) Configure(_ context.Context, text []byte) (func(), error) {
	var c struct {
		Folder string `json:"folder"`
	}
	if err := adapter.Decode(text, &c); err != nil {
		return nil, err
	}
	return func() {
		s.folder = c.Folder
		_ = os.WriteFile(filepath.Join(c.Folder, strconv.Itoa(os.Getpid())), nil, 0o600)
	}, nil
}

func (s *shelf) Devices(context.Context) ([]adapter.Device, error) {
	switch s.name {
	case "dies-listing":
		os.Exit(7)
	case "lists-without-end":
		many := make([]adapter.Device, 100_000)
		for i := range many {
			many[i] = adapter.Device{ID: fmt.Sprint("box-", i), Name: strings.Repeat("long", 50)}
		}
		return many, nil
	}
	return []adapter.Device{{ID: "box"}}, nil
}

func (s *shelf) Open(context.Context, string) (adapter.Conn, error) {
	switch s.name {
	case "dies-opening":
		os.Exit(7)
	case "panics":
		panic("the box is on fire")
	}
	if s.name == "holds-a-lock" {
		lock, err := os.OpenFile(filepath.Join(s.folder, "lock"), os.O_CREATE|os.O_EXCL, 0o600)
		if err != nil {
			return nil, fmt.Errorf("%w: %w", adapter.ErrBusy, err)
		}
		return &shelfBox{name: s.name, lock: lock}, nil
	}
	return &shelfBox{name: s.name}, nil
}

// die ends the process as a fault would.
func die() { os.Exit(7) }

type shelfBox struct {
	name string
	lock *os.File // the hardware, as far as others can see it
}

func (b *shelfBox) Signals(context.Context, []adapter.Wanted) ([]adapter.Signal, error) {
	return []adapter.Signal{
		{Path: "Vehicle.OBD.MAF", Unit: "g/s", Uncertainty: time.Millisecond},
		{Path: "Vehicle.OBD.EngineSpeed", Unit: "rpm", Uncertainty: time.Millisecond},
	}, nil
}

func (b *shelfBox) Feed(ctx context.Context, sink *adapter.Sink) error {
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for n := 0; ; n++ {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-tick.C:
		}
		if b.name == "dies-feeding" && n == 20 {
			die()
		}
		if err := sink.Send(adapter.Sample{Path: "Vehicle.OBD.MAF", Value: 4}, adapter.Sample{Path: "Vehicle.OBD.EngineSpeed", Value: 800}); err != nil {
			return err
		}
	}
}

func (b *shelfBox) Close() error {
	if b.name == "never-lets-go" {
		select {}
	}
	if b.lock == nil {
		return nil
	}
	return errors.Join(b.lock.Close(), os.Remove(b.lock.Name()))
}
