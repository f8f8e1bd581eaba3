// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"
)

// WriteTable writes the report for a terminal: a line for each check, with all that is known of those that count against
// the adapter, then what was not checked, then the verdict. Verbose also shows the last lines of log.
func (r *Report) WriteTable(w io.Writer, verbose bool) error {
	out := bufio.NewWriter(w)
	defer func() { _ = out.Flush() }() // done below, where it counts
	r.writeHead(out)
	lacking, told := map[string]int{}, reasons{}
	for i := range r.Results {
		if one := &r.Results[i]; one.undescribed {
			lacking[one.Reason]++
			continue
		}
		r.Results[i].write(out, told, verbose)
	}
	for _, reason := range slices.Sorted(maps.Keys(lacking)) {
		_, _ = fmt.Fprintf(out, "skipped   %d checks, because %s\n", lacking[reason], reason)
	}
	if len(r.NotChecked) > 0 {
		_, _ = fmt.Fprintln(out, "\nNot checked:")
	}
	for _, n := range r.NotChecked {
		_, _ = fmt.Fprintf(out, "  %-4s %s\n       %s\n", n.Sentence, n.Text, told.again(n.Reason))
	}
	r.writeVerdict(out)
	return out.Flush()
}

// reasons remembers the check beside which each reason was told first: what keeps an adapter from starting keeps it from
// every check.
type reasons map[string]string

func (r reasons) tell(id, reason string) string {
	if first, told := r[reason]; told {
		return "the same as with " + first
	}
	r[reason] = id
	return reason
}

// again shortens a reason of the form "check: reason" that has been told.
func (r reasons) again(text string) string {
	if id, reason, ok := strings.Cut(text, ": "); ok && r[reason] != "" {
		return "see " + id
	}
	return text
}

func (r *Report) writeHead(out *bufio.Writer) {
	name := r.Name
	if name == "" {
		name = "An adapter that cannot be asked its name"
	}
	_, _ = fmt.Fprintf(out, "%s (%s), abilities: %s, device: %s\n\n", strings.TrimSpace(name+" "+r.Version), r.Target, list(r.Abilities), list(nonEmpty(r.Device)))
}

func nonEmpty(s string) []string {
	if s == "" {
		return nil
	}
	return []string{s}
}

func (r *Result) write(out *bufio.Writer, told reasons, verbose bool) {
	words := map[Status]string{Passed: "ok", Failed: "FAILED", Skipped: "skipped", Unproven: "UNPROVEN"}
	_, _ = fmt.Fprintf(out, "%-8s  %-10s  %6.2f s  %s\n", words[r.Status], r.ID, r.Took.Seconds(), r.Title)
	line := func(name, text string) { _, _ = fmt.Fprintf(out, "            %-8s  %s\n", name, text) }
	if f := r.Finding; f != nil {
		line("sentence", f.Sentence+": "+f.Text)
		line("expected", f.Expected)
		line("seen", f.Seen)
		line("to do", f.Advice)
	}
	if r.Reason != "" {
		line("because", told.tell(r.ID, r.Reason))
	}
	if !verbose {
		return
	}
	for _, text := range r.Log {
		line("log", quote(text))
	}
}

func (r *Report) writeVerdict(out *bufio.Writer) {
	_, _ = fmt.Fprintln(out)
	if r.Partial {
		verdict := "no chosen check failed; conformance is not claimed"
		if !r.Conformant() {
			verdict = "not all chosen checks passed"
		}
		_, _ = fmt.Fprintf(out, "%s, in %v\n", verdict, r.Took.Round(time.Second))
		return
	}
	for _, p := range r.Profiles {
		verdict := "conformant"
		if !p.Conformant {
			verdict = "NOT conformant"
		}
		_, _ = fmt.Fprintf(out, "%-5s %s: %d passed, %d failed, %d unproven, %d skipped", p.Profile, verdict, p.Passed, p.Failed, p.Unproven, p.Skipped)
		if p.Reason != "" {
			_, _ = fmt.Fprintf(out, " (%s)", p.Reason)
		}
		_, _ = fmt.Fprintln(out)
	}
	_, _ = fmt.Fprintf(out, "in %v\n", r.Took.Round(time.Second))
}

// WriteJSON writes the report as one JSON object. Times are in nanoseconds.
func (r *Report) WriteJSON(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	return e.Encode(r)
}
