// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package endtoend

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

// window is the most batches that a client leaves unacknowledged.
const window = 64

// client pushes batches into one capture for as long as it may, and keeps a record of all that it sent
// and of all that was acknowledged. It never asks the server what it has for that record.
type client struct {
	*api

	capture string
	salt    uint64
	rng     *rand.Rand
	// stubborn clients send everything again that was not acknowledged, even if the server says that it has it.
	stubborn bool

	mu sync.Mutex
	// sent holds a digest of each batch, by sequence.
	sent []digest
	// sizes holds the number of samples of each.
	sizes []int
	acked int64
	// room is told when something was acknowledged.
	room *sync.Cond

	epoch int64
	// answers counts acknowledgements; saved and repeated what a kill left between the two sides.
	answers         atomic.Int64
	saved, repeated int64
	broken          error
}

type digest = [sha256.Size]byte

func digestOf(b *pb.SampleBatch) digest {
	raw, _ := proto.MarshalOptions{Deterministic: true}.Marshal(b) // It has no field that could fail.
	return sha256.Sum256(raw)
}

// run pushes until ctx ends or the server breaks a promise.
func (c *client) run(ctx context.Context) {
	for ctx.Err() == nil && c.broken == nil {
		if err := c.stream(ctx); ctx.Err() == nil && refused(err) {
			c.broken = err
		}
	}
}

// refused reports whether the service itself refused, which it has no reason to.
func refused(err error) bool {
	for _, d := range status.Convert(err).Details() {
		if _, ok := d.(*errdetails.ErrorInfo); ok {
			return true
		}
	}
	return errors.Is(err, errPromise)
}

var errPromise = errors.New("a promise is broken")

// stream is the life of one stream, which ends with the server.
func (c *client) stream(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, opened, err := c.open(ctx, c.capture, c.epoch)
	if err != nil {
		return err
	}
	next, err := c.resume(opened)
	if err != nil {
		return err
	}
	stop := context.AfterFunc(ctx, func() { // Wakes the sender.
		c.mu.Lock()
		defer c.mu.Unlock()
		c.room.Broadcast()
	})
	defer stop()
	var sender sync.WaitGroup
	sender.Go(func() { c.send(ctx, stream, next) })
	err = c.receive(stream)
	cancel()
	sender.Wait()
	return err
}

// resume holds what the server says that it has against what it has acknowledged, and gives where to go on.
func (c *client) resume(o *pb.PushOpened) (int64, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	last := o.GetLastSequence()
	if last < c.acked || last > int64(len(c.sent)) {
		return 0, fmt.Errorf("%w: it has %d batches, acknowledged %d and was sent %d", errPromise, last, c.acked, len(c.sent))
	}
	c.epoch = o.GetWriterEpoch()
	c.saved += last - c.acked
	if c.stubborn {
		c.repeated += last - c.acked
		return c.acked + 1, nil
	}
	c.acked = last
	return last + 1, nil
}

func (c *client) send(ctx context.Context, stream pushStream, next int64) {
	for ; ; next++ {
		b := c.take(ctx, next)
		if b == nil || stream.Send(inBatch(b)) != nil {
			return
		}
	}
}

// take gives the batch of a sequence, a new one or the same again, when there is room for it; nil when there never will be.
func (c *client) take(ctx context.Context, sequence int64) *pb.SampleBatch {
	c.mu.Lock()
	defer c.mu.Unlock()
	for sequence > c.acked+window && ctx.Err() == nil {
		c.room.Wait()
	}
	if ctx.Err() != nil {
		return nil
	}
	if sequence <= int64(len(c.sent)) {
		return batch(sequence, c.sizes[sequence-1], c.salt)
	}
	n := 1 + c.rng.IntN(200)
	b := batch(sequence, n, c.salt)
	c.sizes = append(c.sizes, n)
	c.sent = append(c.sent, digestOf(b))
	return b
}

func (c *client) receive(stream pushStream) error {
	for {
		r, err := stream.Recv()
		if err != nil {
			return err
		}
		if err := c.acknowledge(r.GetAcknowledged().GetLastSequence()); err != nil {
			return err
		}
	}
}

func (c *client) acknowledge(last int64) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if last > int64(len(c.sent)) {
		return fmt.Errorf("%w: it acknowledged %d of %d batches", errPromise, last, len(c.sent))
	}
	c.acked = max(c.acked, last)
	c.room.Broadcast()
	c.answers.Add(1)
	return nil
}

// verify reads the capture back and holds each batch against the client's own record.
func (c *client) verify(ctx context.Context) error {
	if _, err := c.sessions.FinishCapture(ctx, &pb.FinishCaptureRequest{Name: c.capture}); err != nil {
		return err
	}
	stream, err := c.sessions.WatchSamples(ctx, &pb.WatchSamplesRequest{Capture: c.capture})
	if err != nil {
		return err
	}
	n, samples := int64(0), int64(0)
	for {
		r, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		n++
		b := r.GetBatch()
		samples += int64(len(b.GetValue()))
		switch {
		case b.GetSequence() != n:
			return fmt.Errorf("batch %d stands where %d is expected", b.GetSequence(), n)
		case n > int64(len(c.sent)):
			return fmt.Errorf("batch %d was never sent", n)
		case digestOf(b) != c.sent[n-1]:
			return fmt.Errorf("batch %d is not what was sent: it has %d samples of %d", n, len(b.GetValue()), c.sizes[n-1])
		}
	}
	if n < c.acked {
		return fmt.Errorf("%d batches are there, %d were acknowledged", n, c.acked)
	}
	r, err := c.sessions.GetCapture(ctx, &pb.GetCaptureRequest{Name: c.capture})
	if got := r.GetCapture(); err != nil || got.GetLastSequence() != n || got.GetSampleCount() != samples {
		return fmt.Errorf("the capture says %d batches and %d samples, and has %d and %d (%w)", got.GetLastSequence(), got.GetSampleCount(), n, samples, err)
	}
	return nil
}

func (s *server) client(number uint64, vehicle string) *client {
	c := &client{api: s.dial(), salt: number, rng: rand.New(rand.NewPCG(number, 11)), stubborn: number%2 == 1}
	c.room = sync.NewCond(&c.mu)
	c.capture = must(c.api.capture(within(s.t), vehicle))(s.t)
	return c
}

// awaitPushes waits until every client has had an answer since the server came back, so that a kill falls into the pushes of all.
func awaitPushes(t *testing.T, clients []*client) {
	t.Helper()
	before := make([]int64, len(clients))
	for i, c := range clients {
		before[i] = c.answers.Load()
	}
	deadline := time.Now().Add(30 * time.Second)
	for i, c := range clients {
		for c.answers.Load() == before[i] {
			if time.Now().After(deadline) {
				t.Fatalf("client %d gets no answers (%v)", i, c.broken)
			}
			time.Sleep(time.Millisecond)
		}
	}
}

// The short form has fewer kills; a hundred are the promise.
func TestKillsLoseNoAcknowledgedBatchAndLeaveNoHalfOne(t *testing.T) {
	kills := 15
	if complete() {
		kills = 100
	}
	s := serve(t)
	vehicle := must(s.dial().vehicle(within(t)))(t)
	clients := make([]*client, 10)
	for i := range clients {
		clients[i] = s.client(uint64(i), vehicle)
	}
	pushing, enough := context.WithCancel(t.Context())
	defer enough()
	var all sync.WaitGroup
	for _, c := range clients {
		all.Go(func() { c.run(pushing) })
	}
	rng := rand.New(rand.NewPCG(uint64(kills), 7))
	started := time.Now()
	for i := range kills {
		awaitPushes(t, clients)
		time.Sleep(time.Duration(rng.IntN(60_000)) * time.Microsecond)
		s.kill()
		if i == kills-1 { // Nobody resumes after the last one: what it left is judged as it lies.
			enough()
		}
		if err := s.start(); err != nil {
			t.Fatal(err)
		}
	}
	all.Wait()
	took := time.Since(started)
	var sent, acked, saved, repeated int64
	for i, c := range clients {
		if c.broken != nil {
			t.Errorf("client %d: %v", i, c.broken)
		}
		if err := c.verify(within(t)); err != nil {
			t.Errorf("client %d: %v", i, err)
		}
		sent, acked, saved, repeated = sent+int64(len(c.sent)), acked+c.acked, saved+c.saved, repeated+c.repeated
	}
	t.Logf("%d kills in %s; %d batches sent, %d acknowledged, %d found durable though the answer was lost, %d of these repeated and absorbed", kills, took.Round(time.Millisecond), sent, acked, saved, repeated)
}
