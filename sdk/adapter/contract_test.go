// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapter

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"github.com/airassay/airassay/sdk/j1979"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
)

// Tests are named by the sentence of the contract that they hold the SDK to.

func TestC3MethodThatIgnoresItsContextIsLeftBehind(t *testing.T) {
	f := newFake()
	free := make(chan struct{})
	defer close(free)
	f.devices = func(context.Context) ([]Device, error) { <-free; return nil, nil }
	b := configured(t, f)
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	within(t, time.Second, "ListDevices", func() {
		_, err := b.ListDevices(ctx, &adapterv1beta1.ListDevicesRequest{})
		refused(t, err, codes.DeadlineExceeded, "")
	})
	within(t, time.Second, "the next call", func() {
		if _, err := b.Describe(t.Context(), &adapterv1beta1.DescribeRequest{}); err != nil {
			t.Error(err)
		}
	})
}

func TestC4OpenThatComesTooLateIsUndone(t *testing.T) {
	f, c := newFake(), newFakeConn()
	free := make(chan struct{})
	f.open = func(context.Context, string) (Conn, error) { <-free; return c, nil }
	b := configured(t, f)
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	_, err := b.OpenDevice(ctx, &adapterv1beta1.OpenDeviceRequest{DeviceId: "one"})
	refused(t, err, codes.DeadlineExceeded, "")
	time.Sleep(800 * time.Millisecond) // past the patience of the service, so that nobody waits any more
	close(free)
	<-c.closed
	b.closeOne()
	f.opens(newFakeConn())
	b.openOne()
}

func TestC5UnknownFieldsAreIgnored(t *testing.T) {
	b := newBench(t, newFake())
	r := &adapterv1beta1.DescribeRequest{}
	r.ProtoReflect().SetUnknown([]byte{0xFA, 0x3F, 0x01, 0x2A}) // field 1023
	if _, err := b.Describe(t.Context(), r); err != nil {
		t.Error(err)
	}
}

func TestD1DescriptionStaysTheSame(t *testing.T) {
	f := newFake()
	b := newBench(t, f)
	one, err := b.Describe(t.Context(), &adapterv1beta1.DescribeRequest{})
	if err != nil {
		t.Fatal(err)
	}
	f.about.Summary = "another"
	two, err := b.Describe(t.Context(), &adapterv1beta1.DescribeRequest{})
	if err != nil || !proto.Equal(one, two) {
		t.Errorf("%v, then %v, %v", one, two, err)
	}
}

func TestD2UndescribedAbilityIsNeverCalled(t *testing.T) {
	f, c := newFake(), newFakeConn()
	f.opens(c)
	f.about.Abilities = []Ability{AbilityFeed}
	c.request = func(context.Context, Request) (Answers, error) { t.Error("Request was called"); return Answers{}, nil }
	b := configured(t, f)
	b.openOne()
	_, err := b.ask(0x01, 0x0C)
	refused(t, err, codes.Unimplemented, "UNSPECIFIED")
	f.about.Abilities = []Ability{AbilityLink}
	b = configured(t, f)
	refused(t, ended(b.subscribe(t.Context(), flow)), codes.Unimplemented, "UNSPECIFIED")
}

func TestPromisedAbilityThatTheConnLacksIsADefect(t *testing.T) {
	f := newFake()
	c := newFakeConn()
	f.opens(struct{ Conn }{c})
	b := configured(t, f)
	_, err := b.OpenDevice(t.Context(), &adapterv1beta1.OpenDeviceRequest{DeviceId: "one"})
	refused(t, err, codes.Internal, "DEFECT")
	if !c.isClosed() {
		t.Error("the hardware is still held")
	}
}

func TestF1EveryViolationIsNamed(t *testing.T) {
	f := newFake()
	f.configure = func(_ context.Context, c []byte) (func(), error) {
		var into struct {
			Port string `json:"port"`
		}
		if err := Decode(c, &into); err != nil {
			return nil, err
		}
		bad := ConfigurationError{}
		bad.Violatef("port", "is missing")
		bad.Violatef("baud", "is %d", 0)
		return nil, bad.OrNil()
	}
	b := newBench(t, f)
	for text, want := range map[string][]string{
		"":                {"port", "baud"},
		`{"prot": "x"}`:   {"prot"},
		`{"port": 3}`:     {"port"},
		`{`:               {"configuration"},
		`{} {}`:           {"configuration"},
		`{"port": ["a"]}`: {"port"},
	} {
		_, err := b.Configure(t.Context(), &adapterv1beta1.ConfigureRequest{ConfigurationJson: text})
		refused(t, err, codes.InvalidArgument, "BAD_CONFIGURATION")
		var got []string
		for _, d := range status.Convert(err).Details() {
			if r, ok := d.(*errdetails.BadRequest); ok {
				for _, v := range r.GetFieldViolations() {
					got = append(got, v.GetField())
				}
			}
		}
		if !slices.Equal(got, want) {
			t.Errorf("%s: got violations of %q, want %q: %v", text, got, want, err)
		}
	}
}

func TestDecodeSaysWhatWouldBeRight(t *testing.T) {
	type box struct {
		Port    string            `json:"port"`
		Baud    uint              `json:"baud"`
		Offset  int               `json:"offset"`
		Factor  float64           `json:"factor"`
		Echo    bool              `json:"echo"`
		Filters []string          `json:"filters"`
		Names   map[string]string `json:"names"`
		Timing  struct {
			WaitMS int `json:"wait_ms"`
		} `json:"timing"`
	}
	for text, want := range map[string]string{
		`{"port": 3}`:                     "port is of the JSON type number; give a string",
		`{"baud": -1}`:                    "baud is of the JSON type number -1; give a whole number that is not negative",
		`{"offset": 1.5}`:                 "offset is of the JSON type number 1.5; give a whole number",
		`{"factor": "x"}`:                 "factor is of the JSON type string; give a number",
		`{"echo": 1}`:                     "echo is of the JSON type number; give true or false",
		`{"filters": "a"}`:                "filters is of the JSON type string; give a list",
		`{"names": []}`:                   "names is of the JSON type array; give an object",
		`{"timing": {"wait_ms": "long"}}`: "timing.wait_ms is of the JSON type string; give a whole number",
		`{"prot": "x"}`:                   "prot is not known; there are: port, baud, offset, factor, echo, filters, names, timing, wait_ms",
		`[]`:                              "configuration is of the JSON type array; give an object",
		``:                                "configuration is empty; give an object, {} where nothing is to be set",
		`{"port": "x`:                     "configuration is no JSON: it ends in the middle",
		`{port: "x"}`:                     "configuration is no JSON: invalid character 'p' looking for beginning of object key string, at byte 2",
		`{} {}`:                           "configuration goes on after the object",
	} {
		err := Decode([]byte(text), &box{})
		if err == nil || err.Error() != "the configuration cannot be used: "+want {
			t.Errorf("%s: %v, want %s", text, err, want)
		}
	}
}

func TestF2ValidationUsesNothing(t *testing.T) {
	f := newFake()
	f.configure = func(context.Context, []byte) (func(), error) { return func() { t.Error("used") }, nil }
	b := newBench(t, f)
	if _, err := b.Configure(t.Context(), &adapterv1beta1.ConfigureRequest{ValidateOnly: true}); err != nil {
		t.Fatal(err)
	}
	_, err := b.ListDevices(t.Context(), &adapterv1beta1.ListDevicesRequest{})
	refused(t, err, codes.FailedPrecondition, "NOT_CONFIGURED")
}

func TestF3NothingOfDevicesBeforeConfigure(t *testing.T) {
	b := newBench(t, newFake())
	ctx := t.Context()
	_, list := b.ListDevices(ctx, &adapterv1beta1.ListDevicesRequest{})
	_, open := b.OpenDevice(ctx, &adapterv1beta1.OpenDeviceRequest{DeviceId: "one"})
	_, closing := b.CloseDevice(ctx, &adapterv1beta1.CloseDeviceRequest{DeviceId: "one"})
	_, send := b.ask(0x01, 0x0C)
	for _, err := range []error{list, open, closing, send, ended(b.subscribe(ctx, flow))} {
		refused(t, err, codes.FailedPrecondition, "NOT_CONFIGURED")
	}
}

func TestF4ConfigureWaitsForNoOpenDevice(t *testing.T) {
	b := opened(t, newFakeConn())
	_, err := b.Configure(t.Context(), &adapterv1beta1.ConfigureRequest{})
	refused(t, err, codes.FailedPrecondition, "BUSY")
	if _, err := b.Configure(t.Context(), &adapterv1beta1.ConfigureRequest{ValidateOnly: true}); err != nil {
		t.Error(err)
	}
}

func TestL1DoubleAndMalformedIDsAreDefects(t *testing.T) {
	f := newFake()
	b := configured(t, f)
	for _, ids := range [][]Device{{{ID: "a"}, {ID: "a"}}, {{ID: "A"}}, {{ID: ""}}} {
		f.devices = func(context.Context) ([]Device, error) { return ids, nil }
		_, err := b.ListDevices(t.Context(), &adapterv1beta1.ListDevicesRequest{})
		refused(t, err, codes.Internal, "DEFECT")
	}
}

func TestL3NoDeviceIsNoError(t *testing.T) {
	f := newFake()
	f.devices = func(context.Context) ([]Device, error) { return nil, nil }
	if r, err := configured(t, f).ListDevices(t.Context(), &adapterv1beta1.ListDevicesRequest{}); err != nil || len(r.GetDevices()) > 0 {
		t.Errorf("got %v, %v", r, err)
	}
}

func TestO1UnlistedIDIsNotFound(t *testing.T) {
	_, err := configured(t, newFake()).OpenDevice(t.Context(), &adapterv1beta1.OpenDeviceRequest{DeviceId: "nine"})
	refused(t, err, codes.NotFound, "NO_SUCH_DEVICE")
}

func TestO2OpenDeviceIsBusy(t *testing.T) {
	_, err := opened(t, newFakeConn()).OpenDevice(t.Context(), &adapterv1beta1.OpenDeviceRequest{DeviceId: "one"})
	refused(t, err, codes.FailedPrecondition, "BUSY")
}

func TestO3AndTypedErrorsOfOpen(t *testing.T) {
	f := newFake()
	b := configured(t, f)
	for err, want := range map[error]struct {
		code   codes.Code
		reason string
	}{
		ErrUnplugged: {codes.Unavailable, "UNPLUGGED"},
		fmt.Errorf("opening the port: %w", ErrBusy): {codes.FailedPrecondition, "BUSY"},
		ErrNoSuchDevice: {codes.NotFound, "NO_SUCH_DEVICE"},
		errOdd:          {codes.Internal, "DEFECT"},
		nil:             {codes.Internal, "DEFECT"},
		status.Error(codes.Aborted, "of another service"): {codes.Internal, "DEFECT"},
	} {
		f.open = func(context.Context, string) (Conn, error) { return nil, err }
		_, got := b.OpenDevice(t.Context(), &adapterv1beta1.OpenDeviceRequest{DeviceId: "one"})
		refused(t, got, want.code, want.reason)
	}
	f.opens(newFakeConn()) // O4: each failure has freed the id
	b.openOne()
}

func TestPanicIsADefectWithItsStackInTheLog(t *testing.T) {
	f := newFake()
	f.open = func(context.Context, string) (Conn, error) { panic("loose wire") }
	b := configured(t, f)
	_, err := b.OpenDevice(t.Context(), &adapterv1beta1.OpenDeviceRequest{DeviceId: "one"})
	refused(t, err, codes.Internal, "DEFECT")
	text := b.log.String()
	if !has(text, "loose wire", `"stack":"github.com/airassay/airassay/sdk/adapter.TestPanic`, "contract_test.go:") {
		t.Errorf("the log lacks the stack, or it does not begin where the panic was raised: %s", text)
	}
	if strings.Contains(text, `\n`) {
		t.Errorf("the stack has lines, which a host's log shows as one: %s", text)
	}
}

// panicky is a connection that cannot say what it is.
type panicky struct{ *fakeConn }

func (panicky) Details() Details { panic("no data sheet") }

func TestO4PanicAfterOpenReleasesTheHardware(t *testing.T) {
	f, c := newFake(), newFakeConn()
	f.opens(panicky{c})
	b := configured(t, f)
	_, err := b.OpenDevice(t.Context(), &adapterv1beta1.OpenDeviceRequest{DeviceId: "one"})
	refused(t, err, codes.Internal, "DEFECT")
	if !c.isClosed() {
		t.Error("the hardware is still held")
	}
	f.opens(newFakeConn())
	b.openOne()
}

func TestDetailsReachTheHost(t *testing.T) {
	for want, details := range map[adapterv1beta1.TimeSource]Details{
		adapterv1beta1.TimeSource_TIME_SOURCE_ADAPTER:  {MaxRequestsPerS: 50},
		adapterv1beta1.TimeSource_TIME_SOURCE_HARDWARE: {HardwareTime: true, MaxRequestsPerS: 50},
		adapterv1beta1.TimeSource_TIME_SOURCE_RECORDED: {RecordedTime: true, HardwareTime: true, MaxRequestsPerS: 50},
	} {
		f, c := newFake(), newFakeConn()
		c.more = details
		f.opens(c)
		r, err := configured(t, f).OpenDevice(t.Context(), &adapterv1beta1.OpenDeviceRequest{DeviceId: "one"})
		if err != nil || r.GetTimeSource() != want || r.GetMaxRequestsPerS() != 50 {
			t.Errorf("got %v, %v, want %v", r, err, want)
		}
	}
}

func TestX1ClosingTwiceSucceeds(t *testing.T) {
	c := newFakeConn()
	b := opened(t, c)
	b.closeOne()
	b.closeOne()
	if !c.isClosed() { // X3
		t.Error("the hardware is still held after the answer")
	}
	b.openOne()
}

func TestX2FeedEndsAbortedBeforeTheAnswer(t *testing.T) {
	for range 20 {
		c := newFakeConn()
		b := opened(t, c)
		s := b.subscribe(t.Context(), flow)
		b.receive(s)
		over := make(chan error, 1)
		go func() { over <- ended(s) }()
		b.closeOne()
		refused(t, <-over, codes.Aborted, "CLOSED")
	}
}

func TestRequestEndsAbortedWhenItsDeviceIsClosed(t *testing.T) {
	c := newFakeConn()
	entered := make(chan struct{})
	c.request = func(ctx context.Context, _ Request) (Answers, error) {
		close(entered)
		<-ctx.Done()
		return Answers{}, ctx.Err()
	}
	b := opened(t, c)
	over := make(chan error, 1)
	go func() { _, err := b.ask(0x01, 0x0C); over <- err }()
	<-entered
	b.closeOne()
	refused(t, <-over, codes.Aborted, "CLOSED")
}

func TestR1NothingButReadingReachesTheConn(t *testing.T) {
	c := newFakeConn()
	c.request = func(_ context.Context, r Request) (Answers, error) {
		t.Errorf("% X was passed on", r.Payload)
		return Answers{}, nil
	}
	b := opened(t, c)
	payloads := [][]byte{{0x04}, {0x14, 0xFF, 0xFF, 0xFF}, {0x2E, 0xF4, 0x0C, 0}, {0x10, 0x02}, {}}
	for _, payload := range payloads {
		_, err := b.ask(payload...)
		refused(t, err, codes.PermissionDenied, "NOT_READ_ONLY")
	}
	if n := b.service.guard.Refused(); n != uint64(len(payloads)) {
		t.Errorf("%d refusals were counted, want %d", n, len(payloads))
	}
	if log := b.log.String(); !strings.Contains(log, `"service":"2E","payload":"2E F4 0C 00"`) {
		t.Errorf("the log does not say what was refused: %s", log)
	}
}

func TestR1EveryServiceIsHeldToTheRule(t *testing.T) {
	reached := 0
	c := newFakeConn()
	c.request = func(_ context.Context, r Request) (Answers, error) {
		if err := j1979.CheckReadOnly(r.Payload); err != nil {
			t.Errorf("% X was passed on: %v", r.Payload, err)
		}
		reached++
		return Answers{Answers: []Answer{{Source: 0x7E8, Payload: []byte{0x7F, r.Payload[0], 0x31}}}}, nil
	}
	b := opened(t, c)
	sent := 0
	for service := range 256 {
		for _, rest := range [][]byte{{}, {0x01}, {0x02, 0xFF}, {0xF1, 0x90}, {0xF4, 0x0C}, {0xFF, 0xFF, 0xFF}} {
			payload := append([]byte{byte(service)}, rest...)
			_, err := b.ask(payload...)
			if j1979.CheckReadOnly(payload) == nil {
				if err != nil {
					t.Errorf("% X: %v", payload, err)
				}
				sent++
				continue
			}
			refused(t, err, codes.PermissionDenied, "NOT_READ_ONLY")
		}
	}
	if all := 256 * 6; reached != sent || b.service.guard.Refused() != uint64(all-sent) {
		t.Errorf("%d of %d requests reached the adapter and %d were refused, want %d and %d", reached, all, b.service.guard.Refused(), sent, all-sent)
	}
}

func TestR3NegativeResponseIsAnAnswer(t *testing.T) {
	c := newFakeConn()
	c.request = func(context.Context, Request) (Answers, error) {
		return Answers{}, fmt.Errorf("asking: %w", &NegativeResponseError{Source: 0x7E8, Service: 0x01, Code: 0x12})
	}
	r, err := opened(t, c).ask(0x01, 0x0C)
	if err != nil || len(r.GetAnswers()) != 1 || string(r.GetAnswers()[0].GetPayload()) != "\x7F\x01\x12" {
		t.Errorf("got %v, %v", r, err)
	}
}

func TestR4R5SilenceAndGarbleAreTold(t *testing.T) {
	c := newFakeConn()
	b := opened(t, c)
	for _, tc := range []struct {
		answers Answers
		err     error
		code    codes.Code
		reason  string
	}{
		{code: codes.DeadlineExceeded, reason: "SILENT"},
		{err: ErrSilent, code: codes.DeadlineExceeded, reason: "SILENT"},
		{err: ErrGarbled, code: codes.DataLoss, reason: "GARBLED"},
		{answers: Answers{Answers: []Answer{{Source: 1}}}, code: codes.DataLoss, reason: "GARBLED"},
		{err: ErrUnplugged, code: codes.Unavailable, reason: "UNPLUGGED"},
	} {
		c.request = func(context.Context, Request) (Answers, error) { return tc.answers, tc.err }
		_, err := b.ask(0x01, 0x0C)
		refused(t, err, tc.code, tc.reason)
	}
	c.request = newFakeConn().request
	if _, err := b.ask(0x01, 0x0C); err != nil {
		t.Errorf("the next request fails: %v", err)
	}
}

func TestUnusableTimeoutIsRefused(t *testing.T) {
	b := opened(t, newFakeConn())
	for _, d := range []time.Duration{-1, 0, 6 * time.Second} {
		_, err := b.SendRequest(t.Context(), &adapterv1beta1.SendRequestRequest{DeviceId: "one", Payload: []byte{3}, Timeout: durationpb.New(d)})
		refused(t, err, codes.InvalidArgument, "UNSPECIFIED")
	}
}

func TestR6RequestsAreSentOneByOneInOrder(t *testing.T) {
	c := newFakeConn()
	var mu sync.Mutex
	var order []byte
	gate := make(chan struct{})
	c.request = func(_ context.Context, r Request) (Answers, error) {
		if !mu.TryLock() {
			t.Error("two requests at once")
		}
		defer mu.Unlock()
		<-gate
		order = append(order, r.Payload[1])
		return Answers{Answers: []Answer{{Payload: []byte{0x41}}}}, nil
	}
	b := opened(t, c)
	var all sync.WaitGroup
	for i := range 20 {
		all.Go(func() {
			if _, err := b.ask(0x01, byte(i)); err != nil {
				t.Error(err)
			}
		})
		for b.service.arrivals.Load() < int64(3+i) { // Configure, OpenDevice, then these
			time.Sleep(time.Millisecond)
		}
	}
	time.Sleep(20 * time.Millisecond) // so that all wait for their turn
	close(gate)
	all.Wait()
	if !slices.IsSorted(order[1:]) {
		t.Errorf("sent in the order %v", order)
	}
}

func TestR6TimesThatTheSDKPutsInDoNotOverlap(t *testing.T) {
	b := opened(t, newFakeConn())
	var mu sync.Mutex
	var spans [][2]int64
	var all sync.WaitGroup
	for range 8 {
		all.Go(func() {
			for range 200 {
				r, err := b.ask(0x01, 0x0C)
				if err != nil {
					t.Error(err)
					return
				}
				mu.Lock()
				spans = append(spans, [2]int64{r.GetSentUs(), r.GetAnswers()[0].GetReceivedUs()})
				mu.Unlock()
			}
		})
	}
	all.Wait()
	slices.SortFunc(spans, func(x, y [2]int64) int { return slices.Compare(x[:], y[:]) })
	for i := 1; i < len(spans); i++ {
		if spans[i][0] < spans[i-1][1] {
			t.Fatalf("a request sent at %d µs, while the answer to the one before came at %d µs", spans[i][0], spans[i-1][1])
		}
	}
}

func TestR7TimesAreOfOneClock(t *testing.T) {
	before := int64(Now())
	r, err := opened(t, newFakeConn()).ask(0x01, 0x0C)
	after := int64(Now())
	if err != nil {
		t.Fatal(err)
	}
	a := r.GetAnswers()[0]
	if before > r.GetSentUs() || r.GetSentUs() > a.GetReceivedUs() || a.GetReceivedUs() > after || a.GetTimeUncertaintyUs() <= 0 {
		t.Errorf("%d ≤ %d ≤ %d ≤ %d does not hold, or the uncertainty %d is none", before, r.GetSentUs(), a.GetReceivedUs(), after, a.GetTimeUncertaintyUs())
	}
}

func TestK3LifelineBeats(t *testing.T) {
	b := newBench(t, newFake(), func(s *service) { s.beat = 5 * time.Millisecond })
	s, err := b.Lifeline(t.Context(), &adapterv1beta1.LifelineRequest{})
	if err != nil {
		t.Fatal(err)
	}
	last := int64(-1)
	for range 3 {
		m, err := s.Recv()
		if err != nil || m.GetNowUs() <= last {
			t.Fatalf("got %v after %d, %v", m, last, err)
		}
		last = m.GetNowUs()
	}
}

func TestK1BrokenLifelineReleasesTheHardware(t *testing.T) {
	c := newFakeConn()
	gone := make(chan struct{})
	b := opened(t, c, func(s *service) { s.exit = sync.OnceFunc(func() { close(gone) }) })
	ctx, cancel := context.WithCancel(t.Context())
	s, err := b.Lifeline(ctx, &adapterv1beta1.LifelineRequest{})
	if err == nil {
		_, err = s.Recv()
	}
	if err != nil {
		t.Fatal(err)
	}
	cancel()
	within(t, 5*time.Second, "the end", func() { <-gone })
	if !c.isClosed() {
		t.Error("the hardware is still held")
	}
}

func TestK2NoLifelineEnds(t *testing.T) {
	gone := make(chan struct{})
	b := newBench(t, newFake(), func(s *service) {
		s.bounds.lifeline = 20 * time.Millisecond
		s.exit = func() { close(gone) }
	})
	b.service.awaitHost()
	within(t, time.Second, "the end", func() { <-gone })
}

func TestQ1Q2ShutdownClosesAllAndCanBeRepeated(t *testing.T) {
	c := newFakeConn()
	gone := make(chan struct{})
	b := opened(t, c, func(s *service) { s.exit = sync.OnceFunc(func() { close(gone) }) })
	feed := b.subscribe(t.Context(), flow)
	b.receive(feed)
	line, err := b.Lifeline(t.Context(), &adapterv1beta1.LifelineRequest{})
	if err == nil {
		_, err = line.Recv()
	}
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if _, err := b.Shutdown(t.Context(), &adapterv1beta1.ShutdownRequest{}); err != nil {
			t.Fatal(err)
		}
	}
	if !c.isClosed() {
		t.Error("the hardware is still held after the answer")
	}
	refused(t, ended(feed), codes.Aborted, "CLOSED")
	if _, err := line.Recv(); err == nil || strings.Contains(err.Error(), "rpc error") {
		t.Errorf("the lifeline ended with %v, want a clean end", err)
	}
	within(t, 2*time.Second, "the end", func() { <-gone })
	_, err = b.ListDevices(t.Context(), &adapterv1beta1.ListDevicesRequest{})
	refused(t, err, codes.Aborted, "CLOSED")
}
