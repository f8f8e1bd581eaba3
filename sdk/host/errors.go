// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package host

import (
	"errors"
	"fmt"
	"strings"
)

// Reason is the kind of thing that went wrong with an adapter.
type Reason string

// The reasons. Of those marked so, trying again cannot help, and it is not tried until Reset.
const (
	// ReasonFiles: a listed file is missing, was changed, or could be changed by others. Not tried again.
	ReasonFiles Reason = "files"
	// ReasonNotExecutable: the operating system cannot run the program. Not tried again.
	ReasonNotExecutable Reason = "not executable"
	// ReasonProtocolVersion: host and adapter have no version of the protocol in common. Not tried again.
	ReasonProtocolVersion Reason = "protocol version"
	// ReasonConfiguration: the adapter refuses its configuration. Not tried again.
	ReasonConfiguration Reason = "configuration"
	// ReasonDescription: the adapter is not the one that the manifest names. Not tried again.
	ReasonDescription Reason = "description"
	// ReasonHandshake: its first line on standard output is not the handshake.
	ReasonHandshake Reason = "handshake"
	// ReasonTimeout: it did not do something in time.
	ReasonTimeout Reason = "timeout"
	// ReasonExited: its process ended.
	ReasonExited Reason = "exited"
	// ReasonCall: one of the calls that make it ready failed.
	ReasonCall Reason = "call"
	// ReasonHost: the host lacks something, such as a folder or a free file descriptor.
	ReasonHost Reason = "host"
)

// Permanent says that trying again cannot help as long as nobody changes something.
func (r Reason) Permanent() bool {
	switch r {
	case ReasonFiles, ReasonNotExecutable, ReasonProtocolVersion, ReasonConfiguration, ReasonDescription:
		return true
	}
	return false
}

// Failure says why an adapter does not run, in words for the administrator.
type Failure struct {
	// Adapter is its name.
	Adapter string
	// Reason is the kind of failure.
	Reason Reason
	// Err is the cause.
	Err error
	// Exit says how the process ended, such as "exit status 3" or "signal: killed"; empty where it was still running.
	Exit string
	// Stderr holds the last lines that the adapter wrote, at most 20, oldest first, without control characters.
	Stderr []string
}

// Error gives the cause, how the process ended and the last lines that it wrote.
func (f *Failure) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "adapter %s: %s: %v", f.Adapter, f.Reason, f.Err)
	switch {
	case f.Exit == "":
	case strings.HasSuffix(b.String(), "its process ended"):
		fmt.Fprintf(&b, " with %s", f.Exit)
	default:
		fmt.Fprintf(&b, "; its process ended with %s", f.Exit)
	}
	if len(f.Stderr) > 0 {
		b.WriteString("; the last that it wrote:")
		for _, line := range f.Stderr {
			b.WriteString("\n  ")
			b.WriteString(line)
		}
	}
	return b.String()
}

// Unwrap gives the cause.
func (f *Failure) Unwrap() error { return f.Err }

// ErrShutDown is what waits for an adapter get when it has been shut down.
var ErrShutDown = errors.New("the adapter has been shut down")

func failure(reason Reason, format string, args ...any) *Failure {
	return &Failure{Reason: reason, Err: fmt.Errorf(format, args...)}
}
