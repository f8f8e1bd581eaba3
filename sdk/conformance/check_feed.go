// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/grpc/codes"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
)

const (
	needsCounter = "a signal that counts"
	needsSilence = "hands that silence and wake the vehicle"
)

func feedChecks() []check {
	return []check{
		{Item: feed("M4", "the messages of the feed are well formed", "M4"), needs: needDevice, run: feedWell},
		{Item: feed("S1", "batches are numbered without a hole", "S1"), needs: needDevice, run: numbered},
		{Item: feed("S2", "times do not go back, and are of the adapter's clock", "S2"), needs: needDevice, run: timely},
		{Item: feed("S3", "what is lost is marked", "S3").needing(needsCounter), needs: needDevice, lacks: lacksCounter, run: losesLoudly},
		{Item: feed("S4", "no value is repeated or made up", "S4").needing(needsCounter), needs: needDevice, lacks: lacksCounter, run: inventsNothing},
		{Item: feed("S5", "every sample says how uncertain its time is", "S5"), needs: needDevice, run: uncertain},
		{Item: feed("S6", "a slow reader costs no memory", "S6"), needs: needDevice, run: boundedMemory},
		{Item: feed("S7", "batches are small and in time", "S7"), needs: needDevice, run: batchesInTime},
		{Item: feed("S8", "a signal that the vehicle lacks ends nothing", "S8"), needs: needDevice, run: unsupported},
		{Item: feed("S9", "what is wanted can change", "S9"), needs: needDevice, run: changesWanted},
		{Item: feed("S10", "hardware that goes away ends the feed", "S10").needing(needsUnplug), needs: needDevice, alone: true, lacks: lacksUnplug, run: feedUnplugged},
		{Item: feed("S10-silent", "a vehicle that falls silent does not end the feed", "S10").needing(needsSilence), needs: needDevice, alone: true, lacks: lacksSilence, run: feedSilenced},
		{Item: feed("S11", "a device has one feed", "S11"), needs: needDevice, run: oneFeed},
		{Item: feed("S12", "a cancelled feed stops", "S12"), needs: needDevice, counts: true, run: feedStops},
	}
}

func lacksCounter(k *kit) string {
	if k.o.Counter == "" {
		return "no signal is known that counts, which alone would show lost and repeated values (Counter, --counter)"
	}
	return ""
}

func lacksSilence(k *kit) string {
	if k.o.Hardware.Silence == nil {
		return "nobody silences the vehicle (Hardware.Silence and Wake, --silence and --wake)"
	}
	return ""
}

func feedWell(_ context.Context, b *bench) error {
	r, err := b.recorded()
	if err != nil {
		return err
	}
	if problem := r.feedProblem(); problem != "" {
		return fails("messages as their comments say", "see the comments of FeedResponse and what it holds", "that %s", problem)
	}
	return nil
}

func numbered(_ context.Context, b *bench) error {
	r, err := b.recorded()
	if err != nil {
		return err
	}
	next := int64(1)
	for _, m := range batches(r.arrivals) {
		if m.GetSequence() != next {
			return fails(fmt.Sprintf("sequence %d", next), "count the batches of a feed from 1, also those that hold only a gap", "%d", m.GetSequence())
		}
		next++
	}
	return nil
}

func timely(_ context.Context, b *bench) error {
	r, err := b.recorded()
	if err != nil {
		return err
	}
	last := map[string]int64{}
	for a, s := range samples(r.arrivals) {
		if before, ok := last[s.path]; ok && s.time < before {
			return fails("times that do not decrease within a signal", "stamp samples with a monotonic clock, and send them in order",
				"%s at %d µs after %d µs, in batch %d", s.path, s.time, before, a.batch().GetSequence())
		}
		last[s.path] = s.time
	}
	return r.ofOneClock(b.limits)
}

// ofOneClock compares the samples' times with the clock of the lifeline.
func (r *recording) ofOneClock(limits limits) error {
	begun, ok := r.clock.at(r.began)
	if !ok {
		return unproven("the lifeline told nothing of the adapter's clock")
	}
	const advice = "take the times of samples and of the lifeline from one monotonic clock, not from the time of day"
	// What was measured a while before it was asked for may be sent.
	const patience = 10 * time.Second
	for a, s := range samples(r.arrivals) {
		now, _ := r.clock.at(a.at)
		switch ahead := time.Duration(s.time-now) * time.Microsecond; {
		case s.time < begun-patience.Microseconds():
			return fails("times of the clock that the lifeline tells", advice, "%s at %d µs, when the feed began at %d µs", s.path, s.time, begun)
		case !r.played() && ahead > limits.slack:
			return fails("no time that is still to come", advice, "%s at %d µs, received at %d µs", s.path, s.time, now)
		case r.played() && ahead > patience:
			return fails("times that begin at the adapter's clock", advice, "%s at %d µs, received at %d µs", s.path, s.time, now)
		}
		if r.played() {
			return nil // only the first says where times begin
		}
	}
	return nil
}

func losesLoudly(_ context.Context, b *bench) error {
	s, err := b.stalled()
	if err != nil {
		return err
	}
	b.blindf("of other signals than %s", b.o.Counter)
	if lost, _ := miscount(s.arrivals, b.o.Counter); lost != "" {
		return fails("each value of "+b.o.Counter+", or a gap before the batch that follows a lost one", "mark what was dropped, wherever it was dropped, by a gap in the next batch", "%s", lost)
	}
	return nil
}

func inventsNothing(_ context.Context, b *bench) error {
	s, err := b.stalled()
	if err != nil {
		return err
	}
	b.blindf("of other signals than %s", b.o.Counter)
	if _, repeated := miscount(s.arrivals, b.o.Counter); repeated != "" {
		return fails("values of "+b.o.Counter+" that go up by whole steps", "send each value that was measured once, and nothing that was not measured", "%s", repeated)
	}
	return nil
}

func uncertain(_ context.Context, b *bench) error {
	r, err := b.recorded()
	if err != nil {
		return err
	}
	b.blindf("whether the width is honest")
	for a, s := range samples(r.arrivals) {
		if s.uncertainty <= 0 {
			return fails("a time uncertainty above 0 for each sample", "state half the width of the interval in which the value was taken, for the signal or for the sample",
				"%d µs for %s in batch %d", s.uncertainty, s.path, a.batch().GetSequence())
		}
	}
	return nil
}

// mostMemory is more than transport and the samples that the contract lets an adapter hold can take.
const mostMemory = 32 << 20

func boundedMemory(_ context.Context, b *bench) error {
	s, err := b.stalled()
	if err != nil {
		return err
	}
	expected := fmt.Sprintf("a feed that outlives a reader who stops for %v", b.limits.stall)
	const advice = "hold few samples, and when nobody takes them wait, or drop them and mark the gap"
	if s.ended {
		return fails(expected, advice, "that it ended with %s", describe(s.end))
	}
	if s.grown > mostMemory {
		return fails("memory that stays bounded while nobody reads", advice, "%d MiB more after %v", s.grown>>20, b.limits.stall)
	}
	bytes, gap := s.backlog()
	if bytes > mostMemory/2 && !gap {
		return fails("a slow reader to slow the adapter or to get a marked gap", advice, "%d MiB of samples that were kept for it", bytes>>20)
	}
	if !canMeasure || !b.target.hosted() {
		b.blindf("the adapter's memory, which cannot be measured here")
	}
	return nil
}

func batchesInTime(_ context.Context, b *bench) error {
	r, err := b.recorded()
	if err != nil {
		return err
	}
	const most = 4096
	var late, count int
	var worst time.Duration
	for at, m := range batches(r.arrivals) {
		n := len(m.GetValue())
		if n > most {
			return fails(fmt.Sprintf("at most %d samples in a batch", most), "end a batch before it is too large", "%d in batch %d", n, m.GetSequence())
		}
		if n == 0 || r.played() {
			continue
		}
		count++
		age := r.age(at, m)
		worst = max(worst, age)
		if age > b.limits.batch+b.limits.jitter {
			late++
		}
	}
	if r.played() {
		b.blindf("the age of batches: the times are those of a recording")
	}
	// One that is late by itself may have been held up by a busy machine.
	if late > 1 && late*10 > count {
		return fails(fmt.Sprintf("batches within %v of their first sample", b.limits.batch), "send a batch when its first sample is 50 ms old, full or not",
			"%d of %d later, up to %v", late, count, worst.Round(time.Millisecond))
	}
	return nil
}

// age says how old the oldest sample of a batch was when it came.
func (r *recording) age(at time.Time, m *adapterv1beta1.FeedBatch) time.Duration {
	now, ok := r.clock.at(at)
	if !ok {
		return 0
	}
	oldest := now
	for i := range m.GetValue() {
		oldest = min(oldest, pick(m, nil, i).time)
	}
	return time.Duration(now-oldest) * time.Microsecond
}

func unsupported(ctx context.Context, b *bench) error {
	l, _, err := b.opened(ctx, launch{})
	if err != nil {
		return err
	}
	const advice = "list what cannot be had in FeedSubscribed.unavailable, each with its status, and deliver the rest"
	t, err := l.feed(ctx, recordRate, append([]string{strangerSignal}, b.signals()...)...)
	if err != nil {
		return unproven("Feed ended with %s", describe(err))
	}
	defer t.close()
	answer := t.subscribed(1, b.o.CallTimeout)
	if answer == nil {
		why := "no answer"
		if over, err := t.ended(0); over {
			why = describe(err)
		}
		return fails("an answer to a subscription in which one signal cannot be had", advice, "%s", why)
	}
	var status *adapterv1beta1.UnavailableSignal
	for _, u := range answer.GetUnavailable() {
		if u.GetPath() == strangerSignal {
			status = u
		}
	}
	if status == nil {
		return fails(strangerSignal+" among what is unavailable", advice, "%v", answer)
	}
	if code := codes.Code(status.GetStatus().GetCode()); code != codes.NotFound {
		return fails("the status NOT_FOUND (UNSUPPORTED_SIGNAL) for "+strangerSignal, advice, "%s", codeName(code))
	}
	if t.flows(0, b.o.SampleTimeout) {
		return nil
	}
	if len(answer.GetSignals()) == 0 {
		return b.noSamples(t, b.signals())
	}
	if over, err := t.ended(0); over {
		return fails("the feed to go on with the signals that can be had", advice, "that it ended with %s", describe(err))
	}
	return fails("samples of the signals that can be had", advice, "none within %v", b.o.SampleTimeout)
}

func oneFeed(ctx context.Context, b *bench) error {
	l, _, err := b.opened(ctx, launch{})
	if err != nil {
		return err
	}
	t, err := b.flowing(ctx, l)
	if err != nil {
		return err
	}
	defer t.close()
	return wants("a second feed of one device", b.secondFeed(ctx, l), codes.FailedPrecondition, "refuse it with BUSY as long as the first stream has not ended")
}

func feedStops(ctx context.Context, b *bench) error {
	l, _, err := b.opened(ctx, launch{})
	if err != nil {
		return err
	}
	const advice = "end what the feed does when the stream's context ends, and free the device for the next feed"
	t, err := b.flowing(ctx, l)
	if err != nil {
		return err
	}
	defer func() { t.close() }()
	for round := range 3 {
		t.close()
		cancelled := time.Now()
		if round == 0 {
			if err := b.stopsSending(ctx); err != nil {
				return err
			}
		}
		next, err := b.feedWithin(ctx, l, cancelled)
		if err != nil {
			return fails(fmt.Sprintf("the device to take another feed %v after one was cancelled", b.limits.cancel), advice, "%s", describe(err))
		}
		t = next
		if !t.flows(0, b.o.SampleTimeout) {
			return b.noSamples(t, b.signals())
		}
	}
	return nil
}

// feedWithin tries to take a feed until it can be had.
func (b *bench) feedWithin(ctx context.Context, l *life, since time.Time) (*tap, error) {
	for {
		t, err := b.takeFeed(ctx, l)
		if err == nil || time.Since(since) > b.limits.cancel+b.limits.slack {
			return t, err
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// stopsSending looks at the bus once the time is over.
func (b *bench) stopsSending(ctx context.Context) error {
	if b.o.Hardware.Traffic == nil {
		b.blindf("that nothing more is sent to the vehicle: nobody counts the traffic (Hardware.Traffic, --traffic)")
		return nil
	}
	select {
	case <-time.After(b.limits.cancel):
	case <-ctx.Done():
		return ctx.Err()
	}
	before, err := b.traffic(ctx)
	if err != nil {
		return err
	}
	time.Sleep(b.limits.slack)
	after, err := b.traffic(ctx)
	if err != nil {
		return err
	}
	if after != before {
		return fails(fmt.Sprintf("nothing to be sent to the vehicle %v after the feed was cancelled", b.limits.cancel), "stop polling when the stream's context ends", "%d frames", after-before)
	}
	return nil
}
