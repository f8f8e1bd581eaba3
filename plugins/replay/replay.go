// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package replay

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"sync"

	"github.com/airassay/airassay/sdk/adapter"
)

const (
	// Name of the adapter, as its manifest has it.
	Name = "replay"
	// Version of the adapter, as its manifest has it.
	Version = "0.1.0"
)

// New makes the adapter. README.md says how it is configured.
func New() adapter.Adapter { return &replay{loading: make(chan struct{}, 1)} }

// replay is the adapter.
type replay struct {
	loading chan struct{} // holds one while a recording is read: reading takes memory besides what is kept

	mu     sync.Mutex
	config configuration
	held   int    // samples of all open recordings
	told   string // what the log knows of the folder
}

// Describe says what the adapter is.
func (*replay) Describe() adapter.Description {
	return adapter.Description{
		Name: Name, Version: Version, Summary: "Plays recordings of drives from a folder as if a car delivered them.",
		Abilities: []adapter.Ability{adapter.AbilityFeed},
	}
}

// Configure checks the configuration, the folder included.
func (r *replay) Configure(ctx context.Context, text []byte) (func(), error) {
	c, bad := decode(text)
	if err := ctx.Err(); err != nil {
		return nil, context.Cause(ctx)
	}
	if len(bad.Violations) == 0 {
		if err := checkDirectory(c.directory); err != nil {
			bad.Violatef("directory", "%s %v", shown(c.directory), err)
		}
	}
	return func() {
		r.mu.Lock()
		defer r.mu.Unlock()
		r.config, r.told = c, ""
	}, bad.OrNil()
}

// folderName stands for the folder's path, which is the administrator's business.
const folderName = "the folder of the recordings"

func (r *replay) configured() configuration {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.config
}

// openRoot opens the folder anew each time, so that one that was replaced or mounted again is seen.
func (r *replay) openRoot() (*os.Root, error) {
	root, err := os.OpenRoot(r.configured().directory)
	if err != nil {
		return nil, gone(folderName, err)
	}
	return root, nil
}

// Devices lists the recordings, by the first bytes of each file.
func (r *replay) Devices(ctx context.Context) ([]adapter.Device, error) {
	root, err := r.openRoot()
	if err != nil {
		return nil, err
	}
	defer closeRead(root)
	names, more, err := readNames(ctx, root, maxEntries)
	if err != nil {
		return nil, unlisted(ctx, err)
	}
	found, left := []adapter.Device{}, leftOut{}
	seen := map[string]bool{}
	for _, name := range names {
		id := idOf(name)
		file, err := fileOf(root, name)
		if err == nil {
			err = sniff(ctx, root, file)
		}
		if ctx.Err() != nil {
			return nil, context.Cause(ctx)
		}
		if err == nil && seen[id] {
			err = errors.New("its name has the hash of another's; rename it")
		}
		if err != nil {
			left.add(name, err)
			continue
		}
		seen[id] = true
		found = append(found, adapter.Device{ID: id, Name: shown(name), Location: shown(file)})
	}
	r.tell(found, left, more)
	return found, nil
}

func unlisted(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	return gone(folderName, err)
}

// leftOut sums up what is in the folder and is no device.
type leftOut struct {
	count int
	first string
}

func (l *leftOut) add(name string, err error) {
	if l.count++; l.count == 1 {
		l.first = fmt.Sprintf("%s: %v", shown(name), err)
	}
}

// tell logs what was found, once for as long as it stays the same.
func (r *replay) tell(found []adapter.Device, left leftOut, more int) {
	text := fmt.Sprint(len(found), left, more)
	r.mu.Lock()
	news := r.told != text
	r.told = text
	r.mu.Unlock()
	if !news {
		return
	}
	slog.Info("looked for recordings", "found", len(found), "left_out", left.count, "first_left_out", left.first)
	if more > 0 {
		slog.Warn("the folder holds too much; only what comes first by name is looked at", "looked_at", maxEntries, "not_looked_at", more)
	}
}

// Open reads a recording.
func (r *replay) Open(ctx context.Context, id string) (adapter.Conn, error) {
	select {
	case r.loading <- struct{}{}:
		defer func() { <-r.loading }()
	case <-ctx.Done():
		return nil, context.Cause(ctx)
	}
	root, err := r.openRoot()
	if err != nil {
		return nil, err
	}
	defer closeRead(root)
	name, err := find(ctx, root, id)
	if err != nil {
		return nil, err
	}
	file, err := fileOf(root, name)
	if err != nil {
		return nil, unopened(name, err)
	}
	r.mu.Lock()
	config, budget := r.config, maxHeld-r.held
	r.mu.Unlock()
	if budget <= 0 {
		return nil, &fault{shown(file) + ": the open recordings leave no room for another; close one of them", adapter.ErrBusy, nil}
	}
	rec, err := load(ctx, root, file, budget)
	if err != nil {
		return nil, err
	}
	r.hold(cap(rec.Samples))
	slog.Info("a recording is open", "file", file, "samples", len(rec.Samples), "clock", rec.Clock.String())
	return &drive{
		player: newPlayer(rec, config), file: file,
		gone:    func() error { return r.gone(file) },
		release: func() { r.hold(-cap(rec.Samples)) },
	}, nil
}

// gone says that a file is no longer there. A folder that cannot be looked into at the moment may still hold it.
func (r *replay) gone(file string) error {
	root, err := r.openRoot()
	if err == nil {
		defer closeRead(root)
		_, err = root.Stat(file)
	}
	if errors.Is(err, fs.ErrNotExist) {
		return gone(file, err)
	}
	return nil
}

// hold counts what is kept in memory.
func (r *replay) hold(samples int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.held += samples
}

// find gives the name in the folder that an id was made of. Only ids that were listed come here.
func find(ctx context.Context, root *os.Root, id string) (string, error) {
	names, _, err := readNames(ctx, root, maxEntries)
	if err != nil {
		return "", unlisted(ctx, err)
	}
	for _, name := range names {
		if idOf(name) == id {
			return name, nil
		}
	}
	return "", gone(id, fs.ErrNotExist)
}
