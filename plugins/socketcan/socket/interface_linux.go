// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socket

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"

	"github.com/airassay/airassay/sdk/adapter"
)

// Interfaces lists the CAN interfaces in the order of their names. It sends nothing to any bus.
func Interfaces() ([]Interface, error) {
	answer, err := syscall.NetlinkRIB(syscall.RTM_GETLINK, syscall.AF_UNSPEC)
	if err != nil {
		return nil, fmt.Errorf("asking the kernel for its interfaces: %w", err)
	}
	messages, err := syscall.ParseNetlinkMessage(answer)
	if err != nil {
		return nil, fmt.Errorf("reading the kernel's list of interfaces: %w", err)
	}
	var found []Interface
	for _, m := range messages {
		if m.Header.Type != syscall.RTM_NEWLINK {
			continue
		}
		if i, ok := readLink(m.Data); ok {
			i.Serial = serialOf(i.Name)
			found = append(found, i)
		}
	}
	slices.SortFunc(found, func(a, b Interface) int { return strings.Compare(a.Name, b.Name) })
	return found, nil
}

// serialOf reads the serial number of the USB box that an interface belongs to. The link leads to the interface of the box,
// which stands below the box itself.
func serialOf(name string) string {
	device, err := filepath.EvalSymlinks(filepath.Join("/sys/class/net", filepath.Base(name), "device"))
	if err != nil {
		return ""
	}
	text, err := os.ReadFile(filepath.Join(filepath.Dir(device), "serial"))
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(text))
}

// upInterface gives an interface that can be used now.
func upInterface(name string) (*Interface, error) {
	all, err := Interfaces()
	if err != nil {
		return nil, err
	}
	i, err := find(all, name)
	if err != nil {
		return nil, fmt.Errorf("%w; %w: plug it in, or see with ip link what there is", err, adapter.ErrUnplugged)
	}
	if !i.Up {
		return nil, fmt.Errorf("the CAN interface %s is down: %w; an administrator brings it up with: %s", name, adapter.ErrUnplugged, i.UpCommand(0))
	}
	return i, nil
}
