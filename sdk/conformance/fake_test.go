// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build unix

package conformance

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/j1979"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	grpctap "google.golang.org/grpc/tap"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/protoadapt"
)

const (
	countSignal = "Vehicle.Test.Count"
	flowSignal  = "Vehicle.OBD.MAF"
	speedSignal = "Vehicle.OBD.EngineSpeed"
)

// fake is an adapter that was written without the SDK, straight on gRPC, as one in another language is. It keeps the
// contract, but for what its flaw says.
type fake struct {
	adapterv1beta1.UnimplementedAdapterServiceServer

	flaw      string
	abilities string // feed, link or empty for both
	folder    string // stands for the hardware, in which the test pulls plugs; empty for none
	exclusive bool   // only one process can hold the hardware
	born      time.Time
	exit      func()
	log       io.Writer
	ended     chan struct{} // closed when all is to end
	end       func()
	life      chan struct{} // closed with the first lifeline
	meet      func()

	mu         sync.Mutex
	configured bool
	described  int
	looks      int
	shutdowns  int
	device     *fakeDevice // nil while it is not open
	leaked     []*os.File
	tickets    int
	begun      map[int]bool
	line       []int // tickets of the requests that wait or are under way
	holds      bool  // the hardware, where it is exclusive
}

// fakeDevice is the open device.
type fakeDevice struct {
	closed chan struct{}
	feed   chan struct{} // closed when the feed that was taken last is over; nil before
}

func newFake(flaw string, exit func()) *fake {
	f := &fake{flaw: flaw, born: time.Now(), exit: exit, log: io.Discard, ended: make(chan struct{}), life: make(chan struct{}), begun: map[int]bool{}}
	f.end = sync.OnceFunc(func() { close(f.ended) })
	f.meet = sync.OnceFunc(func() { close(f.life) })
	return f
}

func (f *fake) is(flaw string) bool { return f.flaw == flaw }

func (f *fake) now() int64 { return time.Since(f.born).Microseconds() }

func (f *fake) refuse(code codes.Code, reason string, more ...protoadapt.MessageV1) error {
	s := status.New(code, strings.ToLower(reason))
	details := more
	if !f.is("errors say nothing") {
		details = append(details, &errdetails.ErrorInfo{Domain: adapter.Domain, Reason: reason})
	}
	if detailed, err := s.WithDetails(details...); err == nil {
		s = detailed
	}
	return s.Err()
}

// file says whether a test has put a file into the hardware's folder.
func (f *fake) file(name string) bool {
	if f.folder == "" {
		return false
	}
	_, err := os.Stat(filepath.Join(f.folder, name))
	return err == nil
}

// frame sends one frame to the vehicle.
func (f *fake) frame() {
	if f.folder == "" {
		return
	}
	if bus, err := os.OpenFile(filepath.Join(f.folder, "traffic"), os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o600); err == nil {
		_, _ = bus.Write([]byte{0})
		_ = bus.Close()
	}
}

func (f *fake) strict(m proto.Message) error {
	if f.is("refuses unknown fields") && len(m.ProtoReflect().GetUnknown()) > 0 {
		return f.refuse(codes.InvalidArgument, "DEFECT")
	}
	return nil
}

func (f *fake) Describe(_ context.Context, r *adapterv1beta1.DescribeRequest) (*adapterv1beta1.DescribeResponse, error) {
	if err := f.strict(r); err != nil {
		return nil, err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.described++
	if f.is("takes every call for a lifeline") {
		f.meet()
	}
	d := &adapterv1beta1.DescribeResponse{Name: "fake", Version: "1.0.0", Summary: "For tests.", FeedSignals: []string{countSignal, flowSignal, speedSignal}}
	switch f.abilities {
	case "feed":
		d.Abilities = []adapterv1beta1.Ability{adapterv1beta1.Ability_ABILITY_FEED}
	case "link":
		d.Abilities = []adapterv1beta1.Ability{adapterv1beta1.Ability_ABILITY_LINK}
	default:
		d.Abilities = []adapterv1beta1.Ability{adapterv1beta1.Ability_ABILITY_FEED, adapterv1beta1.Ability_ABILITY_LINK}
	}
	if f.is("describes itself anew") {
		d.Summary = fmt.Sprint("Described for the ", f.described, ". time.")
	}
	if f.is("has a name with a space") {
		d.Name = "Fake Box"
	}
	return d, nil
}

func (f *fake) Configure(_ context.Context, r *adapterv1beta1.ConfigureRequest) (*adapterv1beta1.ConfigureResponse, error) {
	if err := f.strict(r); err != nil {
		return nil, err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.device != nil && !r.GetValidateOnly() && !f.is("configures while open") {
		return nil, f.refuse(codes.FailedPrecondition, "BUSY")
	}
	if bad := strings.Contains(r.GetConfigurationJson(), "bad"); bad && !f.is("takes any configuration") {
		if f.is("forgets its configuration over a bad one") && !r.GetValidateOnly() {
			f.configured = false
		}
		violations := &errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{{Field: "bad", Description: "is bad"}}}
		if f.is("does not say what is wrong") {
			return nil, f.refuse(codes.InvalidArgument, "BAD_CONFIGURATION")
		}
		return nil, f.refuse(codes.InvalidArgument, "BAD_CONFIGURATION", violations)
	}
	if !r.GetValidateOnly() || f.is("uses what it should check") {
		f.configured = true
	}
	return &adapterv1beta1.ConfigureResponse{}, nil
}

// ready refuses calls on devices that come too early.
func (f *fake) ready() error {
	if !f.configured && !f.is("needs no configuration") {
		return f.refuse(codes.FailedPrecondition, "NOT_CONFIGURED")
	}
	return nil
}

func (f *fake) ListDevices(_ context.Context, r *adapterv1beta1.ListDevicesRequest) (*adapterv1beta1.ListDevicesResponse, error) {
	if err := f.strict(r); err != nil {
		return nil, err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := f.ready(); err != nil {
		return nil, err
	}
	f.looks++
	if f.is("looks on the bus") {
		f.frame()
	}
	answer := &adapterv1beta1.ListDevicesResponse{Devices: []*adapterv1beta1.Device{{Id: "box-1"}, {Id: "box-2"}}}
	switch {
	case f.is("gives two devices one id"):
		answer.Devices = append(answer.Devices, &adapterv1beta1.Device{Id: "box-2"})
	case f.is("gives new ids at each look"):
		answer.Devices[1].Id = fmt.Sprint("box-2.", f.looks)
	case f.is("has an id with a space"):
		answer.Devices[1].Id = "Box 2"
	}
	if f.file("unplugged") {
		if f.is("finds nothing and fails") {
			return nil, f.refuse(codes.Unavailable, "UNPLUGGED")
		}
		answer.Devices = answer.GetDevices()[1:]
	}
	return answer, nil
}

func (f *fake) OpenDevice(_ context.Context, r *adapterv1beta1.OpenDeviceRequest) (*adapterv1beta1.OpenDeviceResponse, error) {
	if err := f.strict(r); err != nil {
		return nil, err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := f.ready(); err != nil {
		return nil, err
	}
	if r.GetDeviceId() != "box-1" {
		if f.is("calls a strange id a defect") {
			return nil, f.refuse(codes.Internal, "DEFECT")
		}
		return nil, f.refuse(codes.NotFound, "NO_SUCH_DEVICE")
	}
	if f.device != nil && !f.is("opens twice") {
		return nil, f.refuse(codes.FailedPrecondition, "BUSY")
	}
	if f.file("unplugged") {
		if f.is("holds what it could not open") {
			f.device = &fakeDevice{closed: make(chan struct{})}
		}
		if f.is("calls an unplugged device a defect") {
			return nil, f.refuse(codes.Internal, "DEFECT")
		}
		return nil, f.refuse(codes.Unavailable, "UNPLUGGED")
	}
	if err := f.hold(); err != nil {
		return nil, err
	}
	f.device = &fakeDevice{closed: make(chan struct{})}
	if f.is("leaks a file with each opening") {
		if file, err := os.Open(os.DevNull); err == nil {
			f.leaked = append(f.leaked, file)
		}
	}
	answer := &adapterv1beta1.OpenDeviceResponse{TimeSource: adapterv1beta1.TimeSource_TIME_SOURCE_ADAPTER}
	if f.is("does not say what its times are") {
		answer.TimeSource = 0
	}
	return answer, nil
}

// hold takes hardware that only one process can have.
func (f *fake) hold() error {
	if !f.exclusive {
		return nil
	}
	path := filepath.Join(f.folder, "held")
	// A box that was left without a word gets itself ready again after a while.
	if info, err := os.Stat(path); err == nil && f.is("ends without letting go") && time.Since(info.ModTime()) > 30*time.Second {
		_ = os.Remove(path)
	}
	if f.holds {
		return nil
	}
	held, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return f.refuse(codes.FailedPrecondition, "BUSY")
	}
	f.holds = true
	return held.Close()
}

func (f *fake) release() {
	if f.exclusive {
		_ = os.Remove(filepath.Join(f.folder, "held"))
		f.holds = false
	}
}

func (f *fake) CloseDevice(_ context.Context, r *adapterv1beta1.CloseDeviceRequest) (*adapterv1beta1.CloseDeviceResponse, error) {
	if err := f.strict(r); err != nil {
		return nil, err
	}
	f.mu.Lock()
	if err := f.ready(); err != nil {
		f.mu.Unlock()
		return nil, err
	}
	d := f.device
	f.device = nil
	f.mu.Unlock()
	if d == nil {
		if f.is("closes once") {
			return nil, f.refuse(codes.FailedPrecondition, "NOT_OPEN")
		}
		return &adapterv1beta1.CloseDeviceResponse{}, nil
	}
	f.closeDevice(d)
	if !f.is("holds what it has closed") {
		f.release()
	}
	return &adapterv1beta1.CloseDeviceResponse{}, nil
}

// closeDevice ends what runs on a device.
func (f *fake) closeDevice(d *fakeDevice) {
	close(d.closed)
	if d.feed != nil && !f.is("closes before the feed has ended") {
		select {
		case <-d.feed:
			time.Sleep(20 * time.Millisecond) // so that the status leaves first
		case <-time.After(time.Second):
		}
	}
}

// open finds the open device.
func (f *fake) open(id string) (*fakeDevice, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := f.ready(); err != nil {
		return nil, err
	}
	if f.device == nil || id != "box-1" {
		return nil, f.refuse(codes.FailedPrecondition, "NOT_OPEN")
	}
	return f.device, nil
}

func (f *fake) Lifeline(_ *adapterv1beta1.LifelineRequest, stream grpc.ServerStreamingServer[adapterv1beta1.LifelineResponse]) error {
	f.meet()
	for beat := time.Tick(time.Second); ; {
		if err := stream.Send(&adapterv1beta1.LifelineResponse{NowUs: f.now()}); err != nil {
			break
		}
		if f.is("beats once") {
			beat = nil
		}
		select {
		case <-beat:
			continue
		case <-f.ended:
			return nil
		case <-stream.Context().Done():
		}
		break
	}
	switch {
	case f.is("outlives its host"):
	case f.is("hangs on a log that nobody reads"):
		for {
			if _, err := fmt.Fprintln(f.log, logLine("the lifeline broke")); err == nil {
				break
			}
			time.Sleep(10 * time.Millisecond)
		}
		f.exit()
	default:
		if !f.is("ends without letting go") {
			f.release()
		}
		f.exit()
	}
	return nil
}

func (f *fake) Shutdown(_ context.Context, r *adapterv1beta1.ShutdownRequest) (*adapterv1beta1.ShutdownResponse, error) {
	if err := f.strict(r); err != nil {
		return nil, err
	}
	f.mu.Lock()
	f.shutdowns++
	first, d := f.shutdowns == 1, f.device
	f.device = nil
	f.mu.Unlock()
	if !first && f.is("shuts down once") {
		return nil, f.refuse(codes.FailedPrecondition, "CLOSED")
	}
	if f.is("goes on after Shutdown") {
		return &adapterv1beta1.ShutdownResponse{}, nil
	}
	if d != nil {
		f.closeDevice(d)
	}
	if first {
		f.release()
	}
	f.end()
	if first {
		time.AfterFunc(100*time.Millisecond, f.exit)
	}
	return &adapterv1beta1.ShutdownResponse{}, nil
}

func (f *fake) SendRequest(ctx context.Context, r *adapterv1beta1.SendRequestRequest) (*adapterv1beta1.SendRequestResponse, error) {
	ticket, _ := ctx.Value(ticketKey{}).(int)
	f.begins(ticket)
	defer f.leave(ticket)
	if err := f.strict(r); err != nil {
		return nil, err
	}
	_, err := f.open(r.GetDeviceId())
	if f.abilities == "feed" && !f.is("offers more than it describes") {
		return nil, status.Error(codes.Unimplemented, "no link")
	}
	if err != nil {
		return nil, err
	}
	payload := r.GetPayload()
	if j1979.CheckReadOnly(payload) != nil {
		passes := f.is("reads anything") && len(payload) == 3 && payload[0] == 0x22 || f.is("clears trouble codes") && len(payload) == 1 && payload[0] == 0x04
		if f.is("sends what it refuses") && len(payload) == 2 && payload[0] == 0x3E {
			f.frame()
		}
		if !passes {
			return nil, f.refuse(codes.PermissionDenied, "NOT_READ_ONLY")
		}
	}
	if !f.is("sends all requests at once") {
		if err := f.awaitTurn(ctx, ticket); err != nil {
			return nil, err
		}
	}
	return f.vehicle(ctx, r)
}

// ticketKey holds the place of a call in the order in which calls came in; gRPC starts their handlers in any order.
type ticketKey struct{}

// ticket notes the order of requests as they come in.
func (f *fake) ticket(ctx context.Context, info *grpctap.Info) (context.Context, error) {
	if info.FullMethodName != adapterv1beta1.AdapterService_SendRequest_FullMethodName {
		return ctx, nil
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.tickets++
	mine := f.tickets
	f.line = append(f.line, mine)
	// A call may be cancelled before its handler begins.
	context.AfterFunc(ctx, func() {
		if !f.begins(mine) {
			f.leave(mine)
		}
	})
	return context.WithValue(ctx, ticketKey{}, mine), nil
}

// begins says whether a request's handler has begun, and from now on it has.
func (f *fake) begins(ticket int) (before bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	before = f.begun[ticket]
	f.begun[ticket] = true
	return before
}

// leave takes a request out of the line.
func (f *fake) leave(ticket int) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.line = slices.DeleteFunc(f.line, func(n int) bool { return n == ticket })
}

func (f *fake) awaitTurn(ctx context.Context, ticket int) error {
	for {
		f.mu.Lock()
		mine := len(f.line) == 0 || f.line[0] == ticket
		f.mu.Unlock()
		if mine {
			return nil
		}
		select {
		case <-time.After(time.Millisecond):
		case <-ctx.Done():
			return status.FromContextError(ctx.Err()).Err()
		}
	}
}

// What the vehicle of the tests answers.
var (
	silentRequest  = Request{Payload: []byte{0x01, 0x0C}, Target: 0x7E1}
	garbledRequest = Request{Payload: []byte{0x09, 0x02}, Target: 0x7E0}
	refusedRequest = Request{Payload: []byte{0x22, 0xF4, 0xFE}}
)

// vehicle answers a request.
func (f *fake) vehicle(ctx context.Context, r *adapterv1beta1.SendRequestRequest) (*adapterv1beta1.SendRequestResponse, error) {
	f.frame()
	sent := f.now()
	like := func(ask Request) bool {
		return r.GetTarget() == ask.Target && slices.Equal(r.GetPayload(), ask.Payload)
	}
	if like(silentRequest) {
		if f.is("sits out a cancelled request") {
			ctx = context.WithoutCancel(ctx)
		}
		select {
		case <-time.After(r.GetTimeout().AsDuration()):
		case <-ctx.Done():
			return nil, status.FromContextError(ctx.Err()).Err()
		}
		if f.is("calls silence an answer") {
			return &adapterv1beta1.SendRequestResponse{SentUs: sent}, nil
		}
		return nil, f.refuse(codes.DeadlineExceeded, "SILENT")
	}
	time.Sleep(8 * time.Millisecond)
	answer := append([]byte{r.GetPayload()[0] + 0x40}, r.GetPayload()[1:]...)
	answer = append(answer, 0xBE, 0x3E, 0xA8, 0x13)
	switch {
	case like(garbledRequest):
		if !f.is("passes on what is garbled") {
			return nil, f.refuse(codes.DataLoss, "GARBLED")
		}
	case like(refusedRequest):
		if f.is("calls a refusal an error") {
			return nil, f.refuse(codes.FailedPrecondition, "NEGATIVE_RESPONSE")
		}
		answer = []byte{0x7F, 0x22, 0x31}
	case f.is("leaves the header on"):
		answer = append([]byte{0x06}, answer...)
	}
	received := f.now()
	if f.is("stamps requests with the time of day") {
		sent, received = time.Now().UnixMicro(), time.Now().UnixMicro()
	}
	return &adapterv1beta1.SendRequestResponse{
		SentUs: sent, Answers: []*adapterv1beta1.Answer{{Source: 0x7E8, Payload: answer, ReceivedUs: received, TimeUncertaintyUs: 500}},
	}, nil
}

func logLine(message string) string {
	return fmt.Sprintf(`{"@level":"info","@message":%q,"@timestamp":%q}`, message, time.Now().UTC().Format(time.RFC3339Nano))
}
