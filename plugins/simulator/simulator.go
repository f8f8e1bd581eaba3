// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package simulator is the adapter of vehicles that do not exist. Each device is
// a scenario: a vehicle, a day, a fault, a link and a driver, whose truth is
// known. Opened and fed, it is driven in step with the clock, and its control
// unit is polled as a real link would poll it.
//
// A drive begins when a device is opened and something is wanted of it. It
// stands still while no feed runs and while nothing is wanted, and goes on from
// there; at its end the link falls silent. Opened again, it begins again, and is
// the same drive to the last bit for the same wishes.
//
// The engine and all that belongs to it live in the packages below; they share
// no line and no constant with whoever judges the samples.
package simulator

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"

	"github.com/airassay/airassay/plugins/simulator/engine"
	"github.com/airassay/airassay/plugins/simulator/scenario"
	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/j1979"
)

// Name is that of the adapter.
const Name = "simulator"

const version = "0.1.0"

// fastest is the largest speed; a drive of twelve minutes takes less than a second at it.
const fastest = 1000.0

// mostFiles bounds a directory of scenario files.
const mostFiles = 1000

// New makes the adapter.
//
// Its configuration is {"speed": 1, "scenario_directory": ""}. The speed is how
// many times faster than real it drives, more than 0 and at most 1000. The
// directory, an absolute path, holds further scenario files, named *.json; each
// becomes a device, whose id is the name in the file.
func New() adapter.Adapter { return &simulator{} }

// simulator is the adapter.
type simulator struct{ setup atomic.Pointer[setup] }

// setup is what a configuration makes.
type setup struct {
	speed   float64
	devices []*device
}

// device is a scenario that can be opened.
type device struct {
	file     scenario.File
	location string
	prepared func() *scenario.Prepared
}

func newDevice(f scenario.File, location string) *device {
	return &device{f, location, sync.OnceValue(func() *scenario.Prepared {
		c := f.Case()
		return c.Prepare()
	})}
}

// Describe says what the adapter is.
func (*simulator) Describe() adapter.Description {
	d := adapter.Description{
		Name: Name, Version: version, Summary: "Vehicles that do not exist, driven through a road test, with and without faults.",
		Abilities: []adapter.Ability{adapter.AbilityFeed},
	}
	for s := range engine.NumSignals {
		d.FeedSignals = append(d.FeedSignals, path(s))
	}
	return d
}

func path(s engine.Signal) string { return j1979.Prefix + s.Define().Path }

// config is what the administrator may set.
type config struct {
	Speed             float64 `json:"speed"`
	ScenarioDirectory string  `json:"scenario_directory"`
}

// Configure checks speed and directory, and reads the scenario files.
func (s *simulator) Configure(ctx context.Context, configuration []byte) (func(), error) {
	c := config{Speed: 1}
	if err := adapter.Decode(configuration, &c); err != nil {
		return nil, err
	}
	var bad adapter.ConfigurationError
	if !(c.Speed > 0 && c.Speed <= fastest) {
		bad.Violatef("speed", "is %g; use more than 0 and at most %g, 1 for real time", c.Speed, fastest)
	}
	made := &setup{speed: c.Speed}
	for _, name := range scenario.Names() {
		f, err := scenario.NamedFile(name)
		if err != nil {
			return nil, err
		}
		made.devices = append(made.devices, newDevice(f, "built in"))
	}
	if c.ScenarioDirectory != "" {
		if err := made.readDirectory(ctx, c.ScenarioDirectory, &bad); err != nil {
			return nil, err
		}
	}
	return func() { s.setup.Store(made) }, bad.OrNil()
}

// readDirectory adds the scenario files of a directory. What is wrong with it goes to bad.
func (s *setup) readDirectory(ctx context.Context, directory string, bad *adapter.ConfigurationError) error {
	const field = "scenario_directory"
	if !filepath.IsAbs(directory) {
		bad.Violatef(field, "is %q; use an absolute path, or leave it empty", directory)
		return nil
	}
	root, err := os.OpenRoot(directory)
	if err != nil {
		bad.Violatef(field, "cannot be opened: %v; use a directory that this program may read, or leave it empty", err)
		return nil
	}
	defer func() { _ = root.Close() }() // It was only read: nothing can be lost.
	names, err := fs.Glob(root.FS(), "*.json")
	if err != nil {
		return err
	}
	if len(names) > mostFiles {
		bad.Violatef(field, "holds %d scenario files; use at most %d", len(names), mostFiles)
		return nil
	}
	for _, name := range names {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		f, err := readFile(root, name)
		if err != nil {
			violate(bad, field, filepath.Join(directory, name), err)
			continue
		}
		if i := slices.IndexFunc(s.devices, func(d *device) bool { return d.file.Name == f.Name }); i >= 0 {
			bad.Violatef(field, "%s: name is %q, as that of another scenario (%s); give each its own", filepath.Join(directory, name), f.Name, s.devices[i].location)
			continue
		}
		s.devices = append(s.devices, newDevice(f, filepath.Join(directory, name)))
	}
	return nil
}

// violate lists everything that is wrong with a file.
func violate(bad *adapter.ConfigurationError, field, file string, err error) {
	var problems *scenario.FileError
	if !errors.As(err, &problems) {
		bad.Violatef(field, "%s: %v; correct or remove the file", file, err)
		return
	}
	for _, p := range problems.Problems {
		bad.Violatef(field, "%s: %s", file, strings.TrimSpace(p.Field+" "+p.What))
	}
}

func readFile(root *os.Root, name string) (scenario.File, error) {
	f, err := root.Open(name)
	if err != nil {
		return scenario.File{}, err
	}
	defer func() { _ = f.Close() }() // It was only read: nothing can be lost.
	if info, err := f.Stat(); err != nil {
		return scenario.File{}, err
	} else if !info.Mode().IsRegular() {
		return scenario.File{}, errors.New("it is no regular file")
	}
	data, err := io.ReadAll(io.LimitReader(f, scenario.MaxBytes+1))
	if err != nil {
		return scenario.File{}, err
	}
	return scenario.Read(data)
}

// Devices lists the scenarios.
func (s *simulator) Devices(context.Context) ([]adapter.Device, error) {
	var list []adapter.Device
	for _, d := range s.setup.Load().devices {
		list = append(list, adapter.Device{ID: d.file.Name, Name: d.title(), Location: d.location})
	}
	return list, nil
}

// title is what people call a device. It does not give the truth away.
func (d *device) title() string {
	if d.file.Vehicle.Name != "" {
		return d.file.Vehicle.Name + ", simulated"
	}
	return "simulated vehicle " + d.file.Name
}

// Open prepares the vehicle: what lies before the drive is driven now, unless it was before.
func (s *simulator) Open(_ context.Context, id string) (adapter.Conn, error) {
	made := s.setup.Load()
	for _, d := range made.devices {
		if d.file.Name == id {
			return newVehicle(d.file.Name, d.prepared(), made.speed), nil
		}
	}
	return nil, fmt.Errorf("%s: %w", id, adapter.ErrNoSuchDevice)
}
