// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"strings"
	"unicode"

	"github.com/airassay/airassay/sdk/recording"
	"github.com/airassay/airassay/sdk/recording/vehiclefile"
)

// usageError is a call that cannot be meant.
type usageError struct{ command, text string }

func (e *usageError) Error() string { return e.text }

// hint says where help is.
func (e *usageError) hint() string {
	if e.command == "" {
		return "see: " + program + " help"
	}
	return "see: " + program + " help " + e.command
}

// refusal is input that cannot be used, in the program's own words.
type refusal struct{ text string }

func (e *refusal) Error() string { return e.text }

// outputError is a result that could not be delivered.
type outputError struct{ err error }

func (e *outputError) Error() string { return "the result could not be written: " + e.err.Error() }
func (e *outputError) Unwrap() error { return e.err }

// conclude tells the user what went wrong and returns the exit status.
func (t *streams) conclude(err error) int {
	var usage *usageError
	var own *refusal
	var content *recording.Error
	var facts *vehiclefile.Error
	var interrupted Interrupted
	var output *outputError
	switch {
	case err == nil:
		return StatusDone
	case errors.As(err, &usage):
		t.notef("%s", usage.text)
		t.notef("%s", usage.hint())
		return StatusRefused
	case errors.As(err, &own), errors.As(err, &content), errors.As(err, &facts):
		t.notef("%v", err)
		return StatusRefused
	case errors.As(err, &interrupted):
		t.notef("%v", interrupted)
		return interrupted.status()
	case errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		t.notef("stopped before the end: %v", err)
	case errors.As(err, &output):
		t.notef("%v", output)
	default:
		t.internal(err.Error(), nil)
	}
	return StatusInternal
}

// internal reports a fault of the program itself.
func (t *streams) internal(what string, where []string) {
	t.notef("internal failure: %s", what)
	for _, w := range where {
		t.notef("  at %s", w)
	}
	t.notef("this is a fault in Airassay, not in your input; please report it at %s with these lines, %s and, if you may share it, the recording",
		issues, strings.TrimSpace(versionLine()))
}

const (
	module = "github.com/airassay/airassay"
	issues = "https://" + module + "/issues"
	// shownCallers is enough to see the way to a fault and short enough to copy.
	shownCallers = 8
)

// callers lists the program's own calls that led to a panic, innermost first.
func callers() []string {
	var pcs [64]uintptr
	frames := runtime.CallersFrames(pcs[:runtime.Callers(1, pcs[:])])
	var own []string
	panicked := false
	for len(own) < shownCallers {
		f, more := frames.Next()
		switch {
		case f.Function == "runtime.gopanic":
			panicked, own = true, nil
		case panicked && strings.HasPrefix(f.Function, module):
			own = append(own, fmt.Sprintf("%s (%s:%d)", strings.TrimPrefix(f.Function, module+"/"), filepath.Base(f.File), f.Line))
		}
		if !more {
			break
		}
	}
	return own
}

// printable keeps what comes from a file or its name from steering the
// terminal or faking a line of its own.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case unicode.IsPrint(r):
			return r
		case unicode.IsSpace(r):
			return ' '
		}
		return unicode.ReplacementChar
	}, s)
}

// build is what the tool chain knows of this program.
func build() (version, revision, goVersion string) {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown", "", runtime.Version()
	}
	version, goVersion = info.Main.Version, info.GoVersion
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" {
			revision = s.Value
		}
	}
	if version == "" {
		version = "(devel)"
	}
	return version, revision, goVersion
}
