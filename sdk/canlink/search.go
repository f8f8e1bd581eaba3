// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canlink

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/airassay/airassay/sdk/adapter"
)

// Tuner opens a CAN interface at a bit rate.
type Tuner interface {
	// Tune opens the interface at a bit rate, in bit/s. If quiet is set, it must leave the bus as it is: no acknowledgement,
	// no error frames. An interface that cannot be quiet returns errors.ErrUnsupported. One is open at a time.
	Tune(ctx context.Context, bitRate int, quiet bool) (Bus, error)
}

// BitRates are those of ISO 15765-4, in the order in which they are tried.
var BitRates = []int{500_000, 250_000}

// Search finds the bit rate and the addressing: it listens at each bit rate without disturbing, and leaves out those at
// which the bus makes errors; then it probes, at 500 kbit/s with 11 bits, with 29, then at 250 kbit/s in the same way
// (Options.Addressing limits that). At a bit rate at which it hears others it stays. On the first error on the bus it sends
// nothing more at that bit rate. The caller closes the link.
//
// The error is adapter.ErrSilent where nobody answers, a *BusError where there were errors at the last bit rate, or what
// Tune returned.
func Search(ctx context.Context, tuner Tuner, o Options) (*Link, Found, error) {
	rates, err := candidateRates(ctx, tuner, o)
	if err != nil {
		return nil, Found{}, err
	}
	last := fmt.Errorf("%w: the bus makes errors at %v bit/s; check the wiring", adapter.ErrSilent, BitRates)
	for _, rate := range rates {
		link, found, err := probeAt(ctx, tuner, rate, o)
		if err == nil {
			return link, found, nil
		}
		if !errors.Is(err, adapter.ErrSilent) {
			return nil, found, err
		}
		last = fmt.Errorf("at %d bit/s: %w", rate, err)
	}
	return nil, Found{}, last
}

func probeAt(ctx context.Context, tuner Tuner, rate int, o Options) (*Link, Found, error) {
	link, err := open(ctx, tuner, rate, false, o)
	if err != nil {
		return nil, Found{}, err
	}
	found, err := link.Probe(ctx)
	if err != nil {
		return nil, found, errors.Join(err, link.Close())
	}
	return link, found, nil
}

func open(ctx context.Context, tuner Tuner, rate int, quiet bool, o Options) (*Link, error) {
	bus, err := tuner.Tune(ctx, rate, quiet)
	if err != nil {
		return nil, fmt.Errorf("opening the CAN interface at %d bit/s: %w", rate, err)
	}
	o.BitRate = rate
	link, err := New(bus, o) //nolint:contextcheck // the link lives until Close, longer than the call that opens it
	if err != nil {
		return nil, errors.Join(err, bus.Close())
	}
	return link, nil
}

// candidateRates listens: the one rate at which frames are heard, else those at which there are no errors.
func candidateRates(ctx context.Context, tuner Tuner, o Options) ([]int, error) {
	rates := slices.Clone(BitRates)
	for _, rate := range BitRates {
		link, err := open(ctx, tuner, rate, true, o)
		if errors.Is(err, errors.ErrUnsupported) {
			return rates, nil
		}
		if err != nil {
			return nil, err
		}
		var found Found
		err = errors.Join(link.overhear(ctx, &found), link.Close())
		_, trouble := errors.AsType[*BusError](err)
		switch {
		case trouble:
			rates = slices.DeleteFunc(rates, func(r int) bool { return r == rate })
		case err != nil:
			return nil, err
		case found.Frames11+found.Frames29 > 0:
			return []int{rate}, nil
		}
	}
	return rates, nil
}
