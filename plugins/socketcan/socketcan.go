// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socketcan

import (
	"context"
	"fmt"
	"log/slog"
	"strings"
	"sync"

	"github.com/airassay/airassay/plugins/socketcan/socket"
	"github.com/airassay/airassay/sdk/adapter"
)

const (
	// Name of the adapter, as its manifest has it.
	Name = "socketcan"
	// Version of the adapter, as its manifest has it.
	Version = "0.1.0"
)

// New makes the adapter. README.md says how it is configured.
func New() adapter.Adapter { return &socketcan{} }

// socketcan is the adapter.
type socketcan struct {
	mu     sync.Mutex
	config configuration
	told   string // what the log knows of the interfaces
}

// Describe says what the adapter is.
func (*socketcan) Describe() adapter.Description {
	return adapter.Description{
		Name: Name, Version: Version, Summary: "Speaks to vehicles over the CAN interfaces of Linux.",
		Abilities: []adapter.Ability{adapter.AbilityFeed, adapter.AbilityLink},
	}
}

// Configure checks the configuration. Interfaces that it names may be plugged in later. Put to use, it logs which are there.
func (s *socketcan) Configure(ctx context.Context, text []byte) (func(), error) {
	c, err := decode(text)
	if err != nil {
		return nil, err
	}
	return func() {
		s.use(c)
		_, _ = s.Devices(ctx) // fails never, and logs what it found
	}, nil
}

func (s *socketcan) use(c configuration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.config, s.told = c, ""
}

func (s *socketcan) configured() configuration {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.config
}

// Devices lists the interfaces that the configuration allows, whether they are up or not.
func (s *socketcan) Devices(ctx context.Context) ([]adapter.Device, error) {
	found, others, err := s.interfaces()
	if err != nil {
		s.tell(ctx, slog.LevelWarn, noInterface, "why", err)
		return []adapter.Device{}, nil // a system without CAN has no devices
	}
	devices := []adapter.Device{}
	var names []string
	for i := range found {
		devices = append(devices, adapter.Device{
			ID: idOf(found[i].Name), Name: describe(&found[i]), Location: location(&found[i]), Serial: found[i].Serial,
		})
		names = append(names, found[i].Name)
	}
	if len(names) > 0 {
		s.tell(ctx, slog.LevelInfo, "CAN interfaces found", "found", strings.Join(names, " "))
	} else {
		s.tell(ctx, slog.LevelWarn, noInterface, "why", whyNone(others, socket.Supported()))
	}
	return devices, nil
}

// interfaces are those that the configuration allows, and the names of the others.
func (s *socketcan) interfaces() (found []socket.Interface, others []string, err error) {
	all, err := socket.Interfaces()
	if err != nil {
		return nil, nil, err
	}
	config := s.configured()
	for i := range all {
		if config.allows(all[i].Name) {
			found = append(found, all[i])
		} else {
			others = append(others, all[i].Name)
		}
	}
	return found, others, nil
}

const noInterface = "no CAN interface is there; it is used as soon as it is"

// whyNone says what an administrator can do where no interface may be used. Others are there and not allowed.
func whyNone(others []string, unsupported error) string {
	switch {
	case unsupported != nil:
		return unsupported.Error()
	case len(others) > 0:
		return fmt.Sprintf(`"interfaces" of the configuration does not allow those that there are: %s`, strings.Join(others, " "))
	}
	return "the kernel lists none: plug one in, or load its driver; ip link shows what there is"
}

// tell logs what was found, once for as long as it stays the same.
func (s *socketcan) tell(ctx context.Context, level slog.Level, message string, what ...any) {
	text := message + fmt.Sprint(what...)
	s.mu.Lock()
	news := s.told != text
	s.told = text
	s.mu.Unlock()
	if news {
		slog.Log(ctx, level, message, what...)
	}
}

// describe says in a few words what an interface is and how it stands.
func describe(i *socket.Interface) string {
	words := []string{i.Name}
	switch {
	case i.BitRate > 0:
		words = append(words, fmt.Sprintf("%d bit/s", i.BitRate))
	case !i.Hardware() && i.Kind != "":
		words = append(words, "emulated")
	}
	if i.DataBitRate > 0 {
		words = append(words, fmt.Sprintf("data at %d bit/s", i.DataBitRate))
	}
	switch {
	case !i.Up:
		words = append(words, "down")
	case i.State > socket.StateActive:
		words = append(words, i.State.String())
	}
	if i.ListenOnly {
		words = append(words, "listening only")
	}
	return strings.Join(words, ", ")
}

func location(i *socket.Interface) string {
	if i.Parent == "" {
		return i.Name
	}
	return strings.TrimSpace(i.Bus + " " + i.Parent)
}

// named gives the interface that an id stands for. One that is gone is adapter.ErrUnplugged.
func (s *socketcan) named(id string) (*socket.Interface, error) {
	found, _, err := s.interfaces()
	if err != nil {
		return nil, fmt.Errorf("%w: %w", adapter.ErrUnplugged, err)
	}
	for n := range found {
		if idOf(found[n].Name) == id {
			return &found[n], nil
		}
	}
	return nil, fmt.Errorf("the CAN interface %s is gone: %w; plug it in, or see with ip link what there is", id, adapter.ErrUnplugged)
}
