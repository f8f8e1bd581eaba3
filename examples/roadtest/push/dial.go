// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package push

import (
	"fmt"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/keepalive"
)

const (
	// pingAfter and pingTimeout find out within half a minute that a network has
	// gone without a word; a server of ours permits a ping every ten seconds.
	pingAfter   = 15 * time.Second
	pingTimeout = 10 * time.Second
	// dialDelay and dialMaxDelay lie between attempts to connect. They are far below
	// gRPC's own, which are made for data centres: here one car waits for one server.
	dialDelay    = 50 * time.Millisecond
	dialMaxDelay = time.Second
	// dialTimeout bounds one attempt to connect.
	dialTimeout = 5 * time.Second
)

// Dial makes a connection to the server at HOST:PORT or unix:/PATH, in plain text
// unless more says otherwise: right for loopback, and where the network itself is
// protected. It returns at once and connects with the first call.
func Dial(server string, more ...grpc.DialOption) (*grpc.ClientConn, error) {
	options := append([]grpc.DialOption{
		grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithConnectParams(grpc.ConnectParams{
			Backoff:           backoff.Config{BaseDelay: dialDelay, Multiplier: 1.6, Jitter: 0.2, MaxDelay: dialMaxDelay},
			MinConnectTimeout: dialTimeout,
		}),
		grpc.WithKeepaliveParams(keepalive.ClientParameters{Time: pingAfter, Timeout: pingTimeout}),
	}, more...)
	conn, err := grpc.NewClient(server, options...)
	if err != nil {
		return nil, fmt.Errorf("the server's address %q cannot be used: %w", server, err)
	}
	return conn, nil
}
