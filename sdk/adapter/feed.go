// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapter

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"sync"
	"time"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
)

type feedStream = grpc.BidiStreamingServer[adapterv1beta1.FeedRequest, adapterv1beta1.FeedResponse]

func (s *service) Feed(stream feedStream) error {
	if err := s.ready(); err != nil {
		return err
	}
	if err := s.offers(adapterv1beta1.Ability_ABILITY_FEED); err != nil {
		return err
	}
	first, err := stream.Recv()
	if errors.Is(err, io.EOF) {
		return refuse(codes.InvalidArgument, reason(0), "the feed has no first message; subscribe to signals")
	}
	if err != nil {
		return err
	}
	d, err := s.find(first.GetDeviceId())
	if err != nil {
		return err
	}
	feeder, ok := d.conn.(Feeder)
	if !ok {
		return errors.New("the connection is no Feeder")
	}
	release, err := s.takeFeed(stream.Context(), d)
	if err != nil {
		return err
	}
	ctx, stop := s.whileOpen(stream.Context(), d)
	defer stop()
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	f := &feed{service: s, device: d, feeder: feeder, stream: stream, sink: newSink(ctx, s.log), cancel: cancel, release: release}
	return f.run(ctx, first)
}

// slot is the one place for a feed that a device has.
type slot struct {
	stream <-chan struct{} // closed when the stream is over for the host
	freed  chan struct{}   // closed when the author's Feed has returned
	sent   <-chan struct{} // closed when the status is on its way
}

// takeFeed makes a feed the only one of its device, until release is called. A feed that the host has ended is waited
// for.
func (s *service) takeFeed(ctx context.Context, d *device) (release func(), err error) {
	sent, ok := ctx.Value(endKey{}).(chan struct{})
	if !ok {
		sent = make(chan struct{})
	}
	mine := &slot{stream: ctx.Done(), freed: make(chan struct{}), sent: sent}
	timer := time.NewTimer(s.patience)
	defer timer.Stop()
	for {
		before, free := d.claim(mine)
		if free {
			return sync.OnceFunc(func() { close(mine.freed) }), nil
		}
		busy := refuse(codes.FailedPrecondition, reasonBusy, "device %q has a feed already; end that one first", d.id)
		news := time.NewTimer(lateNews)
		select {
		case <-before.stream:
		case <-news.C:
			return nil, busy
		}
		news.Stop()
		select {
		case <-before.freed:
		case <-timer.C:
			return nil, busy
		}
	}
}

// lateNews is how long the news that a host has cancelled its feed may take to arrive behind its next call.
const lateNews = 200 * time.Millisecond

// claim takes the slot if it is free.
func (d *device) claim(mine *slot) (before *slot, free bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.feed != nil {
		select {
		case <-d.feed.freed:
		default:
			return d.feed, false
		}
	}
	d.feed = mine
	return nil, true
}

// feed is one stream of one device. Three goroutines serve it: one reads what the host wants, one sends, one runs the
// author's Feed.
type feed struct {
	service *service
	device  *device
	feeder  Feeder
	stream  feedStream
	sink    *Sink
	cancel  context.CancelCauseFunc
	release func()
	// subscribed says that the author has answered Signals in this feed.
	subscribed bool
}

func (f *feed) run(ctx context.Context, first *adapterv1beta1.FeedRequest) error {
	if err := f.subscribe(ctx, first); err != nil {
		f.release()
		return err
	}
	sent := make(chan struct{})
	go func() {
		defer close(sent)
		f.send()
	}()
	go f.read(ctx)
	done := start(f.service.log, "Feed", func() (struct{}, error) { return struct{}{}, f.deliver(ctx) })
	_, err := await(ctx, f.service, "Feed", done, func(struct{}, error) { f.release() })
	if errors.Is(err, errLate) {
		// Traffic to the vehicle must stop now; only closing the hardware can make it.
		f.device.release()
	} else {
		f.release()
	}
	f.sink.finish()
	f.waitSent(sent)
	if cause := context.Cause(ctx); cause != nil {
		return cause
	}
	return err
}

// waitSent gives the reader a moment to take what is left.
func (f *feed) waitSent(sent <-chan struct{}) {
	timer := time.NewTimer(f.service.flush)
	defer timer.Stop()
	select {
	case <-sent:
	case <-f.stream.Context().Done():
	case <-timer.C:
	}
}

// deliver runs the author's Feed, again and again while the vehicle is silent or the bus is disturbed.
func (f *feed) deliver(ctx context.Context) error {
	for {
		_, err := guard(f.service.log, "Feed", func() (any, error) { return nil, f.feeder.Feed(ctx, f.sink) })
		switch {
		case ctx.Err() != nil:
			return context.Cause(ctx)
		case errors.Is(err, ErrSilent):
			f.disturbed(ctx, LinkSilent, slog.LevelInfo, "the vehicle is silent; trying again", err)
		case errors.Is(err, ErrGarbled):
			f.disturbed(ctx, LinkBusErrors, slog.LevelWarn, "the bus is disturbed; trying again", err)
		case err == nil:
			return errors.New("Feed returned although its context had not ended")
		default:
			return err
		}
		timer := time.NewTimer(f.service.retry)
		select {
		case <-ctx.Done():
		case <-timer.C:
		}
		timer.Stop()
	}
}

// disturbed tells the host how the link stands. The log hears of it when that changes; what only goes on is for
// debugging.
func (f *feed) disturbed(ctx context.Context, condition LinkCondition, level slog.Level, message string, err error) {
	if !f.sink.turn(condition) {
		level = slog.LevelDebug
	}
	f.service.log.Log(ctx, level, message, "device", f.device.id, "error", err)
}

// read takes changes of what is wanted. A host that will change nothing more may close its side.
func (f *feed) read(ctx context.Context) {
	for {
		r, err := f.stream.Recv()
		if err != nil {
			return
		}
		if err := f.subscribe(ctx, r); err != nil {
			f.cancel(statusOf(err).Err())
			return
		}
	}
}

// subscribe asks the author what can be had and answers the host.
func (f *feed) subscribe(ctx context.Context, r *adapterv1beta1.FeedRequest) error {
	if r.GetDeviceId() != f.device.id {
		return refuse(codes.InvalidArgument, reason(0), "device_id is %q in a feed of %q; it is the same in every message", r.GetDeviceId(), f.device.id)
	}
	var wanted []Wanted
	seen := map[string]bool{}
	for _, w := range r.GetSignals() {
		if seen[w.GetPath()] {
			continue
		}
		seen[w.GetPath()] = true
		wanted = append(wanted, Wanted{Path: w.GetPath(), RateHz: w.GetRateHz(), Group: int(w.GetGroup())})
	}
	done := start(f.service.log, "Signals", func() ([]Signal, error) { return f.feeder.Signals(ctx, wanted) })
	signals, err := await(ctx, f.service, "Signals", done, func([]Signal, error) {})
	if f.subscribed && (errors.Is(err, ErrSilent) || errors.Is(err, ErrGarbled)) {
		f.service.log.Debug("what is wanted changed while the vehicle could not be asked", "device", f.device.id, "error", err)
		signals, err = f.sink.remembered(wanted, err), nil
	}
	if err != nil {
		return err
	}
	f.subscribed = true
	return f.sink.subscribe(wanted, signals)
}

// send takes messages from the sink until the feed has ended and nothing is left. It goes on when the feed's own context
// has ended, as long as there is somebody to read.
func (f *feed) send() {
	gone := f.stream.Context().Done()
	for {
		m := f.sink.next(gone)
		if m == nil {
			return
		}
		if err := f.stream.Send(m); err != nil {
			f.cancel(err)
			return
		}
	}
}
