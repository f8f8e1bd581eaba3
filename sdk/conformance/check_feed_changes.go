// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

import (
	"context"
	"slices"
	"time"

	"google.golang.org/grpc/codes"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
)

// changesWanted wants one signal, then another or none, then the first again.
func changesWanted(ctx context.Context, b *bench) error {
	l, _, err := b.opened(ctx, launch{})
	if err != nil {
		return err
	}
	t, err := b.flowing(ctx, l)
	if err != nil {
		return err
	}
	defer t.close()
	one, other := twoThatFlow(t, b.o.SampleTimeout)
	if one == "" {
		return unproven("the samples that came belong to no signal")
	}
	for _, wanted := range [][]string{{one}, other} {
		if err := b.change(t, wanted); err != nil {
			return err
		}
	}
	if err := b.stopped(t, other); err != nil {
		return err
	}
	if err := b.change(t, []string{one}); err != nil {
		return err
	}
	return sameStream(t)
}

// twoThatFlow picks a signal of which samples came, and another if there is one.
func twoThatFlow(t *tap, limit time.Duration) (one string, other []string) {
	var paths []string
	answer := t.subscribed(1, 0)
	t.await(limit, func(all []arrival) bool {
		paths = nil
		for _, s := range samples(all) {
			if s.path != "" && !slices.Contains(paths, s.path) {
				paths = append(paths, s.path)
			}
		}
		return len(paths) > 1 || len(paths) > 0 && len(answer.GetSignals()) == 1
	})
	switch len(paths) {
	case 0:
		return "", nil
	case 1:
		return paths[0], nil
	default:
		return paths[0], paths[1:2]
	}
}

const changeAdvice = "read the stream's further messages while samples are sent, answer each, and go on with the same numbers"

// change wants other signals and sees that they come.
func (b *bench) change(t *tap, wanted []string) error {
	before, _ := t.soFar()
	answers := countSubscribed(before)
	if err := t.want(recordRate, wanted...); err != nil {
		return fails("the stream to take another wish", changeAdvice, "%s", describe(err))
	}
	if t.subscribed(answers+1, b.o.CallTimeout) == nil {
		why := "none"
		if over, err := t.ended(0); over {
			why = "that the feed ended with " + describe(err)
		}
		return fails("an answer to the change", changeAdvice, "%s", why)
	}
	changed, _ := t.soFar()
	if len(wanted) > 0 && !t.flows(len(changed), b.o.SampleTimeout) {
		return fails("samples of "+list(wanted)+" after the change", changeAdvice, "none within %v", b.o.SampleTimeout)
	}
	return nil
}

// stopped sees that what is not wanted any longer stops.
func (b *bench) stopped(t *tap, wanted []string) error {
	// What was under way may still come.
	settled := time.Now().Add(b.limits.batch + b.limits.slack)
	t.await(time.Until(settled.Add(b.limits.slack)), func([]arrival) bool { return false })
	all, _ := t.soFar()
	for a, s := range samples(all) {
		if a.at.After(settled) && !slices.Contains(wanted, s.path) {
			return fails("no more samples of what is not wanted any longer", changeAdvice, "a sample of %s, wanted %s", s.path, list(wanted))
		}
	}
	return nil
}

func countSubscribed(all []arrival) int {
	n := 0
	for _, a := range all {
		if a.message.GetSubscribed() != nil {
			n++
		}
	}
	return n
}

// sameStream sees that numbers and positions went on over all changes.
func sameStream(t *tap) error {
	all, _ := t.soFar()
	var known []*adapterv1beta1.FeedSignal
	last := int64(0)
	for _, a := range all {
		if s := a.message.GetSubscribed(); s != nil {
			for i, before := range known {
				if i >= len(s.GetSignals()) || s.GetSignals()[i].GetPath() != before.GetPath() {
					return fails("each signal to keep its position", "append new signals to the list, and take none away", "%s no longer at position %d", before.GetPath(), i)
				}
			}
			known = s.GetSignals()
		}
		if m := a.batch(); m != nil {
			if m.GetSequence() <= last {
				return fails("the numbers of batches to go on over a change", "count on where the feed was", "%d after %d", m.GetSequence(), last)
			}
			last = m.GetSequence()
		}
	}
	return nil
}

func feedUnplugged(ctx context.Context, b *bench) error {
	l, _, err := b.opened(ctx, launch{})
	if err != nil {
		return err
	}
	t, err := b.flowing(ctx, l)
	if err != nil {
		return err
	}
	defer t.close()
	return b.whileUnplugged(ctx, func() error {
		const advice = "end the stream with UNAVAILABLE (UNPLUGGED) when the hardware is gone"
		over, end := t.ended(b.o.SampleTimeout)
		if !over {
			return fails("the feed to end when the device is unplugged", advice, "that it went on for %v", b.o.SampleTimeout)
		}
		return wants("the feed of a device that is unplugged", end, codes.Unavailable, advice)
	})
}

func feedSilenced(ctx context.Context, b *bench) error {
	l, _, err := b.opened(ctx, launch{})
	if err != nil {
		return err
	}
	t, err := b.flowing(ctx, l)
	if err != nil {
		return err
	}
	defer t.close()
	if err := b.o.Hardware.Silence(ctx); err != nil {
		return unproven("the vehicle cannot be silenced: %w", err)
	}
	at, silent := b.reported(t, 0, "a link state that says so", func(a arrival) bool {
		c := a.message.GetLinkState().GetCondition()
		return c == adapterv1beta1.LinkCondition_LINK_CONDITION_SILENT || c == adapterv1beta1.LinkCondition_LINK_CONDITION_BUS_ERRORS
	})
	if err := b.o.Hardware.Wake(context.WithoutCancel(ctx)); err != nil {
		return unproven("the vehicle cannot be woken: %w", err)
	}
	if silent != nil {
		return silent
	}
	if _, err := b.reported(t, at, "a link state that says that it is up again", func(a arrival) bool {
		return a.message.GetLinkState().GetCondition() == adapterv1beta1.LinkCondition_LINK_CONDITION_UP
	}); err != nil {
		return err
	}
	_, err = b.reported(t, at, "a gap that marks the silence", func(a arrival) bool { return a.batch().GetGap() != nil })
	return err
}

// reported waits for a message of a feed, and says at which place it came.
func (b *bench) reported(t *tap, from int, what string, is func(arrival) bool) (at int, err error) {
	if t.await(b.o.SampleTimeout, func(all []arrival) bool {
		at = slices.IndexFunc(all[min(from, len(all)):], is)
		return at >= 0
	}) {
		return from + at, nil
	}
	what += " when the vehicle falls silent"
	const advice = "keep the stream open when the vehicle falls silent, report LinkState, try on, and mark the gap when samples come again"
	if over, err := t.ended(0); over {
		return 0, fails(what, advice, "that the feed ended with %s", describe(err))
	}
	return 0, fails(what, advice, "none within %v", b.o.SampleTimeout)
}
