// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import "cmp"

// Hole is a stretch that the source of a capture has marked as missing.
type Hole struct {
	StartUS, EndUS int64
	Reason         SampleGapReason
}

// maxHoles bounds the holes that are listed one by one.
const maxHoles = 32

// holes remembers the longest holes. What it holds does not depend on the order in which they come.
type holes struct {
	count, durationUS int64
	kept              int
	longest           [maxHoles]Hole
}

// compareHoles puts the longest first; among equals the order is that of time.
func compareHoles(a, b Hole) int {
	return cmp.Or(
		cmp.Compare(b.EndUS-b.StartUS, a.EndUS-a.StartUS), cmp.Compare(a.StartUS, b.StartUS), cmp.Compare(a.Reason, b.Reason),
	)
}

func (h *holes) add(hole Hole) {
	h.count++
	h.durationUS += hole.EndUS - hole.StartUS
	at := h.kept
	for at > 0 && compareHoles(hole, h.longest[at-1]) < 0 {
		at--
	}
	if at == maxHoles {
		return
	}
	h.kept = min(h.kept+1, maxHoles)
	copy(h.longest[at+1:h.kept], h.longest[at:h.kept-1])
	h.longest[at] = hole
}

// Missing takes in that a source has marked samples as missing. A hole that ends before it starts, or lasts longer than
// any drive, is ignored. The samples on both sides of a hole are judged as any others: how far apart they lie is their
// uncertainty, and a manoeuvre with too few of them is refused. It allocates nothing.
func (a *Assay) Missing(h Hole) {
	if d := h.EndUS - h.StartUS; h.EndUS < h.StartUS || d < 0 || d > longestDriveUS {
		return
	}
	a.holes.add(h)
}
