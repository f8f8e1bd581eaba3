// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package readonly keeps the book of requests that were refused because they do more than read. The rule itself is
// j1979.CheckReadOnly; whoever passes requests on, host, adapter or link, asks a Guard, so that none refuses in silence.
package readonly

import (
	"fmt"
	"log/slog"
	"sync/atomic"

	"github.com/airassay/airassay/sdk/j1979"
)

// maxShown is how many bytes of a refused payload are logged.
const maxShown = 64

// Guard refuses and records. The zero Guard counts only. Safe for concurrent use.
type Guard struct {
	// Log receives a warning for each refusal; nil for none. It is set before the first use.
	Log *slog.Logger

	refused atomic.Uint64
}

// Check is j1979.CheckReadOnly, and records a refusal: service, bytes, reason, how many there were so far, and attrs, which
// say where it happened, as slog takes them.
func (g *Guard) Check(payload []byte, attrs ...any) error {
	err := j1979.CheckReadOnly(payload)
	if err != nil {
		g.record(payload, err, attrs)
	}
	return err
}

func (g *Guard) record(payload []byte, err error, attrs []any) {
	n := g.refused.Add(1)
	if g.Log == nil {
		return
	}
	service := ""
	if len(payload) > 0 {
		service = fmt.Sprintf("%02X", payload[0])
	}
	shown := fmt.Sprintf("% X", payload[:min(len(payload), maxShown)])
	g.Log.Warn("a request to the vehicle was refused, because it may do more than read",
		append([]any{"service", service, "payload", shown, "bytes", len(payload), "reason", err.Error(), "refused", n}, attrs...)...)
}

// Refused is how many requests were refused so far.
func (g *Guard) Refused() uint64 { return g.refused.Load() }
