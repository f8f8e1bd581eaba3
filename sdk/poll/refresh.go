// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package poll

import (
	"time"

	"github.com/airassay/airassay/sdk/adapter"
)

const (
	// assumedRefresh stands until the refresh interval is learned. Control units refresh what moves with the engine every 10
	// to 100 ms; this leaves room for slower ones, and lasts a fraction of a second.
	assumedRefresh = 250 * time.Millisecond
	// longestRefresh bounds what is learned. A number that changes more rarely than that hardly moves.
	longestRefresh = time.Second
	// bounds is how many of the latest bounds of a refresh interval are kept, and enoughBounds with how many it is
	// learned.
	bounds, enoughBounds = 16, 4
)

// refresh follows the numbers of one parameter, and learns how often the control unit refreshes them.
type refresh struct {
	mark uint64
	// sent is of the latest look; changed of the look before the latest change, never before one was seen.
	sent, changed adapter.Time
	moved         adapter.Time // the latest look that found another number
	seen          bool
	apart         adapter.Time // the widest distance of looks since the look before the latest change
	repeated      bool         // a look since the latest change found the same number
	bounds        [bounds]adapter.Time
	count         int // of bounds, up to all that ever were
	learned       adapter.Time
	taken         adapter.Time // the latest, for times never go back
}

func newRefresh() refresh { return refresh{changed: never, taken: never} }

// look takes a number, given by a mark that differs where it does, and tells when it was taken and whether it is another one
// than before. The answer's first frame came at received at the latest; what it answers was sent at sent at the earliest.
func (f *refresh) look(sent, received adapter.Time, mark uint64) (taken adapter.Time, half time.Duration, fresh bool) {
	if f.seen {
		f.apart = max(f.apart, sent-f.sent)
	}
	if fresh = !f.seen || mark != f.mark; fresh {
		f.change(sent, received)
		f.moved = sent
	}
	f.repeated = !fresh
	f.seen, f.mark, f.sent = true, mark, sent
	begin := sent - f.interval()
	begin = min(max(begin, f.changed), received)
	taken = max(begin+(received-begin)/2, f.taken)
	f.taken = taken
	return taken, max(taken.Sub(begin), received.Sub(taken), time.Microsecond), fresh
}

func (f *refresh) change(sent, received adapter.Time) {
	if !f.seen {
		return
	}
	if f.changed != never {
		f.bound(received - f.changed)
	}
	f.changed = f.sent
	f.apart = sent - f.sent
}

// bound takes what the interval is at most.
func (f *refresh) bound(most adapter.Time) {
	longest := longestRefresh
	if !f.repeated { // each look found another number: no sign that it is slower than control units usually are
		longest = assumedRefresh
	}
	most = min(most, adapter.Time(longest.Microseconds()))
	// A longer one is believed only of looks that could have shown the shorter one: close together, and some without a change.
	if f.count >= enoughBounds && most > f.learned && (!f.repeated || f.apart > f.learned) {
		return
	}
	f.bounds[f.count%bounds] = most
	f.count++
	sorted := f.bounds
	n := min(f.count, bounds)
	for i := 1; i < n; i++ {
		for k := i; k > 0 && sorted[k] < sorted[k-1]; k-- {
			sorted[k], sorted[k-1] = sorted[k-1], sorted[k]
		}
	}
	f.learned = sorted[n/4]
}

// interval is what the refresh interval is at most, as far as is known.
func (f *refresh) interval() adapter.Time {
	if !f.knows() {
		return adapter.Time(assumedRefresh.Microseconds())
	}
	return f.learned
}

// knows tells that the interval is learned. That it is longer than assumed takes more looks to believe: a number that hardly
// moves, such as pressure while the engine idles, changes as rarely as one that is refreshed slowly.
func (f *refresh) knows() bool {
	return f.count >= bounds || f.count >= enoughBounds && f.learned <= adapter.Time(assumedRefresh.Microseconds())
}

// known is the learned interval; zero before it is learned.
func (f *refresh) known() time.Duration {
	if !f.knows() {
		return 0
	}
	return time.Duration(f.learned) * time.Microsecond
}
