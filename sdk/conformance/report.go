// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// Profile is a set of checks that belong together. An adapter conforms to a profile when every check of it passed,
// except those that were skipped for the reason that the report states; a check that could not be made because something
// was missing that it needs (no device, no sample) counts against the adapter.
type Profile string

// The profiles.
const (
	// ProfileCore is asked of every adapter: how it starts, what it says of itself, how it opens, closes and ends.
	ProfileCore Profile = "core"
	// ProfileFeed is asked of an adapter that describes ABILITY_FEED.
	ProfileFeed Profile = "feed"
	// ProfileLink is asked of an adapter that describes ABILITY_LINK.
	ProfileLink Profile = "link"
)

func profiles() []Profile { return []Profile{ProfileCore, ProfileFeed, ProfileLink} }

// Item is one check of the kit.
type Item struct {
	// ID is short and stable: the number of the sentence, with a word behind it where one sentence has several checks.
	ID string `json:"id"`
	// Title says what holds if the check passes.
	Title string `json:"title"`
	// Profile that it belongs to.
	Profile Profile `json:"profile"`
	// Sentences are the numbers of the sentences that it cites.
	Sentences []string `json:"sentences"`
	// Needs says without what it is skipped; empty for nothing.
	Needs string `json:"needs,omitempty"`
}

// Status is how a check ended.
type Status string

// How a check ends.
const (
	// Passed: the sentence was seen to be kept.
	Passed Status = "passed"
	// Failed: the sentence was seen to be broken.
	Failed Status = "failed"
	// Skipped: the check does not apply, or needs hands or facts that the options do not give. It does not count against
	// the adapter.
	Skipped Status = "skipped"
	// Unproven: something that the check needs did not work, such as opening a device. It counts against the adapter.
	Unproven Status = "unproven"
)

// Finding is a broken sentence.
type Finding struct {
	// Sentence is the number of the sentence.
	Sentence string `json:"sentence"`
	// Text is the sentence.
	Text string `json:"text"`
	// Expected is what the sentence asks for here.
	Expected string `json:"expected"`
	// Seen is what happened.
	Seen string `json:"seen"`
	// Advice says what to do.
	Advice string `json:"advice"`
}

// Error gives all of it on one line.
func (f *Finding) Error() string {
	return fmt.Sprintf("%s: expected %s, but saw %s; %s", f.Sentence, f.Expected, f.Seen, f.Advice)
}

// Result is the outcome of one check.
type Result struct {
	Item

	// Status is how it ended.
	Status Status `json:"status"`
	// Took is how long it ran.
	Took time.Duration `json:"took_ns"`
	// Finding is what is wrong; nil unless it failed.
	Finding *Finding `json:"finding,omitempty"`
	// Reason says why it was skipped or is unproven.
	Reason string `json:"reason,omitempty"`
	// Unseen lists what of the sentence the check could not see, with the reason.
	Unseen []string `json:"unseen,omitempty"`
	// undescribed says that the adapter lacks the ability.
	undescribed bool

	// Log holds the last lines that the adapter wrote on standard error; only where the check did not pass.
	Log []string `json:"log,omitempty"`
}

// Conformance says how an adapter stands to one profile.
type Conformance struct {
	// Profile it is about.
	Profile Profile `json:"profile"`
	// Conformant says that every check of the profile passed, except those that were skipped.
	Conformant bool `json:"conformant"`
	// Reason says why not; empty where it is.
	Reason string `json:"reason,omitempty"`
	// Passed, Failed, Skipped and Unproven count the checks.
	Passed   int `json:"passed"`
	Failed   int `json:"failed"`
	Skipped  int `json:"skipped"`
	Unproven int `json:"unproven"`
}

// NotChecked is a sentence of the contract, or a part of one, that this run did not look at.
type NotChecked struct {
	// Sentence is its number.
	Sentence string `json:"sentence"`
	// Text is the sentence.
	Text string `json:"text"`
	// Reason says why, and of which part.
	Reason string `json:"reason"`
}

// Report is the outcome of all checks.
type Report struct {
	// Target says what was checked.
	Target string `json:"target"`
	// Name and Version are what the adapter says of itself; empty where it could not be asked.
	Name    string `json:"name"`
	Version string `json:"version"`
	// Abilities that it describes: feed, link.
	Abilities []string `json:"abilities"`
	// Device that was used; empty where there was none.
	Device string `json:"device"`
	// Started is when the run began.
	Started time.Time `json:"started"`
	// Took is how long it took.
	Took time.Duration `json:"took_ns"`
	// Partial says that only some checks were chosen; then no conformance is claimed.
	Partial bool `json:"partial"`
	// Profiles that were checked.
	Profiles []Conformance `json:"profiles"`
	// Results of all checks, in the order of the contract.
	Results []Result `json:"results"`
	// NotChecked lists what this run did not look at.
	NotChecked []NotChecked `json:"not_checked"`
}

// Conformant says that the adapter conforms to every profile that was checked or, where only some checks were chosen, that
// none of them failed or is unproven.
func (r *Report) Conformant() bool {
	if r.Partial {
		return !slices.ContainsFunc(r.Results, func(r Result) bool { return r.counts() })
	}
	return len(r.Profiles) > 0 && !slices.ContainsFunc(r.Profiles, func(c Conformance) bool { return !c.Conformant })
}

// counts says that the result counts against the adapter.
func (r *Result) counts() bool { return r.Status == Failed || r.Status == Unproven }

// judge sums up the results of one profile.
func judge(p Profile, results []Result, described bool) Conformance {
	c := Conformance{Profile: p}
	var against []string
	for i := range results {
		r := &results[i]
		if r.Profile != p {
			continue
		}
		switch r.Status {
		case Passed:
			c.Passed++
		case Failed:
			c.Failed++
		case Skipped:
			c.Skipped++
		case Unproven:
			c.Unproven++
		}
		if r.counts() {
			against = append(against, r.ID)
		}
	}
	switch {
	case len(against) > 0:
		c.Reason = strings.Join(against, ", ")
	case !described:
		c.Reason = "the adapter does not describe this ability"
	case c.Passed == 0:
		c.Reason = "no check of it could be made"
	default:
		c.Conformant = true
	}
	return c
}

// notChecked lists what the chosen checks could not look at, but for what the adapter does not offer at all.
func notChecked(results []Result) []NotChecked {
	list := []NotChecked{}
	for _, s := range Sentences() {
		var reasons []string
		for i := range results {
			r := &results[i]
			if !slices.Contains(r.Sentences, s.Number) || r.undescribed {
				continue
			}
			if r.Status == Skipped || r.Status == Unproven {
				reasons = append(reasons, r.ID+": "+r.Reason)
			}
			for _, u := range r.Unseen {
				if text := "not seen " + u; !slices.Contains(reasons, text) {
					reasons = append(reasons, text)
				}
			}
		}
		if len(reasons) > 0 {
			list = append(list, NotChecked{Sentence: s.Number, Text: s.Text, Reason: strings.Join(reasons, "; ")})
		}
	}
	return list
}
