// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

import (
	"context"
	"slices"
	"sync"
	"time"

	"google.golang.org/grpc"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
)

// arrival is one message of a feed.
type arrival struct {
	at      time.Time
	message *adapterv1beta1.FeedResponse
}

func (a arrival) batch() *adapterv1beta1.FeedBatch { return a.message.GetBatch() }

// tap reads a feed and keeps what came.
type tap struct {
	stream grpc.BidiStreamingClient[adapterv1beta1.FeedRequest, adapterv1beta1.FeedResponse]
	cancel context.CancelFunc
	device string
	began  time.Time
	over   chan struct{} // closed when the stream has ended

	mu       sync.Mutex
	arrivals []arrival
	news     chan struct{} // closed and replaced with each arrival
	gate     chan struct{} // open where closed
	err      error         // set before over is closed
}

// feed subscribes to signals. The stream lives until the tap is closed, or the run ends.
func (l *life) feed(ctx context.Context, rateHz float64, paths ...string) (*tap, error) {
	ctx, cancel := context.WithCancel(ctx)
	stream, err := l.Feed(ctx)
	if err != nil {
		cancel()
		return nil, err
	}
	t := &tap{
		stream: stream, cancel: cancel, device: l.kit.device, began: time.Now(), over: make(chan struct{}),
		news: make(chan struct{}), gate: make(chan struct{}),
	}
	close(t.gate)
	// An adapter that refuses at once ends the stream, and why is told to the reader.
	_ = t.want(rateHz, paths...)
	go t.read()
	return t, nil
}

// want says what is wanted from now on.
func (t *tap) want(rateHz float64, paths ...string) error {
	r := &adapterv1beta1.FeedRequest{DeviceId: t.device}
	for _, p := range paths {
		r.Signals = append(r.Signals, &adapterv1beta1.WantedSignal{Path: p, RateHz: rateHz})
	}
	return t.stream.Send(r)
}

func (t *tap) read() {
	defer close(t.over)
	for {
		<-t.opened()
		m, err := t.stream.Recv()
		t.mu.Lock()
		if err != nil {
			t.err = err
			t.mu.Unlock()
			return
		}
		t.arrivals = append(t.arrivals, arrival{time.Now(), m})
		close(t.news)
		t.news = make(chan struct{})
		t.mu.Unlock()
	}
}

func (t *tap) opened() <-chan struct{} {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.gate
}

// stall stops reading until resume.
func (t *tap) stall() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.gate = make(chan struct{})
}

func (t *tap) resume() {
	t.mu.Lock()
	defer t.mu.Unlock()
	select {
	case <-t.gate:
	default:
		close(t.gate)
	}
}

// soFar gives what has come.
func (t *tap) soFar() ([]arrival, <-chan struct{}) {
	t.mu.Lock()
	defer t.mu.Unlock()
	return slices.Clip(t.arrivals), t.news
}

// await waits until what has come is enough. It is false where the stream ended or the limit passed before.
func (t *tap) await(limit time.Duration, enough func([]arrival) bool) bool {
	timer := time.NewTimer(limit)
	defer timer.Stop()
	for {
		arrivals, news := t.soFar()
		if enough(arrivals) {
			return true
		}
		select {
		case <-news:
		case <-t.over:
			arrivals, _ := t.soFar()
			return enough(arrivals)
		case <-timer.C:
			return false
		}
	}
}

// subscribed waits for the n-th answer to a subscription, from 1; nil where none came.
func (t *tap) subscribed(n int, limit time.Duration) *adapterv1beta1.FeedSubscribed {
	var answer *adapterv1beta1.FeedSubscribed
	t.await(limit, func(all []arrival) bool {
		count := 0
		for _, a := range all {
			if s := a.message.GetSubscribed(); s != nil {
				if count++; count == n {
					answer = s
					return true
				}
			}
		}
		return false
	})
	return answer
}

// flows waits for samples that came after the given number of messages.
func (t *tap) flows(after int, limit time.Duration) bool {
	return t.await(limit, func(all []arrival) bool {
		return len(all) > after && slices.ContainsFunc(all[after:], func(a arrival) bool { return len(a.batch().GetValue()) > 0 })
	})
}

// ended waits for the stream's end, and says why it ended.
func (t *tap) ended(limit time.Duration) (over bool, err error) {
	select {
	case <-t.over: // Beside a timer of 0 this would be left to chance.
		return true, t.why()
	default:
	}
	timer := time.NewTimer(limit)
	defer timer.Stop()
	select {
	case <-t.over:
		return true, t.why()
	case <-timer.C:
		return false, nil
	}
}

func (t *tap) why() error {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.err
}

// close cancels the stream and waits until that is known.
func (t *tap) close() {
	t.cancel()
	t.resume()
	<-t.over
}
