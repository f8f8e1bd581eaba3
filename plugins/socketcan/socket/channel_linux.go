// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socket

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"sync"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"github.com/airassay/airassay/sdk/adapter"
)

// Options of the kernel's ISO-TP sockets (linux/can/isotp.h).
const (
	levelISOTP     = unix.SOL_CAN_BASE + unix.CAN_ISOTP
	optISOTP       = 1
	optFlowControl = 2
	optLinkLayer   = 5
)

// Channel carries messages to and from one control unit; the kernel does the ISO-TP. All methods are safe for concurrent
// use. After adapter.ErrUnplugged it is of no more use.
type Channel struct {
	name string
	file *os.File
	o    ChannelOptions

	shut  sync.Once
	dead  chan struct{}
	cause error // why it is dead; set before dead is closed

	sending, reading chan struct{} // each holds one while somebody does
}

// OpenChannel opens an ISO-TP socket on an interface. An interface that is gone or down is adapter.ErrUnplugged, a kernel
// without ISO-TP is ErrUnsupported.
func OpenChannel(name string, o ChannelOptions) (*Channel, error) {
	if err := o.check(); err != nil {
		return nil, err
	}
	i, err := upInterface(name)
	if err != nil {
		return nil, err
	}
	if o.FD && !i.FD() {
		return nil, fmt.Errorf("the interface %s carries no CAN FD frames", name)
	}
	fd, err := newSocket(unix.SOCK_DGRAM, unix.CAN_ISOTP)
	if err != nil {
		return nil, fmt.Errorf("opening an ISO-TP socket on %s: %w", name, err)
	}
	if err := setChannel(fd, i, &o); err != nil {
		_ = unix.Close(fd)
		return nil, fmt.Errorf("opening an ISO-TP socket on %s: %w", name, err)
	}
	return &Channel{
		name: name, file: os.NewFile(uintptr(fd), "isotp:"+name), o: o,
		dead: make(chan struct{}), sending: make(chan struct{}, 1), reading: make(chan struct{}, 1),
	}, nil
}

func setChannel(fd int, i *Interface, o *ChannelOptions) error {
	err := errors.Join(
		unix.SetsockoptString(fd, levelISOTP, optISOTP, o.settings()),
		unix.SetsockoptString(fd, levelISOTP, optFlowControl, o.flowControl()),
		unix.SetsockoptString(fd, levelISOTP, optLinkLayer, o.linkLayer()),
	)
	if err != nil {
		return err
	}
	address := &unix.SockaddrCAN{Ifindex: i.Index, TxID: o.Transmit, RxID: o.Receive}
	if o.Extended {
		address.TxID, address.RxID = address.TxID|flagExtended, address.RxID|flagExtended
	}
	if err := unix.Bind(fd, address); unplugged(err) {
		return fmt.Errorf("%w: %w", adapter.ErrUnplugged, err)
	} else if err != nil {
		return err
	}
	return nil
}

// Close ends Send and Receive with net.ErrClosed.
func (c *Channel) Close() error {
	c.fail(net.ErrClosed)
	return nil
}

func (c *Channel) fail(cause error) {
	c.shut.Do(func() {
		c.cause = cause
		close(c.dead)
		_ = c.file.Close()
	})
}

// Send sends a message and returns when its last frame was handed to the interface. A receiver that breaks the transport's
// rules, or stops in the middle, is adapter.ErrGarbled.
func (c *Channel) Send(ctx context.Context, message []byte) error {
	if len(message) == 0 || len(message) > MaxMessage {
		return fmt.Errorf("a message of %d bytes; ISO-TP carries 1 to %d", len(message), MaxMessage)
	}
	_, err := c.run(ctx, c.sending, c.file.SetWriteDeadline, func() (int, error) { return c.file.Write(message) })
	return err
}

// Receive waits for a message and puts it into the buffer, which MaxMessage bytes always suffice for. A message that breaks
// the transport's rules is adapter.ErrGarbled; the next one comes as usual.
func (c *Channel) Receive(ctx context.Context, buffer []byte) (int, error) {
	return c.run(ctx, c.reading, c.file.SetReadDeadline, func() (int, error) { return c.file.Read(buffer) })
}

// run makes one system call end with its context.
func (c *Channel) run(ctx context.Context, turn chan struct{}, deadline func(time.Time) error, call func() (int, error)) (int, error) {
	select {
	case turn <- struct{}{}:
		defer func() { <-turn }()
	case <-ctx.Done():
		return 0, context.Cause(ctx)
	case <-c.dead:
		return 0, c.cause
	}
	for {
		if ctx.Err() != nil {
			return 0, context.Cause(ctx)
		}
		stop := context.AfterFunc(ctx, func() { _ = deadline(time.Unix(1, 0)) })
		n, err := call()
		if !stop() {
			_ = deadline(time.Time{}) // one that is set late is taken for what it is in the next call
		}
		switch {
		case err == nil:
			return n, nil
		case errors.Is(err, os.ErrDeadlineExceeded):
			_ = deadline(time.Time{})
		default:
			return 0, c.judge(err)
		}
	}
}

// broken are the errors by which the kernel says that the other side broke the transport's rules: a frame that did not come
// in time, one out of order, one with wrong padding, no or a bad flow control, and a receiver without room for the message.
var broken = []error{syscall.ETIMEDOUT, syscall.EILSEQ, syscall.EBADMSG, syscall.ECOMM, syscall.EMSGSIZE}

func (c *Channel) judge(err error) error {
	select {
	case <-c.dead:
		return c.cause
	default:
	}
	if unplugged(err) {
		c.fail(fmt.Errorf("ISO-TP on %s: %w: %w", c.name, adapter.ErrUnplugged, err))
		return c.cause
	}
	for _, b := range broken {
		if errors.Is(err, b) {
			return fmt.Errorf("ISO-TP with %X on %s: %w: %w", c.o.Receive, c.name, adapter.ErrGarbled, err)
		}
	}
	return fmt.Errorf("ISO-TP with %X on %s: %w", c.o.Receive, c.name, err)
}
