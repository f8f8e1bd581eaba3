// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Results reads what go test -json prints and shows what a person wants to see: each package's line, all that a failed
// test said, and each skipped test with its reason. It fails when a test failed, when none ran, and with -complete when
// a test was skipped because something is missing on this machine (its reason begins with "needs ").
package main

import (
	"bufio"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"os"
	"regexp"
	"strings"
)

// event is one line of go test -json; see go doc test2json.
type event struct {
	Action, Package, Test, Output string
}

// position is what a test's message begins with.
var position = regexp.MustCompile(`^\s*\S+\.go:\d+: `)

type results struct {
	out                     io.Writer
	complete                bool
	said                    map[string]string // by package and test
	passed, failed, skipped int
	skips                   []string
	missing, broken         bool
}

func main() {
	complete := flag.Bool("complete", false, "fail when a test was skipped because something is missing")
	flag.Parse()
	r := &results{out: os.Stdout, complete: *complete, said: map[string]string{}}
	if err := r.read(os.Stdin); err != nil {
		fmt.Fprintln(os.Stderr, "results:", err)
		os.Exit(1)
	}
	if !r.close() {
		os.Exit(1)
	}
}

func (r *results) read(in io.Reader) error {
	lines := bufio.NewReader(in)
	for {
		line, err := lines.ReadBytes('\n')
		if len(line) > 0 {
			var e event
			if json.Unmarshal(line, &e) != nil {
				// What the go command itself says is no JSON.
				fmt.Fprintf(r.out, "%s", line)
			} else {
				r.handle(e)
			}
		}
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
	}
}

func (r *results) handle(e event) {
	key := e.Package + " " + e.Test
	switch e.Action {
	case "build-output":
		fmt.Fprint(r.out, e.Output)
	case "output":
		r.said[key] += e.Output
	case "pass", "fail", "skip":
		if e.Test == "" {
			r.endPackage(e, r.said[key])
		} else {
			r.endTest(e, r.said[key])
		}
		delete(r.said, key)
	}
}

func (r *results) endTest(e event, said string) {
	switch e.Action {
	case "pass":
		r.passed++
	case "fail":
		r.failed++
		fmt.Fprint(r.out, said)
	case "skip":
		r.skipped++
		reason := "(no reason)"
		for line := range strings.Lines(said) {
			if at := position.FindString(line); at != "" {
				reason = strings.TrimSpace(line[len(at):])
			}
		}
		r.missing = r.missing || strings.HasPrefix(reason, "needs ")
		r.skips = append(r.skips, fmt.Sprintf("skipped: %s %s: %s", e.Package, e.Test, reason))
	}
}

func (r *results) endPackage(e event, said string) {
	if e.Action == "fail" {
		r.broken = true
		fmt.Fprint(r.out, said)
		return
	}
	for line := range strings.Lines(said) {
		if strings.HasPrefix(line, "ok") {
			fmt.Fprint(r.out, line)
		}
	}
}

// close prints the summary and reports whether all is well.
func (r *results) close() bool {
	// What is left was said by tests that never ended: they hung, panicked or exited.
	for _, said := range r.said {
		fmt.Fprint(r.out, said)
	}
	for _, s := range r.skips {
		fmt.Fprintln(r.out, s)
	}
	fmt.Fprintf(r.out, "%d passed, %d failed, %d skipped\n", r.passed, r.failed, r.skipped)
	if r.complete && r.missing {
		fmt.Fprintln(r.out, "results: a test that must run here was skipped: install what it needs in .ci/run")
		return false
	}
	return !r.broken && r.failed == 0 && r.passed > 0
}
