// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapters

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"sync"
	"time"

	"google.golang.org/grpc"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/host"
	"github.com/airassay/airassay/server/session"
)

const (
	// openTime bounds the opening of a device: a box may have to find the vehicle's protocol first, which SAE J1979
	// lets take several seconds.
	openTime = 10 * time.Second
	// subscribeTime bounds the answer to a subscription, for the same reason.
	subscribeTime = 10 * time.Second
	// closeTime bounds the closing of a device; the contract has streams end and hardware released before the answer.
	closeTime = 3 * time.Second
)

type stream = grpc.BidiStreamingClient[adapterv1beta1.FeedRequest, adapterv1beta1.FeedResponse]

// feed is one feed of a device, from its opening to its end. One goroutine uses it; close may be called by another.
type feed struct {
	connection *host.Connection
	adapter    *entry
	device     string // its name
	id         string // the adapter's own
	stream     stream
	cancel     context.CancelFunc
	source     adapterv1beta1.TimeSource
	zero       time.Time // when the adapter's clock showed 0
	signals    []*adapterv1beta1.FeedSignal
	missing    []*pb.UnavailableCaptureSignal
	sequence   int64
	closing    sync.Once
}

// open opens a device and subscribes. ctx bounds the opening; the feed lives as long as life, or until close. On an
// error nothing is left open.
func (e *entry) open(ctx, life context.Context, id string, wanted []*adapterv1beta1.WantedSignal) (*feed, error) {
	c, err := e.ready(ctx)
	if err != nil {
		return nil, err
	}
	f := &feed{connection: c, adapter: e, device: deviceName(e.id(), id), id: id, zero: c.ClockZero()}
	if !offersFeed(c.Description) {
		return nil, refuse(pb.ErrorReason_ERROR_REASON_NO_SIGNALS, f.device, "the adapter delivers no samples by itself; choose a device of another adapter")
	}
	limited, cancel := context.WithTimeout(ctx, openTime)
	defer cancel()
	opened, err := c.Client.OpenDevice(limited, &adapterv1beta1.OpenDeviceRequest{DeviceId: id})
	if err != nil {
		if brokenOff(err) {
			f.close() // It may have been opened in the moment in which the call ended.
		}
		return nil, deviceFailed(ctx, e.id(), f.device, "OpenDevice", err)
	}
	f.source = opened.GetTimeSource()
	if err := f.subscribe(ctx, life, wanted); err != nil {
		f.end()
		return nil, err
	}
	if len(f.signals) == 0 {
		f.end()
		return nil, refuse(pb.ErrorReason_ERROR_REASON_NO_SIGNALS, f.device, "the device delivers nothing that is wanted: "+whyNot(f.missing))
	}
	return f, nil
}

func offersFeed(d *adapterv1beta1.DescribeResponse) bool {
	return slices.Contains(d.GetAbilities(), adapterv1beta1.Ability_ABILITY_FEED)
}

func (f *feed) subscribe(ctx, life context.Context, wanted []*adapterv1beta1.WantedSignal) error {
	life, f.cancel = context.WithCancel(life)
	timer := time.AfterFunc(subscribeTime, f.cancel)
	defer timer.Stop()
	defer context.AfterFunc(ctx, f.cancel)()
	first, err := f.start(life, wanted)
	switch {
	case err == nil:
	case ctx.Err() != nil:
		return ctx.Err()
	case !errors.Is(life.Err(), context.Canceled):
		return deviceFailed(ctx, f.adapter.id(), f.device, "Feed", err)
	default:
		return refuse(pb.ErrorReason_ERROR_REASON_ADAPTER_DEFECT, f.device, fmt.Sprintf("the adapter did not answer the subscription within %v", subscribeTime))
	}
	if first == nil {
		return refuse(pb.ErrorReason_ERROR_REASON_ADAPTER_DEFECT, f.device, "the adapter's feed began with something else than the answer to the subscription")
	}
	f.signals = first.GetSignals()
	f.lack(first.GetUnavailable(), wanted)
	return nil
}

func (f *feed) start(ctx context.Context, wanted []*adapterv1beta1.WantedSignal) (*adapterv1beta1.FeedSubscribed, error) {
	var err error
	if f.stream, err = f.connection.Client.Feed(ctx); err != nil {
		return nil, err
	}
	if err := f.want(wanted); err != nil {
		return nil, err
	}
	first, err := f.stream.Recv()
	return first.GetSubscribed(), err
}

// want replaces what is wanted. Where the stream has ended, what receives next tells why.
func (f *feed) want(wanted []*adapterv1beta1.WantedSignal) error {
	err := f.stream.Send(&adapterv1beta1.FeedRequest{DeviceId: f.id, Signals: wanted})
	if errors.Is(err, io.EOF) {
		return nil
	}
	return err
}

// lack takes in why wanted signals cannot be had, each once.
func (f *feed) lack(unavailable []*adapterv1beta1.UnavailableSignal, wanted []*adapterv1beta1.WantedSignal) {
	open := make(map[string]bool, len(wanted))
	for _, w := range wanted {
		open[w.GetPath()] = true
	}
	for _, u := range unavailable {
		if open[u.GetPath()] {
			f.missing = append(f.missing, &pb.UnavailableCaptureSignal{Path: u.GetPath(), Message: clip(u.GetStatus().GetMessage())})
		}
		delete(open, u.GetPath())
	}
}

// close gives the device back, within closeTime and whoever gives up meanwhile: a device that stays open is busy for
// good. The stream ends, after what the adapter has sent. A second call waits for the first.
func (f *feed) close() { f.closing.Do(f.closeOnce) }

// end closes the device and ends the stream.
func (f *feed) end() {
	f.close()
	f.abandon()
}

func (f *feed) closeOnce() {
	ctx, cancel := context.WithTimeout(context.Background(), closeTime)
	defer cancel()
	if _, err := f.connection.Client.CloseDevice(ctx, &adapterv1beta1.CloseDeviceRequest{DeviceId: f.id}); err != nil {
		f.adapter.log.Warn("closing a device failed", "device", f.id, "error", err)
		f.abandon()
	}
}

// abandon ends the stream at once.
func (f *feed) abandon() {
	if f.cancel != nil {
		f.cancel()
	}
}

// died reports whether the adapter itself is gone, and not only the feed.
func (f *feed) died() bool {
	select {
	case <-f.connection.Dead():
		return true
	case <-time.After(deathTime):
		return false
	}
}

// deathTime is how long the end of a stream may come before the end of the process is known.
const deathTime = 100 * time.Millisecond

// definitions declares the device's signals to a capture.
func (f *feed) definitions() []*pb.SignalDefinition {
	defs := make([]*pb.SignalDefinition, len(f.signals))
	for i, s := range f.signals {
		d := &pb.SignalDefinition{Path: s.GetPath(), Unit: s.GetUnit(), TimeUncertaintyUs: max(0, s.GetTimeUncertaintyUs())}
		if r := s.GetResolution(); r > 0 {
			d.Resolution = &r
		}
		if r := s.GetRefreshIntervalUs(); r > 0 {
			d.RefreshIntervalUs = &r
		}
		defs[i] = d
	}
	return defs
}

// clockKind says what the times of a capture rest on. What was recorded has the distances that it was recorded with,
// which the source's own uncertainties state.
func (f *feed) clockKind() pb.ClockKind {
	if f.source == adapterv1beta1.TimeSource_TIME_SOURCE_HARDWARE {
		return pb.ClockKind_CLOCK_KIND_HARDWARE
	}
	return pb.ClockKind_CLOCK_KIND_HOST
}

// extraHz is how often a signal is wanted that only the caller asked for.
const extraHz = 1

// wishes are what is wanted now: what the assay needs, and what the caller asked for besides.
func wishes(needs []session.Need, extra []string) []*adapterv1beta1.WantedSignal {
	wanted := make([]*adapterv1beta1.WantedSignal, 0, len(needs)+len(extra))
	known := make(map[string]bool, len(needs))
	for _, n := range needs {
		known[n.Path] = true
		wanted = append(wanted, &adapterv1beta1.WantedSignal{Path: n.Path, RateHz: n.RateHz, Group: int32(n.Group)})
	}
	for _, path := range extra {
		if !known[path] {
			wanted = append(wanted, &adapterv1beta1.WantedSignal{Path: path, RateHz: extraHz})
		}
	}
	return wanted
}
