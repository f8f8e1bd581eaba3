// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
)

// lifeChecks look at how an adapter ends.
func lifeChecks() []check {
	return []check{
		{Item: core("K1", "it ends with its host, however the host ends", "K1"), process: true, needs: needDevice, run: endsWithHost},
		{Item: core("K2", "it ends when no host holds it", "K2"), process: true, needs: needDescribed, idle: true, run: endsAlone},
		{Item: core("K3", "the lifeline beats", "K3"), needs: needDescribed, idle: true, run: beats},
		{Item: core("Q1", "it shuts down", "Q1"), needs: needDevice, run: shutsDown},
		{Item: core("Q2", "it may be shut down twice", "Q2"), needs: needDescribed, run: shutsDownTwice},
	}
}

// endsWithHost breaks the lifeline in each way in which a host can end.
func endsWithHost(ctx context.Context, b *bench) error {
	l, _, err := b.opened(ctx, launch{level: "debug"})
	if err != nil {
		return err
	}
	for _, way := range []struct {
		name string
		cut  func(*life)
	}{
		{"the lifeline was cancelled", func(l *life) { l.cut() }},
		{"the connection was cut", func(l *life) { _ = l.connection.Close() }},
		// What is left of a host that was killed: no connection, and pipes that nobody reads.
		{"the host was killed", func(l *life) { l.process.sever(); _ = l.connection.Close() }},
	} {
		if l, err = b.endsAfter(ctx, l, way.name, way.cut); err != nil {
			return err
		}
	}
	b.blindf("how long traffic goes on before the process is gone")
	return nil
}

const endAdvice = "when the Lifeline call ends, close the hardware and exit, whatever else is going on; a broken standard error must not hold you up"

// endsAfter cuts the lifeline of an adapter that is at work. The next one must be able to open the device.
func (b *bench) endsAfter(ctx context.Context, l *life, way string, cut func(*life)) (next *life, err error) {
	if b.described(ProfileFeed) {
		t, err := b.flowing(ctx, l)
		if err != nil {
			return nil, err
		}
		defer t.close()
	}
	broken := time.Now()
	cut(l)
	if _, gone := l.process.exitsWithin(broken, b.limits.lifelineExit+b.limits.slack); !gone {
		return nil, fails(fmt.Sprintf("the process to be gone %v after %s", b.limits.lifelineExit, way), endAdvice, "that it still runs")
	}
	// With all there is to log, so that an adapter that cannot write its log any more shows it.
	next, err = b.configured(ctx, launch{level: "debug"})
	if err != nil {
		return nil, err
	}
	if _, err := b.openListed(ctx, next); err != nil {
		return nil, fails("the hardware to be free for the next process after "+way, endAdvice, "%v", err)
	}
	return next, nil
}

func endsAlone(ctx context.Context, b *bench) error {
	l, err := b.launch(ctx, launch{noLife: true})
	if err != nil {
		return err
	}
	// Calls are no lifeline.
	if err := l.serves(ctx); err != nil {
		return err
	}
	const advice = "start a timer when you begin to serve, and exit when it ends without a Lifeline call"
	expected := fmt.Sprintf("the process to exit by itself %v after its start", b.limits.noLifeline)
	// What "within" leaves open, and some room for a slow start.
	const room = 3 * time.Second
	took, gone := l.process.exitsWithin(l.process.started, b.limits.noLifeline+room)
	if !gone {
		return fails(expected, advice, "that it still runs after %v", b.limits.noLifeline+room)
	}
	if took < b.limits.noLifeline-b.limits.slack {
		return fails(expected, "wait the whole time for a host", "that it ended after %v", took.Round(time.Millisecond))
	}
	return nil
}

func beats(ctx context.Context, b *bench) error {
	l, err := b.launch(ctx, launch{})
	if err != nil {
		return err
	}
	opened := time.Now()
	const advice = "send the first message when the call begins, and the next each second, whatever else the adapter does"
	var last time.Time
	for n := range 4 {
		since, limit := opened, b.limits.slack
		if n > 0 {
			since, limit = last, b.limits.beat+b.limits.slack
		}
		got, err := l.nthBeat(ctx, n, time.Until(since.Add(limit)))
		if err != nil {
			return err
		}
		if got == nil {
			return fails(fmt.Sprintf("message %d of the lifeline within %v", n+1, limit), advice, "none")
		}
		if early := got.at.Sub(since); n > 0 && early < b.limits.beat/2 {
			return fails(fmt.Sprintf("%v between two messages", b.limits.beat), advice, "%v", early.Round(time.Millisecond))
		}
		last = got.at
	}
	heard, _ := l.clock.heard()
	for i := 1; i < len(heard); i++ {
		there, here := time.Duration(heard[i].now-heard[i-1].now)*time.Microsecond, heard[i].at.Sub(heard[i-1].at)
		if (there - here).Abs() > b.limits.slack {
			return fails("now_us to run as fast as time does, in microseconds", "send the monotonic clock with each message", "%v in %v", there, here.Round(time.Millisecond))
		}
	}
	return nil
}

// nthBeat waits for a message of the lifeline, from 0; nil where it does not come.
func (l *life) nthBeat(ctx context.Context, n int, limit time.Duration) (*beat, error) {
	timer := time.NewTimer(limit)
	defer timer.Stop()
	for {
		heard, news := l.clock.heard()
		if len(heard) > n {
			return &heard[n], nil
		}
		select {
		case <-news:
		case <-timer.C:
			return nil, nil //nolint:nilnil // it did not come, which is no error of the kit
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
}

func shutsDown(ctx context.Context, b *bench) error {
	l, _, err := b.opened(ctx, launch{})
	if err != nil {
		return err
	}
	const advice = "in Shutdown end all streams, close all devices, answer, and exit soon after"
	var t *tap
	if b.described(ProfileFeed) {
		if t, err = b.flowing(ctx, l); err != nil {
			return err
		}
		defer t.close()
	}
	if _, err := l.Shutdown(ctx, &adapterv1beta1.ShutdownRequest{}); err != nil {
		return fails("Shutdown to be answered", advice, "%s", describe(err))
	}
	answered := time.Now()
	if t != nil {
		if over, _ := t.ended(b.limits.slack); !over {
			return fails("the feed to have ended when Shutdown is answered", advice, "that it goes on")
		}
	}
	select {
	case <-l.lifeOver:
	case <-time.After(b.limits.slack):
		return fails("the lifeline to have ended when Shutdown is answered", advice, "that it goes on")
	}
	if l.process == nil {
		b.blindf("that the process exits: the adapter is checked in process")
		return nil
	}
	if _, gone := l.process.exitsWithin(answered, b.limits.shutdownExit+b.limits.slack); !gone {
		return fails(fmt.Sprintf("the process to be gone %v after Shutdown was answered", b.limits.shutdownExit), advice, "that it still runs")
	}
	return nil
}

func shutsDownTwice(ctx context.Context, b *bench) error {
	l, err := b.launch(ctx, launch{})
	if err != nil {
		return err
	}
	if _, err := l.Shutdown(ctx, &adapterv1beta1.ShutdownRequest{}); err != nil {
		return unproven("Shutdown ended with %s", describe(err))
	}
	_, err = l.Shutdown(ctx, &adapterv1beta1.ShutdownRequest{})
	if status.Code(err) == codes.Unavailable && l.process != nil {
		if _, gone := l.process.exitsWithin(time.Now(), b.limits.shutdownExit); gone {
			return nil // it has ended already, and nobody is left to be asked
		}
	}
	return wants("a second Shutdown", err, codes.OK, "let Shutdown succeed as often as it is called")
}
