// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package logline

import (
	"bytes"
	"sync"
	"time"
)

// tailLines is how many last lines are kept for an error message: a Go panic's cause and the frames that matter.
const tailLines = 20

// tailBytes bounds one kept line.
const tailBytes = 2 << 10

// Writer takes an adapter's output, cuts it into lines and hands on as many as the rate allows. It never fails, never
// blocks longer than its receiver and holds at most one line and the tail. Safe for concurrent use.
type Writer struct {
	// Now is the clock.
	Now func() time.Time
	// PerSecond lines are handed on in the long run, Burst at once.
	PerSecond, Burst float64
	// Emit receives the lines, one at a time.
	Emit func(Line)
	// Dropped receives how many lines were not handed on, before the next line that is, at most every five seconds: word
	// of a flood must not be one.
	Dropped func(lines int)

	mu      sync.Mutex
	partial []byte
	cut     bool
	tail    [][]byte
	budget  float64
	last    time.Time
	lost    int
	told    time.Time // when Dropped was called last
}

const reportEvery = 5 * time.Second

// Write takes output; it always takes all of it.
func (w *Writer) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for rest := p; len(rest) > 0; {
		part, after, whole := bytes.Cut(rest, []byte("\n"))
		w.add(part)
		if whole {
			w.end()
		}
		rest = after
	}
	return len(p), nil
}

// Flush ends a last line that lacks its line feed, and reports lines that were dropped.
func (w *Writer) Flush() {
	w.mu.Lock()
	defer w.mu.Unlock()
	if len(w.partial) > 0 {
		w.end()
	}
	w.report()
}

// Tail gives the last lines, oldest first, whether they were handed on or not.
func (w *Writer) Tail() []string {
	w.mu.Lock()
	defer w.mu.Unlock()
	lines := make([]string, 0, len(w.tail))
	for _, raw := range w.tail {
		line := Parse(raw)
		lines = append(lines, line.String())
	}
	return lines
}

func (w *Writer) add(part []byte) {
	if room := MaxBytes - len(w.partial); len(part) > room {
		part, w.cut = part[:room], true
	}
	w.partial = append(w.partial, part...)
}

func (w *Writer) end() {
	raw := w.partial
	w.partial = w.partial[:0]
	cut := w.cut
	w.cut = false
	if len(bytes.TrimSpace(raw)) == 0 {
		return
	}
	w.keep(raw)
	if !w.allowed() {
		w.lost++
		return
	}
	if w.told.IsZero() || w.last.Sub(w.told) >= reportEvery {
		w.report()
	}
	line := Parse(raw)
	line.Cut = line.Cut || cut
	w.Emit(line)
}

// keep stores a line as it came; it is understood only when somebody asks, because most of a flood is never asked for.
func (w *Writer) keep(raw []byte) {
	var slot []byte
	if len(w.tail) == tailLines {
		slot = w.tail[0][:0]
		copy(w.tail, w.tail[1:])
		w.tail = w.tail[:tailLines-1]
	}
	w.tail = append(w.tail, append(slot, raw[:min(len(raw), tailBytes)]...))
}

func (w *Writer) allowed() bool {
	now := w.Now()
	if w.last.IsZero() {
		w.budget = w.Burst
	} else {
		w.budget = min(w.Burst, w.budget+w.PerSecond*now.Sub(w.last).Seconds())
	}
	w.last = now
	if w.budget < 1 {
		return false
	}
	w.budget--
	return true
}

func (w *Writer) report() {
	if w.lost > 0 {
		w.Dropped(w.lost)
		w.lost, w.told = 0, w.last
	}
}
