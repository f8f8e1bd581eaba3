// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
)

// askTimeout is how long a request of the kit waits for its first answer.
const askTimeout = 2 * time.Second

// quickOpening is an OpenDevice that is over before it can be cancelled with any certainty.
const quickOpening = 100 * time.Millisecond

// callChecks look at what holds for all calls.
func callChecks() []check {
	return []check{
		{Item: core("C3", "a cancelled call lets go at once", "C3"), needs: needDevice, run: letsGo},
		{Item: core("C4", "a call that fails changes nothing", "C4"), needs: needDevice, run: failureChangesNothing},
		{Item: core("C5", "fields of a newer host are ignored", "C5"), needs: needDevice, run: unknownFields},
		{Item: core("E1", "errors carry domain and reason", "E1"), needs: needDevice, run: errorDetails},
		{Item: core("D1", "the description stays the same", "D1"), needs: needDevice, run: sameDescription},
		{Item: core("D2", "what is not described is refused", "D2"), needs: needDevice, lacks: describesAll, run: refusesUndescribed},
	}
}

// letsGo gives up calls and sees that the adapter is free soon after. Who cancels a call learns nothing of what goes on in
// the adapter, so only what comes next can show it.
func letsGo(ctx context.Context, b *bench) error {
	l, err := b.configured(ctx, launch{})
	if err != nil {
		return err
	}
	if err := b.givesUpOpening(ctx, l); err != nil {
		return err
	}
	if !b.described(ProfileLink) {
		b.blindf("of a request that is cancelled: the adapter has no link")
		return nil
	}
	return b.givesUpAsking(ctx, l)
}

func (b *bench) givesUpOpening(ctx context.Context, l *life) error {
	began := time.Now()
	if _, err := b.openListed(ctx, l); err != nil {
		return err
	}
	usual := time.Since(began)
	if err := l.close(ctx); err != nil {
		return unproven("CloseDevice ended with %s", describe(err))
	}
	if usual < quickOpening {
		b.blindf("of OpenDevice: it takes less than %v, too short to be cancelled on the way", quickOpening)
		_, err := l.open(ctx)
		return err
	}
	half, cancel := context.WithTimeout(ctx, usual/2)
	defer cancel()
	_, _ = l.open(half) // what it says is known
	<-half.Done()
	late := time.Now()
	const advice = "hand the call's context down to all that waits, and stop when it ends"
	_, err := l.open(ctx)
	if status.Code(err) == codes.FailedPrecondition { // it was just quick enough
		if err := l.close(ctx); err != nil {
			return unproven("CloseDevice ended with %s", describe(err))
		}
		_, err = l.open(ctx)
	}
	if err != nil {
		return fails("the device to be open for others once OpenDevice was cancelled", advice, "that OpenDevice ended with %s", describe(err))
	}
	if took := time.Since(late); took > 2*usual+b.limits.cancel+b.limits.slack {
		return fails(fmt.Sprintf("the device to be free %v after OpenDevice was cancelled", b.limits.cancel), advice,
			"that opening it again took %v, where %v is usual", took.Round(time.Millisecond), usual.Round(time.Millisecond))
	}
	return nil
}

func (b *bench) givesUpAsking(ctx context.Context, l *life) error {
	began := time.Now()
	if _, err := l.ask(ctx, b.o.Requests.Answered, askTimeout); err != nil {
		return unproven("SendRequest of %s ended with %s", b.o.Requests.Answered, describe(err))
	}
	usual := time.Since(began)
	long := b.o.Requests.Silent
	if len(long.Payload) == 0 {
		long = b.o.Requests.Answered
		b.blindf("of a request that waits for long: none is known that nobody answers (Requests.Silent, --silent)")
	}
	brief, cancel := context.WithTimeout(ctx, 200*time.Millisecond)
	defer cancel()
	_, _ = l.ask(brief, long, 5*time.Second) // it may have been quick enough
	<-brief.Done()
	late := time.Now()
	if _, err := l.ask(ctx, b.o.Requests.Answered, askTimeout); err != nil {
		return fails("the next request to be answered", "a request that was cancelled must leave nothing behind", "%s", describe(err))
	}
	if took := time.Since(late); took > usual+b.limits.cancel+b.limits.slack {
		return fails(fmt.Sprintf("the next request to be served %v after the one before was cancelled", b.limits.cancel),
			"wait for the vehicle and for the call's context at the same time", "that it took %v, where %v is usual", took.Round(time.Millisecond), usual.Round(time.Millisecond))
	}
	return nil
}

// failureChangesNothing lets calls fail and looks whether all is as before. A call that does not fail is for other checks
// to judge.
func failureChangesNothing(ctx context.Context, b *bench) error {
	l, err := b.configured(ctx, launch{})
	if err != nil {
		return err
	}
	b.blindf("of calls that the kit cannot make fail")
	if l.configure(ctx, b.badConfiguration(), false) != nil {
		devices, err := l.list(ctx)
		if err != nil || !slices.ContainsFunc(devices, func(d *adapterv1beta1.Device) bool { return d.GetId() == b.device }) {
			return fails("the device to be listed as before after a configuration was refused", "check all of a configuration before you use any of it",
				"%s and %d devices", describe(err), len(devices))
		}
	}
	if _, err := l.OpenDevice(ctx, &adapterv1beta1.OpenDeviceRequest{DeviceId: strangerDevice}); err == nil {
		return nil
	}
	if _, err := l.open(ctx); err != nil {
		return fails("the device to be open for use after another could not be opened", "leave all as it was where OpenDevice fails", "%s", describe(err))
	}
	if b.described(ProfileFeed) {
		if err := b.feedOutlives(ctx, l); err != nil {
			return err
		}
	}
	if b.described(ProfileLink) {
		return b.linkOutlives(ctx, l)
	}
	return nil
}

// badConfiguration is what an adapter should refuse.
func (k *kit) badConfiguration() string {
	if k.o.BadConfiguration != "" {
		return k.o.BadConfiguration
	}
	return "{ this is no JSON"
}

// feedOutlives sees that a feed goes on while calls are refused.
func (b *bench) feedOutlives(ctx context.Context, l *life) error {
	t, err := b.flowing(ctx, l)
	if err != nil {
		return err
	}
	defer t.close()
	for _, refused := range []struct {
		name string
		call func() error
	}{
		{"a second OpenDevice", func() error { _, err := l.open(ctx); return err }},
		{"a Configure", func() error { return l.configure(ctx, b.o.Configuration, false) }},
		{"a second feed", func() error { return b.secondFeed(ctx, l) }},
	} {
		if refused.call() == nil {
			return nil
		}
		if err := b.disturbed(t); err != nil {
			return fails("the feed to go on after "+refused.name+" was refused", "refuse before you touch anything", "%v", err)
		}
	}
	return nil
}

func (b *bench) linkOutlives(ctx context.Context, l *life) error {
	for _, payload := range harmless() {
		if _, err := l.ask(ctx, Request{Payload: payload}, askTimeout); err == nil {
			return nil
		}
	}
	if _, err := l.ask(ctx, b.o.Requests.Answered, askTimeout); err != nil {
		return fails("a request to be answered after others were refused", "refuse before you touch anything", "%s", describe(err))
	}
	return nil
}

// disturbed waits for further samples, and says what has happened to the feed since it began; nil if nothing.
func (b *bench) disturbed(t *tap) error {
	before, _ := t.soFar()
	flows := t.flows(len(before), b.o.SampleTimeout)
	// Those samples may have been on their way already.
	if over, err := t.ended(b.limits.jitter); over {
		return fmt.Errorf("that it ended with %s", describe(err))
	}
	if !flows {
		return fmt.Errorf("no more samples within %v", b.o.SampleTimeout)
	}
	all, _ := t.soFar()
	last := int64(0)
	for _, m := range batches(all) {
		if m.GetSequence() <= last {
			return fmt.Errorf("that it began anew, with sequence %d after %d", m.GetSequence(), last)
		}
		if gap := m.GetGap(); gap != nil {
			return fmt.Errorf("a gap of %d µs", gap.GetEndUs()-gap.GetStartUs())
		}
		last = m.GetSequence()
	}
	return nil
}

// secondFeed tries to take a feed beside another; nil where that worked.
func (b *bench) secondFeed(ctx context.Context, l *life) error {
	t, err := b.takeFeed(ctx, l)
	if err != nil {
		return err
	}
	t.close()
	return nil
}

// takeFeed waits until a subscription is answered or refused.
func (b *bench) takeFeed(ctx context.Context, l *life) (*tap, error) {
	t, err := l.feed(ctx, recordRate, b.signals()...)
	if err != nil {
		return nil, err
	}
	if t.subscribed(1, b.o.CallTimeout) != nil {
		return t, nil
	}
	t.close()
	if err := t.why(); status.Code(err) != codes.Canceled {
		return nil, err
	}
	return nil, status.Error(codes.DeadlineExceeded, "neither an answer nor an error came")
}

// unknownFields adds a field to each request that no version knows.
func unknownFields(ctx context.Context, b *bench) error {
	l, err := b.launch(ctx, launch{})
	if err != nil {
		return err
	}
	const advice = "let the protobuf library keep fields that it does not know: a newer host sends them"
	calls := []struct {
		name string
		call func() error
	}{
		{"Describe", func() error { return marked(ctx, l.Describe, &adapterv1beta1.DescribeRequest{}) }},
		{"Configure", func() error {
			return marked(ctx, l.Configure, &adapterv1beta1.ConfigureRequest{ConfigurationJson: b.o.Configuration})
		}},
		{"ListDevices", func() error { return marked(ctx, l.ListDevices, &adapterv1beta1.ListDevicesRequest{}) }},
		{"OpenDevice", func() error {
			return marked(ctx, l.OpenDevice, &adapterv1beta1.OpenDeviceRequest{DeviceId: b.device})
		}},
		{"Feed", func() error { return b.markedFeed(ctx, l) }},
		{"SendRequest", func() error {
			if !b.described(ProfileLink) {
				return nil
			}
			return marked(ctx, l.SendRequest, l.request(b.o.Requests.Answered, askTimeout))
		}},
		{"CloseDevice", func() error {
			return marked(ctx, l.CloseDevice, &adapterv1beta1.CloseDeviceRequest{DeviceId: b.device})
		}},
		{"Shutdown", func() error { return marked(ctx, l.Shutdown, &adapterv1beta1.ShutdownRequest{}) }},
	}
	for _, c := range calls {
		if err := c.call(); err != nil {
			return fails(c.name+" with an unknown field to work as without", advice, "%s", describe(err))
		}
	}
	return nil
}

// mark adds field 1023 with the number 42 to a message.
func mark[M proto.Message](m M) M {
	m.ProtoReflect().SetUnknown([]byte{0xF8, 0x3F, 0x2A})
	return m
}

func marked[Q, A proto.Message, O any](ctx context.Context, call func(context.Context, Q, ...O) (A, error), request Q) error {
	_, err := call(ctx, mark(request))
	return err
}

func (b *bench) markedFeed(ctx context.Context, l *life) error {
	if !b.described(ProfileFeed) {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, b.o.CallTimeout)
	defer cancel()
	stream, err := l.Feed(ctx)
	if err != nil {
		return err
	}
	r := &adapterv1beta1.FeedRequest{DeviceId: b.device}
	for _, path := range b.signals() {
		r.Signals = append(r.Signals, mark(&adapterv1beta1.WantedSignal{Path: path}))
	}
	_ = stream.Send(mark(r)) // why it failed is told to the reader
	_, err = stream.Recv()
	return err
}

func sameDescription(ctx context.Context, b *bench) error {
	l, err := b.launch(ctx, launch{})
	if err != nil {
		return err
	}
	first, err := l.Describe(ctx, &adapterv1beta1.DescribeRequest{HostVersion: hostVersion})
	if err != nil {
		return unproven("Describe ended with %s", describe(err))
	}
	steps := []struct {
		after string
		step  func() error
	}{
		{"another host version was told", func() error { return nil }},
		{"Configure", func() error { return l.configure(ctx, b.o.Configuration, false) }},
		{"OpenDevice", func() error { _, err := b.openListed(ctx, l); return err }},
		{"CloseDevice", func() error { return l.close(ctx) }},
	}
	for _, s := range steps {
		if err := s.step(); err != nil {
			return unproven("%s failed: %w", s.after, err)
		}
		again, err := l.Describe(ctx, &adapterv1beta1.DescribeRequest{HostVersion: "2"})
		if err != nil {
			return fails("the same description after "+s.after, "answer Describe at any time", "%s", describe(err))
		}
		if !proto.Equal(first, again) {
			return fails("the same description after "+s.after, "fix the description when the process starts; what changes belongs into ListDevices or the feed",
				"%v where it was %v", again, first)
		}
	}
	return nil
}

func describesAll(k *kit) string {
	if k.described(ProfileFeed) && k.described(ProfileLink) {
		return "the adapter describes all abilities that there are"
	}
	return ""
}

func refusesUndescribed(ctx context.Context, b *bench) error {
	l, _, err := b.opened(ctx, launch{})
	if err != nil {
		return err
	}
	const advice = "answer UNIMPLEMENTED to what Describe does not list, or list it"
	if !b.described(ProfileLink) {
		_, err := l.ask(ctx, b.o.Requests.Answered, askTimeout)
		if err := wants("SendRequest", err, codes.Unimplemented, advice); err != nil {
			return err
		}
	}
	if b.described(ProfileFeed) {
		return nil
	}
	return wants("Feed", b.secondFeed(ctx, l), codes.Unimplemented, advice)
}

// provoked is an error that the kit has caused.
type provoked struct {
	call   string
	err    error
	code   codes.Code
	reason string
}

// errorDetails looks at the errors that the kit can cause, where they have the code that they should.
func errorDetails(ctx context.Context, b *bench) error {
	l, err := b.launch(ctx, launch{})
	if err != nil {
		return err
	}
	all, err := b.provoke(ctx, l)
	if err != nil {
		return err
	}
	for _, p := range all {
		if status.Code(p.err) != p.code {
			continue // for its own check to judge
		}
		if err := p.check(); err != nil {
			return err
		}
	}
	return nil
}

func (p provoked) check() error {
	const advice = "add one google.rpc.ErrorInfo with domain and reason to every error of the contract"
	expected := fmt.Sprintf("one ErrorInfo of the domain adapter.airassay.dev with the reason %s when %s", p.reason, p.call)
	found := infos(status.Convert(p.err))
	if len(found) != 1 {
		return fails(expected, advice, "%d of them in %s", len(found), describe(p.err))
	}
	if reason, ok := reasonOf(p.err); !ok || reason != p.reason {
		return fails(expected, advice, "the domain %q with the reason %q", found[0].GetDomain(), found[0].GetReason())
	}
	return nil
}

// provoke causes errors.
func (b *bench) provoke(ctx context.Context, l *life) ([]provoked, error) {
	var all []provoked
	add := func(call string, err error, code codes.Code, reason string) {
		all = append(all, provoked{call, err, code, reason})
	}
	_, err := l.list(ctx)
	add("ListDevices is called before Configure", err, codes.FailedPrecondition, "NOT_CONFIGURED")
	add("a bad configuration is given", l.configure(ctx, b.badConfiguration(), true), codes.InvalidArgument, "BAD_CONFIGURATION")
	if err := l.configure(ctx, b.o.Configuration, false); err != nil {
		return nil, unproven("Configure ended with %s", describe(err))
	}
	if _, err := l.list(ctx); err != nil {
		return nil, unproven("ListDevices ended with %s", describe(err))
	}
	_, err = l.OpenDevice(ctx, &adapterv1beta1.OpenDeviceRequest{DeviceId: strangerDevice})
	add("an id is opened that was not listed", err, codes.NotFound, "NO_SUCH_DEVICE")
	if b.described(ProfileLink) {
		_, err := l.ask(ctx, b.o.Requests.Answered, askTimeout)
		add("SendRequest names a device that is not open", err, codes.FailedPrecondition, "NOT_OPEN")
	}
	if b.described(ProfileFeed) {
		add("Feed names a device that is not open", b.secondFeed(ctx, l), codes.FailedPrecondition, "NOT_OPEN")
	}
	if _, err := l.open(ctx); err != nil {
		return nil, unproven("OpenDevice ended with %s", describe(err))
	}
	_, err = l.open(ctx)
	add("a device is opened twice", err, codes.FailedPrecondition, "BUSY")
	add("Configure is called while a device is open", l.configure(ctx, b.o.Configuration, false), codes.FailedPrecondition, "BUSY")
	if b.described(ProfileLink) {
		_, err := l.ask(ctx, Request{Payload: harmless()[0]}, askTimeout)
		add("a request does more than read", err, codes.PermissionDenied, "NOT_READ_ONLY")
		if silent := b.o.Requests.Silent; len(silent.Payload) > 0 {
			_, err := l.ask(ctx, silent, silentTimeout)
			add("nobody answers", err, codes.DeadlineExceeded, "SILENT")
		}
	}
	if !b.described(ProfileFeed) {
		return all, nil
	}
	errs, err := b.provokeFeed(ctx, l)
	return append(all, errs...), err
}

func (b *bench) provokeFeed(ctx context.Context, l *life) ([]provoked, error) {
	all := b.provokeUnsupported(ctx, l)
	t, err := b.feedWithin(ctx, l, time.Now())
	if err != nil {
		return all, nil // why not is for S12 to judge
	}
	defer t.close()
	all = append(all, provoked{"a second feed is opened", b.secondFeed(ctx, l), codes.FailedPrecondition, "BUSY"})
	if err := l.close(ctx); err != nil {
		return nil, unproven("CloseDevice ended with %s", describe(err))
	}
	over, end := t.ended(b.limits.cancel)
	if !over {
		end = errors.New("it goes on")
	}
	return append(all, provoked{"a device with a feed is closed", end, codes.Aborted, "CLOSED"}), nil
}

// provokeUnsupported wants a signal that nobody has.
func (b *bench) provokeUnsupported(ctx context.Context, l *life) (all []provoked) {
	t, err := l.feed(ctx, recordRate, append([]string{strangerSignal}, b.signals()...)...)
	if err != nil {
		return nil
	}
	defer t.close()
	for _, u := range t.subscribed(1, b.o.CallTimeout).GetUnavailable() {
		if u.GetPath() == strangerSignal {
			all = append(all, provoked{"a signal is wanted that nobody has", status.ErrorProto(u.GetStatus()), codes.NotFound, "UNSUPPORTED_SIGNAL"})
		}
	}
	return all
}
