// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

import (
	"strings"
	"testing"
)

// Test runs the checks as subtests, each named by its id: a failed or unproven check fails its test, a skipped one skips it
// with the reason. All checks of the options are run, whichever subtests the flags of go test choose. The report is returned for who
// wants to keep it.
func Test(t *testing.T, target Target, options Options) *Report {
	t.Helper()
	return subtests(t, target, options, contractLimits())
}

func subtests(t *testing.T, target Target, options Options, limits limits) *Report {
	t.Helper()
	results := map[string]chan Result{}
	for _, c := range catalogue() {
		results[c.ID] = make(chan Result, 1)
	}
	progress := options.Progress
	options.Progress = func(p Progress) {
		if progress != nil {
			progress(p)
		}
		if p.Result != nil {
			results[p.Item.ID] <- *p.Result
		}
	}
	var (
		report *Report
		err    error
		over   = make(chan struct{})
	)
	go func() {
		defer close(over)
		report, err = run(t.Context(), target, options, limits)
	}()
	for _, item := range Items() {
		select {
		case r := <-results[item.ID]:
			t.Run(item.ID, func(t *testing.T) { tell(t, r) })
			continue
		case <-over:
		}
		select {
		case r := <-results[item.ID]:
			t.Run(item.ID, func(t *testing.T) { tell(t, r) })
		default: // was not chosen
		}
	}
	<-over
	if err != nil {
		t.Fatal(err)
	}
	return report
}

// tell makes a test's outcome of a result.
func tell(t *testing.T, r Result) {
	t.Helper()
	log := ""
	if len(r.Log) > 0 {
		log = "\nthe adapter's log:\n" + strings.Join(r.Log, "\n")
	}
	switch r.Status {
	case Passed:
		for _, u := range r.Unseen {
			t.Log("not seen", u)
		}
	case Failed:
		f := r.Finding
		t.Errorf("%s: %s\nexpected  %s\nseen      %s\nto do     %s%s", f.Sentence, f.Text, f.Expected, f.Seen, f.Advice, log)
	case Unproven:
		t.Errorf("%s is unproven: %s%s", r.ID, r.Reason, log)
	case Skipped:
		t.Skip(r.Reason)
	}
}
