// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package rpc

import (
	"context"
	"crypto/rand"
	"errors"
	"maps"
	"strings"
	"time"
	"unicode/utf8"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"
	"google.golang.org/protobuf/types/known/durationpb"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/recording"
	"github.com/airassay/airassay/server/session"
)

// Domain is what google.rpc.ErrorInfo names as the home of this API's reasons.
const Domain = "airassay.dev"

// codeOf is the one table from what can go wrong to the status of a call. The
// comments of ErrorReason promise it to callers.
var codeOf = map[pb.ErrorReason]codes.Code{
	pb.ErrorReason_ERROR_REASON_INVALID_FIELD:        codes.InvalidArgument,
	pb.ErrorReason_ERROR_REASON_NOT_FOUND:            codes.NotFound,
	pb.ErrorReason_ERROR_REASON_REQUEST_ID_REUSED:    codes.AlreadyExists,
	pb.ErrorReason_ERROR_REASON_ETAG_MISMATCH:        codes.Aborted,
	pb.ErrorReason_ERROR_REASON_SESSION_CLOSED:       codes.FailedPrecondition,
	pb.ErrorReason_ERROR_REASON_CAPTURE_FINISHED:     codes.FailedPrecondition,
	pb.ErrorReason_ERROR_REASON_SESSION_OPEN:         codes.FailedPrecondition,
	pb.ErrorReason_ERROR_REASON_WRITER_FENCED:        codes.Aborted,
	pb.ErrorReason_ERROR_REASON_BATCH_CONFLICT:       codes.Aborted,
	pb.ErrorReason_ERROR_REASON_SEQUENCE_GAP:         codes.OutOfRange,
	pb.ErrorReason_ERROR_REASON_TIME_OUT_OF_SESSION:  codes.OutOfRange,
	pb.ErrorReason_ERROR_REASON_BATCH_TOO_LARGE:      codes.ResourceExhausted,
	pb.ErrorReason_ERROR_REASON_VEHICLE_HAS_SESSIONS: codes.FailedPrecondition,
	pb.ErrorReason_ERROR_REASON_UNAVAILABLE:          codes.Unavailable,
	pb.ErrorReason_ERROR_REASON_CORRUPT:              codes.DataLoss,
	pb.ErrorReason_ERROR_REASON_RECORDING_UNREADABLE: codes.InvalidArgument,
	pb.ErrorReason_ERROR_REASON_MAPPING_AMBIGUOUS:    codes.FailedPrecondition,
	pb.ErrorReason_ERROR_REASON_INTERNAL:             codes.Internal,
	pb.ErrorReason_ERROR_REASON_INVALID_PAGE_TOKEN:   codes.InvalidArgument,
	pb.ErrorReason_ERROR_REASON_WRONG_UNIT:           codes.InvalidArgument,
	pb.ErrorReason_ERROR_REASON_TOO_MANY_STREAMS:     codes.ResourceExhausted,
	pb.ErrorReason_ERROR_REASON_ADAPTER_UNAVAILABLE:  codes.Unavailable,
	pb.ErrorReason_ERROR_REASON_DEVICE_BUSY:          codes.FailedPrecondition,
	pb.ErrorReason_ERROR_REASON_DEVICE_UNPLUGGED:     codes.Unavailable,
	pb.ErrorReason_ERROR_REASON_NO_SIGNALS:           codes.FailedPrecondition,
	pb.ErrorReason_ERROR_REASON_CAPTURE_SOURCE:       codes.FailedPrecondition,
	pb.ErrorReason_ERROR_REASON_ADAPTER_DEFECT:       codes.Unavailable,
	pb.ErrorReason_ERROR_REASON_NO_LINK:              codes.FailedPrecondition,
}

// retryAfter is when to come back where that helps: a server that restarts or
// a disk that catches up needs about a second, a place among the streams frees
// itself more slowly.
var retryAfter = map[pb.ErrorReason]time.Duration{
	pb.ErrorReason_ERROR_REASON_UNAVAILABLE:      time.Second,
	pb.ErrorReason_ERROR_REASON_TOO_MANY_STREAMS: 10 * time.Second,
	// An adapter is started again within half a minute at most, a cable is plugged in by a hand.
	pb.ErrorReason_ERROR_REASON_ADAPTER_UNAVAILABLE: 2 * time.Second,
	pb.ErrorReason_ERROR_REASON_DEVICE_UNPLUGGED:    2 * time.Second,
}

// A status travels in a trailer, for which proxies and clients have room of a
// few KiB, and may quote what a caller sent.
const (
	maxMessage    = 1000
	maxMetadata   = 500
	maxViolations = 20
)

// errGoingDown is the cause of a context that the drain has ended.
var errGoingDown = refuse(pb.ErrorReason_ERROR_REASON_UNAVAILABLE, "the server is going down; open the stream again after the delay and go on where it ended")

// refuse makes an error of this layer's own.
func refuse(reason pb.ErrorReason, message string) *session.Error {
	return &session.Error{Reason: reason, Message: message}
}

// invalid refuses one field of a call.
func invalid(field, description string) *session.Error {
	return &session.Error{
		Reason:     pb.ErrorReason_ERROR_REASON_INVALID_FIELD,
		Violations: []session.Violation{{Field: field, Description: description}},
	}
}

// reasonWord is how ErrorInfo spells a reason.
func reasonWord(reason pb.ErrorReason) string {
	return strings.TrimPrefix(reason.String(), "ERROR_REASON_")
}

// statusOf translates what a service returned. The second result is what the
// operator must know and no caller may: it is nil for what a caller can cure.
func statusOf(ctx context.Context, err error) (*status.Status, error) {
	if s, ok := err.(interface{ GRPCStatus() *status.Status }); ok && !goingDown(ctx, s.GRPCStatus().Code() == codes.Canceled) {
		return s.GRPCStatus(), nil
	}
	var own *session.Error
	var content *recording.Error
	switch {
	case goingDown(ctx, isContext(err)):
		return detailed(errGoingDown), nil
	case errors.As(err, &own):
		return ownStatus(own, err)
	case errors.As(err, &content):
		return detailed(unreadable(content)), nil
	case errors.Is(err, context.DeadlineExceeded):
		return status.New(codes.DeadlineExceeded, "the call's deadline passed before it was done"), nil
	case errors.Is(err, context.Canceled):
		return status.New(codes.Canceled, "the call was cancelled"), nil
	}
	return incident(err)
}

// goingDown reports whether a call that ended because its context did owes
// that to the drain.
func goingDown(ctx context.Context, ended bool) bool {
	return ended && errors.Is(context.Cause(ctx), errGoingDown)
}

func isContext(err error) bool {
	return errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) || errors.Is(err, errGoingDown)
}

func ownStatus(e *session.Error, whole error) (*status.Status, error) {
	switch e.Reason {
	case pb.ErrorReason_ERROR_REASON_INTERNAL, pb.ErrorReason_ERROR_REASON_UNSPECIFIED:
		return incident(whole)
	case pb.ErrorReason_ERROR_REASON_CORRUPT, pb.ErrorReason_ERROR_REASON_UNAVAILABLE:
		return detailed(e), whole
	}
	return detailed(e), nil
}

// incident is a defect of ours: the caller gets a number, the log the rest.
func incident(err error) (*status.Status, error) {
	id := rand.Text()
	e := refuse(pb.ErrorReason_ERROR_REASON_INTERNAL, "a defect of the server; its log has more under incident "+id)
	e.Metadata = map[string]string{"incident": id}
	return detailed(e), &incidentError{id, err}
}

// incidentError ties a log line to what a caller was told.
type incidentError struct {
	id  string
	err error
}

func (e *incidentError) Error() string { return "incident " + e.id + ": " + e.err.Error() }
func (e *incidentError) Unwrap() error { return e.err }

// detailed builds the status of an error. The error's cause stays here.
func detailed(e *session.Error) *status.Status {
	code, ok := codeOf[e.Reason]
	if !ok {
		code = codes.Internal
	}
	info := &errdetails.ErrorInfo{Domain: Domain, Reason: reasonWord(e.Reason), Metadata: maps.Clone(e.Metadata)}
	for k, v := range info.Metadata {
		info.Metadata[k] = clip(v, maxMetadata)
	}
	details := []protoadapt.MessageV1{info}
	if len(e.Violations) > 0 {
		details = append(details, badRequest(e.Violations))
	}
	if after, ok := retryAfter[e.Reason]; ok {
		details = append(details, &errdetails.RetryInfo{RetryDelay: durationpb.New(after)})
	}
	plain := status.New(code, clip(message(e), maxMessage))
	full, err := plain.WithDetails(details...)
	if err != nil {
		return plain
	}
	return full
}

// message is what the error says without its cause.
func message(e *session.Error) string {
	shown := *e
	shown.Err = nil
	if len(shown.Violations) > 1 {
		shown.Violations = shown.Violations[:1]
	}
	return shown.Error()
}

func badRequest(violations []session.Violation) *errdetails.BadRequest {
	var b errdetails.BadRequest
	for i, v := range violations {
		if i == maxViolations {
			break
		}
		b.FieldViolations = append(b.FieldViolations, &errdetails.BadRequest_FieldViolation{
			Field: clip(v.Field, maxMetadata), Description: clip(v.Description, maxMetadata),
			Reason: reasonWord(pb.ErrorReason_ERROR_REASON_INVALID_FIELD),
		})
	}
	return &b
}

// clip shortens what a caller may have sent, and makes it valid UTF-8.
func clip(s string, limit int) string {
	s = strings.ToValidUTF8(s, "\uFFFD")
	if len(s) <= limit {
		return s
	}
	cut := limit
	for cut > 0 && !utf8.RuneStart(s[cut]) {
		cut--
	}
	return s[:cut] + "…"
}
