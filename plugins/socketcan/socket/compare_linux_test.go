// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build canguest

package socket

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"syscall"
	"testing"
	"time"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/isotp"
)

// ours is one end of a conversation by sdk/isotp over a raw socket. The kernel's ISO-TP, a second implementation that we have
// not written, is the other end.
type ours struct {
	bus      *Bus
	endpoint *isotp.Endpoint
	begun    time.Time
}

// run sends a message, or receives one where it is nil.
func (o *ours) run(ctx context.Context, message []byte) ([]byte, error) {
	now := func() time.Duration { return time.Since(o.begun) }
	if message != nil {
		if err := o.endpoint.Start(now(), message); err != nil {
			return nil, err
		}
	}
	for {
		var f isotp.Frame
		for o.endpoint.Next(now(), &f) {
			if _, err := o.bus.Send(ctx, &f); err != nil {
				return nil, err
			}
			o.endpoint.Sent(now())
		}
		if message != nil && !o.endpoint.Sending() {
			return nil, o.endpoint.Sender().Err()
		}
		complete, err := o.hear(ctx, now)
		if err != nil {
			return nil, err
		}
		if complete {
			return bytes.Clone(o.endpoint.Message()), nil
		}
	}
}

// hear waits for a frame, or for what the endpoint waits for.
func (o *ours) hear(ctx context.Context, now func() time.Duration) (bool, error) {
	wait := ctx
	if at, ok := o.endpoint.Deadline(); ok {
		var cancel context.CancelFunc
		wait, cancel = context.WithTimeout(ctx, max(0, at-now()))
		defer cancel()
	}
	var f isotp.Frame
	_, err := o.bus.Receive(wait, &f)
	switch {
	case ctx.Err() != nil:
		return false, context.Cause(ctx)
	case errors.Is(err, context.DeadlineExceeded):
		return false, o.endpoint.Tick(now())
	case err != nil:
		return false, err
	}
	return o.endpoint.Receive(now(), &f)
}

// pairing is how the two ends speak.
type pairing struct {
	config  isotp.Config
	channel ChannelOptions
	size    int
}

// draw chooses a pairing and the length of a message.
func draw(r *rand.Rand) pairing {
	address := isotp.Normal11(0x7E0, 0x7E8)
	if r.IntN(2) > 0 {
		address = isotp.NormalFixed(0x10, 0xF1)
	}
	if r.IntN(3) == 0 {
		address = address.ByByte(byte(r.Uint32()), byte(r.Uint32()))
	}
	// Short messages are many, for their edges, and long ones are some.
	size := 1 + r.IntN(1<<(1+r.IntN(12)))
	p := pairing{
		size: min(size, MaxMessage),
		config: isotp.Config{
			Address: address, NoPadding: r.IntN(2) > 0, Fill: byte(r.Uint32()), BlockSize: byte(r.IntN(2) * r.IntN(16)),
			// An emulated machine is not held to a control unit's times.
			Timeouts: isotp.Timeouts{As: patience, Ar: patience, Bs: patience, Cr: patience},
		},
		channel: ChannelOptions{
			Transmit: address.Receive, Receive: address.Send, Extended: address.Extended,
			AddressExtension: address.WithByte, TransmitAddress: address.ReceiveByte, ReceiveAddress: address.SendByte,
			Padding: r.IntN(2) > 0, PadByte: byte(r.Uint32()), BlockSize: byte(r.IntN(2) * r.IntN(16)),
		},
	}
	if p.size < 300 {
		separations := []byte{0, 1, 5, 0xF1, 0xF9}
		p.config.STmin, p.channel.SeparationTime = separations[r.IntN(len(separations))], separations[r.IntN(len(separations))]
	}
	if r.IntN(3) == 0 {
		lengths := []uint8{8, 12, 16, 20, 24, 32, 48, 64}
		p.config.FD, p.config.BitRateSwitch, p.config.FrameLength = true, r.IntN(2) > 0, int(lengths[r.IntN(len(lengths))])
		p.channel.FD, p.channel.FrameLength = true, lengths[r.IntN(len(lengths))]
	}
	return p
}

func (p *pairing) String() string {
	return fmt.Sprintf("%d bytes, ours %+v, kernel %+v", p.size, p.config, p.channel)
}

// Whatever the addresses, the padding, the flow control and the kind of frames, what one implementation sends the other
// receives, both ways.
func TestKernelAndOursDisagree(t *testing.T) {
	name := vcan(t)
	for seed := range uint64(100) {
		r := rand.New(rand.NewPCG(seed, 15765))
		p := draw(r)
		message := make([]byte, p.size)
		for i := range message {
			message[i] = byte(r.Uint32())
		}
		err := exchange(t, name, &p, message)
		// The kernel's own time-outs are a second and fixed, which an emulated machine now and then misses.
		for n := 0; n < 5 && errors.Is(err, syscall.ETIMEDOUT); n++ {
			t.Logf("seed %d was late: %v", seed, err)
			err = exchange(t, name, &p, message)
		}
		if err != nil {
			t.Fatalf("seed %d: %v\n%v", seed, &p, err)
		}
	}
}

func exchange(t *testing.T, name string, p *pairing, message []byte) error {
	t.Helper()
	kernel, err := OpenChannel(name, p.channel)
	if err != nil {
		return fmt.Errorf("opening the kernel's: %w", err)
	}
	defer kernel.Close() //nolint:errcheck // it gives none
	bus, err := Open(name, Options{FD: p.config.FD})
	if err != nil {
		return err
	}
	defer bus.Close() //nolint:errcheck // it gives none
	endpoint, err := isotp.NewEndpoint(p.config)
	if err != nil {
		return err
	}
	o := &ours{bus: bus, endpoint: endpoint, begun: time.Now()}
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()

	type result struct {
		got []byte
		err error
	}
	other := make(chan result, 1)
	go func() {
		buffer := make([]byte, MaxMessage)
		n, err := kernel.Receive(ctx, buffer)
		other <- result{buffer[:n], err}
	}()
	_, sent := o.run(ctx, message)
	if sent != nil {
		cancel()
	}
	received := <-other
	if err := errors.Join(sent, received.err); err != nil || !bytes.Equal(received.got, message) {
		return fmt.Errorf("from ours to the kernel: %d bytes came, the same: %t: %w", len(received.got), bytes.Equal(received.got, message), err)
	}
	go func() {
		got, err := o.run(ctx, nil)
		other <- result{got, err}
	}()
	sent = kernel.Send(ctx, message)
	if sent != nil {
		cancel()
	}
	received = <-other
	if err := errors.Join(sent, received.err); err != nil || !bytes.Equal(received.got, message) {
		return fmt.Errorf("from the kernel to ours: %d bytes came, the same: %t: %w", len(received.got), bytes.Equal(received.got, message), err)
	}
	return nil
}

func engineChannel(t *testing.T, name string) *Channel {
	t.Helper()
	c, err := OpenChannel(name, ChannelOptions{Transmit: 0x7E0, Receive: 0x7E8, Padding: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close() })
	return c
}

func TestBrokenTransportIsNotTold(t *testing.T) {
	buffer := make([]byte, MaxMessage)
	for _, tc := range []struct {
		name string
		do   func(c *Channel, peer *Bus) error
	}{
		{"a frame out of sequence", func(c *Channel, peer *Bus) error {
			say(t, peer, 0x10, 20, 1, 2, 3, 4, 5, 6)
			say(t, peer, 0x25, 1, 2, 3, 4, 5, 6, 7)
			_, err := c.Receive(within(t), buffer)
			return err
		}},
		{"a message that ends in the middle", func(c *Channel, peer *Bus) error {
			say(t, peer, 0x10, 20, 1, 2, 3, 4, 5, 6)
			_, err := c.Receive(within(t), buffer)
			return err
		}},
		{"no flow control", func(c *Channel, _ *Bus) error { return c.Send(within(t), make([]byte, 20)) }},
		{"no room for the message", func(c *Channel, peer *Bus) error {
			ended := make(chan error, 1)
			go func() { ended <- c.Send(within(t), make([]byte, 20)) }()
			var f isotp.Frame
			if _, err := peer.Receive(within(t), &f); err != nil {
				t.Fatal(err)
			}
			say(t, peer, 0x32, 0, 0)
			return <-ended
		}},
	} {
		name := vcan(t)
		c, peer := engineChannel(t, name), open(t, name, Options{})
		if err := tc.do(c, peer); !errors.Is(err, adapter.ErrGarbled) {
			t.Errorf("%s gave %v", tc.name, err)
			continue
		}
		say(t, peer, 3, 0x41, 0x0C, 7)
		if n, err := c.Receive(within(t), buffer); err != nil || !bytes.Equal(buffer[:n], []byte{0x41, 0x0C, 7}) {
			t.Errorf("after %s came % X: %v", tc.name, buffer[:n], err)
		}
	}
}

// say sends a frame as the engine's control unit.
func say(t *testing.T, peer *Bus, data ...byte) {
	t.Helper()
	f := frameOf(0x7E8, data...)
	if _, err := peer.Send(within(t), &f); err != nil {
		t.Fatal(err)
	}
}

func TestChannelOutlivesItsInterface(t *testing.T) {
	name := vcan(t)
	c := engineChannel(t, name)
	ended := make(chan error)
	go func() {
		_, err := c.Receive(context.Background(), make([]byte, MaxMessage))
		ended <- err
	}()
	time.Sleep(10 * time.Millisecond) // so that it may be in the system call
	setUp(t, name, false)
	if err := <-ended; !errors.Is(err, adapter.ErrUnplugged) {
		t.Errorf("receiving ended with %v", err)
	}
	if err := c.Send(within(t), []byte{1, 0}); !errors.Is(err, adapter.ErrUnplugged) {
		t.Errorf("sending gave %v", err)
	}
}

func TestChannelTakesWhatCannotBe(t *testing.T) {
	for _, o := range []ChannelOptions{
		{Transmit: 0x800, Receive: 1},
		{Transmit: 0x7E0, Receive: 0x7E0},
		{Transmit: 1, Receive: 2, FD: true, FrameLength: 9},
		{Transmit: 1, Receive: 2, FrameLength: 8},
	} {
		if c, err := OpenChannel("vcan0", o); err == nil {
			t.Errorf("%+v is taken", o)
			_ = c.Close()
		}
	}
	c := engineChannel(t, "vcan0")
	for _, size := range []int{0, MaxMessage + 1} {
		if err := c.Send(within(t), make([]byte, size)); err == nil {
			t.Errorf("a message of %d bytes is taken", size)
		}
	}
}
