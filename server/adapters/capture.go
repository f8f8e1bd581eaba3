// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapters

import (
	"context"
	"errors"
	"fmt"
	"strings"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/session"
)

// StartCapture opens a device and captures from it until the capture is finished. Errors are *session.Error or the
// context's; after an error nothing is captured, and the device is free.
func (m *Manager) StartCapture(ctx context.Context, shop string, start *pb.StartCaptureRequest) (*pb.Capture, error) {
	if c, err := m.sessions.StartedCapture(ctx, shop, start); c != nil || err != nil {
		return c, err
	}
	s, err := m.sessions.GetSession(ctx, shop, start.GetParent())
	if err != nil {
		return nil, err
	}
	if s.GetState() == pb.SessionState_SESSION_STATE_CLOSED {
		return nil, refuse(pb.ErrorReason_ERROR_REASON_SESSION_CLOSED, s.GetName(), "the session is closed; open another one")
	}
	wanted := wishes(session.NewPace(session.UsedSignals()).Needs(), start.GetExtraSignals())
	c, err := m.begin(ctx, start.GetDevice(), func(ctx context.Context, e *entry, id string) (*run, error) {
		f, err := e.open(ctx, m.ctx, id, wanted)
		if err != nil {
			return nil, err
		}
		r, err := m.capture(ctx, shop, s, start, f)
		if err != nil {
			f.end()
		}
		return r, err
	})
	if isBusy(err) { // It may be the same call that was under way.
		if again, failed := m.sessions.StartedCapture(ctx, shop, start); again != nil || failed != nil {
			return again, failed
		}
	}
	return c, err
}

// capture makes the capture that a feed goes into.
func (m *Manager) capture(ctx context.Context, shop string, s *pb.Session, start *pb.StartCaptureRequest, f *feed) (*run, error) {
	c, err := m.sessions.CreateDeviceCapture(ctx, shop, &pb.Capture{Signals: f.definitions(), Clock: f.clockKind()}, start)
	if err != nil {
		return nil, declared(f.device, err)
	}
	w, err := m.sessions.OpenDeviceWriter(ctx, shop, c.GetName())
	if err != nil {
		_, finishErr := m.sessions.FinishCapture(context.WithoutCancel(ctx), shop, c.GetName())
		return nil, errors.Join(err, finishErr)
	}
	r := m.newRun(shop, s, c, f, w, start.GetExtraSignals())
	if offersLink(f.connection.Description) {
		r.beside.Go(func() { r.readBeside(f) }) //nolint:contextcheck // it outlives the call, as the capture does
	}
	return r, nil
}

// declared turns what is wrong with the signals of a capture into a defect of the adapter that declares them.
func declared(device string, err error) error {
	var own *session.Error
	if !errors.As(err, &own) || len(own.Violations) == 0 {
		return err
	}
	return refuse(pb.ErrorReason_ERROR_REASON_ADAPTER_DEFECT, device,
		fmt.Sprintf("the adapter declares signals that cannot be: %s %s", own.Violations[0].Field, clip(own.Violations[0].Description)))
}

// whyNot sums up why signals cannot be had: usually it is one reason for all.
func whyNot(missing []*pb.UnavailableCaptureSignal) string {
	const most = 3
	count := make(map[string]int)
	var reasons []string
	for _, u := range missing {
		_, why, _ := strings.Cut(u.GetMessage(), u.GetPath()+": ")
		if why == "" {
			why = u.GetMessage()
		}
		if count[why]++; count[why] == 1 {
			reasons = append(reasons, why)
		}
	}
	var parts []string
	for i, why := range reasons {
		if i == most {
			parts = append(parts, "…")
			break
		}
		parts = append(parts, fmt.Sprintf("%s (%d signals)", why, count[why]))
	}
	if len(parts) == 0 {
		return "it names no signal"
	}
	return strings.Join(parts, "; ")
}

// begin runs a capture from a device by its name; open opens the device, and is cut off when the manager is closed.
func (m *Manager) begin(ctx context.Context, device string, open func(context.Context, *entry, string) (*run, error)) (*pb.Capture, error) {
	adapterID, id, ok := splitDevice(device)
	e := m.find(adapterID)
	if !ok || e == nil {
		return nil, notFound(device, "there is no such adapter; those that there are: "+m.names())
	}
	if err := m.reserve(ctx, device); err != nil {
		return nil, err
	}
	opening, cancel := context.WithCancel(ctx)
	defer cancel()
	defer context.AfterFunc(m.ctx, cancel)() //nolint:contextcheck // the manager's end cuts it off too
	r, err := open(opening, e, id)
	if err != nil {
		m.settle(device, nil)
		if m.ctx.Err() != nil {
			err = unavailable("the server is going down")
		}
		return nil, err
	}
	m.settle(device, r)
	r.log.Info("a capture from a device has begun", "signals", len(r.positions))
	go r.loop()
	if m.isClosing() { // It may have begun before the run could be found.
		r.stop(ctx)
	}
	return m.sessions.GetCapture(context.WithoutCancel(ctx), r.shop, r.capture) // It runs, whether or not somebody waits.
}

func (m *Manager) isClosing() bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.closing
}

// ResumeCapture goes on with an open capture from a device that nobody feeds any more.
func (m *Manager) ResumeCapture(ctx context.Context, shop, name string) (*pb.Capture, error) {
	c, err := m.sessions.GetCapture(ctx, shop, name)
	switch {
	case err != nil:
		return nil, err
	case c.GetDevice() == "":
		return nil, refuse(pb.ErrorReason_ERROR_REASON_CAPTURE_SOURCE, name, "a client pushes the capture; there is no device to resume it from")
	case c.GetState() == pb.CaptureState_CAPTURE_STATE_FINISHED:
		return nil, refuse(pb.ErrorReason_ERROR_REASON_CAPTURE_FINISHED, name, "the capture is finished; start another one")
	case m.Feed(shop, name) != nil:
		return c, nil
	}
	session, _, _ := strings.Cut(name, "/captures/")
	s, err := m.sessions.GetSession(ctx, shop, session)
	if err != nil {
		return nil, err
	}
	resumed, err := m.begin(ctx, c.GetDevice(), func(ctx context.Context, e *entry, id string) (*run, error) {
		return m.resume(ctx, shop, s, c, e, id)
	})
	if isBusy(err) && m.Feed(shop, name) != nil { // Another call was quicker.
		return m.sessions.GetCapture(ctx, shop, name)
	}
	return resumed, err
}

func (m *Manager) resume(ctx context.Context, shop string, s *pb.Session, c *pb.Capture, e *entry, id string) (*run, error) {
	paths := make([]string, len(c.GetSignals()))
	for i, d := range c.GetSignals() {
		paths[i] = d.GetPath()
	}
	needs := session.NewPace(paths).Needs()
	extra := beyond(paths, needs)
	f, err := e.open(ctx, m.ctx, id, wishes(needs, extra))
	if err != nil {
		return nil, err
	}
	w, err := m.sessions.OpenDeviceWriter(ctx, shop, c.GetName())
	if err != nil {
		f.end()
		return nil, err
	}
	last, err := m.sessions.Tail(ctx, shop, c.GetName())
	if err != nil {
		f.end()
		return nil, errors.Join(err, w.Close())
	}
	r := m.newRun(shop, s, c, f, w, extra)
	r.place.lastUS = last
	r.place.interrupted(pb.SampleGapReason_SAMPLE_GAP_REASON_SERVER_RESTARTED)
	return r, nil
}

// beyond lists the paths that the assay does not need: a caller asked for them.
func beyond(paths []string, needs []session.Need) []string {
	needed := make(map[string]bool, len(needs))
	for _, n := range needs {
		needed[n.Path] = true
	}
	var extra []string
	for _, path := range paths {
		if !needed[path] {
			extra = append(extra, path)
		}
	}
	return extra
}

// Stop is that of session.Sources.
func (m *Manager) Stop(ctx context.Context, shop, session, capture string) error {
	name := "sessions/" + session
	m.mu.Lock()
	runs := m.running(func(r *run) bool { return r.of(shop, name) && (capture == "" || r.capture == capture) })
	m.mu.Unlock()
	stopAll(ctx, runs)
	return ctx.Err()
}

// Feed is that of session.Sources.
func (m *Manager) Feed(shop, capture string) *pb.CaptureFeed {
	m.mu.Lock()
	runs := m.running(func(r *run) bool { return r.shop == shop && r.capture == capture })
	m.mu.Unlock()
	if len(runs) == 0 {
		return nil
	}
	return runs[0].describe()
}
