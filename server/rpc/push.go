// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package rpc

import (
	"context"
	"errors"
	"io"
	"strings"

	"google.golang.org/grpc"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/session"
)

type pushStream = grpc.BidiStreamingServer[pb.PushSamplesRequest, pb.PushSamplesResponse]

// PushSamples is airassay.v1beta1.SessionService.PushSamples.
//
// One goroutine receives batches and queues them; this one sends what has
// become durable. So any number of batches are on their way at once, those that
// become durable together are acknowledged together, and a writer that queues
// too much is not read from, which gRPC's flow control hands on to the client.
func (s *sessions) PushSamples(stream pushStream) error {
	ctx, cancel := context.WithCancel(stream.Context())
	defer cancel()
	p := &push{sessions: s, stream: stream, opened: make(chan *pb.PushOpen, 1), writer: make(chan *session.Writer, 1), done: make(chan struct{})}
	// A receive ends only when the handler has returned, so nobody waits for this goroutine.
	go p.receive(ctx)
	open, err := p.awaitOpen(ctx)
	if err != nil {
		return err
	}
	w, err := s.manager.OpenWriter(ctx, shopOf(ctx), open.GetCapture(), open.GetWriterEpoch())
	if err != nil {
		return within("open", &pb.PushSamplesRequest{}, err)
	}
	// What made the writer end has been told by Acknowledged.
	defer func() { _ = w.Close() }()
	p.writer <- w
	return p.acknowledge(ctx, w)
}

// push is one stream of PushSamples.
type push struct {
	*sessions

	stream pushStream
	opened chan *pb.PushOpen
	writer chan *session.Writer
	// done is closed when nothing more will be received; err says why, nil for
	// the client's end of the stream.
	done chan struct{}
	err  error
}

// receive is the life of the receiving goroutine.
func (p *push) receive(ctx context.Context) {
	defer close(p.done)
	p.err = p.guarded(ctx, "PushSamples, receiving", func() error { return p.receiveAll(ctx) })
}

func (p *push) receiveAll(ctx context.Context) error {
	first, err := p.stream.Recv()
	if err != nil {
		return endOf(err)
	}
	if first.GetOpen() == nil {
		return invalid("open", "is missing; the first message of the stream opens the capture")
	}
	p.opened <- first.GetOpen()
	select {
	case <-ctx.Done():
		return context.Cause(ctx)
	case w := <-p.writer:
		err := p.appendAll(ctx, w)
		// The writer tells those who wait for acknowledgements what ended it.
		_ = w.Close()
		return err
	}
}

// appendAll queues batches until the client is done or one is refused.
func (p *push) appendAll(ctx context.Context, w *session.Writer) error {
	for {
		m, err := p.stream.Recv()
		if err != nil {
			return endOf(err)
		}
		batch := m.GetBatch()
		if batch == nil {
			return invalid("open", "stands in a later message; only the first one opens the capture")
		}
		samples := len(batch.GetValue())
		if err := w.Append(ctx, batch); err != nil {
			p.dropped(ctx, samples, err)
			return err
		}
	}
}

// endOf makes the end of what a client sends no error.
func endOf(err error) error {
	if errors.Is(err, io.EOF) {
		return nil
	}
	return err
}

// dropped counts the samples of a refused batch by the reason.
func (p *push) dropped(ctx context.Context, samples int, err error) {
	if reason, ok := session.ReasonOf(err); ok {
		p.instruments.Dropped(ctx, samples, strings.ToLower(reasonWord(reason)))
	}
}

// awaitOpen waits for the first message.
func (p *push) awaitOpen(ctx context.Context) (*pb.PushOpen, error) {
	select {
	case open := <-p.opened:
		return open, nil
	case <-ctx.Done():
		return nil, context.Cause(ctx)
	case <-p.done:
	}
	select { // It may have come just before the end.
	case open := <-p.opened:
		return open, nil
	default:
	}
	if p.err != nil {
		return nil, p.err
	}
	return nil, invalid("open", "is missing; the stream ended before its first message")
}

// acknowledge tells the client what is durable until there will be no more.
func (p *push) acknowledge(ctx context.Context, w *session.Writer) error {
	opened := &pb.PushOpened{WriterEpoch: w.Epoch, LastSequence: w.LastSequence}
	if err := p.stream.Send(&pb.PushSamplesResponse{Message: &pb.PushSamplesResponse_Opened{Opened: opened}}); err != nil {
		return err
	}
	for {
		last, err := w.Acknowledged(ctx)
		if err != nil {
			return p.end(ctx, err)
		}
		acknowledged := &pb.PushAcknowledged{LastSequence: last}
		if err := p.stream.Send(&pb.PushSamplesResponse{Message: &pb.PushSamplesResponse_Acknowledged{Acknowledged: acknowledged}}); err != nil {
			return err
		}
	}
}

// end is how the stream ends when the writer has: with the writer's error, or
// with what was wrong with the messages.
func (p *push) end(ctx context.Context, err error) error {
	if !errors.Is(err, io.EOF) {
		return within("batch", &pb.PushSamplesRequest{}, err)
	}
	select {
	case <-p.done:
		return p.err
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}
