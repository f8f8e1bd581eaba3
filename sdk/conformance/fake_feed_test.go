// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build unix

package conformance

import (
	"context"
	"slices"
	"sync"
	"time"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

type fakeStream = grpc.BidiStreamingServer[adapterv1beta1.FeedRequest, adapterv1beta1.FeedResponse]

// fakeFeed makes samples at each tick and hands batches to a queue, which one goroutine sends.
type fakeFeed struct {
	*fake

	device  *fakeDevice
	stream  fakeStream
	changes chan *adapterv1beta1.FeedRequest
	known   []string
	wanted  []string
	fast    bool // as often as goes
	batch   *adapterv1beta1.FeedBatch
	begun   time.Time
	number  int64
	count   float64
	fresh   bool // the last value was a new one
	lost    *adapterv1beta1.FeedGap
	silent  bool

	mu    sync.Mutex
	queue []*adapterv1beta1.FeedResponse
	moved chan struct{} // receives when something was taken or put
	gone  bool          // the stream takes no more
}

func (f *fake) Feed(stream fakeStream) error {
	first, err := stream.Recv()
	if err != nil {
		return err
	}
	if err := f.strict(first); err != nil {
		return err
	}
	d, err := f.open(first.GetDeviceId())
	if f.abilities == "link" {
		return status.Error(codes.Unimplemented, "no feed")
	}
	if err != nil {
		return err
	}
	over := make(chan struct{})
	if err := f.takeFeed(d, over); err != nil {
		return err
	}
	run := &fakeFeed{
		fake: f, device: d, stream: stream, changes: make(chan *adapterv1beta1.FeedRequest), moved: make(chan struct{}, 1),
	}
	defer func() {
		if !f.is("keeps a cancelled feed") || stream.Context().Err() == nil {
			close(over)
		}
	}()
	if f.is("polls on after the feed") {
		defer func() {
			go func() {
				for f.hosts() {
					f.frame()
					time.Sleep(10 * time.Millisecond)
				}
			}()
		}()
	}
	return run.serve(first)
}

// hosts says that nobody has asked for the end.
func (f *fake) hosts() bool {
	select {
	case <-f.ended:
		return false
	default:
		return true
	}
}

// takeFeed makes a feed the only one.
func (f *fake) takeFeed(d *fakeDevice, over chan struct{}) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if d.feed != nil && !f.is("feeds twice") {
		select {
		case <-d.feed:
		default:
			if f.is("ends the feed when a second is asked for") {
				close(d.closed)
				d.closed = make(chan struct{})
			}
			return f.refuse(codes.FailedPrecondition, "BUSY")
		}
	}
	d.feed = over
	return nil
}

func (r *fakeFeed) serve(first *adapterv1beta1.FeedRequest) error {
	ctx := r.stream.Context()
	closed := r.device.closed
	if err := r.subscribe(first); err != nil {
		return err
	}
	go r.read(ctx)
	sent := make(chan struct{})
	go func() {
		defer close(sent)
		r.send()
	}()
	defer func() {
		r.stop()
		<-sent
	}()
	looks := 0
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return status.FromContextError(ctx.Err()).Err()
		case <-closed:
			if r.is("closes before the feed has ended") && !r.isEnding() {
				time.Sleep(700 * time.Millisecond)
			}
			return r.refuse(codes.Aborted, "CLOSED")
		case <-r.ended:
			return r.refuse(codes.Aborted, "CLOSED")
		case change := <-r.changes:
			if err := r.subscribe(change); err != nil {
				return err
			}
		case <-tick.C:
			if err := r.tick(&looks); err != nil {
				return err
			}
		}
	}
}

func (f *fake) isEnding() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.shutdowns > 0
}

func (r *fakeFeed) read(ctx context.Context) {
	for {
		change, err := r.stream.Recv()
		if err != nil {
			return
		}
		select {
		case r.changes <- change:
		case <-ctx.Done():
			return
		}
	}
}

// subscribe answers what is wanted.
func (r *fakeFeed) subscribe(request *adapterv1beta1.FeedRequest) error {
	r.flush()
	if r.is("numbers anew after a change") {
		r.number = 0
	}
	r.wanted = nil
	answer := &adapterv1beta1.FeedSubscribed{}
	for _, w := range request.GetSignals() {
		if err := r.strict(w); err != nil {
			return err
		}
		r.fast = w.GetRateHz() == 0
		if !slices.Contains([]string{countSignal, flowSignal, speedSignal}, w.GetPath()) {
			err := r.refuse(codes.NotFound, "UNSUPPORTED_SIGNAL")
			if r.is("ends the feed over a signal") {
				return err
			}
			answer.Unavailable = append(answer.Unavailable, &adapterv1beta1.UnavailableSignal{Path: w.GetPath(), Status: status.Convert(err).Proto()})
			continue
		}
		if !slices.Contains(r.known, w.GetPath()) {
			r.known = append(r.known, w.GetPath())
		}
		r.wanted = append(r.wanted, w.GetPath())
	}
	for _, path := range r.known {
		one := &adapterv1beta1.FeedSignal{Path: path, Unit: unitOf(path), TimeUncertaintyUs: 500}
		if r.is("has no uncertainty") && path == flowSignal {
			one.TimeUncertaintyUs = 0
		}
		answer.Signals = append(answer.Signals, one)
	}
	r.put(&adapterv1beta1.FeedResponse{Message: &adapterv1beta1.FeedResponse_Subscribed{Subscribed: answer}})
	return nil
}

func unitOf(path string) string {
	switch path {
	case flowSignal:
		return "g/s"
	case speedSignal:
		return "rpm"
	}
	return ""
}

// tick looks at the hardware and takes samples.
func (r *fakeFeed) tick(looks *int) error {
	if r.file("unplugged") && !r.is("feeds without the device") {
		return r.refuse(codes.Unavailable, "UNPLUGGED")
	}
	if silent := r.file("silent"); silent != r.silent {
		if silent && r.is("ends the feed when the vehicle is silent") {
			return r.refuse(codes.DeadlineExceeded, "SILENT")
		}
		r.silence(silent)
	}
	r.fake.mu.Lock()
	looked := r.looks > *looks && *looks > 0
	*looks = r.looks
	r.fake.mu.Unlock()
	if looked && r.is("loses samples while it looks") {
		r.lose(adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_OVERRUN)
	}
	if r.silent {
		return nil
	}
	r.frame()
	rounds := 1
	if r.fast {
		rounds = 40
	}
	if r.fast && r.is("keeps all for a slow reader") {
		rounds = 20_000
	}
	for range rounds {
		r.take()
	}
	patience := 20 * time.Millisecond
	if r.is("sends late") {
		patience = 600 * time.Millisecond
	}
	if r.batch != nil && time.Since(r.begun) > patience {
		r.flush()
	}
	return nil
}

func (r *fakeFeed) silence(silent bool) {
	r.flush()
	r.silent = silent
	condition := adapterv1beta1.LinkCondition_LINK_CONDITION_UP
	if silent {
		condition = adapterv1beta1.LinkCondition_LINK_CONDITION_SILENT
	} else {
		r.lose(adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_SILENT)
	}
	state := &adapterv1beta1.LinkState{Condition: condition, SinceUs: r.now()}
	r.put(&adapterv1beta1.FeedResponse{Message: &adapterv1beta1.FeedResponse_LinkState{LinkState: state}})
}

func (r *fakeFeed) lose(why adapterv1beta1.AdapterErrorReason) {
	r.flush()
	r.lost = &adapterv1beta1.FeedGap{StartUs: r.now(), EndUs: r.now(), Reason: why}
}

// take makes one sample of each wanted signal.
func (r *fakeFeed) take() {
	if len(r.wanted) == 0 {
		return
	}
	now := r.now()
	if r.batch == nil {
		r.batch = &adapterv1beta1.FeedBatch{BaseTimeUs: now, Gap: r.lost}
		r.begun, r.lost = time.Now(), nil
	}
	b := r.batch
	repeats := r.is("repeats values") && int(r.count)%50 == 0 && r.fresh
	r.fresh = !repeats
	if !repeats {
		r.count++
	}
	for i, path := range r.known {
		if !slices.Contains(r.wanted, path) {
			continue
		}
		value, offset := 7.5, now-b.GetBaseTimeUs()
		if path == countSignal {
			value = r.count
		}
		if r.is("goes back in time") && int(r.count)%50 == 0 {
			offset -= 20_000
		}
		b.OffsetUs, b.Signal, b.Value = append(b.OffsetUs, offset), append(b.Signal, int32(i)), append(b.Value, value)
	}
	if r.is("fills batches without end") {
		last := int32(slices.Index(r.known, r.wanted[len(r.wanted)-1]))
		for len(b.GetValue()) < 5000 {
			b.OffsetUs, b.Signal, b.Value = append(b.OffsetUs, now-b.GetBaseTimeUs()), append(b.Signal, last), append(b.Value, 7.5)
		}
	}
	if len(b.GetValue()) > 3900 {
		r.flush()
	}
}

// flush numbers the batch and hands it on.
func (r *fakeFeed) flush() {
	if r.batch == nil {
		return
	}
	b := r.batch
	r.batch = nil
	if r.is("tells the time of day") {
		b.BaseTimeUs += r.born.UnixMicro()
	}
	if r.is("makes columns of two lengths") {
		b.TimeUncertaintyUs = make([]int64, len(b.GetValue())+1)
		for i := range b.GetTimeUncertaintyUs() {
			b.TimeUncertaintyUs[i] = 500
		}
	}
	const room = 8
	r.mu.Lock()
	full := len(r.queue) >= room
	r.mu.Unlock()
	if full && (r.is("drops and says so") || r.is("drops in silence")) {
		if r.is("drops and says so") {
			r.lost = &adapterv1beta1.FeedGap{StartUs: b.GetBaseTimeUs(), EndUs: r.now(), Reason: adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_OVERRUN}
		}
		return
	}
	r.number++
	if r.is("skips a number") && r.number%5 == 0 {
		r.number++
	}
	b.Sequence = r.number
	r.put(&adapterv1beta1.FeedResponse{Message: &adapterv1beta1.FeedResponse_Batch{Batch: b}})
}

// put hands a message to the sender. Where it is slow, the one that makes samples waits.
func (r *fakeFeed) put(m *adapterv1beta1.FeedResponse) {
	for {
		r.mu.Lock()
		if len(r.queue) < 16 || r.gone || r.is("keeps all for a slow reader") {
			r.queue = append(r.queue, m)
			r.mu.Unlock()
			r.poke()
			return
		}
		r.mu.Unlock()
		select {
		case <-time.After(time.Millisecond):
		case <-r.stream.Context().Done():
			return
		}
	}
}

func (r *fakeFeed) poke() {
	select {
	case r.moved <- struct{}{}:
	default:
	}
}

func (r *fakeFeed) stop() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.gone = true
	r.poke()
}

// send hands messages to the stream, which waits for a slow reader.
func (r *fakeFeed) send() {
	for {
		r.mu.Lock()
		var m *adapterv1beta1.FeedResponse
		if len(r.queue) > 0 {
			m, r.queue = r.queue[0], r.queue[1:]
		}
		gone := r.gone
		r.mu.Unlock()
		switch {
		case gone:
			return
		case m == nil:
			<-r.moved
		case r.stream.Send(m) != nil:
			return
		}
	}
}
