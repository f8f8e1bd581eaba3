// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socket

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// Apply changes an interface. One that is up goes down before its controller is set, as the kernel wants it; the sockets of
// others on it then end. Where the right is missing, the error has the command that an administrator runs.
func (c *Change) Apply(ctx context.Context, i *Interface) error {
	steps := []struct {
		what    string
		change  Change
		set     bool
		skipped bool
	}{
		{"taking down", Change{}, false, !i.Up},
		{"setting the bit rate of", *c, true, c.BitRate == 0},
		{"bringing up", Change{Up: true}, false, !c.Up},
	}
	for _, s := range steps {
		if s.skipped {
			continue
		}
		if err := ctx.Err(); err != nil {
			return context.Cause(ctx)
		}
		err := ask(s.change.request(i.Index, s.set))
		if errors.Is(err, unix.EPERM) {
			return fmt.Errorf("%s the CAN interface %s takes the right CAP_NET_ADMIN: %w; an administrator runs: %s", s.what, i.Name, err, i.UpCommand(c.BitRate))
		}
		if err != nil {
			return fmt.Errorf("%s the CAN interface %s: %w", s.what, i.Name, err)
		}
	}
	return nil
}

// answerWithin bounds the kernel's answer, which comes at once.
const answerWithin = 5 * time.Second

// ask sends a request to rtnetlink and waits until the kernel says what came of it.
func ask(body []byte) error {
	fd, err := unix.Socket(unix.AF_NETLINK, unix.SOCK_RAW|unix.SOCK_CLOEXEC, unix.NETLINK_ROUTE)
	if err != nil {
		return err
	}
	defer func() { _ = unix.Close(fd) }()
	timeout := unix.NsecToTimeval(answerWithin.Nanoseconds())
	if err := unix.SetsockoptTimeval(fd, unix.SOL_SOCKET, unix.SO_RCVTIMEO, &timeout); err != nil {
		return err
	}
	var message []byte
	message = binary.NativeEndian.AppendUint32(message, uint32(unix.SizeofNlMsghdr+len(body)))
	message = binary.NativeEndian.AppendUint16(message, unix.RTM_NEWLINK)
	message = binary.NativeEndian.AppendUint16(message, unix.NLM_F_REQUEST|unix.NLM_F_ACK)
	message = binary.NativeEndian.AppendUint32(message, 1) // sequence
	message = binary.NativeEndian.AppendUint32(message, 0) // port: the kernel fills it in
	if err := unix.Sendto(fd, append(message, body...), 0, &unix.SockaddrNetlink{Family: unix.AF_NETLINK}); err != nil {
		return err
	}
	buffer := make([]byte, unix.Getpagesize())
	n, _, err := unix.Recvfrom(fd, buffer, 0)
	if err != nil {
		return err
	}
	answers, err := syscall.ParseNetlinkMessage(buffer[:n])
	if err != nil {
		return err
	}
	for _, a := range answers {
		if a.Header.Type == unix.NLMSG_ERROR && len(a.Data) >= 4 {
			if errno := -int32(binary.NativeEndian.Uint32(a.Data)); errno != 0 {
				return syscall.Errno(errno)
			}
			return nil
		}
	}
	return errors.New("the kernel answered something else")
}
