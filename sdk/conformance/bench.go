// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

import (
	"context"
	"fmt"
	"slices"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
)

// bench is what one check works with. Each check has runs of its own, so that no check inherits what another broke.
type bench struct {
	*kit

	name   string // of the check, for the files of its logs
	lives  []*life
	unseen []string
}

// blindf notes a part of the sentence that this run cannot see.
func (b *bench) blindf(format string, args ...any) {
	b.unseen = append(b.unseen, fmt.Sprintf(format, args...))
}

// launch starts the adapter and opens its lifeline.
func (b *bench) launch(ctx context.Context, how launch) (*life, error) {
	how.name = b.name
	l, err := b.target.start(ctx, b.kit, how)
	if l != nil {
		b.lives = append(b.lives, l)
	}
	if err == nil && !how.noLife {
		err = l.hold() //nolint:contextcheck // the lifeline lives as long as the adapter
	}
	return l, err
}

// configured starts the adapter and gives it its configuration.
func (b *bench) configured(ctx context.Context, how launch) (*life, error) {
	l, err := b.launch(ctx, how)
	if err != nil {
		return nil, err
	}
	if err := l.configure(ctx, b.o.Configuration, false); err != nil {
		return nil, unproven("Configure ended with %s", describe(err))
	}
	return l, nil
}

// opened starts the adapter and opens the device.
func (b *bench) opened(ctx context.Context, how launch) (*life, *adapterv1beta1.OpenDeviceResponse, error) {
	l, err := b.configured(ctx, how)
	if err != nil {
		return nil, nil, err
	}
	answer, err := b.openListed(ctx, l)
	if err != nil {
		return nil, nil, err
	}
	return l, answer, nil
}

// openListed opens the device after a look, as the contract has it.
func (b *bench) openListed(ctx context.Context, l *life) (*adapterv1beta1.OpenDeviceResponse, error) {
	if _, err := l.list(ctx); err != nil {
		return nil, unproven("ListDevices ended with %s", describe(err))
	}
	answer, err := l.open(ctx)
	if err != nil {
		return nil, unproven("OpenDevice ended with %s", describe(err))
	}
	return answer, nil
}

// flowing subscribes on an open device and waits for the first samples.
func (b *bench) flowing(ctx context.Context, l *life, paths ...string) (*tap, error) {
	if len(paths) == 0 {
		paths = b.signals()
	}
	t, err := l.feed(ctx, recordRate, paths...)
	if err != nil {
		return nil, unproven("Feed ended with %s", describe(err))
	}
	if !t.flows(0, b.o.SampleTimeout) {
		defer t.close()
		return nil, b.noSamples(t, paths)
	}
	return t, nil
}

// noSamples says why a feed brought nothing.
func (b *bench) noSamples(t *tap, paths []string) error {
	if over, err := t.ended(0); over {
		return unproven("the feed ended with %s", describe(err))
	}
	answer := t.subscribed(1, 0)
	if answer == nil {
		return unproven("the subscription was not answered within %v", b.o.SampleTimeout)
	}
	if len(answer.GetSignals()) == 0 {
		return unproven("none of the signals %s can be had (%s): name signals of this vehicle (Signals, --signal)", list(paths), whyNone(answer))
	}
	return unproven("no sample came within %v: see that the vehicle is on and answers", b.o.SampleTimeout)
}

// whyNone gives the adapter's words for the first signal that cannot be had.
func whyNone(s *adapterv1beta1.FeedSubscribed) string {
	if len(s.GetUnavailable()) == 0 {
		return "the answer to the subscription names none"
	}
	return s.GetUnavailable()[0].GetStatus().GetMessage()
}

// end ends all runs. It returns when their hardware is free.
func (b *bench) end() {
	for _, l := range slices.Backward(b.lives) {
		l.end(&b.rest)
	}
}

// signals to subscribe to.
func (k *kit) signals() []string {
	switch {
	case len(k.o.Signals) > 0:
		return k.o.Signals
	case len(k.about.GetFeedSignals()) > 0:
		all := k.about.GetFeedSignals()
		return all[:min(len(all), maxSignals)]
	}
	return []string{
		"Vehicle.OBD.EngineSpeed", "Vehicle.OBD.EngineLoad", "Vehicle.OBD.CoolantTemperature", "Vehicle.OBD.IntakeTemp",
		"Vehicle.OBD.MAF", "Vehicle.OBD.MAP", "Vehicle.OBD.ThrottlePosition", "Vehicle.OBD.Speed",
	}
}

const (
	// maxSignals keeps a slow link from having to serve a whole catalogue.
	maxSignals = 8
	// recordRate is wanted where samples are looked at, per second.
	recordRate = 20
	// strangerSignal is a path that no vehicle has.
	strangerSignal = "Vehicle.Conformance.NoSuchSignal"
	// strangerDevice is an id that no adapter lists.
	strangerDevice = "conformance.no-such-device"
)
