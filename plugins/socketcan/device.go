// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socketcan

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"github.com/airassay/airassay/plugins/socketcan/socket"
	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/canlink"
	"github.com/airassay/airassay/sdk/isotp"
	"github.com/airassay/airassay/sdk/poll"
)

// link carries requests until it is closed.
type link interface {
	adapter.Linker
	Close() error
}

// device is an open interface.
type device struct {
	adapter.Feeder

	bus         *socket.Bus
	link        link
	maxRequests float64
}

// Open opens a socket on an interface. What is behind it is found out at the first request, and a vehicle that is silent is no
// reason not to open.
func (s *socketcan) Open(ctx context.Context, id string) (adapter.Conn, error) {
	config := s.configured()
	i, err := s.named(id)
	if err != nil {
		return nil, err
	}
	if i, err = ready(ctx, i, &config); err != nil {
		return nil, err
	}
	bus, err := socket.Open(i.Name, socket.Options{ListenOnly: config.listenOnly || config.heavy, Filters: config.filters()})
	if err != nil {
		return nil, err
	}
	d := &device{bus: bus, maxRequests: config.maxRequests}
	if err := d.connect(i, &config); err != nil { //nolint:contextcheck // the device lives until Close, longer than the call that opens it
		return nil, errors.Join(err, bus.Close())
	}
	slog.Info("a CAN interface is open", "interface", i.Name, "bit_rate", i.BitRate, "state", i.State.String(), "transport", config.transport())
	return d, nil
}

// connect makes the link and the feed of a device.
func (d *device) connect(i *socket.Interface, config *configuration) error {
	switch {
	case config.heavy:
		l := listen(d.bus, newHeavy(uncertainty(i)))
		d.link, d.Feeder = l, l
		return nil
	case config.listenOnly:
		l := listen(d.bus, deaf{})
		d.link, d.Feeder = l, l
		return nil
	case config.kernel:
		l, err := newKernelLink(d.bus, i.Name, config.addressing)
		if err != nil {
			return err
		}
		d.link = l
	default:
		l, err := canlink.New(d.bus, canlink.Options{Addressing: config.addressing, BitRate: i.BitRate, Uncertainty: uncertainty(i)})
		if err != nil {
			return err
		}
		d.link = l
	}
	d.Feeder = poll.Over(d.link, poll.LinkOptions{Options: poll.Options{MaxRequestsPerS: config.maxRequests}})
	return nil
}

const (
	// frameTime is how long the longest classic frame is on a bus at 250 kbit/s, the slower of the two: 160 bits
	// (ISO 11898-1, with the worst stuffing). The kernel stamps its end.
	frameTime = 640 * time.Microsecond
	// usbLatency is how long a frame may wait for the host to fetch it: a USB frame (USB 2.0, §5.3.3).
	usbLatency = time.Millisecond
	// interruptLatency is how long the kernel may take to stamp a frame of a controller that interrupts it. Our own estimate;
	// it is tens of microseconds on an idle machine.
	interruptLatency = 100 * time.Microsecond
)

// uncertainty is the half-width of the interval in which a frame came, by the kernel's stamp of it.
func uncertainty(i *socket.Interface) time.Duration {
	if i.Bus == "usb" {
		return frameTime/2 + usbLatency
	}
	return frameTime/2 + interruptLatency
}

// Details says that the kernel stamps the frames.
func (d *device) Details() adapter.Details {
	return adapter.Details{HardwareTime: true, MaxRequestsPerS: d.maxRequests}
}

// Request sends one request and gives the answers.
func (d *device) Request(ctx context.Context, request adapter.Request) (adapter.Answers, error) {
	return d.link.Request(ctx, request)
}

// Feed delivers samples until the context ends, or the interface goes down or away.
func (d *device) Feed(ctx context.Context, sink *adapter.Sink) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	go func() {
		select {
		case <-d.bus.Done():
			cancel(d.bus.Err())
		case <-ctx.Done():
		}
	}()
	err := d.Feeder.Feed(ctx, sink)
	if gone := d.bus.Err(); gone != nil && errors.Is(gone, adapter.ErrUnplugged) {
		return gone
	}
	return err
}

// Close gives the interface back as it was.
func (d *device) Close() error {
	if lost := d.bus.Lost(); lost > 0 {
		slog.Warn("frames were lost because the machine was too slow for the bus", "interface", d.bus.Name(), "frames", lost)
	}
	return errors.Join(d.link.Close(), d.bus.Close())
}

// filters are what the kernel lets through: everything while somebody listens, and the answers of control units where the
// configuration says how they are addressed. A request's own frame always comes back.
func (c *configuration) filters() []socket.Filter {
	switch {
	case c.heavy || c.listenOnly || c.kernel:
		return nil
	case c.addressing == canlink.Bits11:
		return []socket.Filter{{ID: firstAns11, Mask: isotp.MaxStandardID &^ (units11 - 1)}}
	case c.addressing == canlink.Bits29:
		return []socket.Filter{{ID: answerBase29, Mask: isotp.MaxExtendedID &^ 0xFF, Extended: true}}
	}
	return nil
}

// transport says in a word how requests go.
func (c *configuration) transport() string {
	switch {
	case c.heavy:
		return "J1939, listening"
	case c.listenOnly:
		return "none, listening"
	case c.kernel:
		return transportKernel
	}
	return transportOwn
}

// ready sees to it that an interface is up, and at the bit rate that the configuration asks for. It changes an interface only
// where the configuration allows that.
func ready(ctx context.Context, i *socket.Interface, config *configuration) (*socket.Interface, error) {
	wrong := config.bitRate > 0 && i.Hardware() && i.BitRate > 0 && i.BitRate != config.bitRate
	switch {
	case i.Up && !wrong:
		return i, nil
	case config.setBitRate && i.Hardware():
		return bringUp(ctx, i, config)
	case !i.Up:
		return nil, fmt.Errorf("the CAN interface %s is down: %w; an administrator brings it up with: %s", i.Name, adapter.ErrUnplugged, i.UpCommand(config.bitRate))
	}
	bad := &adapter.ConfigurationError{}
	bad.Violatef("bit_rate", "is %d, and %s runs at %d; an administrator changes that, while nobody else uses the interface, with: %s",
		config.bitRate, i.Name, i.BitRate, i.UpCommand(config.bitRate))
	return nil, bad
}
