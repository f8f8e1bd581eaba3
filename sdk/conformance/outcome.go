// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

import (
	"errors"
	"fmt"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/airassay/airassay/sdk/adapter"
)

// A check returns nil where it passed, a *Finding where it failed and a skip where it does not apply. Any other error says
// that it could not be made.

// fails makes a finding. Sentence and text are put in by who runs the check, where they are those of the check's first.
func fails(expected, advice, seen string, args ...any) error {
	return &Finding{Expected: expected, Seen: fmt.Sprintf(seen, args...), Advice: advice}
}

// skip is the reason why a check does not apply.
type skip string

func (s skip) Error() string { return string(s) }

// undescribed is a skip because the adapter lacks an ability.
type undescribed string

func (u undescribed) Error() string { return "the adapter does not describe " + string(u) }

// unproven says what a check needed and did not get.
func unproven(format string, args ...any) error { return fmt.Errorf(format, args...) }

// settle makes a result from what a check returned.
func settle(item Item, err error) Result {
	r := Result{Item: item, Status: Passed}
	var (
		reason skip
		lacks  undescribed
	)
	f, found := errors.AsType[*Finding](err)
	switch {
	case err == nil:
	case found:
		if f.Sentence == "" {
			f.Sentence = item.Sentences[0]
		}
		f.Text = sentence(f.Sentence)
		r.Status, r.Finding = Failed, f
	case errors.As(err, &lacks):
		r.Status, r.Reason, r.undescribed = Skipped, err.Error(), true
	case errors.As(err, &reason):
		r.Status, r.Reason = Skipped, string(reason)
	default:
		r.Status, r.Reason = Unproven, err.Error()
	}
	return r
}

// describe shows how a call ended, for a report.
func describe(err error) string {
	if err == nil {
		return "success"
	}
	s := status.Convert(err)
	text := codeName(s.Code())
	if reason, _ := reasonOf(err); reason != "" {
		text += " (" + reason + ")"
	}
	if s.Message() != "" {
		text += fmt.Sprintf(" %q", s.Message())
	}
	return text
}

// codeName is the name that the contract uses, such as NOT_FOUND.
func codeName(c codes.Code) string {
	names := map[codes.Code]string{
		codes.OK: "OK", codes.Canceled: "CANCELLED", codes.Unknown: "UNKNOWN", codes.InvalidArgument: "INVALID_ARGUMENT",
		codes.DeadlineExceeded: "DEADLINE_EXCEEDED", codes.NotFound: "NOT_FOUND", codes.AlreadyExists: "ALREADY_EXISTS",
		codes.PermissionDenied: "PERMISSION_DENIED", codes.ResourceExhausted: "RESOURCE_EXHAUSTED",
		codes.FailedPrecondition: "FAILED_PRECONDITION", codes.Aborted: "ABORTED", codes.OutOfRange: "OUT_OF_RANGE",
		codes.Unimplemented: "UNIMPLEMENTED", codes.Internal: "INTERNAL", codes.Unavailable: "UNAVAILABLE",
		codes.DataLoss: "DATA_LOSS", codes.Unauthenticated: "UNAUTHENTICATED",
	}
	if name, ok := names[c]; ok {
		return name
	}
	return c.String()
}

// infos are the error details of a status.
func infos(s *status.Status) []*errdetails.ErrorInfo {
	var all []*errdetails.ErrorInfo
	for _, d := range s.Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok {
			all = append(all, info)
		}
	}
	return all
}

// reasonOf gives the reason of the contract's domain; empty where there is none.
func reasonOf(err error) (reason string, ok bool) {
	for _, info := range infos(status.Convert(err)) {
		if info.GetDomain() == adapter.Domain {
			return info.GetReason(), true
		}
	}
	return "", false
}

// wants fails where a call did not end with the code.
func wants(call string, err error, code codes.Code, advice string) error {
	if status.Code(err) == code {
		return nil
	}
	return fails(call+" to end with "+codeName(code), advice, "%s", describe(err))
}

// quote shows foreign text on one line and not at length.
func quote(text string) string {
	const most = 200
	if len(text) <= most {
		return fmt.Sprintf("%q", text)
	}
	return fmt.Sprintf("%q and %d bytes more", text[:most], len(text)-most)
}

func list(items []string) string {
	if len(items) == 0 {
		return "none"
	}
	return strings.Join(items, ", ")
}
