// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package host

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"sync/atomic"
	"time"

	"google.golang.org/grpc"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
)

// lifeline is the call that is held open as long as the host lives. It serves both sides: the adapter ends when it
// breaks, and the host sees by its messages that the adapter has not frozen.
type lifeline struct {
	clock  clock
	cancel context.CancelFunc
	heard  chan struct{} // closed with the first message
	ended  chan struct{}
	err    error // why it ended; set before ended is closed
}

var errSilent = errors.New("it sent nothing on its lifeline, expected a message every second")

// holdLifeline opens the lifeline and watches over the connection from here to its end.
func (l *launcher) holdLifeline(c *Connection) *lifeline {
	ctx, cancel := context.WithCancel(context.Background())
	life := &lifeline{cancel: cancel, heard: make(chan struct{}), ended: make(chan struct{})}
	c.lifeline = life
	go func() {
		defer close(life.ended)
		life.err = life.hold(ctx, c.Client, l.o.LifelineTimeout)
	}()
	go l.await(c)
	return life
}

func (f *lifeline) hold(ctx context.Context, client adapterv1beta1.AdapterServiceClient, patience time.Duration) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var silent atomic.Bool
	watchdog := time.AfterFunc(patience, func() {
		silent.Store(true)
		cancel()
	})
	defer watchdog.Stop()
	err := f.receive(ctx, client, func() { watchdog.Reset(patience) })
	if silent.Load() {
		return errSilent
	}
	return err
}

func (f *lifeline) receive(ctx context.Context, client adapterv1beta1.AdapterServiceClient, alive func()) error {
	stream, err := client.Lifeline(ctx, &adapterv1beta1.LifelineRequest{})
	if err != nil {
		return err
	}
	for first := true; ; first = false {
		message, err := stream.Recv()
		if err != nil {
			if errors.Is(err, io.EOF) {
				return errors.New("it ended its lifeline, which only the host may do")
			}
			return err
		}
		f.clock.learn(message.GetNowUs(), time.Now())
		alive()
		if first {
			close(f.heard)
		}
	}
}

// first waits for the first message, which comes at once by sentence K3.
func (f *lifeline) first(ctx context.Context) error {
	select {
	case <-f.heard:
		return nil
	case <-f.ended:
		return f.err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// await finds out that the adapter is of no more use, and why.
func (l *launcher) await(c *Connection) {
	defer close(c.dead)
	f := &Failure{Adapter: l.o.Manifest.Name, Reason: ReasonExited, Err: errors.New("its process ended")}
	if c.process == nil {
		<-c.lifeline.ended
		f.Err = errors.New("its lifeline ended")
		c.cause = f
		return
	}
	select {
	case <-c.process.exited:
	case <-c.lifeline.ended:
		if err := c.lifeline.err; errors.Is(err, errSilent) || !c.exitsWithin(exitTime) {
			f.Reason, f.Err = reasonOf(err), fmt.Errorf("its lifeline failed: %w", err)
		}
	}
	c.process.complete(f)
	c.cause = f
}

// close ends the connection and, where the host started it, the process and all that it started.
func (c *Connection) close() {
	c.closing.Do(func() {
		if c.process != nil {
			c.process.kill()
			<-c.process.exited
			_ = os.RemoveAll(c.process.socketDir) // swept at the next start otherwise
		}
		if c.lifeline != nil {
			c.lifeline.cancel()
		}
		if c.unlink != nil {
			c.unlink()
		}
		if c.conn != nil {
			_ = c.conn.Close() // only fails when closed already
		}
		if c.lifeline != nil {
			<-c.dead
		}
		c.prints.Wait()
	})
}

// printsMethod is the plugin library's stream of what a Go adapter prints: the library there takes over both outputs
// once it serves, and a print would block for good if nobody took it.
const printsMethod = "/plugin.GRPCStdio/StreamStdio"

// readPrints takes what is printed and logs it with the rest. Adapters without the library lack the method.
func readPrints(conn *grpc.ClientConn, p *process) {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	stream, err := conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true}, printsMethod)
	if err != nil {
		return
	}
	if stream.SendMsg(&printed{}) != nil || stream.CloseSend() != nil {
		return
	}
	for {
		message := &printed{}
		if stream.RecvMsg(message) != nil {
			return
		}
		passOnPrint(message.ProtoReflect().GetUnknown(), p.stray, p.logs)
	}
}
