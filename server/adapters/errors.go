// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapters

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/host"
	"github.com/airassay/airassay/server/session"
)

// deviceForm is what the contract allows as the id of a device.
var deviceForm = regexp.MustCompile(`^[a-z0-9.-]{1,60}$`)

func deviceName(adapter, device string) string { return collection + adapter + "/devices/" + device }

// splitDevice takes the name of a device apart.
func splitDevice(name string) (adapter, device string, ok bool) {
	parts := strings.Split(name, "/")
	if len(parts) != 4 || parts[0] != "adapters" || parts[2] != "devices" || !deviceForm.MatchString(parts[3]) {
		return "", "", false
	}
	return parts[1], parts[3], true
}

func refuse(reason pb.ErrorReason, resource, message string) *session.Error {
	return &session.Error{Reason: reason, Resource: resource, Message: message}
}

func notFound(name, message string) error {
	return refuse(pb.ErrorReason_ERROR_REASON_NOT_FOUND, name, message)
}

func unavailable(message string) error {
	return refuse(pb.ErrorReason_ERROR_REASON_UNAVAILABLE, "", message)
}

func busy(device, message string) error {
	return refuse(pb.ErrorReason_ERROR_REASON_DEVICE_BUSY, device, message)
}

func isBusy(err error) bool {
	reason, _ := session.ReasonOf(err)
	return reason == pb.ErrorReason_ERROR_REASON_DEVICE_BUSY
}

// words are an error for people, bounded: an own one has what others said bounded in its message.
func words(err error) string {
	var own *session.Error
	if errors.As(err, &own) && own.Message != "" {
		return own.Message
	}
	return clip(status.Convert(err).Message())
}

// adapterUnavailable says why an adapter cannot be called, and whether that may pass.
func adapterUnavailable(id string, s host.Status) error {
	what := fmt.Sprintf("the adapter is %s", s.State)
	if s.Failure != nil && s.State != host.StateReady {
		what += fmt.Sprintf(": %s: %v", s.Failure.Reason, s.Failure.Err)
	}
	switch s.State {
	case host.StateFailed, host.StateBroken:
		what += "; mend that, then call ResetAdapter; the server's log has more"
	case host.StateBackingOff:
		what += fmt.Sprintf("; it is started again in %v", time.Until(s.RetryAt).Round(100*time.Millisecond))
	}
	return refuse(pb.ErrorReason_ERROR_REASON_ADAPTER_UNAVAILABLE, collection+id, what)
}

// reasonOf reads the contract's reason out of an adapter's error.
func reasonOf(err error) adapterv1beta1.AdapterErrorReason {
	for _, d := range status.Convert(err).Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok && info.GetDomain() == adapter.Domain {
			return adapterv1beta1.AdapterErrorReason(adapterv1beta1.AdapterErrorReason_value["ADAPTER_ERROR_REASON_"+info.GetReason()])
		}
	}
	return adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_UNSPECIFIED
}

// deadlineSlack is how much earlier than the caller an adapter may see the same deadline pass.
const deadlineSlack = 100 * time.Millisecond

// brokenOff reports that a call ended by its deadline or its cancellation, and the adapter says nothing of it.
func brokenOff(err error) bool {
	code := status.Code(err)
	return (code == codes.DeadlineExceeded || code == codes.Canceled) && reasonOf(err) == 0
}

// callFailed translates what an adapter's call returned. The end of the caller's context stays what it is.
func callFailed(ctx context.Context, id, call string, err error) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if deadline, ok := ctx.Deadline(); ok && brokenOff(err) && time.Until(deadline) < deadlineSlack {
		return context.DeadlineExceeded // the adapter's clock was a little quicker
	}
	said := clip(status.Convert(err).Message())
	e := refuse(pb.ErrorReason_ERROR_REASON_ADAPTER_DEFECT, collection+id, fmt.Sprintf("%s failed: %s", call, said))
	switch {
	case status.Code(err) == codes.DeadlineExceeded && reasonOf(err) == 0:
		e.Message = call + " was not answered in time"
	case status.Code(err) == codes.Unavailable && reasonOf(err) == 0:
		e.Reason, e.Message = pb.ErrorReason_ERROR_REASON_ADAPTER_UNAVAILABLE, "the adapter ended in the middle of "+call
	}
	e.Err = err
	return e
}

// vehicleSilent tells that no control unit answers.
const vehicleSilent = "the vehicle does not answer; is its ignition on?"

// deviceFailed translates what opening or reading a device returned.
func deviceFailed(ctx context.Context, adapterID, device, call string, err error) error {
	said := clip(status.Convert(err).Message())
	switch reasonOf(err) {
	case adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_UNPLUGGED:
		return refuse(pb.ErrorReason_ERROR_REASON_DEVICE_UNPLUGGED, device, said)
	case adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_BUSY:
		return busy(device, said)
	case adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_NO_SUCH_DEVICE:
		return notFound(device, said)
	case adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_SILENT:
		return refuse(pb.ErrorReason_ERROR_REASON_NO_SIGNALS, device, vehicleSilent+" The adapter says: "+said)
	case adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_GARBLED:
		return refuse(pb.ErrorReason_ERROR_REASON_NO_SIGNALS, device, "what the vehicle answers is garbled; see to the plug and the wiring, then try again. The adapter says: "+said)
	}
	return callFailed(ctx, adapterID, call, err)
}

// ended reports that a capture takes nothing more.
func ended(err error) bool {
	return errors.Is(err, session.ErrCaptureFinished) || errors.Is(err, session.ErrSessionClosed)
}
