// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapter

import (
	"bufio"
	"log/slog"
	"os"
	"regexp"

	"github.com/airassay/airassay/sdk/internal/handshake"
)

// standard keeps the standard streams. The host reads exactly one line from standard output; whatever an author, or a
// package that an author imports, prints there must not come before it. Packages are initialised in the order of their
// imports, so this one takes standard output away before any code of an adapter's own main package runs.
type standard struct {
	hosted   bool
	out, err *os.File
}

var streams = takeStreams()

func takeStreams() *standard {
	s := &standard{out: os.Stdout, err: os.Stderr, hosted: os.Getenv(handshake.CookieKey) == handshake.CookieValue}
	if !s.hosted {
		return s
	}
	os.Stdout = os.Stderr
	// A read from standard input would take what belongs to the host.
	if null, err := os.Open(os.DevNull); err == nil {
		os.Stdin = null
	}
	return s
}

// handshakeLine is what the plugin library prints: version of the library's protocol, of ours, network, address, protocol.
var handshakeLine = regexp.MustCompile(`^\d+\|\d+\|(unix|tcp)\|[^|]+\|grpc\|`)

// handshake lets one line through to standard output, that of the plugin library, which prints to os.Stdout. A line that
// a goroutine of the author prints meanwhile goes to the log.
func (s *standard) handshake(log *slog.Logger) {
	r, w, err := os.Pipe()
	if err != nil {
		log.Warn("standard output is not guarded", "error", err)
		os.Stdout = s.out
		return
	}
	os.Stdout = w
	go func() {
		defer func() { _ = r.Close() }()
		passed := false
		for lines := bufio.NewReader(r); ; {
			line, err := lines.ReadString('\n')
			switch {
			case !passed && handshakeLine.MatchString(line):
				passed = true
				_, _ = s.out.WriteString(line)
			case line != "":
				log.Warn("printed on standard output, where only the handshake belongs", "text", line)
			}
			if err != nil {
				return
			}
		}
	}()
}

// settle sends what is printed after the handshake where the logs go. The plugin library has put pipes of its own in
// place, which block once they are full when the host does not read them.
func (s *standard) settle() {
	os.Stdout, os.Stderr = s.err, s.err
}
