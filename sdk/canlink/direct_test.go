// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canlink

import (
	"context"
	"net"
	"sync"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/isotp"
)

// direct is a bus without time, for benchmarks: its one control unit has answered once Send returns.
type direct struct {
	frames chan isotp.Frame
	closed chan struct{}
	once   sync.Once
}

var (
	shortAnswer = isotp.Frame{ID: 0x7E8, Length: 8, Data: [64]byte{4, 0x41, 0x0C, 0x1F, 0x40}}
	longAnswer  = []isotp.Frame{
		{ID: 0x7E8, Length: 8, Data: [64]byte{0x10, 0x0F, 0x41, 0x0C, 0x1F, 0x40, 0x10, 0x1A}},
		{ID: 0x7E8, Length: 8, Data: [64]byte{0x21, 0xF8, 0x04, 0xD9, 0x0B, 0x62, 0x11, 0xD0}},
		{ID: 0x7E8, Length: 8, Data: [64]byte{0x22, 0x0F, 0x46}},
	}
)

func (d *direct) Send(_ context.Context, f *isotp.Frame) (adapter.Time, error) {
	at := adapter.Now()
	switch f.Data[0] {
	case 0x30:
		d.frames <- longAnswer[1]
		d.frames <- longAnswer[2]
	case 2:
		d.frames <- shortAnswer
	default:
		d.frames <- longAnswer[0]
	}
	return at, nil
}

func (d *direct) Receive(ctx context.Context, f *isotp.Frame) (adapter.Time, error) {
	select {
	case *f = <-d.frames:
		return adapter.Now(), nil
	case <-d.closed:
		return 0, net.ErrClosed
	case <-ctx.Done():
		return 0, ctx.Err()
	}
}

func (d *direct) Close() error {
	d.once.Do(func() { close(d.closed) })
	return nil
}
