// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socketcan

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"github.com/airassay/airassay/plugins/socketcan/socket"
	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/canlink"
	"github.com/airassay/airassay/sdk/isotp"
)

// hearing is how long a bit rate is listened at. A vehicle that is awake sends most of its frames every 100 ms or more often.
const hearing = 500 * time.Millisecond

// bringUp puts an interface into service at the bit rate that the configuration names, or at the one at which a bus can be
// heard. It listens without acknowledging anything, so that a bus at another rate is not disturbed. On failure the interface is
// down, as it was.
func bringUp(ctx context.Context, i *socket.Interface, config *configuration) (*socket.Interface, error) {
	quiet := config.listenOnly || config.heavy
	rate, err := config.bitRate, error(nil)
	switch {
	case rate > 0:
	case quiet:
		rate, err = hearRate(ctx, i)
	default:
		rate, err = searchRate(ctx, i, config)
	}
	if err == nil {
		err = (&socket.Change{BitRate: rate, Up: true, ListenOnly: quiet}).Apply(ctx, i)
	}
	if err != nil {
		return nil, errors.Join(err, (&socket.Change{}).Apply(context.WithoutCancel(ctx), i))
	}
	slog.Info("a CAN interface was brought up", "interface", i.Name, "bit_rate", rate)
	i.Up, i.BitRate = true, rate
	return i, nil
}

// searchRate finds the bit rate as sdk/canlink does: it listens at each, and only then asks. A vehicle that is silent at all
// of them may wake up later; the usual rate is taken.
func searchRate(ctx context.Context, i *socket.Interface, config *configuration) (int, error) {
	link, found, err := canlink.Search(ctx, tuner{i}, canlink.Options{Addressing: config.addressing})
	switch {
	case err == nil:
		config.addressing = found.Addressing
		return found.BitRate, link.Close()
	case errors.Is(err, adapter.ErrSilent):
		slog.Info("no control unit answers at any bit rate", "interface", i.Name, "taken", bitRates[0], "error", err)
		return bitRates[0], nil
	}
	return 0, err
}

// tuner lets sdk/canlink search on an interface.
type tuner struct{ i *socket.Interface }

// Tune sets the bit rate and opens a bus.
func (t tuner) Tune(ctx context.Context, rate int, quiet bool) (canlink.Bus, error) {
	if err := (&socket.Change{BitRate: rate, Up: true, ListenOnly: quiet}).Apply(ctx, t.i); err != nil {
		return nil, err
	}
	t.i.Up = true
	return socket.Open(t.i.Name, socket.Options{ListenOnly: quiet})
}

// hearRate listens at each bit rate. On a bus on which nothing is heard at any, the usual one is taken: whoever is there then
// disturbs nobody, and if nobody answers that is told.
func hearRate(ctx context.Context, i *socket.Interface) (int, error) {
	for _, rate := range bitRates {
		if err := (&socket.Change{BitRate: rate, Up: true, ListenOnly: true}).Apply(ctx, i); err != nil {
			return 0, err
		}
		i.Up = true
		heard, err := hear(ctx, i.Name)
		if err != nil {
			return 0, err
		}
		slog.Info("listened on a CAN interface", "interface", i.Name, "bit_rate", rate, "heard", heard)
		if heard {
			return rate, nil
		}
	}
	return bitRates[0], nil
}

// hear says whether whole frames come. Errors are what a wrong rate sounds like, and a bad contact at the right one.
func hear(ctx context.Context, name string) (bool, error) {
	bus, err := socket.Open(name, socket.Options{ListenOnly: true})
	if err != nil {
		return false, fmt.Errorf("listening for the bit rate: %w", err)
	}
	defer func() { _ = bus.Close() }()
	listening, cancel := context.WithTimeout(ctx, hearing)
	defer cancel()
	for {
		var f isotp.Frame
		_, err := bus.Receive(listening, &f)
		_, trouble := errors.AsType[*canlink.BusError](err)
		switch {
		case err == nil:
			return true, nil
		case trouble:
		case ctx.Err() != nil:
			return false, context.Cause(ctx)
		case listening.Err() != nil:
			return false, nil
		default:
			return false, fmt.Errorf("listening for the bit rate: %w", err)
		}
	}
}
