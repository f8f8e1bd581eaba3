// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapters

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/adapters/inquiry"
)

func offersLink(d *adapterv1beta1.DescribeResponse) bool {
	return slices.Contains(d.GetAbilities(), adapterv1beta1.Ability_ABILITY_LINK)
}

// requests carries requests over the device of a feed, beside its samples. What may do more than read is refused by the
// connection itself.
type requests struct{ feed *feed }

// Ask is that of inquiry.Link.
func (r requests) Ask(ctx context.Context, q inquiry.Request) ([]inquiry.Answer, error) {
	// The link waits longer than the timeout where a control unit asks for patience; ctx bounds that.
	answer, err := r.feed.connection.Client.SendRequest(ctx, &adapterv1beta1.SendRequestRequest{
		DeviceId: r.feed.id, Payload: q.Payload, Target: q.Target, Timeout: durationpb.New(q.Timeout), ExpectedAnswers: int32(q.Expected),
	})
	if err != nil {
		return nil, requestFailed(ctx, err)
	}
	out := make([]inquiry.Answer, len(answer.GetAnswers()))
	for i, a := range answer.GetAnswers() {
		out[i] = inquiry.Answer{Source: a.GetSource(), Payload: a.GetPayload()}
	}
	return out, nil
}

// requestFailed says what became of a request in the words of inquiry.
func requestFailed(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if brokenOff(err) {
		return context.DeadlineExceeded // the adapter's clock was a little quicker
	}
	said := clip(status.Convert(err).Message())
	kind := inquiry.ErrLost
	switch reasonOf(err) {
	case adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_SILENT:
		kind = inquiry.ErrSilent
	case adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_GARBLED:
		kind = inquiry.ErrGarbled
	case adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_UNSPECIFIED:
		if code := status.Code(err); code == codes.InvalidArgument || code == codes.Internal || code == codes.Unimplemented || code == codes.ResourceExhausted {
			kind = inquiry.ErrRefused
		}
	case adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_NOT_READ_ONLY, adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_DEFECT:
		kind = inquiry.ErrRefused
	default: // the device is gone or closed
	}
	return fmt.Errorf("%w: %s", kind, said)
}

// readBeside reads the vehicle while the capture's samples come in. It ends when the capture is to stop.
func (r *run) readBeside(f *feed) {
	ctx, cancel := context.WithCancel(r.life)
	defer cancel()
	stop := make(chan struct{})
	defer close(stop)
	go func() {
		select {
		case <-r.asked:
			cancel()
		case <-stop:
		}
	}()
	if _, err := r.readVehicle(ctx, f); err != nil && ctx.Err() == nil && !ended(err) {
		r.log.Warn("what the vehicle says of itself could not be stored", "error", err)
	}
}

// readVehicle asks the vehicle and puts what it says into the session. The log hears nothing of what it says: an
// identification number is personal data in some countries.
func (r *run) readVehicle(ctx context.Context, f *feed) (*pb.VehicleReport, error) {
	select {
	case r.reading <- struct{}{}:
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	defer func() { <-r.reading }()
	begun := time.Now()
	report := inquiry.Read(ctx, requests{f})
	if report == nil {
		return nil, ctx.Err()
	}
	report.ReadTime, report.Device = timestamppb.Now(), r.device
	codes, lacking := 0, len(report.GetUnread())
	for _, u := range report.GetControlUnits() {
		codes += len(u.GetTroubleCodes())
		lacking += len(u.GetUnread())
	}
	r.log.Info("the vehicle was read", "control_units", len(report.GetControlUnits()), "trouble_codes", codes, "unread", lacking,
		"took", time.Since(begun).Round(time.Millisecond))
	return r.m.sessions.PutVehicleReport(ctx, r.shop, r.session, report)
}

// ReadVehicle asks the vehicle behind a running capture what it says of itself, and gives the report as it is in the session
// then. Errors are *session.Error or the context's.
func (m *Manager) ReadVehicle(ctx context.Context, shop, name string) (*pb.VehicleReport, error) {
	c, err := m.sessions.GetCapture(ctx, shop, name)
	switch {
	case err != nil:
		return nil, err
	case c.GetDevice() == "":
		return nil, refuse(pb.ErrorReason_ERROR_REASON_CAPTURE_SOURCE, name, "a client pushes the capture; there is no device to ask")
	case c.GetState() == pb.CaptureState_CAPTURE_STATE_FINISHED:
		return nil, refuse(pb.ErrorReason_ERROR_REASON_CAPTURE_FINISHED, name, "the capture is finished; start another one")
	}
	m.mu.Lock()
	runs := m.running(func(r *run) bool { return r.shop == shop && r.capture == name })
	m.mu.Unlock()
	var f *feed
	if len(runs) > 0 {
		runs[0].mu.Lock()
		f = runs[0].feed
		runs[0].mu.Unlock()
	}
	if f == nil {
		return nil, unavailable("the capture's device is not open now; Capture.feed says why")
	}
	if !offersLink(f.connection.Description) {
		return nil, refuse(pb.ErrorReason_ERROR_REASON_NO_LINK, f.device, "the adapter delivers samples and carries no requests; enter what another tool has read as trouble_codes of the day")
	}
	asking, cancel := context.WithCancel(ctx)
	defer cancel()
	defer context.AfterFunc(runs[0].life, cancel)() //nolint:contextcheck // the capture's end cuts it off too
	report, err := runs[0].readVehicle(asking, f)
	if errors.Is(err, context.Canceled) && ctx.Err() == nil {
		return nil, refuse(pb.ErrorReason_ERROR_REASON_CAPTURE_FINISHED, name, "the capture ended while the vehicle was asked")
	}
	return report, err
}
