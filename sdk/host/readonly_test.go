// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package host

import (
	"bytes"
	"context"
	"log/slog"
	"net"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"github.com/airassay/airassay/sdk/j1979"
)

// obedient answers every request and tells what reached it.
type obedient struct {
	still

	got [][]byte
}

func (o *obedient) SendRequest(_ context.Context, r *adapterv1beta1.SendRequestRequest) (*adapterv1beta1.SendRequestResponse, error) {
	o.got = append(o.got, r.GetPayload())
	return &adapterv1beta1.SendRequestResponse{}, nil
}

func (o *obedient) serve(*slog.Logger) (*grpc.ClientConn, func(), error) {
	listener := bufconn.Listen(1 << 16)
	server := grpc.NewServer()
	adapterv1beta1.RegisterAdapterServiceServer(server, o)
	go func() { _ = server.Serve(listener) }() // ends with Stop
	conn, err := grpc.NewClient("passthrough:///obedient", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return listener.DialContext(ctx) }))
	return conn, server.Stop, err
}

// An adapter that would send anything gets nothing to send but what reads, and each refusal is on record.
func TestHostRefusesWhatDoesMoreThanReadAndRecordsIt(t *testing.T) {
	var log bytes.Buffer
	o := &obedient{}
	options := linked("{}")
	options.Local, options.Logger = o.serve, slog.New(slog.NewTextHandler(&log, nil))
	a, err := New(options)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Shutdown(t.Context())
	a.Start()
	c, err := a.Ready(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	refused := uint64(0)
	for service := range 256 {
		for _, rest := range [][]byte{{}, {0x01}, {0x02, 0xFF}, {0xF1, 0x90}, {0xF4, 0x0C}, {0xFF, 0xFF, 0xFF}} {
			payload := append([]byte{byte(service)}, rest...)
			before := len(o.got)
			_, err := c.Client.SendRequest(t.Context(), &adapterv1beta1.SendRequestRequest{DeviceId: "one", Payload: payload})
			reads := j1979.CheckReadOnly(payload) == nil
			if reads != (err == nil) || reads != (len(o.got) > before) {
				t.Fatalf("% X: %v, %d requests reached the adapter, want it to pass: %t", payload, err, len(o.got)-before, reads)
			}
			if reads {
				continue
			}
			refused++
			s := status.Convert(err)
			info, _ := s.Details()[0].(*errdetails.ErrorInfo)
			if s.Code() != codes.PermissionDenied || info.GetReason() != "NOT_READ_ONLY" {
				t.Fatalf("% X: got %v", payload, err)
			}
		}
	}
	a.Shutdown(t.Context())
	if a.Refused() != refused || strings.Count(log.String(), "may do more than read") != int(refused) {
		t.Errorf("%d refusals were counted and %d logged, want %d", a.Refused(), strings.Count(log.String(), "may do more than read"), refused)
	}
	if !strings.Contains(log.String(), `service=2E payload="2E F4 0C"`) || !strings.Contains(log.String(), "adapter=still device=one") {
		t.Errorf("the log does not say what was refused where:\n%.600s", log.String())
	}
}
