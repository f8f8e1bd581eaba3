// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package session

import (
	"errors"
	"maps"
	"strconv"
	"strings"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

// Error is every error of this package that is not the context's: a reason of the API
// with the facts that a caller needs to act on it. Test with errors.Is for one of the
// kinds below, or with errors.As for the details.
type Error struct {
	// Reason is the API's. Its comment tells the status.
	Reason pb.ErrorReason
	// Resource is the name of the vehicle, session, capture or verdict concerned; may be empty.
	Resource string
	// Message says what was found, what was expected and what to do.
	Message string
	// Violations are the fields of the call that break their rules; only with
	// ERROR_REASON_INVALID_FIELD and those that are special cases of it.
	Violations []Violation
	// Metadata holds numbers and words by name, such as expected_sequence, ready for
	// google.rpc.ErrorInfo.
	Metadata map[string]string
	// Err is the cause, where there is one.
	Err error
}

// Violation is one field that breaks its rule.
type Violation struct {
	// Field is its path in the resource or call, such as day_conditions.altitude_m.
	Field string
	// Description says what was found and what was expected.
	Description string
}

// Kinds of errors, for errors.Is.
var (
	// ErrInvalid: a field breaks its rule. See Error.Violations.
	ErrInvalid = kind(pb.ErrorReason_ERROR_REASON_INVALID_FIELD)
	// ErrNotFound: no such resource in this shop.
	ErrNotFound = kind(pb.ErrorReason_ERROR_REASON_NOT_FOUND)
	// ErrRequestIDReused: the request id was used for another body.
	ErrRequestIDReused = kind(pb.ErrorReason_ERROR_REASON_REQUEST_ID_REUSED)
	// ErrEtagMismatch: the resource has changed since its etag was read.
	ErrEtagMismatch = kind(pb.ErrorReason_ERROR_REASON_ETAG_MISMATCH)
	// ErrSessionClosed: the session takes no more changes and samples.
	ErrSessionClosed = kind(pb.ErrorReason_ERROR_REASON_SESSION_CLOSED)
	// ErrSessionOpen: the session must be closed first.
	ErrSessionOpen = kind(pb.ErrorReason_ERROR_REASON_SESSION_OPEN)
	// ErrCaptureFinished: the capture takes no more batches.
	ErrCaptureFinished = kind(pb.ErrorReason_ERROR_REASON_CAPTURE_FINISHED)
	// ErrFenced: a newer writer has taken the capture over. Metadata: writer_epoch, and current_epoch where it is known, as at opening.
	ErrFenced = kind(pb.ErrorReason_ERROR_REASON_WRITER_FENCED)
	// ErrBatchConflict: the sequence is stored with other bytes. Metadata: sequence.
	ErrBatchConflict = kind(pb.ErrorReason_ERROR_REASON_BATCH_CONFLICT)
	// ErrGap: sequences are missing. Metadata: sequence, expected_sequence.
	ErrGap = kind(pb.ErrorReason_ERROR_REASON_SEQUENCE_GAP)
	// ErrTimeOutOfSession: a sample before the session's start or more than a day ahead.
	// Metadata: sequence, time_us, earliest_us, latest_us.
	ErrTimeOutOfSession = kind(pb.ErrorReason_ERROR_REASON_TIME_OUT_OF_SESSION)
	// ErrBatchTooLarge: more samples or bytes than one batch may hold. Metadata: sequence,
	// samples, max_samples, bytes, max_bytes.
	ErrBatchTooLarge = kind(pb.ErrorReason_ERROR_REASON_BATCH_TOO_LARGE)
	// ErrVehicleHasSessions: the vehicle cannot be deleted.
	ErrVehicleHasSessions = kind(pb.ErrorReason_ERROR_REASON_VEHICLE_HAS_SESSIONS)
	// ErrUnavailable: going down, or the store is full or does not answer; come back.
	ErrUnavailable = kind(pb.ErrorReason_ERROR_REASON_UNAVAILABLE)
	// ErrCorrupt: what is stored is damaged.
	ErrCorrupt = kind(pb.ErrorReason_ERROR_REASON_CORRUPT)
	// ErrPageToken: the token is not one that this method gave for this filter.
	ErrPageToken = kind(pb.ErrorReason_ERROR_REASON_INVALID_PAGE_TOKEN)
	// ErrWrongUnit: a signal that the assay uses is declared in another unit than VSS gives it.
	// Metadata: path, unit, expected_unit.
	ErrWrongUnit = kind(pb.ErrorReason_ERROR_REASON_WRONG_UNIT)
	// ErrTooMany: more captures in one session than it may hold. Metadata: limit.
	ErrTooMany = kind(pb.ErrorReason_ERROR_REASON_TOO_MANY_STREAMS)
	// ErrSource: a device feeds the capture, so that it cannot be pushed; or a client pushes it, so that no device feeds it.
	ErrSource = kind(pb.ErrorReason_ERROR_REASON_CAPTURE_SOURCE)
	// ErrInternal: a defect of the server.
	ErrInternal = kind(pb.ErrorReason_ERROR_REASON_INTERNAL)
)

func kind(reason pb.ErrorReason) *Error { return &Error{Reason: reason} }

// Error gives the message, after the resource that it is about.
func (e *Error) Error() string {
	var parts []string
	for _, part := range []string{e.Resource, e.Message} {
		if part != "" {
			parts = append(parts, part)
		}
	}
	for _, v := range e.Violations {
		parts = append(parts, v.Field+" "+v.Description)
	}
	if e.Err != nil {
		parts = append(parts, e.Err.Error())
	}
	if len(parts) == 0 {
		return e.Reason.String()
	}
	return strings.Join(parts, ": ")
}

// Unwrap gives the cause.
func (e *Error) Unwrap() error { return e.Err }

// Is reports whether target is the kind of this error.
func (e *Error) Is(target error) bool {
	t, ok := target.(*Error)
	return ok && t.Reason == e.Reason && t.Message == "" && t.Resource == "" && t.Err == nil && len(t.Violations) == 0
}

// Int gives a number of the metadata, 0 where there is none.
func (e *Error) Int(name string) int64 {
	n, err := strconv.ParseInt(e.Metadata[name], 10, 64)
	if err != nil {
		return 0
	}
	return n
}

// with adds a number to the metadata.
func (e *Error) with(name string, n int64) *Error {
	return e.withWord(name, strconv.FormatInt(n, 10))
}

func (e *Error) withWord(name, word string) *Error {
	out := *e
	out.Metadata = maps.Clone(e.Metadata)
	if out.Metadata == nil {
		out.Metadata = make(map[string]string)
	}
	out.Metadata[name] = word
	return &out
}

// ReasonOf is the reason of an error of this package, and false for any other error.
func ReasonOf(err error) (pb.ErrorReason, bool) {
	var e *Error
	if !errors.As(err, &e) {
		return pb.ErrorReason_ERROR_REASON_UNSPECIFIED, false
	}
	return e.Reason, true
}
