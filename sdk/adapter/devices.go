// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapter

import (
	"context"
	"errors"
	"sync"
	"time"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"google.golang.org/grpc/codes"
)

// device is one that is open, is being opened or is being closed.
type device struct {
	id      string
	conn    Conn
	opened  chan struct{}   // closed once Open has returned, well or not
	closed  chan struct{}   // closed once the hardware is released
	release func()          // begins closing, once
	ctx     context.Context //nolint:containedctx // the life of the device, which spans many calls
	cancel  context.CancelCauseFunc
	turns   turns

	mu   sync.Mutex
	feed *slot // of the last feed; nil before the first
}

func (s *service) ListDevices(ctx context.Context, _ *adapterv1beta1.ListDevicesRequest) (*adapterv1beta1.ListDevicesResponse, error) {
	if err := s.ready(); err != nil {
		return nil, err
	}
	found, err := s.look(ctx)
	if err != nil {
		return nil, err
	}
	answer := &adapterv1beta1.ListDevicesResponse{}
	for _, d := range found {
		answer.Devices = append(answer.Devices, &adapterv1beta1.Device{Id: d.ID, DisplayName: d.Name, Location: d.Location, SerialNumber: d.Serial})
	}
	return answer, nil
}

// look asks the author for devices and remembers their ids.
func (s *service) look(ctx context.Context) ([]Device, error) {
	done := start(s.log, "Devices", func() ([]Device, error) { return s.adapter.Devices(ctx) })
	found, err := await(ctx, s, "Devices", done, func([]Device, error) {})
	if err != nil {
		return nil, err
	}
	seen := map[string]bool{}
	for _, d := range found {
		if !idForm.MatchString(d.ID) {
			return nil, refuse(codes.Internal, reasonDefect, "Devices gave the id %q; use lower-case letters, digits, hyphens and dots, at most 60", d.ID)
		}
		if seen[d.ID] {
			return nil, refuse(codes.Internal, reasonDefect, "Devices gave the id %q twice", d.ID)
		}
		seen[d.ID] = true
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for id := range seen {
		s.listed[id] = true
	}
	return found, nil
}

// known says whether an id was ever listed; an adapter that was just restarted looks once itself.
func (s *service) known(ctx context.Context, id string) (bool, error) {
	listed := func() bool {
		s.mu.Lock()
		defer s.mu.Unlock()
		return s.listed[id]
	}
	if listed() {
		return true, nil
	}
	_, err := s.look(ctx)
	return listed(), err
}

func (s *service) OpenDevice(ctx context.Context, r *adapterv1beta1.OpenDeviceRequest) (*adapterv1beta1.OpenDeviceResponse, error) {
	if err := s.ready(); err != nil {
		return nil, err
	}
	known, err := s.known(ctx, r.GetDeviceId())
	if err != nil {
		return nil, err
	}
	if !known {
		return nil, refuse(codes.NotFound, adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_NO_SUCH_DEVICE, "no device %q was found; list the devices", r.GetDeviceId())
	}
	d, err := s.reserve(r.GetDeviceId())
	if err != nil {
		return nil, err
	}
	return s.open(ctx, d)
}

// reserve takes an id, so that a second Open of it is refused.
func (s *service) reserve(id string) (*device, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	select {
	case <-s.ended:
		return nil, refuse(codes.Aborted, reasonClosed, "the adapter is ending")
	default:
	}
	if s.changing {
		return nil, refuse(codes.FailedPrecondition, reasonBusy, "the adapter is being configured; try again")
	}
	if s.devices[id] != nil {
		return nil, refuse(codes.FailedPrecondition, reasonBusy, "device %q is open already; close it first", id)
	}
	d := &device{id: id, opened: make(chan struct{}), closed: make(chan struct{})}
	d.ctx, d.cancel = context.WithCancelCause(context.Background())
	d.release = sync.OnceFunc(func() { go s.close(d) })
	s.devices[id] = d
	return d, nil
}

func (s *service) open(ctx context.Context, d *device) (*adapterv1beta1.OpenDeviceResponse, error) {
	ctx, stop := s.whileOpen(ctx, d)
	defer stop()
	done := start(s.log, "Open", func() (Conn, error) {
		conn, err := s.adapter.Open(ctx, d.id)
		if err == nil && conn == nil {
			err = errors.New("Open gave neither a connection nor an error")
		}
		return conn, err
	})
	settle := func(conn Conn, err error) error {
		if err == nil {
			d.conn = conn
			err = s.fits(conn)
		}
		if err == nil {
			err = context.Cause(ctx) // the host has given up and believes that nothing changed
		}
		close(d.opened)
		if err != nil {
			d.release()
		}
		return err
	}
	conn, err := await(ctx, s, "Open", done, func(conn Conn, err error) { _ = settle(conn, err) })
	if errors.Is(err, errLate) {
		return nil, err
	}
	if err := settle(conn, err); err != nil {
		s.waitFor(d.closed)
		return nil, err
	}
	answer, err := guard(s.log, "Details", func() (*adapterv1beta1.OpenDeviceResponse, error) { return details(conn), nil })
	if err != nil {
		d.release()
		s.waitFor(d.closed)
	}
	return answer, err
}

// fits says whether a connection can do what the description promises.
func (s *service) fits(conn Conn) error {
	for _, a := range s.about.GetAbilities() {
		var ok bool
		switch a {
		case adapterv1beta1.Ability_ABILITY_FEED:
			_, ok = conn.(Feeder)
		case adapterv1beta1.Ability_ABILITY_LINK:
			_, ok = conn.(Linker)
		}
		if !ok {
			return refuse(codes.Internal, reasonDefect, "the description lists %v, and %T lacks its methods", a, conn)
		}
	}
	return nil
}

func details(conn Conn) *adapterv1beta1.OpenDeviceResponse {
	answer := &adapterv1beta1.OpenDeviceResponse{TimeSource: adapterv1beta1.TimeSource_TIME_SOURCE_ADAPTER}
	if more, ok := conn.(Detailer); ok {
		facts := more.Details()
		answer.MaxRequestsPerS = facts.MaxRequestsPerS
		switch {
		case facts.RecordedTime:
			answer.TimeSource = adapterv1beta1.TimeSource_TIME_SOURCE_RECORDED
		case facts.HardwareTime:
			answer.TimeSource = adapterv1beta1.TimeSource_TIME_SOURCE_HARDWARE
		}
	}
	return answer
}

// whileOpen makes a call end with the device as well.
func (s *service) whileOpen(ctx context.Context, d *device) (context.Context, func()) {
	ctx, cancel := context.WithCancelCause(ctx)
	unhook := context.AfterFunc(d.ctx, func() { cancel(context.Cause(d.ctx)) })
	return ctx, func() { unhook(); cancel(nil) }
}

// find gives an open device.
func (s *service) find(id string) (*device, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	d := s.devices[id]
	if d != nil {
		select {
		case <-d.opened:
			if d.ctx.Err() == nil {
				return d, nil
			}
		default:
		}
	}
	return nil, refuse(codes.FailedPrecondition, reasonNotOpen, "device %q is not open; open it first", id)
}

func (s *service) CloseDevice(ctx context.Context, r *adapterv1beta1.CloseDeviceRequest) (*adapterv1beta1.CloseDeviceResponse, error) {
	if err := s.ready(); err != nil {
		return nil, err
	}
	s.mu.Lock()
	d := s.devices[r.GetDeviceId()]
	s.mu.Unlock()
	if d == nil {
		return &adapterv1beta1.CloseDeviceResponse{}, nil
	}
	d.release()
	select {
	case <-d.closed:
		return &adapterv1beta1.CloseDeviceResponse{}, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// close ends what runs on a device, releases the hardware and frees the id.
func (s *service) close(d *device) {
	d.cancel(refuse(codes.Aborted, reasonClosed, "device %q was closed", d.id))
	<-d.opened
	d.mu.Lock()
	feed := d.feed
	d.mu.Unlock()
	if feed != nil {
		s.waitFor(feed.sent)
	}
	s.waitFor(d.turns.idle())
	if d.conn != nil {
		if _, err := guard(s.log, "Close", func() (any, error) { return nil, d.conn.Close() }); err != nil {
			s.log.Warn("closing a device", "device", d.id, "error", err)
		}
	}
	s.mu.Lock()
	delete(s.devices, d.id)
	s.mu.Unlock()
	close(d.closed)
}

// waitFor gives what runs on a device the time that the contract allows, and some more for its status to be sent.
func (s *service) waitFor(done <-chan struct{}) {
	if done == nil {
		return
	}
	timer := time.NewTimer(s.patience + s.flush)
	defer timer.Stop()
	select {
	case <-done:
	case <-timer.C:
	}
}

// releaseAll closes all devices and returns when their hardware is free.
func (s *service) releaseAll() {
	s.mu.Lock()
	var all []*device
	for _, d := range s.devices {
		all = append(all, d)
	}
	s.mu.Unlock()
	for _, d := range all {
		d.release()
	}
	for _, d := range all {
		<-d.closed
	}
}
