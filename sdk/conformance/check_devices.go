// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

import (
	"context"
	"fmt"
	"slices"
	"time"

	"google.golang.org/grpc/codes"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
)

const needsUnplug = "hands that unplug and replug the device"

func deviceChecks() []check {
	return []check{
		{Item: core("L1", "ids are unique and stay", "L1"), needs: needDevice, run: steadyIDs},
		{Item: core("L2", "looking for devices disturbs none", "L2"), needs: needDevice, counts: true, run: looksQuietly},
		{Item: core("L3", "no device is no error", "L3").needing(needsUnplug), needs: needDevice, alone: true, lacks: lacksUnplug, run: listsNothing},
		{Item: core("O1", "an id that was not listed is not found", "O1"), needs: needConfigured, run: unlisted},
		{Item: core("O2", "a device is opened once", "O2"), needs: needDevice, run: opensOnce},
		{Item: core("O3", "hardware that is gone is unavailable", "O3").needing(needsUnplug), needs: needDevice, alone: true, lacks: lacksUnplug, run: unplugged},
		{Item: core("O4", "a failed opening holds nothing", "O4").needing(needsUnplug), needs: needDevice, alone: true, lacks: lacksUnplug, run: holdsNothing},
		{Item: core("X1", "closing twice succeeds", "X1"), needs: needDevice, run: closesTwice},
		{Item: feed("X2", "the feed ends before its device is closed", "X2"), needs: needDevice, run: endsWithDevice},
		{Item: core("X3", "a closed device can be opened again", "X3"), needs: needDevice, run: opensAgain},
		{Item: core("X3-100", "opening and closing leaves nothing behind", "X3"), process: true, needs: needDevice, lacks: lacksMeasure, run: leavesNothing},
	}
}

func lacksUnplug(k *kit) string {
	if k.o.Hardware.Unplug == nil {
		return "nobody unplugs the device (Hardware.Unplug and Replug, --unplug and --replug)"
	}
	return ""
}

func lacksMeasure(*kit) string {
	if !canMeasure {
		return "this system does not tell what another process uses"
	}
	return ""
}

func steadyIDs(ctx context.Context, b *bench) error {
	var first []string
	// A device that stays plugged in outlives the adapter's process, which a host may start again at any time.
	for range 2 {
		l, err := b.configured(ctx, launch{})
		if err != nil {
			return err
		}
		for range 3 {
			devices, err := l.list(ctx)
			if err != nil {
				return unproven("ListDevices ended with %s", describe(err))
			}
			ids := make([]string, len(devices))
			for i, d := range devices {
				ids[i] = d.GetId()
				if slices.Contains(ids[:i], ids[i]) {
					return fails("each id once", "give two devices two ids, by serial number or port", "%q twice", ids[i])
				}
			}
			slices.Sort(ids)
			if first == nil {
				first = ids
			}
			if !slices.Equal(first, ids) {
				return fails("the same ids at every look, in every process", "derive the id from what stays, such as serial number or port", "%s, then %s", list(first), list(ids))
			}
		}
	}
	return nil
}

func looksQuietly(ctx context.Context, b *bench) error {
	l, err := b.configured(ctx, launch{})
	if err != nil {
		return err
	}
	if err := b.sendsNothing(ctx, l); err != nil {
		return err
	}
	if _, err := b.openListed(ctx, l); err != nil {
		return err
	}
	look := func() error {
		for range 5 {
			if _, err := l.list(ctx); err != nil {
				return unproven("ListDevices ended with %s", describe(err))
			}
		}
		return nil
	}
	const advice = "do not touch what is open while you look"
	if !b.described(ProfileFeed) {
		if err := look(); err != nil {
			return err
		}
		if _, err := l.ask(ctx, b.o.Requests.Answered, askTimeout); err != nil {
			return fails("requests to be answered after a look", advice, "%s", describe(err))
		}
		return nil
	}
	t, err := b.flowing(ctx, l)
	if err != nil {
		return err
	}
	defer t.close()
	if err := look(); err != nil {
		return err
	}
	if err := b.disturbed(t); err != nil {
		return fails("the feed to go on without a gap while devices are listed", advice, "%v", err)
	}
	return nil
}

// sendsNothing looks for devices while nothing is open.
func (b *bench) sendsNothing(ctx context.Context, l *life) error {
	if b.o.Hardware.Traffic == nil {
		b.blindf("that nothing is sent to the vehicle: nobody counts the traffic (Hardware.Traffic, --traffic)")
		return nil
	}
	before, err := b.traffic(ctx)
	if err != nil {
		return err
	}
	if _, err := l.list(ctx); err != nil {
		return unproven("ListDevices ended with %s", describe(err))
	}
	after, err := b.traffic(ctx)
	if err != nil {
		return err
	}
	if after != before {
		return fails("nothing to be sent to the vehicle by ListDevices", "look for the hardware only, the vehicle is met when the device is opened", "%d frames", after-before)
	}
	return nil
}

// unplug takes the device away; the returned function brings it back.
func (b *bench) unplug(ctx context.Context) (replug func() error, err error) {
	if err := b.o.Hardware.Unplug(ctx); err != nil {
		return nil, unproven("the device cannot be unplugged: %w", err)
	}
	return func() error {
		// Even where the check has run out of time: the next one needs the device.
		if err := b.o.Hardware.Replug(context.WithoutCancel(ctx)); err != nil {
			return unproven("the device cannot be plugged in again: %w", err)
		}
		return nil
	}, nil
}

// whileUnplugged runs a step without the device.
func (b *bench) whileUnplugged(ctx context.Context, step func() error) error {
	replug, err := b.unplug(ctx)
	if err != nil {
		return err
	}
	err = step()
	if failed := replug(); err == nil {
		err = failed
	}
	return err
}

func listsNothing(ctx context.Context, b *bench) error {
	l, err := b.configured(ctx, launch{})
	if err != nil {
		return err
	}
	return b.whileUnplugged(ctx, func() error {
		devices, err := l.list(ctx)
		if err != nil {
			return fails("an empty list without the device", "answer with an empty list", "%s", describe(err))
		}
		if slices.ContainsFunc(devices, func(d *adapterv1beta1.Device) bool { return d.GetId() == b.device }) {
			return fails("a list without the device that is unplugged", "list what is there now", "device %q", b.device)
		}
		return nil
	})
}

func unlisted(ctx context.Context, b *bench) error {
	l, err := b.configured(ctx, launch{})
	if err != nil {
		return err
	}
	for _, id := range []string{strangerDevice, ""} {
		_, err := l.OpenDevice(ctx, &adapterv1beta1.OpenDeviceRequest{DeviceId: id})
		if err := wants(fmt.Sprintf("OpenDevice of %q", id), err, codes.NotFound, "open only what was listed, and answer NOT_FOUND (NO_SUCH_DEVICE) to any other id"); err != nil {
			return err
		}
	}
	return nil
}

func opensOnce(ctx context.Context, b *bench) error {
	l, _, err := b.opened(ctx, launch{})
	if err != nil {
		return err
	}
	_, err = l.open(ctx)
	return wants("a second OpenDevice of "+b.device, err, codes.FailedPrecondition, "remember what is open and refuse it with BUSY")
}

func unplugged(ctx context.Context, b *bench) error {
	l, err := b.configured(ctx, launch{})
	if err != nil {
		return err
	}
	if _, err := l.list(ctx); err != nil {
		return unproven("ListDevices ended with %s", describe(err))
	}
	return b.whileUnplugged(ctx, func() error {
		_, err := l.open(ctx)
		return wants("OpenDevice of a device that was listed and then unplugged", err, codes.Unavailable, "answer UNAVAILABLE (UNPLUGGED) where the hardware is gone")
	})
}

func holdsNothing(ctx context.Context, b *bench) error {
	l, err := b.configured(ctx, launch{})
	if err != nil {
		return err
	}
	if _, err := l.list(ctx); err != nil {
		return unproven("ListDevices ended with %s", describe(err))
	}
	opened := false
	err = b.whileUnplugged(ctx, func() error {
		_, err := l.open(ctx)
		opened = err == nil
		return nil
	})
	if err != nil || opened {
		return err
	}
	if _, err := l.open(ctx); err != nil {
		return fails("the device to be open for use once it is plugged in again", "where OpenDevice fails, close all that it has opened, and forget that it was asked", "%s", describe(err))
	}
	return nil
}

func closesTwice(ctx context.Context, b *bench) error {
	l, err := b.configured(ctx, launch{})
	if err != nil {
		return err
	}
	const advice = "let CloseDevice succeed where there is nothing to close"
	if err := wants("CloseDevice before OpenDevice", l.close(ctx), codes.OK, advice); err != nil {
		return err
	}
	if _, err := b.openListed(ctx, l); err != nil {
		return err
	}
	if err := l.close(ctx); err != nil {
		return unproven("CloseDevice ended with %s", describe(err))
	}
	return wants("a second CloseDevice", l.close(ctx), codes.OK, advice)
}

func endsWithDevice(ctx context.Context, b *bench) error {
	l, _, err := b.opened(ctx, launch{})
	if err != nil {
		return err
	}
	t, err := b.flowing(ctx, l)
	if err != nil {
		return err
	}
	defer t.close()
	if err := l.close(ctx); err != nil {
		return unproven("CloseDevice ended with %s", describe(err))
	}
	const advice = "end the feed with ABORTED (CLOSED), and answer CloseDevice when that has been sent"
	// The end and the answer came on one connection, the end first; it may be read a moment later.
	over, end := t.ended(b.limits.jitter)
	if !over {
		return fails("the feed to have ended when CloseDevice is answered", advice, "that it goes on")
	}
	return wants("the feed of a device that is closed", end, codes.Aborted, advice)
}

func opensAgain(ctx context.Context, b *bench) error {
	l, _, err := b.opened(ctx, launch{})
	if err != nil {
		return err
	}
	const advice = "release all of the hardware before CloseDevice is answered"
	for range 3 {
		if err := l.close(ctx); err != nil {
			return unproven("CloseDevice ended with %s", describe(err))
		}
		if _, err := l.open(ctx); err != nil {
			return fails("OpenDevice to succeed after CloseDevice", advice, "%s", describe(err))
		}
	}
	if err := l.close(ctx); err != nil {
		return unproven("CloseDevice ended with %s", describe(err))
	}
	if !b.target.hosted() {
		b.blindf("that another process can open the device: the adapter is checked in process")
		return nil
	}
	other, err := b.configured(ctx, launch{})
	if err != nil {
		return err
	}
	if _, err := b.openListed(ctx, other); err != nil {
		return fails("another process to be able to open the device after CloseDevice", advice, "%v", err)
	}
	return nil
}

const (
	// warmUp openings let caches and pools fill.
	warmUp = 10
	// fewFiles may come and go in a language's runtime.
	fewFiles = 8
	// someMemory may do so too.
	someMemory = 16 << 20
)

func leavesNothing(ctx context.Context, b *bench) error {
	l, _, err := b.opened(ctx, launch{})
	if err != nil {
		return err
	}
	pid := l.process.cmd.Process.Pid
	cycle := func() error {
		if err := l.close(ctx); err != nil {
			return unproven("CloseDevice ended with %s", describe(err))
		}
		if _, err := l.open(ctx); err != nil {
			return unproven("OpenDevice ended with %s", describe(err))
		}
		return nil
	}
	for range min(warmUp, b.limits.openings) {
		if err := cycle(); err != nil {
			return err
		}
	}
	before, began, done := measure(pid), time.Now(), 0
	for ; done < b.limits.openings && time.Since(began) < b.o.Timeout/2; done++ {
		if err := cycle(); err != nil {
			return err
		}
	}
	after := measure(pid)
	if done < b.limits.openings {
		b.blindf("of more than %d openings, which took %v", done, time.Since(began).Round(time.Second))
	}
	const advice = "close everything that OpenDevice opens, and end what it starts"
	if grown := after.files - before.files; grown > fewFiles {
		return fails(fmt.Sprintf("as many open descriptors after %d openings as before", done), advice, "%d more", grown)
	}
	if grown := after.memory - before.memory; grown > someMemory {
		return fails(fmt.Sprintf("no more memory after %d openings than before", done), advice, "%d KiB more", grown>>10)
	}
	return nil
}
