// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session

import (
	"context"
	"errors"
	"maps"
	"slices"
	"time"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/store"
)

// Sources feed captures from devices. The manager asks them of captures and knows nothing else of them. Their methods are
// called from any goroutine.
type Sources interface {
	// Stop ends the feed of a capture, or of all captures of a session where capture is empty, and returns when what the
	// feed has delivered was appended and the device is given back, or with the context's error. What is not fed is
	// nothing to stop.
	Stop(ctx context.Context, shop, session, capture string) error
	// Feed tells how the feed of a capture, given by its name, stands; nil where none runs.
	Feed(shop, capture string) *pb.CaptureFeed
}

// SetSources says who feeds captures from devices. It is called once, before any other call.
func (m *Manager) SetSources(s Sources) { m.sources = s }

// stopSources is called outside of admin: a source may be waiting for it to open its writer.
func (m *Manager) stopSources(ctx context.Context, shop, session, capture string) error {
	if m.sources == nil {
		return nil
	}
	return m.sources.Stop(ctx, shop, session, capture)
}

// describeFeed fills in how the device's feed stands.
func (m *Manager) describeFeed(shop string, c *pb.Capture) {
	if c.GetDevice() == "" || c.GetState() != pb.CaptureState_CAPTURE_STATE_OPEN {
		return
	}
	if m.sources != nil {
		c.Feed = m.sources.Feed(shop, c.GetName())
	}
	if c.Feed == nil {
		c.Feed = &pb.CaptureFeed{
			State:   pb.CaptureFeedState_CAPTURE_FEED_STATE_INTERRUPTED,
			Message: "nobody feeds the capture since the server was stopped or a call that was to end it failed; go on with ResumeCapture, or end it with FinishCapture",
		}
	}
}

func otherSource(c *pb.Capture) *Error {
	e := &Error{
		Reason: pb.ErrorReason_ERROR_REASON_CAPTURE_SOURCE, Resource: c.GetName(),
		Message: "a client pushes the capture; no device feeds it",
	}
	if c.GetDevice() != "" {
		e.Message = "a device feeds the capture; create another one to push into"
		e.Metadata = map[string]string{"device": c.GetDevice()}
	}
	return e
}

// CreateDeviceCapture declares the stream of samples that a caller wants started and a device feeds. It is CreateCapture
// otherwise.
func (m *Manager) CreateDeviceCapture(ctx context.Context, shop string, c *pb.Capture, start *pb.StartCaptureRequest) (*pb.Capture, error) {
	if err := m.begin(); err != nil {
		return nil, err
	}
	defer m.tasks.Done()
	c = callers(c)
	r, err := startRequest(shop, start)
	if err != nil {
		return nil, err
	}
	c.Device = start.GetDevice()
	return m.createCapture(ctx, shop, start.GetParent(), c, r)
}

// StartedCapture gives the capture that the same call has made before; nil where it has made none.
func (m *Manager) StartedCapture(ctx context.Context, shop string, start *pb.StartCaptureRequest) (*pb.Capture, error) {
	if err := m.begin(); err != nil {
		return nil, err
	}
	r, err := startRequest(shop, start)
	var id string
	if err == nil {
		id, err = m.recall(ctx, r)
	}
	m.tasks.Done()
	if err != nil || id == "" {
		return nil, err
	}
	return m.GetCapture(ctx, shop, start.GetParent()+"/captures/"+id)
}

// startRequest identifies a StartCapture by what the caller asked for, not by what the device answered.
func startRequest(shop string, start *pb.StartCaptureRequest) (*request, error) {
	body := &pb.StartCaptureRequest{Parent: start.GetParent(), Device: start.GetDevice(), ExtraSignals: start.GetExtraSignals()}
	return newRequest(shop, "StartCapture", start.GetRequestId(), body)
}

// OpenDeviceWriter is OpenWriter for the feed of a capture's device. It takes the capture over.
func (m *Manager) OpenDeviceWriter(ctx context.Context, shop, capture string) (*Writer, error) {
	return m.newWriter(ctx, shop, capture, 0, true)
}

// Tail gives the time on the session's axis, in microseconds, of the last sample of a capture's last durable batch, or the
// end of its gap where the batch holds nothing else; 0 before the first batch.
func (m *Manager) Tail(ctx context.Context, shop, capture string) (lastUS int64, err error) {
	if err := m.begin(); err != nil {
		return 0, err
	}
	defer m.tasks.Done()
	session, id, err := innerID("capture", "captures", capture)
	if err != nil {
		return 0, err
	}
	l := m.acquire(key{shop, session})
	defer l.release()
	tail, err := m.store.Tail(ctx, l.chunks(id))
	if errors.Is(err, store.ErrNotFound) {
		return 0, nil
	}
	return tail.Last, m.explain(capture, err)
}

// Need is how often a signal is wanted.
type Need struct {
	// Path is the signal's VSS path.
	Path string
	// RateHz is in samples per second; 0 stands for as often as goes.
	RateHz float64
	// Group, above 0, is shared by signals that are wanted close together in time.
	Group int
}

// Pace follows the samples of one capture and tells which signals are worth how much of a link at this moment of the
// drive. It is not safe for concurrent use.
type Pace struct{ assay *assay.Pace }

// NewPace follows a capture, given by the paths of its signals.
func NewPace(paths []string) *Pace { return &Pace{assay.NewPace(paths)} }

// Push takes the newest batch of the capture and reports whether other needs hold from now on.
func (p *Pace) Push(b *pb.SampleBatch) (changed bool) {
	for i, s := range b.GetSignal() {
		changed = p.assay.Push(int(s), b.GetBaseTimeUs()+b.GetOffsetUs()[i], b.GetValue()[i]) || changed
	}
	return changed
}

// Needs tells how often each signal that the assay uses is wanted now.
func (p *Pace) Needs() []Need {
	needs := p.assay.Needs()
	out := make([]Need, len(needs))
	for i, n := range needs {
		out[i] = Need(n)
	}
	return out
}

// UsedSignals lists the paths of all signals that the assay uses, in order.
func UsedSignals() []string { return slices.Sorted(maps.Keys(assay.SignalPaths())) }

// AxisUS places an instant on the axis of a session that started at start, in microseconds. Both count by their wall
// clocks; now carries the machine's steady clock besides, so that the axis does not jump with the time of day while the
// process lives.
func AxisUS(start, anchor, now time.Time) int64 {
	return anchor.Round(0).Sub(start).Microseconds() + now.Sub(anchor).Microseconds()
}
