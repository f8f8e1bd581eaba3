// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package host

import (
	"context"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"github.com/airassay/airassay/sdk/internal/readonly"
)

// adapterDomain is the domain of an adapter's error details, so that a caller need not know who refused.
const adapterDomain = "adapter.airassay.dev"

// readsOnly lets no request to the vehicle pass that does more than read. The adapter refuses too; this side does not
// rely on it.
type readsOnly struct {
	grpc.ClientConnInterface

	guard   *readonly.Guard
	adapter string
}

func (l *launcher) client(conn grpc.ClientConnInterface) adapterv1beta1.AdapterServiceClient {
	return adapterv1beta1.NewAdapterServiceClient(readsOnly{conn, l.guard, l.o.Manifest.Name})
}

// Invoke makes a call, unless it is a request that is refused.
func (c readsOnly) Invoke(ctx context.Context, method string, args, reply any, opts ...grpc.CallOption) error {
	if method == adapterv1beta1.AdapterService_SendRequest_FullMethodName {
		r, _ := args.(*adapterv1beta1.SendRequestRequest)
		if err := c.guard.Check(r.GetPayload(), "adapter", c.adapter, "device", r.GetDeviceId()); err != nil {
			return notReadOnly(err)
		}
	}
	return c.ClientConnInterface.Invoke(ctx, method, args, reply, opts...)
}

func notReadOnly(err error) error {
	s := status.New(codes.PermissionDenied, err.Error())
	if detailed, failed := s.WithDetails(&errdetails.ErrorInfo{Domain: adapterDomain, Reason: "NOT_READ_ONLY"}); failed == nil {
		s = detailed
	}
	return s.Err()
}

// Refused is how many requests to the vehicle were refused on this side, because they do more than read. Each is logged.
func (a *Adapter) Refused() uint64 { return a.guard.Refused() }
