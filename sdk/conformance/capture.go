// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

import (
	"bytes"
	"io"
	"os"
	"strings"
	"sync"
)

// maxCapture bounds what is kept of an output.
const maxCapture = 4 << 20

// capture keeps the beginning of an output and passes lines on.
type capture struct {
	onLine func(line string) // without its end; called by the reading goroutine
	also   io.Writer         // receives everything; may be nil
	over   chan struct{}     // closed at the end of the output

	mu   sync.Mutex
	text bytes.Buffer
}

func newCapture(also io.Writer, onLine func(string)) *capture {
	return &capture{onLine: onLine, also: also, over: make(chan struct{})}
}

// drain reads to the end.
func (c *capture) drain(from *os.File) {
	defer close(c.over)
	var rest []byte
	for chunk := make([]byte, 64<<10); ; {
		n, err := from.Read(chunk)
		c.keep(chunk[:n])
		rest = append(rest, chunk[:n]...)
		for {
			line, after, found := bytes.Cut(rest, []byte("\n"))
			if !found {
				break
			}
			c.onLine(string(line))
			rest = after
		}
		if len(rest) > maxCapture {
			rest = rest[:0]
		}
		if err != nil { // its end, or a pipe that the kit has closed
			return
		}
	}
}

func (c *capture) keep(p []byte) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.text.Write(p[:min(len(p), max(0, maxCapture-c.text.Len()))])
	if c.also != nil {
		_, _ = c.also.Write(p) // a log that cannot be written fails no adapter
	}
}

func (c *capture) String() string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.text.String()
}

// tail gives the last lines.
func (c *capture) tail(most int) []string {
	return lastLines(c.String(), most)
}

// lastLines gives the end of a text without what a terminal would act on.
func lastLines(text string, most int) []string {
	lines := strings.Split(strings.TrimRight(printable(text), "\n"), "\n")
	if len(lines) == 1 && lines[0] == "" {
		return nil
	}
	return lines[max(0, len(lines)-most):]
}
