// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

//go:build !linux

package socket

import (
	"context"
	"fmt"
	"runtime"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/canlink"
	"github.com/airassay/airassay/sdk/isotp"
)

func unsupported() error {
	return fmt.Errorf("%w: they are Linux's, and this is %s", ErrUnsupported, runtime.GOOS)
}

// Supported is ErrUnsupported.
func Supported() error { return unsupported() }

// Interfaces is ErrUnsupported.
func Interfaces() ([]Interface, error) { return nil, unsupported() }

// Apply is ErrUnsupported.
func (*Change) Apply(context.Context, *Interface) error { return unsupported() }

// Bus cannot be opened on this system.
type Bus struct{}

var _ canlink.Bus = (*Bus)(nil)

// Open is ErrUnsupported.
func Open(string, Options) (*Bus, error) { return nil, unsupported() }

// Name is empty.
func (*Bus) Name() string { return "" }

// Send is ErrUnsupported.
func (*Bus) Send(context.Context, *isotp.Frame) (adapter.Time, error) { return 0, unsupported() }

// Receive is ErrUnsupported.
func (*Bus) Receive(context.Context, *isotp.Frame) (adapter.Time, error) { return 0, unsupported() }

// SetFilters is ErrUnsupported.
func (*Bus) SetFilters([]Filter) error { return unsupported() }

// Done is never closed.
func (*Bus) Done() <-chan struct{} { return nil }

// Err is ErrUnsupported.
func (*Bus) Err() error { return unsupported() }

// Lost is 0.
func (*Bus) Lost() int { return 0 }

// Close has nothing to close.
func (*Bus) Close() error { return nil }

// Channel cannot be opened on this system.
type Channel struct{}

// OpenChannel is ErrUnsupported.
func OpenChannel(string, ChannelOptions) (*Channel, error) { return nil, unsupported() }

// Send is ErrUnsupported.
func (*Channel) Send(context.Context, []byte) error { return unsupported() }

// Receive is ErrUnsupported.
func (*Channel) Receive(context.Context, []byte) (int, error) { return 0, unsupported() }

// Close has nothing to close.
func (*Channel) Close() error { return nil }
