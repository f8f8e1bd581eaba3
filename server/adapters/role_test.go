// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapters_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"time"

	"github.com/airassay/airassay/sdk/adapter"
)

// bench is the tests' adapter: a process of its own, whose boxes measure an engine that idles. A test steers it by files
// in a folder of their own.
type bench struct{ settings settings }

type settings struct {
	// Folder is where the files are.
	Folder string `json:"folder"`
	Name   string `json:"name"`
	// Boxes is how many devices there are.
	Boxes int `json:"boxes"`
	// Refuse makes the configuration unusable.
	Refuse bool `json:"refuse"`
	// Flood sends as fast as samples are taken, in calls of so many; 0 for a hundred times a second.
	Flood int `json:"flood"`
}

// Files that steer the adapter, and those that it writes.
const (
	fileUnplugged = "unplugged" // while it is there, the hardware is gone
	fileSilent    = "silent"    // while it is there, the vehicle does not answer
	fileMute      = "mute"      // while it is there, no signal can be had
	fileAsleep    = "asleep"    // while it is there, the vehicle cannot be asked for its signals
	fileGarbled   = "garbled"   // while it is there, what it answers to that is garbled
	fileBroken    = "broken"    // while it is there, a feed ends by a defect
	fileLoose     = "loose"     // while it is there, a device can be opened, but the hardware is gone when it is read
	fileSlow      = "slow"      // while it is there, opening a device takes for ever
	fileUnit      = "unit"      // while it is there, the meter's signal is declared in a unit that it cannot have
	filePull      = "pull"      // while it is there, the throttle is open
	filePID       = "pid"
	fileWanted    = "wanted"
)

func (s settings) there(name string) bool {
	_, err := os.Stat(filepath.Join(s.Folder, name))
	return err == nil
}

var benchSignals = []adapter.Signal{
	{Path: "Vehicle.OBD.EngineSpeed", Unit: "rpm", Resolution: 0.25, Uncertainty: 2 * time.Millisecond},
	{Path: "Vehicle.OBD.MAF", Unit: "g/s", Resolution: 0.01, Uncertainty: 2 * time.Millisecond},
	{Path: "Vehicle.OBD.ThrottlePosition", Unit: "percent", Resolution: 0.4, Uncertainty: 2 * time.Millisecond},
	{Path: "Vehicle.OBD.IntakeTemp", Unit: "Celsius", Resolution: 1, Uncertainty: 2 * time.Millisecond},
}

func (b *bench) Describe() adapter.Description {
	name := "bench"
	if len(os.Args) > 2 && os.Args[1] == asAdapter {
		name = os.Args[2]
	}
	return adapter.Description{
		Name: name, Version: "1.0.0", Summary: "Boxes that measure an engine at idle.", Abilities: []adapter.Ability{adapter.AbilityFeed},
		Deprecations: []string{"Boxes with a dial go away."},
	}
}

func (b *bench) Configure(_ context.Context, configuration []byte) (func(), error) {
	s := settings{Boxes: 1}
	if err := adapter.Decode(configuration, &s); err != nil {
		return nil, err
	}
	var bad adapter.ConfigurationError
	if s.Refuse {
		bad.Violatef("refuse", "is set; leave it out")
	}
	return func() {
		b.settings = s
		_ = os.WriteFile(filepath.Join(s.Folder, filePID), []byte(strconv.Itoa(os.Getpid())), 0o600)
	}, bad.OrNil()
}

func (b *bench) Devices(context.Context) ([]adapter.Device, error) {
	var devices []adapter.Device
	for i := range b.settings.Boxes {
		devices = append(devices, adapter.Device{ID: fmt.Sprintf("box-%02d", i), Name: "Box", Location: "shelf"})
	}
	return devices, nil
}

func (b *bench) Open(ctx context.Context, id string) (adapter.Conn, error) {
	for b.settings.there(fileSlow) {
		select {
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-time.After(10 * time.Millisecond):
		}
	}
	if b.settings.there(fileUnplugged) {
		return nil, adapter.ErrUnplugged
	}
	for i := range b.settings.Boxes {
		if id == fmt.Sprintf("box-%02d", i) {
			return &box{settings: b.settings}, nil
		}
	}
	return nil, adapter.ErrNoSuchDevice
}

type box struct{ settings settings }

func (c *box) Signals(_ context.Context, wanted []adapter.Wanted) ([]adapter.Signal, error) {
	_ = os.WriteFile(filepath.Join(c.settings.Folder, fileWanted), []byte(fmt.Sprintf("%+v", wanted)), 0o600)
	switch {
	case c.settings.there(fileMute):
		return nil, nil
	case c.settings.there(fileAsleep):
		return nil, adapter.ErrSilent
	case c.settings.there(fileGarbled):
		return nil, adapter.ErrGarbled
	case c.settings.there(fileUnit):
		wrong := slices.Clone(benchSignals)
		wrong[1].Unit = "furlong"
		return wrong, nil
	}
	return benchSignals, nil
}

func (c *box) Feed(ctx context.Context, sink *adapter.Sink) error {
	if c.settings.Flood > 0 {
		return c.flood(ctx, sink)
	}
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for n := 0; ; n++ {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-tick.C:
		}
		switch {
		case c.settings.there(fileUnplugged), c.settings.there(fileLoose):
			return adapter.ErrUnplugged
		case c.settings.there(fileSilent):
			return adapter.ErrSilent
		case c.settings.there(fileBroken):
			return errors.New("a table of the adapter is missing")
		}
		speed, throttle := 800.0, 15.0
		if c.settings.there(filePull) {
			speed, throttle = 3000, 90
		}
		err := sink.Send(
			adapter.Sample{Path: "Vehicle.OBD.EngineSpeed", Value: speed},
			adapter.Sample{Path: "Vehicle.OBD.MAF", Value: 4 + 0.1*math.Sin(float64(n))},
			adapter.Sample{Path: "Vehicle.OBD.ThrottlePosition", Value: throttle},
			adapter.Sample{Path: "Vehicle.OBD.IntakeTemp", Value: 21},
		)
		if err != nil {
			return err
		}
	}
}

// flood drives a recording's time forward, a sample of the meter and of the engine's speed every 10 ms in turn.
func (c *box) flood(ctx context.Context, sink *adapter.Sink) error {
	at := adapter.Now()
	samples := make([]adapter.Sample, c.settings.Flood)
	for ctx.Err() == nil {
		for i := range samples {
			at = at.Add(10 * time.Millisecond)
			samples[i] = adapter.Sample{Path: "Vehicle.OBD.MAF", Value: 4, Time: at}
			if i%2 == 1 {
				samples[i] = adapter.Sample{Path: "Vehicle.OBD.EngineSpeed", Value: 800, Time: at}
			}
		}
		if err := sink.Send(samples...); err != nil {
			return err
		}
	}
	return ctx.Err()
}

// Details says that nothing is measured when it floods, so that its times may run ahead.
func (c *box) Details() adapter.Details { return adapter.Details{RecordedTime: c.settings.Flood > 0} }

func (c *box) Close() error { return nil }
