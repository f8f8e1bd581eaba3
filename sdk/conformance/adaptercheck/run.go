// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/airassay/airassay/sdk/conformance"
)

// Exit codes.
const (
	exitConformant = 0
	exitNot        = 1
	exitUsage      = 2
)

// run is the whole program, with its exit code.
func run(ctx context.Context, args []string, out, errs io.Writer) int {
	c, err := parse(args, errs)
	if errors.Is(err, flag.ErrHelp) {
		return exitConformant
	}
	if err == nil && c.list {
		err = list(out)
	} else if err == nil {
		var conformant bool
		conformant, err = c.check(ctx, out, errs)
		if err == nil && !conformant {
			return exitNot
		}
	}
	if err != nil {
		_, _ = fmt.Fprintln(errs, "adaptercheck:", err)
		return exitUsage
	}
	return exitConformant
}

// list shows all checks.
func list(out io.Writer) error {
	texts := map[string]string{}
	for _, s := range conformance.Sentences() {
		texts[s.Number] = s.Text
	}
	for _, i := range conformance.Items() {
		needs := ""
		if i.Needs != "" {
			needs = "; skipped without " + i.Needs
		}
		if _, err := fmt.Fprintf(out, "%-10s  %-4s  %s%s\n", i.ID, i.Profile, i.Title, needs); err != nil {
			return err
		}
		for _, n := range i.Sentences {
			if _, err := fmt.Fprintf(out, "                  %s: %s\n", n, texts[n]); err != nil {
				return err
			}
		}
	}
	return nil
}

func (c *command) check(ctx context.Context, out, errs io.Writer) (conformant bool, err error) {
	c.options.Progress = progress(errs)
	if c.verbose {
		c.options.Verbose = errs
	}
	r, err := conformance.Check(ctx, c.target, c.options)
	if err != nil {
		return false, err
	}
	if c.json {
		err = r.WriteJSON(out)
	} else {
		err = r.WriteTable(out, c.verbose)
	}
	if c.junit != "" {
		err = errors.Join(err, writeJUnit(c.junit, r))
	}
	return r.Conformant(), err
}

func writeJUnit(name string, r *conformance.Report) error {
	f, err := os.Create(name) //nolint:gosec // who runs the program says where
	if err != nil {
		return err
	}
	return errors.Join(r.WriteJUnit(f), f.Close())
}

// progress tells how far the run is.
func progress(errs io.Writer) func(conformance.Progress) {
	done := 0
	return func(p conformance.Progress) {
		if p.Result == nil {
			return
		}
		done++
		text := fmt.Sprintf("%d of %d: %s %s", done, p.Total, p.Item.ID, p.Result.Status)
		if p.Result.Finding != nil {
			text += ": saw " + p.Result.Finding.Seen
		}
		_, _ = fmt.Fprintln(errs, strings.ReplaceAll(text, "\n", " ")) // who does not see it misses nothing
	}
}
