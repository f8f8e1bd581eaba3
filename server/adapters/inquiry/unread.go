// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package inquiry

import (
	"context"
	"errors"
	"strings"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/j1979"
)

// errLacks says that a control unit has not what it would be asked for.
var errLacks = errors.New("the control unit says that it has none")

// unread writes down why something could not be read.
func unread(item pb.VehicleReportItem, err error) *pb.UnreadItem {
	return &pb.UnreadItem{Item: item, Reason: reasonOf(err), Message: clip(err.Error())}
}

func reasonOf(err error) pb.UnreadReason {
	var refusal *j1979.NegativeError
	var wrong *j1979.DecodeError
	switch {
	case errors.Is(err, errLacks), errors.As(err, &refusal) && refusal.Code.Lacks():
		return pb.UnreadReason_UNREAD_REASON_NOT_SUPPORTED
	case refusal != nil, errors.Is(err, ErrRefused):
		return pb.UnreadReason_UNREAD_REASON_REFUSED
	case errors.Is(err, context.DeadlineExceeded):
		return pb.UnreadReason_UNREAD_REASON_OUT_OF_TIME
	case errors.Is(err, ErrLost), errors.Is(err, context.Canceled):
		return pb.UnreadReason_UNREAD_REASON_LINK_LOST
	case errors.Is(err, ErrSilent):
		return pb.UnreadReason_UNREAD_REASON_SILENT
	case errors.Is(err, ErrGarbled), errors.As(err, &wrong):
		return pb.UnreadReason_UNREAD_REASON_GARBLED
	}
	return pb.UnreadReason_UNREAD_REASON_UNSPECIFIED
}

// clip bounds a text and takes out what is none.
func clip(text string) string {
	text = strings.ToValidUTF8(strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7F {
			return ' '
		}
		return r
	}, text), "?")
	if all := []rune(text); len(all) > maxMessage {
		return string(all[:maxMessage]) + "…"
	}
	return text
}
