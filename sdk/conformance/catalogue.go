// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

import (
	"context"
	"slices"
)

// check is an item with what it takes to run it.
type check struct {
	Item

	needs   need
	process bool                // only a process shows it
	alone   bool                // acts on the hardware
	counts  bool                // counts what passes over the bus, where that can be counted
	idle    bool                // opens no device, and mostly waits
	lacks   func(k *kit) string // why it cannot be run, or ""; nil where it always can
	run     func(ctx context.Context, b *bench) error
}

// Items lists the checks of the kit, in the order of the contract.
func Items() []Item {
	all := catalogue()
	items := make([]Item, len(all))
	for i, c := range all {
		items[i] = c.Item
	}
	return items
}

// catalogue lists the checks. None keeps anything between two runs.
func catalogue() []check {
	var all []check
	for _, part := range [][]check{
		startChecks(), callChecks(), formChecks(), configureChecks(), deviceChecks(), feedChecks(), linkChecks(), lifeChecks(),
	} {
		all = append(all, part...)
	}
	order := map[string]int{}
	for i, s := range Sentences() {
		order[s.Number] = i
	}
	slices.SortStableFunc(all, func(a, b check) int { return order[a.Sentences[0]] - order[b.Sentences[0]] })
	return all
}

// core, feed and link make items.
func core(id, title string, sentences ...string) Item {
	return Item{id, title, ProfileCore, sentences, ""}
}
func feed(id, title string, sentences ...string) Item {
	return Item{id, title, ProfileFeed, sentences, ""}
}
func link(id, title string, sentences ...string) Item {
	return Item{id, title, ProfileLink, sentences, ""}
}

// needing says without what an item is skipped.
func (i Item) needing(what string) Item {
	i.Needs = what
	return i
}
