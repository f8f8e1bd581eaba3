// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package rpc

import (
	"context"
	"sync/atomic"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
)

// call is one call on its way through the layers.
type call struct {
	// method is /service/Method.
	method string
	// stream is set where more than one message may pass either way.
	stream bool
	// request is the message of a call that is no stream.
	request proto.Message
	// onReceive sees each message that a stream receives, before the service does.
	onReceive []func(proto.Message) error
	// received and sent count the messages of a stream.
	received, sent atomic.Int64
}

// layer is one concern of every call, whatever its kind. Its next is the layer
// below, and at the bottom the service.
type layer func(ctx context.Context, c *call, next func(context.Context) error) error

// through runs a call through all layers, the first being the outermost.
func through(ctx context.Context, layers []layer, c *call, service func(context.Context) error) error {
	if len(layers) == 0 {
		return service(ctx)
	}
	return layers[0](ctx, c, func(ctx context.Context) error { return through(ctx, layers[1:], c, service) })
}

// unaryLayers and streamLayers put the same list around calls of both kinds.
func unaryLayers(layers []layer) grpc.UnaryServerInterceptor {
	return func(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (resp any, err error) {
		c := &call{method: info.FullMethod}
		c.request, _ = req.(proto.Message)
		err = through(ctx, layers, c, func(ctx context.Context) (err error) {
			resp, err = handler(ctx, req)
			return err
		})
		if err != nil {
			return nil, err
		}
		return resp, nil
	}
}

func streamLayers(layers []layer) grpc.StreamServerInterceptor {
	return func(srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
		c := &call{method: info.FullMethod, stream: true}
		return through(stream.Context(), layers, c, func(ctx context.Context) error {
			return handler(srv, &layeredStream{ServerStream: stream, ctx: ctx, call: c})
		})
	}
}

// layeredStream is a stream as the service sees it: with the context and the
// checks of the layers above.
type layeredStream struct {
	grpc.ServerStream

	ctx  context.Context //nolint:containedctx // That is how gRPC hands a context to the service.
	call *call
}

func (s *layeredStream) Context() context.Context { return s.ctx }

func (s *layeredStream) RecvMsg(m any) error {
	if err := s.ServerStream.RecvMsg(m); err != nil {
		return err
	}
	s.call.received.Add(1)
	message, ok := m.(proto.Message)
	if !ok {
		return nil
	}
	for _, check := range s.call.onReceive {
		if err := check(message); err != nil {
			return err
		}
	}
	return nil
}

func (s *layeredStream) SendMsg(m any) error {
	s.call.sent.Add(1)
	return s.ServerStream.SendMsg(m)
}
