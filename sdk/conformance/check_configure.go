// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

import (
	"context"
	"slices"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
)

func configureChecks() []check {
	return []check{
		{Item: core("F1", "an unusable configuration is refused, with each thing that is wrong", "F1"), needs: needDescribed, run: refusesConfiguration},
		{Item: core("F2", "a configuration that is only checked changes nothing", "F2"), needs: needDevice, run: onlyChecks},
		{Item: core("F3", "nothing of devices before the first configuration", "F3"), needs: needConfigured, run: unconfigured},
		{Item: core("F4", "no configuration while a device is open", "F4"), needs: needDevice, run: configuresClosedOnly},
	}
}

func refusesConfiguration(ctx context.Context, b *bench) error {
	l, err := b.launch(ctx, launch{})
	if err != nil {
		return err
	}
	if b.o.BadConfiguration == "" && l.configure(ctx, b.badConfiguration(), true) == nil {
		return skip("the adapter takes any text as its configuration, and none is known that it must refuse (BadConfiguration, --bad-config)")
	}
	if len(b.o.BadFields) == 0 {
		b.blindf("whether each thing that is wrong is named: the fields are not known (BadFields, --bad-field)")
	}
	for _, validateOnly := range []bool{true, false} {
		if err := b.refused(l.configure(ctx, b.badConfiguration(), validateOnly)); err != nil {
			return err
		}
	}
	return nil
}

// refused looks at the refusal of a bad configuration.
func (b *bench) refused(err error) error {
	const advice = "check the whole configuration, and return INVALID_ARGUMENT with one BadRequest.FieldViolation for each thing that is wrong"
	call := "Configure with " + quote(b.badConfiguration())
	if err := wants(call, err, codes.InvalidArgument, advice); err != nil {
		return err
	}
	var fields []string
	for _, d := range status.Convert(err).Details() {
		bad, ok := d.(*errdetails.BadRequest)
		if !ok {
			continue
		}
		for _, v := range bad.GetFieldViolations() {
			if v.GetField() == "" || v.GetDescription() == "" {
				return fails("a field and a description in each violation", advice, "the field %q with the description %q", v.GetField(), v.GetDescription())
			}
			fields = append(fields, v.GetField())
		}
	}
	if len(fields) == 0 {
		return fails("a google.rpc.BadRequest with violations", advice, "none in %s", describe(err))
	}
	for _, field := range b.o.BadFields {
		if !slices.Contains(fields, field) {
			return fails("a violation of the field "+field, advice, "violations of %s", list(fields))
		}
	}
	return nil
}

func onlyChecks(ctx context.Context, b *bench) error {
	l, err := b.launch(ctx, launch{})
	if err != nil {
		return err
	}
	const advice = "with validate_only, check and answer, and keep nothing"
	_, before := l.list(ctx)
	if err := l.configure(ctx, b.o.Configuration, true); err != nil {
		return fails("Configure with validate_only to accept what it accepts without", advice, "%s", describe(err))
	}
	if _, err := l.list(ctx); err == nil && before != nil {
		return fails("the adapter to be still without a configuration after validate_only", advice, "that ListDevices was answered")
	}
	if err := l.configure(ctx, b.o.Configuration, false); err != nil {
		return unproven("Configure ended with %s", describe(err))
	}
	_ = l.configure(ctx, b.badConfiguration(), true)
	if _, err := b.openListed(ctx, l); err != nil {
		return fails("the device to be as before after a bad configuration was only checked", advice, "%v", err)
	}
	return nil
}

func unconfigured(ctx context.Context, b *bench) error {
	l, err := b.launch(ctx, launch{})
	if err != nil {
		return err
	}
	device := b.device
	if device == "" {
		device = strangerDevice
	}
	const advice = "until Configure has succeeded, refuse with FAILED_PRECONDITION (NOT_CONFIGURED)"
	_, list := l.list(ctx)
	_, open := l.OpenDevice(ctx, &adapterv1beta1.OpenDeviceRequest{DeviceId: device})
	_, closing := l.CloseDevice(ctx, &adapterv1beta1.CloseDeviceRequest{DeviceId: device})
	calls := []provoked{{call: "ListDevices before Configure", err: list}, {call: "OpenDevice before Configure", err: open}, {call: "CloseDevice before Configure", err: closing}}
	if b.described(ProfileFeed) {
		calls = append(calls, provoked{call: "Feed before Configure", err: b.secondFeed(ctx, l)})
	}
	if b.described(ProfileLink) {
		_, err := l.ask(ctx, b.o.Requests.Answered, askTimeout)
		calls = append(calls, provoked{call: "SendRequest before Configure", err: err})
	}
	for _, c := range calls {
		if err := wants(c.call, c.err, codes.FailedPrecondition, advice); err != nil {
			return err
		}
	}
	return nil
}

func configuresClosedOnly(ctx context.Context, b *bench) error {
	l, _, err := b.opened(ctx, launch{})
	if err != nil {
		return err
	}
	const advice = "refuse Configure while a device is open, but answer validate_only at any time"
	if err := wants("Configure while a device is open", l.configure(ctx, b.o.Configuration, false), codes.FailedPrecondition, advice); err != nil {
		return err
	}
	if err := l.configure(ctx, b.o.Configuration, true); err != nil {
		return fails("Configure with validate_only to be answered while a device is open", advice, "%s", describe(err))
	}
	if err := l.close(ctx); err != nil {
		return unproven("CloseDevice ended with %s", describe(err))
	}
	return wants("Configure after the device was closed", l.configure(ctx, b.o.Configuration, false), codes.OK, advice)
}
