// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socket

import (
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"slices"
	"syscall"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/isotp"
)

// Options of raw sockets (linux/can/raw.h).
const (
	optFilter      = 1
	optErrorFilter = 2
	optReceiveOwn  = 4
	optFD          = 5
)

// fdMTU is that of an interface which carries CAN FD frames (linux/can.h: CANFD_MTU).
const fdMTU = fdSize

// openRaw makes a raw socket on an interface. It is in the poller's care, so that deadlines and Close work.
func openRaw(i *Interface, o *Options) (*os.File, error) {
	fd, err := newSocket(unix.SOCK_RAW, unix.CAN_RAW)
	if err != nil {
		return nil, err
	}
	if err := setRaw(fd, i, o); err != nil {
		_ = unix.Close(fd)
		return nil, err
	}
	return os.NewFile(uintptr(fd), "can:"+i.Name), nil
}

// Supported is nil where the system has CAN sockets, and otherwise says what is missing.
func Supported() error {
	fd, err := newSocket(unix.SOCK_RAW, unix.CAN_RAW)
	if err != nil {
		return err
	}
	return unix.Close(fd)
}

func newSocket(kind, protocol int) (int, error) {
	fd, err := unix.Socket(unix.AF_CAN, kind|unix.SOCK_NONBLOCK|unix.SOCK_CLOEXEC, protocol)
	if errors.Is(err, unix.EAFNOSUPPORT) || errors.Is(err, unix.EPROTONOSUPPORT) {
		return 0, fmt.Errorf("%w: the kernel lacks the modules can, can_raw or can_isotp; as root, modprobe loads them: %w", ErrUnsupported, err)
	}
	return fd, err
}

func setRaw(fd int, i *Interface, o *Options) error {
	flag := func(level, option, value int) error { return unix.SetsockoptInt(fd, level, option, value) }
	err := errors.Join(
		setFilters(fd, o.Filters),
		flag(unix.SOL_CAN_RAW, optErrorFilter, wantedErrorFrames),
		flag(unix.SOL_CAN_RAW, optReceiveOwn, 1),
		flag(unix.SOL_SOCKET, unix.SO_TIMESTAMPNS, 1),
		flag(unix.SOL_SOCKET, unix.SO_RXQ_OVFL, 1),
		setReceiveBuffer(fd, o.ReceiveBuffer),
	)
	if o.FD && i.MTU >= fdMTU {
		err = errors.Join(err, flag(unix.SOL_CAN_RAW, optFD, 1))
	}
	if err != nil {
		return err
	}
	if err := unix.Bind(fd, &unix.SockaddrCAN{Ifindex: i.Index}); unplugged(err) {
		return fmt.Errorf("%w: %w", adapter.ErrUnplugged, err)
	} else if err != nil {
		return err
	}
	return nil
}

// setReceiveBuffer asks for room. Only root may have more than the administrator's bound (net.core.rmem_max); others get
// what that allows.
func setReceiveBuffer(fd, bytes int) error {
	if bytes == 0 {
		bytes = secondOfBus
	}
	if unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUFFORCE, bytes) == nil {
		return nil
	}
	return unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUF, bytes)
}

// setFilters sets what the kernel lets through. No filter at all is its default: everything.
func setFilters(fd int, filters []Filter) error {
	if len(filters) == 0 {
		return nil
	}
	list := make([]unix.CanFilter, len(filters))
	for n, f := range filters {
		list[n] = unix.CanFilter{Id: f.ID, Mask: f.Mask | flagExtended | flagRemote}
		if f.Extended {
			list[n].Id |= flagExtended
		}
	}
	return unix.SetsockoptCanRawFilter(fd, unix.SOL_CAN_RAW, optFilter, list)
}

// SetFilters replaces what the kernel lets through; nil is everything. Frames that wait already still come. Of what was sent
// so far, the answers of others with the same identifier come too.
func (b *Bus) SetFilters(filters []Filter) error {
	o := Options{Filters: filters}
	if err := o.check(); err != nil {
		return err
	}
	select {
	case b.sending <- struct{}{}:
		defer func() { <-b.sending }()
	case <-b.dead:
		return b.cause
	}
	b.filters = slices.Clone(filters)
	return b.applyFilters()
}

// hearOwn sees to it that the echo of a frame passes the filters; the kernel filters echoes like all that comes. The caller
// holds sending.
func (b *Bus) hearOwn(f *isotp.Frame) error {
	own := Filter{ID: f.ID, Mask: isotp.MaxExtendedID, Extended: f.Extended}
	if len(b.filters) == 0 || b.own[own] {
		return nil
	}
	if len(b.own) >= maxOwn {
		clear(b.own)
	}
	b.own[own] = true
	return b.applyFilters()
}

// maxOwn bounds the identifiers whose echo is let through; a tester uses one for each control unit.
const maxOwn = 64

func (b *Bus) applyFilters() error {
	filters := slices.Clone(b.filters)
	switch {
	case len(filters) == 0:
		filters = []Filter{{}, {Extended: true}}
	default:
		for own := range b.own {
			filters = append(filters, own)
		}
	}
	var failed error
	err := b.raw.Control(func(fd uintptr) { failed = setFilters(int(fd), filters) })
	if err = errors.Join(err, failed); err != nil {
		return b.judge("setting the filters of", err)
	}
	return nil
}

// message is what one call brought. Its bytes are good until the next.
type message struct {
	bytes []byte
	at    adapter.Time
	own   bool   // an echo of what this socket sent
	lost  uint32 // frames that the kernel has dropped so far
}

// reader reads messages with what the kernel says besides. It is kept, so that reading allocates nothing.
type reader struct {
	clock  clock
	data   [fdSize]byte
	extra  [128]byte // two control messages: the time and the count of what was dropped
	vector unix.Iovec
	head   unix.Msghdr
	lost   uint32
	length int
	failed error
	once   func(fd uintptr) bool
}

func (r *reader) init() {
	r.once = func(fd uintptr) bool {
		r.vector.Base = &r.data[0]
		r.vector.SetLen(len(r.data))
		r.head = unix.Msghdr{Iov: &r.vector, Control: &r.extra[0]}
		r.head.SetIovlen(1)
		r.head.SetControllen(len(r.extra))
		n, errno := r.call(fd)
		for errno == unix.EINTR {
			n, errno = r.call(fd)
		}
		if errno == unix.EAGAIN {
			return false
		}
		r.length, r.failed = int(n), nil
		if errno != 0 {
			r.failed = errno
		}
		return true
	}
}

// call is recvmsg(2). The package unix has it only with the sender's address, which costs an allocation a frame and tells
// nothing here.
func (r *reader) call(fd uintptr) (uintptr, syscall.Errno) {
	n, _, errno := unix.Syscall(unix.SYS_RECVMSG, fd, uintptr(unsafe.Pointer(&r.head)), 0) //nolint:gosec // the buffers belong to r, which the caller holds
	return n, errno
}

// next waits for a message.
func (r *reader) next(from syscall.RawConn) (message, error) {
	if err := from.Read(r.once); err != nil {
		return message{}, err
	}
	return r.take()
}

// take gives what once has read.
func (r *reader) take() (message, error) {
	if r.failed != nil {
		return message{}, r.failed
	}
	now := time.Now()
	var stamp time.Time
	rest := r.extra[:r.head.Controllen]
	for len(rest) >= unix.SizeofCmsghdr {
		header, data, remainder, err := unix.ParseOneSocketControlMessage(rest)
		if err != nil {
			return message{}, fmt.Errorf("what the kernel says of a frame: %w", err)
		}
		rest = remainder
		switch {
		case header.Level != unix.SOL_SOCKET:
		case header.Type == unix.SCM_TIMESTAMPNS:
			stamp = timeOf(data)
		case header.Type == unix.SO_RXQ_OVFL:
			r.lost = numberOf(data)
		}
	}
	return message{bytes: r.data[:r.length], at: r.clock.at(stamp, now), own: r.head.Flags&unix.MSG_CONFIRM != 0, lost: r.lost}, nil
}

// timeOf reads a struct timespec, whose two numbers are of the machine's word; zero where it is too short.
func timeOf(data []byte) time.Time {
	const word = 32 << (^uint(0) >> 63) / 8
	switch {
	case len(data) < 2*word:
		return time.Time{}
	case word == 8:
		return time.Unix(int64(binary.NativeEndian.Uint64(data)), int64(binary.NativeEndian.Uint64(data[word:])))
	}
	return time.Unix(int64(int32(binary.NativeEndian.Uint32(data))), int64(binary.NativeEndian.Uint32(data[word:])))
}
