// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package push

import (
	"errors"
	"fmt"
	"io"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

// domain is what google.rpc.ErrorInfo names as the home of the API's reasons.
const domain = "airassay.dev"

// reasonPrefix stands before every value of ErrorReason, and may be left out on the wire.
const reasonPrefix = "ERROR_REASON_"

// UnreachableError says that the server was away for longer than the caller wanted to wait.
type UnreachableError struct {
	// Away is how long it was away.
	Away time.Duration
	// Err is the last failure.
	Err error
}

// Error says for how long, and what the last attempt met.
func (e *UnreachableError) Error() string {
	return fmt.Sprintf("the server has not been reached for %s: %s", e.Away.Round(time.Second), status.Convert(e.Err).Message())
}

// Unwrap gives the last failure.
func (e *UnreachableError) Unwrap() error { return e.Err }

// ErrBroken is every answer of a server that breaks its own promises. To go on
// would risk losing samples without a word.
var ErrBroken = errors.New("the server breaks its promises")

// errSilent is a server that is connected and does not answer.
var errSilent = errors.New("the server does not answer")

// Reason gives the API's reason for an error of a call, unspecified where it has none:
// then it was not the service that refused, but something on the way to it.
func Reason(err error) pb.ErrorReason {
	info := detail[*errdetails.ErrorInfo](err)
	if info.GetDomain() != domain {
		return pb.ErrorReason_ERROR_REASON_UNSPECIFIED
	}
	if code, ok := pb.ErrorReason_value[info.GetReason()]; ok {
		return pb.ErrorReason(code)
	}
	return pb.ErrorReason(pb.ErrorReason_value[reasonPrefix+info.GetReason()])
}

// detail finds a detail of a status; nil where there is none of this type.
func detail[T any](err error) (none T) {
	s, ok := status.FromError(err)
	if !ok {
		return none
	}
	for _, d := range s.Details() {
		if found, ok := d.(T); ok {
			return found
		}
	}
	return none
}

// mayPass reports whether an error may go away by waiting, and how long the
// server asks to wait at least.
func mayPass(err error) (time.Duration, bool) {
	if errors.Is(err, ErrBroken) {
		return 0, false
	}
	after := detail[*errdetails.RetryInfo](err)
	switch Reason(err) {
	case pb.ErrorReason_ERROR_REASON_UNSPECIFIED:
		return after.GetRetryDelay().AsDuration(), onTheWay(err)
	case pb.ErrorReason_ERROR_REASON_UNAVAILABLE:
		return after.GetRetryDelay().AsDuration(), true
	}
	return after.GetRetryDelay().AsDuration(), after != nil
}

// onTheWay reports whether an error without a reason of the API comes from the way to
// the server. Most are UNAVAILABLE; a server or proxy that dies in the middle of an answer
// leaves the other codes behind.
func onTheWay(err error) bool {
	if errors.Is(err, io.ErrUnexpectedEOF) {
		return true
	}
	if _, ok := status.FromError(err); !ok {
		return false
	}
	switch status.Code(err) {
	case codes.Unavailable, codes.DeadlineExceeded, codes.Canceled, codes.Internal, codes.Unknown:
		return true
	}
	return false
}
