// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canbus

import (
	"context"
	"errors"
	"fmt"
	"net"
	"slices"
	"sync"
	"time"

	"github.com/airassay/airassay/plugins/simulator/ecu"
	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/canlink"
	"github.com/airassay/airassay/sdk/isotp"
)

// ServeOptions say how a control unit is reached on CAN, and how it sends.
type ServeOptions struct {
	// Address is the pair of identifiers of the unit as the unit sees it: Send its
	// answers, Receive the requests to it alone.
	Address isotp.Address
	// Functional is the identifier of requests to all units; 29 bits where those of Address are.
	Functional uint32
	// FD sends CAN FD frames, BitRateSwitch with their data at the faster rate.
	FD, BitRateSwitch bool
	// NoPadding sends frames as short as they can be; else Fill fills them up to 8 bytes.
	NoPadding bool
	Fill      byte
	// BlockSize and STmin are what the unit asks of who sends it long requests.
	BlockSize, STmin byte
	// Faults is what goes wrong with frames that the unit sends.
	Faults FrameFaults
	// Seed decides the faults.
	Seed uint64
}

// Addresses of ISO 15765-4.
const (
	functional11   = 0x7DF
	firstRequest   = 0x7E0
	firstAnswer    = 0x7E8
	functionalWide = 0x33
	testerAddress  = 0xF1
)

// wideAddresses are those of the units in 29 bit identifiers: engine and transmission (SAE J2178-1).
var wideAddresses = []byte{0x10, 0x18}

// Addressed gives the usual addresses of a vehicle's units by ISO 15765-4, in the order
// of ecu.Vehicle.Units: 7E8 and 7E9, or for 29 bits 18DAF110 and 18DAF118.
func Addressed(unit int, extended bool) ServeOptions {
	if extended {
		return ServeOptions{
			Address:    isotp.NormalFixed(testerAddress, wideAddresses[unit]),
			Functional: isotp.FixedFunctional(functionalWide, testerAddress),
		}
	}
	return ServeOptions{Address: isotp.Normal11(firstAnswer+uint32(unit), firstRequest+uint32(unit)), Functional: functional11}
}

// wants says whether a frame may be for the unit.
func (o *ServeOptions) wants(f *isotp.Frame) bool {
	return f.Extended == o.Address.Extended && (f.ID == o.Address.Receive || f.ID == o.Functional)
}

// Serve lets a control unit answer on a CAN interface: a Node of a Bus, or a socket of
// a real or a virtual interface. Each unit needs a node or a socket of its own, so that
// they contend for the bus as control units do.
//
// It returns nil when the bus is closed, the context's cause when that ends, and
// otherwise what is wrong with the bus. Errors of single frames are what a control unit
// meets every day: the message is lost, and it goes on.
func Serve(ctx context.Context, bus canlink.Bus, unit *ecu.Unit, o ServeOptions) error {
	s := &server{bus: bus, unit: unit, options: o, plight: newPlight(o.Faults, o.Seed, uint64(o.Address.Send))}
	s.began, s.beganAt = time.Now(), adapter.Now()
	config := isotp.Config{
		Address: o.Address, FD: o.FD, BitRateSwitch: o.BitRateSwitch, NoPadding: o.NoPadding, Fill: o.Fill,
		BlockSize: o.BlockSize, STmin: o.STmin, Timeouts: times,
	}
	var err error
	if s.own, err = isotp.NewEndpoint(config); err != nil {
		return fmt.Errorf("serving a control unit on CAN: %w", err)
	}
	config.Receive, config.SingleFrames = o.Functional, true
	if s.all, err = isotp.NewReceiver(config); err != nil {
		return fmt.Errorf("serving a control unit on CAN: %w", err)
	}
	ctx, stop := context.WithCancelCause(ctx)
	frames, ended := make(chan received), make(chan error, 1)
	var listening sync.WaitGroup
	listening.Go(func() { ended <- s.listen(ctx, frames) })
	err = s.run(ctx, frames, ended)
	stop(err)
	listening.Wait()
	if errors.Is(err, net.ErrClosed) {
		return nil
	}
	return err
}

// times are those of ISO 15765-4 for a control unit.
var times = isotp.Timeouts{As: 25 * time.Millisecond, Ar: 25 * time.Millisecond, Bs: 75 * time.Millisecond, Cr: 150 * time.Millisecond}

// server is a control unit on a bus. One goroutine receives, the other does all the rest.
//
// It deals with one request at a time, until the last frame of its last answer is out. Each connection, that to the unit
// alone and that to all, has one buffer: what comes while a request is being dealt with waits there, and what finds
// the buffer full is lost. While a unit prepares an answer, the request it prepares it to is in the buffer.
type server struct {
	bus     canlink.Bus
	unit    *ecu.Unit
	options ServeOptions
	own     *isotp.Endpoint
	all     *isotp.Receiver
	waiting []request // in the buffers, the oldest first
	current request   // the one that is being dealt with, or the last
	replies []due     // to it, still to be sent
	free    time.Time // since when no answer is under way
	plight  plight
	held    *isotp.Frame // swapped with the next

	began   time.Time
	beganAt adapter.Time
}

// received is a frame and when its last bit came.
type received struct {
	frame isotp.Frame
	at    time.Time
}

// request is what a tester asked, and when its last bit came.
type request struct {
	payload    []byte
	at         time.Time
	functional bool // it went to all
}

// due is an answer and when its sending begins.
type due struct {
	payload []byte
	at      time.Time
}

// listen receives frames for the unit until the bus is closed.
func (s *server) listen(ctx context.Context, frames chan<- received) error {
	for {
		var r received
		var err error
		if r.at, err = s.receive(ctx, &r.frame); err != nil {
			if ctx.Err() == nil && transient(err) {
				continue
			}
			return err
		}
		if !s.options.wants(&r.frame) {
			continue
		}
		select {
		case frames <- r:
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}

// transient tells the errors of a bus after which a control unit goes on.
func transient(err error) bool {
	_, bus := errors.AsType[*canlink.BusError](err)
	return bus
}

// receive takes the exact instant from a bus in memory, and the stamp from others.
func (s *server) receive(ctx context.Context, f *isotp.Frame) (time.Time, error) {
	if n, ok := s.bus.(*Node); ok {
		return n.receive(ctx, f)
	}
	at, err := s.bus.Receive(ctx, f)
	return s.began.Add(at.Sub(s.beganAt)), err
}

// send puts a frame on the bus, since when it has been due, and says when it was out.
func (s *server) send(ctx context.Context, f *isotp.Frame, since time.Time) (time.Time, error) {
	ctx, cancel := context.WithTimeout(ctx, times.As)
	defer cancel()
	if n, ok := s.bus.(*Node); ok {
		return n.send(ctx, f, since)
	}
	at, err := s.bus.Send(ctx, f)
	return s.began.Add(at.Sub(s.beganAt)), err
}

func (s *server) run(ctx context.Context, frames <-chan received, ended <-chan error) error {
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		if err := s.work(ctx); err != nil {
			return err
		}
		timer.Stop()
		if at, ok := s.next(); ok {
			timer.Reset(time.Until(at))
		}
		select {
		case r := <-frames:
			s.take(r)
		case <-timer.C:
		case err := <-ended:
			return err
		}
	}
}

// next is when there is something to do, unless a frame comes first.
func (s *server) next() (at time.Time, ok bool) {
	if d, busy := s.own.Deadline(); busy {
		at, ok = s.began.Add(d), true
	}
	if len(s.replies) > 0 && !s.own.Sending() && (!ok || s.replies[0].at.Before(at)) {
		at, ok = s.replies[0].at, true
	}
	return at, ok
}

// take gives a frame to the transport, and a request that is complete into its buffer.
func (s *server) take(r received) {
	now := r.at.Sub(s.began)
	if r.frame.ID == s.options.Functional {
		if complete, _ := s.all.Receive(now, &r.frame); complete { // What breaks the rules, a control unit passes over.
			s.accept(request{s.all.Message(), r.at, true})
		}
		return
	}
	if complete, _ := s.own.Receive(now, &r.frame); complete {
		s.accept(request{s.own.Message(), r.at, false})
	}
}

// accept keeps a request where the buffer of its connection is empty.
func (s *server) accept(r request) {
	full := func(held request) bool { return held.functional == r.functional }
	if len(s.replies) > 0 && full(s.current) || slices.ContainsFunc(s.waiting, full) {
		return
	}
	r.payload = slices.Clone(r.payload)
	s.waiting = append(s.waiting, r)
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// deal gives the oldest request to the unit, if nothing else is being dealt with.
func (s *server) deal() {
	for len(s.replies) == 0 && !s.own.Sending() {
		if len(s.waiting) == 0 {
			return
		}
		s.current = s.waiting[0]
		s.waiting = slices.Delete(s.waiting, 0, 1)
		at := later(s.current.at, s.free)
		for _, reply := range s.unit.Handle(at, s.current.payload, s.current.functional) {
			s.replies = append(s.replies, due{reply.Payload, at.Add(reply.After)})
		}
		slices.SortStableFunc(s.replies, func(a, b due) int { return a.at.Compare(b.at) })
	}
}

// work sends all that is due.
func (s *server) work(ctx context.Context) error {
	since := time.Now()
	if s.own.Tick(since.Sub(s.began)) != nil { // A tester that keeps silent loses its answer.
		s.free = since
	}
	var f isotp.Frame
	for {
		since = s.begin(since)
		if !s.own.Next(since.Sub(s.began), &f) {
			break
		}
		sent, err := s.put(ctx, &f, since)
		switch {
		case err == nil:
			s.own.Sent(sent.Sub(s.began))
			s.free = sent
		case ctx.Err() == nil && (transient(err) || errors.Is(err, context.DeadlineExceeded)):
			s.own.Sender().Abort()
			s.own.Receiver().Reset()
			s.held, s.free = nil, time.Now()
		default:
			return err
		}
		since = time.Now()
	}
	return s.flush(ctx)
}

// begin deals with requests and starts the next answer, where one is due and no other is under way. It says since when
// there is something to send: in real time that may be a little over, but never before the answer before was out.
func (s *server) begin(now time.Time) time.Time {
	s.deal()
	for len(s.replies) > 0 && !s.own.Sending() && !s.replies[0].at.After(now) {
		r := s.replies[0]
		s.replies = s.replies[1:]
		since := later(r.at, s.free)
		if s.own.Start(since.Sub(s.began), r.payload) == nil { // What is too long for the transport, nobody can be told.
			return since
		}
		s.deal()
	}
	return now
}

// put sends a frame, or what the faults make of it, and says when it was out.
func (s *server) put(ctx context.Context, f *isotp.Frame, since time.Time) (time.Time, error) {
	const consecutive = 2 // kind of frame, ISO 15765-2
	kind := f.Data[0] >> 4
	if kind == 0 {
		s.plight.spoil(f, 1+int(f.Data[0]&0x0F), since)
	}
	if kind == consecutive && s.held == nil && s.plight.strikes(FrameSwapped, since) {
		held := *f
		s.held = &held
		return since, nil
	}
	sent := since
	for range s.plight.copies(since) {
		var err error
		if sent, err = s.send(ctx, f, since); err != nil {
			return sent, err
		}
	}
	return sent, s.flush(ctx)
}

// flush sends the frame that was held back, if one was.
func (s *server) flush(ctx context.Context) error {
	if s.held == nil {
		return nil
	}
	f := s.held
	s.held = nil
	_, err := s.send(ctx, f, time.Now())
	if err != nil && ctx.Err() == nil && (transient(err) || errors.Is(err, context.DeadlineExceeded)) {
		return nil
	}
	return err
}
