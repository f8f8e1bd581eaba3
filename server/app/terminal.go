// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"fmt"
	"io"
	"os"

	"golang.org/x/term"

	"github.com/airassay/airassay/sdk/page"
)

// terminal returns the file descriptor of a stream that is a terminal.
func terminal(w io.Writer) (int, bool) {
	f, ok := w.(interface{ Fd() uintptr })
	if !ok {
		return 0, false
	}
	fd := int(f.Fd())
	return fd, term.IsTerminal(fd)
}

// pageWidth is the width asked for, else the terminal's, else the page's own.
func pageWidth(asked int, out io.Writer) int {
	if asked > 0 {
		return asked
	}
	if fd, ok := terminal(out); ok {
		if width, _, err := term.GetSize(fd); err == nil && width > 0 {
			return width
		}
	}
	return page.DefaultWidth
}

// colourMode is a pflag.Value: when a page is coloured.
type colourMode string

const (
	colourAuto   colourMode = "auto"
	colourAlways colourMode = "always"
	colourNever  colourMode = "never"
)

func (m *colourMode) String() string { return string(*m) }
func (m *colourMode) Type() string   { return "WHEN" }

func (m *colourMode) Set(s string) error {
	switch colourMode(s) {
	case colourAuto, colourAlways, colourNever:
		*m = colourMode(s)
		return nil
	}
	return fmt.Errorf("expected %s, %s or %s", colourAuto, colourAlways, colourNever)
}

const (
	// colourFlag is how scripts spell it; --colour works too.
	colourFlag = "color" //nolint:misspell // the spelling that scripts use
	// noColour is set by users who want none; the convention is at no-color.org.
	noColour = "NO_COLOR" //nolint:misspell // the convention's spelling
)

// colours decides whether a page on out is coloured.
func (m *colourMode) colours(out io.Writer) bool {
	_, tty := terminal(out)
	return *m == colourAlways || *m == colourAuto && tty && os.Getenv(noColour) == "" && os.Getenv("TERM") != "dumb"
}
