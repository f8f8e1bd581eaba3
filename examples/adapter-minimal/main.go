// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Command adapter-minimal is a whole adapter, for a box that does not exist: it measures an air flow that swings like a
// sine. README.md builds it step by step.
package main

import (
	"context"
	"fmt"
	"math"
	"time"

	"github.com/airassay/airassay/sdk/adapter"
)

const airFlow = "Vehicle.OBD.MAF"

func main() { adapter.Serve(&swing{}) }

// swing is the adapter. It knows one made-up box.
type swing struct{ config config }

// config is what the administrator may set.
type config struct {
	MeanGPerS float64 `json:"mean_g_per_s"`
}

// Describe says what the adapter is.
func (*swing) Describe() adapter.Description {
	return adapter.Description{
		Name: "minimal", Version: "0.1.0", Summary: "A made-up box whose air flow swings like a sine.",
		Abilities: []adapter.Ability{adapter.AbilityFeed}, FeedSignals: []string{airFlow},
	}
}

// Configure checks what the administrator wrote, and says how to put it to use.
func (s *swing) Configure(_ context.Context, configuration []byte) (func(), error) {
	c := config{MeanGPerS: 20}
	if err := adapter.Decode(configuration, &c); err != nil {
		return nil, err
	}
	var bad adapter.ConfigurationError
	if c.MeanGPerS <= 0 || c.MeanGPerS > 500 {
		bad.Violatef("mean_g_per_s", "is %g; use more than 0 and at most 500", c.MeanGPerS)
	}
	return func() { s.config = c }, bad.OrNil()
}

// Devices lists the one box.
func (*swing) Devices(context.Context) ([]adapter.Device, error) {
	return []adapter.Device{{ID: "box-1", Name: "Swinging box", Location: "nowhere"}}, nil
}

// Open takes the box.
func (s *swing) Open(_ context.Context, id string) (adapter.Conn, error) {
	if id != "box-1" {
		return nil, fmt.Errorf("%s: %w", id, adapter.ErrNoSuchDevice)
	}
	return &box{mean: s.config.MeanGPerS}, nil
}

// box is the open box.
type box struct{ mean float64 }

var _ adapter.Feeder = (*box)(nil)

// Signals says what the box measures, and how exactly in time.
func (*box) Signals(context.Context, []adapter.Wanted) ([]adapter.Signal, error) {
	return []adapter.Signal{{Path: airFlow, Unit: "g/s", Resolution: 0.01, Uncertainty: time.Millisecond}}, nil
}

// Feed reads the box twenty times a second, until the host has enough.
func (b *box) Feed(ctx context.Context, sink *adapter.Sink) error {
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case now := <-tick.C:
			taken := adapter.At(now)
			flow := b.mean * (1 + 0.5*math.Sin(float64(taken)/1e6))
			if err := sink.Send(adapter.Sample{Path: airFlow, Value: flow, Time: taken}); err != nil {
				return err
			}
		}
	}
}

// Close gives the box back.
func (*box) Close() error { return nil }
