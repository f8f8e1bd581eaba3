// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build unix

package conformance

import (
	"context"
	"log/slog"
	"time"

	"github.com/airassay/airassay/sdk/adapter"
)

// sdkBox is an adapter as an author writes it with the SDK, with a feed and a link.
type sdkBox struct{}

func playSDK() { adapter.Serve(sdkBox{}) }

func (sdkBox) Describe() adapter.Description {
	return adapter.Description{
		Name: "sdk-box", Version: "1.0.0", Summary: "Made with the SDK.", FeedSignals: []string{countSignal, flowSignal},
		Abilities: []adapter.Ability{adapter.AbilityFeed, adapter.AbilityLink},
	}
}

func (sdkBox) Configure(_ context.Context, configuration []byte) (func(), error) {
	var c struct {
		Port string `json:"port"`
	}
	return nil, adapter.Decode(configuration, &c)
}

func (sdkBox) Devices(context.Context) ([]adapter.Device, error) {
	return []adapter.Device{{ID: "box-1", Name: "A box"}}, nil
}

func (sdkBox) Open(context.Context, string) (adapter.Conn, error) {
	slog.Debug("opened")
	return &sdkConn{}, nil
}

type sdkConn struct{ count float64 }

func (*sdkConn) Close() error { return nil }

func (*sdkConn) Signals(context.Context, []adapter.Wanted) ([]adapter.Signal, error) {
	return []adapter.Signal{{Path: countSignal, Uncertainty: time.Millisecond}, {Path: flowSignal, Unit: "g/s", Uncertainty: time.Millisecond}}, nil
}

func (c *sdkConn) Feed(ctx context.Context, sink *adapter.Sink) error {
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-tick.C:
		}
		wanted, _ := sink.Wanted()
		rounds := 1
		if len(wanted) > 0 && wanted[0].RateHz == 0 {
			rounds = 100
		}
		for range rounds {
			c.count++
			if err := sink.Send(adapter.Sample{Path: countSignal, Value: c.count}, adapter.Sample{Path: flowSignal, Value: 7.5}); err != nil {
				return err
			}
		}
	}
}

func (*sdkConn) Request(ctx context.Context, r adapter.Request) (adapter.Answers, error) {
	payload := append([]byte{r.Payload[0] + 0x40}, r.Payload[1:]...)
	wait := 8 * time.Millisecond
	is := func(ask Request) bool { return r.Target == ask.Target && string(r.Payload) == string(ask.Payload) }
	switch {
	case is(silentRequest):
		wait = r.Timeout
	case is(refusedRequest):
		payload = []byte{0x7F, 0x22, 0x31}
	default:
		payload = append(payload, 0xBE, 0x3E, 0xA8, 0x13)
	}
	select {
	case <-ctx.Done():
		return adapter.Answers{}, ctx.Err()
	case <-time.After(wait):
	}
	switch {
	case is(silentRequest):
		return adapter.Answers{}, adapter.ErrSilent
	case is(garbledRequest):
		return adapter.Answers{}, adapter.ErrGarbled
	}
	return adapter.Answers{Answers: []adapter.Answer{{Source: 0x7E8, Payload: payload}}}, nil
}
