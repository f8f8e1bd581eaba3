// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package host

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"github.com/airassay/airassay/sdk/host/manifest"
)

// bound serves an adapter without devices in memory, as adapter.Local does. It does not use that, because the SDK's
// package takes over standard output, which the roles of these tests print on.
func bound(*slog.Logger) (*grpc.ClientConn, func(), error) {
	listener := bufconn.Listen(1 << 16)
	server := grpc.NewServer()
	adapterv1beta1.RegisterAdapterServiceServer(server, &still{})
	go func() { _ = server.Serve(listener) }() // ends with Stop
	conn, err := grpc.NewClient("passthrough:///still", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return listener.DialContext(ctx) }))
	return conn, server.Stop, err
}

type still struct {
	adapterv1beta1.UnimplementedAdapterServiceServer
}

func (*still) Describe(context.Context, *adapterv1beta1.DescribeRequest) (*adapterv1beta1.DescribeResponse, error) {
	return &adapterv1beta1.DescribeResponse{Name: "still"}, nil
}

func (*still) Configure(_ context.Context, r *adapterv1beta1.ConfigureRequest) (*adapterv1beta1.ConfigureResponse, error) {
	if r.GetConfigurationJson() != "{}" {
		return nil, status.Error(codes.InvalidArgument, "expected an empty object")
	}
	return &adapterv1beta1.ConfigureResponse{}, nil
}

func (*still) ListDevices(context.Context, *adapterv1beta1.ListDevicesRequest) (*adapterv1beta1.ListDevicesResponse, error) {
	return &adapterv1beta1.ListDevicesResponse{}, nil
}

func (*still) Lifeline(_ *adapterv1beta1.LifelineRequest, s grpc.ServerStreamingServer[adapterv1beta1.LifelineResponse]) error {
	if err := s.Send(&adapterv1beta1.LifelineResponse{NowUs: 1}); err != nil {
		return err
	}
	<-s.Context().Done()
	return nil
}

func (*still) Shutdown(context.Context, *adapterv1beta1.ShutdownRequest) (*adapterv1beta1.ShutdownResponse, error) {
	return &adapterv1beta1.ShutdownResponse{}, nil
}

func linked(configuration string) Options {
	return Options{
		Manifest: &manifest.Manifest{Name: "still", Configuration: []byte(configuration)},
		Local:    bound,
	}
}

func TestALinkedAdapterIsUsedAsAProcessIs(t *testing.T) {
	a, err := New(linked("{}"))
	if err != nil {
		t.Fatal(err)
	}
	defer a.Shutdown(context.Background())
	a.Start()
	c, err := a.Ready(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if c.Description.GetName() != "still" || c.ClockZero().IsZero() {
		t.Errorf("it is %v", c.Description)
	}
	if _, err := c.Client.ListDevices(t.Context(), &adapterv1beta1.ListDevicesRequest{}); err != nil {
		t.Error(err)
	}
	a.Shutdown(t.Context())
	select {
	case <-c.Dead():
	default:
		t.Error("it is alive after Shutdown")
	}
}

func TestALinkedAdapterThatRefusesItsConfigurationFails(t *testing.T) {
	a, err := New(linked(`{"nonsense": 1}`))
	if err != nil {
		t.Fatal(err)
	}
	defer a.Shutdown(context.Background())
	a.Start()
	_, err = a.Ready(t.Context())
	if f, ok := errors.AsType[*Failure](err); !ok || f.Reason != ReasonConfiguration {
		t.Errorf("the error is %v", err)
	}
}
