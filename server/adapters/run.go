// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapters

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/session"
)

// run is one capture from a device while it runs. One goroutine, loop, owns all but what mu guards.
type run struct {
	m             *Manager
	adapter       *entry
	log           *slog.Logger
	shop, session string
	capture       string // its name
	device, id    string // the device's name, and its id in the adapter
	extra         []string
	start, anchor time.Time // of the session; and of its axis in this process
	writer        *session.Writer
	sequence      int64
	positions     map[string]int32 // of the capture's signals
	place         placing
	pace          *session.Pace
	replan        bool
	planned       time.Time
	complained    time.Time
	told          time.Time     // when the log heard last that the feed broke off
	loud          bool          // it heard of the present break
	attached      time.Time     // when the present feed began
	pause         time.Duration // before the next feed, where the adapter breaks this one off

	reading chan struct{}  // holds one while the vehicle is asked what it says of itself
	beside  sync.WaitGroup // of what goes on beside the samples

	asked  chan struct{} // closed when the capture is to stop
	ask    func()
	life   context.Context //nolint:containedctx // of all that the capture does
	cancel context.CancelFunc
	done   chan struct{}

	mu            sync.Mutex
	feed          *feed // nil while there is none
	state         pb.CaptureFeedState
	since         time.Time
	message       string
	interruptions int32
	refused       int64
	missing       []*pb.UnavailableCaptureSignal
	wanted        []*adapterv1beta1.WantedSignal
	rates         *rates
	arrived       time.Time // when samples came last
}

const (
	// minRetry and maxRetry bound the wait between two attempts to open a device again: a cable that is plugged in again
	// is to be used within two seconds.
	minRetry = 200 * time.Millisecond
	maxRetry = time.Second
	// replanEvery is the least time between two changes of what is wanted: a signal that hovers at a limit must not
	// make the adapter plan all the time.
	replanEvery = 250 * time.Millisecond
	// complainEvery bounds how often one capture logs that its adapter breaks the contract, and that it breaks off.
	complainEvery = 10 * time.Second
	// maxPause bounds the wait before a feed that its adapter keeps breaking off is opened again, and steadyTime is
	// how long one must have run for the next break to be a new story.
	maxPause   = 10 * time.Second
	steadyTime = 10 * time.Second
	// staleTime is how long after the last samples the rates that they came at are still told.
	staleTime = (rateSeconds - 1) * time.Second
)

// newRun makes the capture's run around a feed that has been opened.
func (m *Manager) newRun(shop string, s *pb.Session, c *pb.Capture, f *feed, w *session.Writer, extra []string) *run {
	r := &run{
		m: m, adapter: f.adapter, shop: shop, session: s.GetName(), capture: c.GetName(), device: c.GetDevice(), id: f.id, extra: extra,
		log:   f.adapter.log.With("capture", c.GetName(), "device", f.id),
		start: s.GetStartTime().AsTime(), anchor: m.anchorOf(shop, s.GetName()), writer: w, sequence: w.LastSequence, positions: make(map[string]int32),
		rates: newRates(len(c.GetSignals())), reading: make(chan struct{}, 1), done: make(chan struct{}),
	}
	paths := make([]string, len(c.GetSignals()))
	for i, d := range c.GetSignals() {
		r.positions[d.GetPath()], paths[i] = int32(i), d.GetPath()
	}
	r.pace = session.NewPace(paths)
	r.asked = make(chan struct{})
	r.ask = sync.OnceFunc(func() { close(r.asked) })
	r.life, r.cancel = context.WithCancel(m.ctx)
	r.wanted = wishes(r.pace.Needs(), extra)
	r.attach(f)
	return r
}

func (r *run) of(shop, session string) bool { return r.shop == shop && r.session == session }

func (r *run) isAsked() bool {
	select {
	case <-r.asked:
		return true
	case <-r.life.Done():
		return true
	default:
		return false
	}
}

// attach makes a feed the present one.
func (r *run) attach(f *feed) {
	r.learn(f)
	r.attached = time.Now()
	r.place.zeroUS = session.AxisUS(r.start, r.anchor, f.zero)
	r.mu.Lock()
	r.feed = f
	r.lack(f.missing)
	r.mu.Unlock()
	r.become(pb.CaptureFeedState_CAPTURE_FEED_STATE_RUNNING, "")
	r.replan = true
	go watch(r.writer, f)
}

// watch ends a feed whose writer ends: a silent vehicle would hide for good that the capture takes nothing more.
func watch(w *session.Writer, f *feed) {
	select {
	case <-w.Done():
		f.abandon()
	case <-f.stream.Context().Done():
	}
}

// lack replaces what is told of signals that cannot be had. Those that the capture has never had are asked for once only,
// so they stay. The caller holds mu.
func (r *run) lack(missing []*pb.UnavailableCaptureSignal) {
	told := make(map[string]bool, len(missing))
	for _, u := range missing {
		told[u.GetPath()] = true
	}
	all := slices.Clone(missing)
	for _, u := range r.missing {
		if _, had := r.positions[u.GetPath()]; !had && !told[u.GetPath()] {
			all = append(all, u)
		}
	}
	r.missing = all
}

func (r *run) learn(f *feed) {
	r.place.positions = r.place.positions[:0]
	for _, s := range f.signals {
		at, ok := r.positions[s.GetPath()]
		if !ok {
			at = -1
		}
		r.place.positions = append(r.place.positions, at)
	}
}

func (r *run) become(state pb.CaptureFeedState, message string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.state != state {
		r.since = time.Now()
	}
	r.state, r.message = state, message
}

// loop carries what the device delivers into the capture until it is to stop or the capture takes nothing more.
func (r *run) loop() {
	defer close(r.done)
	defer r.m.settle(r.device, nil)
	defer r.beside.Wait()
	defer r.cancel()
	for {
		err := r.carry()
		r.mu.Lock()
		f := r.feed
		r.feed = nil
		r.mu.Unlock()
		if r.isAsked() || ended(err) {
			f.end()
			break
		}
		r.hesitate(r.interrupted(f, err))
		if !r.reopen() {
			break
		}
	}
	if err := r.writer.Close(); err != nil && !ended(err) && !errors.Is(err, session.ErrUnavailable) {
		r.log.Warn("the capture's last samples could not be stored", "error", err)
	}
	r.log.Info("the capture from the device has ended", "batches", r.sequence)
}

// carry takes messages until the feed ends or the writer does.
func (r *run) carry() error {
	for {
		if err := r.plan(); err != nil {
			return err
		}
		message, err := r.feed.stream.Recv()
		if err != nil {
			return r.cause(err)
		}
		switch m := message.GetMessage().(type) {
		case *adapterv1beta1.FeedResponse_Batch:
			if err := r.take(m.Batch); err != nil {
				return err
			}
		case *adapterv1beta1.FeedResponse_LinkState:
			r.linkState(m.LinkState)
		case *adapterv1beta1.FeedResponse_Subscribed:
			r.feed.signals = m.Subscribed.GetSignals()
			r.learn(r.feed)
		}
	}
}

// cause is why a feed has ended: where the writer has, that is why.
func (r *run) cause(err error) error {
	if !r.writer.Ended() {
		return err
	}
	return cmp.Or(r.writer.Close(), err)
}

func (r *run) nowUS() int64 { return session.AxisUS(r.start, r.anchor, time.Now()) }

// take appends one batch.
func (r *run) take(b *adapterv1beta1.FeedBatch) error {
	if expected := r.feed.sequence + 1; b.GetSequence() != expected {
		r.complain(fmt.Errorf("batch %d came where %d was expected (S1)", b.GetSequence(), expected))
		r.place.missFromHere(pb.SampleGapReason_SAMPLE_GAP_REASON_SOURCE_FAULT)
	}
	r.feed.sequence = b.GetSequence()
	out, err := r.place.place(b, r.nowUS())
	if err != nil {
		r.complain(err)
	}
	r.mu.Lock()
	r.refused = r.place.refused
	if out != nil {
		r.rates.add(out)
		r.arrived = time.Now()
	}
	r.mu.Unlock()
	if out == nil {
		return nil
	}
	r.replan = r.pace.Push(out) || r.replan
	r.sequence++
	out.Sequence = r.sequence
	return r.writer.Append(r.life, out)
}

// complain tells that the adapter breaks the contract; the log hears of it now and then.
func (r *run) complain(err error) {
	r.mu.Lock()
	r.message = "the adapter breaks its contract: " + clip(err.Error())
	r.mu.Unlock()
	if time.Since(r.complained) >= complainEvery {
		r.complained = time.Now()
		r.log.Warn("the adapter breaks its contract", "error", err.Error())
	}
}

// plan tells the adapter what is wanted now.
func (r *run) plan() error {
	if !r.replan || time.Since(r.planned) < replanEvery {
		return nil
	}
	r.replan, r.planned = false, time.Now()
	wanted := wishes(r.pace.Needs(), r.extra)
	r.mu.Lock()
	r.wanted = wanted
	r.mu.Unlock()
	return r.feed.want(wanted)
}

func (r *run) linkState(s *adapterv1beta1.LinkState) {
	switch s.GetCondition() {
	case adapterv1beta1.LinkCondition_LINK_CONDITION_UP:
		r.become(pb.CaptureFeedState_CAPTURE_FEED_STATE_RUNNING, "")
	case adapterv1beta1.LinkCondition_LINK_CONDITION_SILENT:
		r.become(pb.CaptureFeedState_CAPTURE_FEED_STATE_SILENT, vehicleSilent)
	case adapterv1beta1.LinkCondition_LINK_CONDITION_BUS_ERRORS:
		r.become(pb.CaptureFeedState_CAPTURE_FEED_STATE_BUS_ERRORS, "the vehicle's bus reports errors; the adapter waits and tries again")
	}
}

// interrupted marks the gap, says why and returns that.
func (r *run) interrupted(f *feed, err error) pb.SampleGapReason {
	why, text := pb.SampleGapReason_SAMPLE_GAP_REASON_SOURCE_FAULT, words(err)
	var own *session.Error
	switch {
	case errors.As(err, &own):
		why = pb.SampleGapReason_SAMPLE_GAP_REASON_OVERRUN
	case f.died():
		why, text = pb.SampleGapReason_SAMPLE_GAP_REASON_ADAPTER_RESTARTED, "the adapter ended and is started again"
	case reasonOf(err) == adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_UNPLUGGED:
		why = pb.SampleGapReason_SAMPLE_GAP_REASON_LINK_LOST
	}
	r.place.interrupted(why)
	r.mu.Lock()
	r.interruptions++
	r.mu.Unlock()
	r.become(pb.CaptureFeedState_CAPTURE_FEED_STATE_WAITING, text)
	if r.loud = time.Since(r.told) >= complainEvery; r.loud {
		r.told = time.Now()
		r.log.Warn("the feed broke off", "why", text, "error", fmt.Sprint(err), "interruptions", r.interruptions)
	}
	if why != pb.SampleGapReason_SAMPLE_GAP_REASON_ADAPTER_RESTARTED {
		f.close()
	}
	f.abandon()
	return why
}

// hesitate waits before a feed that broke off is opened again, longer each time while it does not get steady: what is
// broken in the adapter is so at the next attempt too. A cable may be plugged in again at any moment, and an adapter that
// ended is waited for anyway.
func (r *run) hesitate(why pb.SampleGapReason) {
	if time.Since(r.attached) >= steadyTime {
		r.pause = 0
	}
	switch why {
	case pb.SampleGapReason_SAMPLE_GAP_REASON_ADAPTER_RESTARTED:
		return
	case pb.SampleGapReason_SAMPLE_GAP_REASON_LINK_LOST:
		r.sleep(min(r.pause, maxRetry))
	default:
		r.sleep(r.pause)
	}
	r.pause = min(max(2*r.pause, minRetry), maxPause)
}

// sleep waits, but not beyond the moment when the capture is to stop.
func (r *run) sleep(wait time.Duration) {
	timer := time.NewTimer(wait)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-r.asked:
	case <-r.life.Done():
	}
}

// reopen opens the device again, and the writer where it has ended, as soon as that can be; false when the capture is to
// stop or takes nothing more.
func (r *run) reopen() bool {
	for wait := minRetry; !r.isAsked(); wait = min(2*wait, maxRetry) {
		err := r.reopenOnce()
		if err == nil {
			return true
		}
		if r.isAsked() || ended(err) {
			return false
		}
		r.become(pb.CaptureFeedState_CAPTURE_FEED_STATE_WAITING, words(err))
		r.sleep(wait)
	}
	return false
}

func (r *run) reopenOnce() error {
	if err := r.reopenWriter(); err != nil {
		return err
	}
	f, err := r.adapter.open(r.life, r.life, r.id, wishes(r.pace.Needs(), r.extra))
	if err != nil {
		return err
	}
	r.attach(f)
	if r.loud {
		r.log.Info("the feed goes on")
	}
	return nil
}

// reopenWriter takes the capture up again where the writer has ended, such as by a full disk.
func (r *run) reopenWriter() error {
	if !r.writer.Ended() {
		return nil
	}
	w, err := r.m.sessions.OpenDeviceWriter(r.life, r.shop, r.capture)
	if err != nil {
		return err
	}
	last, err := r.m.sessions.Tail(r.life, r.shop, r.capture)
	if err != nil {
		return errors.Join(err, w.Close())
	}
	r.writer, r.sequence = w, w.LastSequence
	r.place.fellBack(last)
	return nil
}

// stop ends the capture in an orderly way: the device is closed, what it has delivered is appended, the writer ends. When
// the context ends first, what the device has delivered and is not appended yet is cut off. Nothing of the capture runs any
// more when it returns.
func (r *run) stop(ctx context.Context) {
	r.ask()
	defer context.AfterFunc(ctx, r.cancel)()
	r.mu.Lock()
	f := r.feed
	r.mu.Unlock()
	if f == nil {
		r.cancel() // it waits for the adapter or opens the device
	} else {
		f.close()
		defer time.AfterFunc(flushTime, f.abandon).Stop()
	}
	<-r.done
}

// flushTime is how long what a closed device has delivered may be on its way.
const flushTime = time.Second

// describe tells how the feed stands.
func (r *run) describe() *pb.CaptureFeed {
	r.mu.Lock()
	defer r.mu.Unlock()
	out := &pb.CaptureFeed{
		State: r.state, StateTime: timestamppb.New(r.since), Message: r.message, InterruptionCount: r.interruptions,
		Unavailable: r.missing, RefusedSampleCount: r.refused,
	}
	for _, w := range r.wanted {
		at, ok := r.positions[w.GetPath()]
		if !ok {
			continue
		}
		rate := &pb.SignalRate{Path: w.GetPath(), WantedHz: w.GetRateHz()}
		if r.state == pb.CaptureFeedState_CAPTURE_FEED_STATE_RUNNING && time.Since(r.arrived) < staleTime {
			rate.AchievedHz = r.rates.hz(int(at))
		}
		out.Rates = append(out.Rates, rate)
	}
	return out
}
