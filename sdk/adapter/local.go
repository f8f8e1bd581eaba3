// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapter

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"sync"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/test/bufconn"
)

// localBuffer is what a connection within the process holds, as much as a Unix socket does.
const localBuffer = 256 << 10

// Local serves an adapter within this process, over gRPC in memory, for an author's own tests and for programs that link
// an adapter in. Everything holds that holds of a process, except that nothing exits. The caller calls stop once done;
// it releases the hardware. An error says what is wrong with the description. A nil log is slog's default.
func Local(a Adapter, log *slog.Logger) (conn *grpc.ClientConn, stop func(), err error) {
	if log == nil {
		log = slog.Default()
	}
	about, err := guard(log, "Describe", func() (Description, error) {
		d := a.Describe()
		return d, d.check()
	})
	if err != nil {
		return nil, nil, err
	}
	return local(newService(a, about, log))
}

func local(s *service) (*grpc.ClientConn, func(), error) {
	listener := bufconn.Listen(localBuffer)
	server := grpc.NewServer(s.serverOptions()...)
	adapterv1beta1.RegisterAdapterServiceServer(server, s)
	served := make(chan struct{})
	go func() {
		defer close(served)
		if err := server.Serve(listener); err != nil && !errors.Is(err, grpc.ErrServerStopped) {
			s.log.Error("serving within the process", "error", err)
		}
	}()
	conn, err := grpc.NewClient("passthrough:///"+s.about.GetName(), grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return listener.DialContext(ctx) }))
	stop := sync.OnceFunc(func() {
		s.finish()
		s.releaseAll()
		if conn != nil {
			_ = conn.Close()
		}
		server.Stop()
		<-served
	})
	if err != nil {
		stop()
		return nil, nil, err
	}
	return conn, stop, nil
}
