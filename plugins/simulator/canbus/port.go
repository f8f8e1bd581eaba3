// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canbus

import (
	"fmt"
	"slices"
	"sync"

	"github.com/airassay/airassay/sdk/adapter"
)

// Port is where a tester's interface is plugged in. Unplugged, what was open on it is
// gone for ever, as hardware is; plugged in again, it can be opened anew. Its methods
// are safe for concurrent use.
type Port struct {
	bus     *Bus
	options NodeOptions

	mu        sync.Mutex
	unplugged bool
	open      []*Node
}

// Port makes a place to plug an interface in.
func (b *Bus) Port(o NodeOptions) *Port { return &Port{bus: b, options: o} }

// Open gives a node on the bus. The error wraps adapter.ErrUnplugged while nothing is plugged in.
func (p *Port) Open() (*Node, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.unplugged {
		return nil, gone()
	}
	p.open = slices.DeleteFunc(p.open, func(n *Node) bool { return n.reason() != nil })
	n := p.bus.Attach(p.options)
	p.open = append(p.open, n)
	return n, nil
}

// Unplug pulls the interface out: all that is open on it ends with an error that wraps
// adapter.ErrUnplugged.
func (p *Port) Unplug() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.unplugged = true
	for _, n := range p.open {
		n.leaveBus(gone())
	}
	p.open = nil
}

// Replug puts the interface back.
func (p *Port) Replug() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.unplugged = false
}

func gone() error { return fmt.Errorf("the emulated interface: %w", adapter.ErrUnplugged) }
