// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sync/atomic"
	"time"
)

const (
	// progressAfter is how long a technician waits without wondering.
	progressAfter = time.Second
	progressEvery = 250 * time.Millisecond
)

// progress shows how far the reading of a file is, on a terminal, once it takes
// long. A read does not wait for it.
type progress struct {
	name  string
	bytes atomic.Int64
	total int64
	stop  chan struct{}
	ended chan struct{}
}

// watch starts to show the progress of reading f on w. The reader counts what
// passes; done ends the display and leaves the line empty.
func watch(f *os.File, w io.Writer, doing string) (r io.Reader, done func()) {
	info, err := f.Stat()
	if _, tty := terminal(w); !tty || err != nil || info.Size() == 0 {
		return f, func() {}
	}
	p := &progress{name: doing + " " + printable(filepath.Base(f.Name())), total: info.Size(), stop: make(chan struct{}), ended: make(chan struct{})}
	go p.show(w, progressAfter, progressEvery)
	return io.TeeReader(f, p), func() { close(p.stop); <-p.ended }
}

// Write counts.
func (p *progress) Write(b []byte) (int, error) {
	p.bytes.Add(int64(len(b)))
	return len(b), nil
}

func (p *progress) show(w io.Writer, after, every time.Duration) {
	defer close(p.ended)
	timer := time.NewTimer(after)
	defer timer.Stop()
	shown := false
	for {
		select {
		case <-p.stop:
			if shown {
				_, _ = fmt.Fprint(w, "\r\x1b[K")
			}
			return
		case <-timer.C:
			_, _ = fmt.Fprintf(w, "\r\x1b[K%s: %d %%", p.name, 100*p.bytes.Load()/p.total)
			shown = true
			timer.Reset(every)
		}
	}
}
