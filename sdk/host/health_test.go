// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package host

import (
	"net"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/health"
	"google.golang.org/grpc/health/grpc_health_v1"

	"github.com/airassay/airassay/sdk/internal/handshake"
)

// An answer alone is not health: an adapter may answer that it does not serve.
func TestHealthMustBeServing(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	server, states := grpc.NewServer(), health.NewServer()
	grpc_health_v1.RegisterHealthServer(server, states)
	done := make(chan error, 1)
	go func() { done <- server.Serve(listener) }()
	t.Cleanup(func() {
		server.Stop()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	conn, err := dial(listener.Addr(), insecure.NewCredentials())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	c := &Connection{conn: conn}
	for _, tc := range []struct {
		state grpc_health_v1.HealthCheckResponse_ServingStatus
		says  string
	}{
		{grpc_health_v1.HealthCheckResponse_NOT_SERVING, "NOT_SERVING, expected SERVING"},
		{grpc_health_v1.HealthCheckResponse_SERVING, ""},
	} {
		states.SetServingStatus(handshake.HealthService, tc.state)
		err := c.checkHealth(t.Context())
		if (err == nil) != (tc.says == "") || err != nil && !strings.Contains(err.Error(), tc.says) {
			t.Errorf("%v: error %v", tc.state, err)
		}
	}
}
