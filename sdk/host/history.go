// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package host

import "time"

// history remembers when an adapter failed, and decides from it when to try again.
type history struct {
	rules    Restart
	failures []time.Time // within the window, oldest first
}

func (h *history) add(now time.Time) {
	h.failures = append(h.recent(now), now)
}

func (h *history) recent(now time.Time) []time.Time {
	first := 0
	for first < len(h.failures) && now.Sub(h.failures[first]) > h.rules.Window {
		first++
	}
	return h.failures[first:]
}

func (h *history) count(now time.Time) int { return len(h.recent(now)) }

func (h *history) tooMany(now time.Time) bool { return h.count(now) >= h.rules.Failures }

func (h *history) forget() { h.failures = nil }

// wait gives the time to the next attempt, for a chance between 0 and 1: the whole range from nothing to the bound, so
// that adapters which failed together come back apart.
func (h *history) wait(chance float64) time.Duration {
	bound := h.rules.MinBackoff
	for n := 1; n < len(h.failures) && bound < h.rules.MaxBackoff; n++ {
		bound *= 2
	}
	return time.Duration(chance * float64(min(bound, h.rules.MaxBackoff)))
}
