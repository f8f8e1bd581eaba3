// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package poll

import (
	"time"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/j1979"
)

// Reason says why a parameter is not had, or not as often as it is wanted.
type Reason uint8

// The reasons.
const (
	// NoTrouble says that it comes as wanted.
	NoTrouble Reason = iota
	// Refusal says that the control unit refuses it, with a negative response code.
	Refusal
	// NoAnswer says that the control unit answers other requests, but not those for this parameter.
	NoAnswer
	// NoValue says that the control unit answers without a value.
	NoValue
	// WrongAnswers says that the answers are wrong.
	WrongAnswers
	// TooSlow says that the link is too slow for all that is wanted.
	TooSlow
)

// String says it in a few words.
func (r Reason) String() string {
	return [...]string{
		"none", "the control unit refuses it", "the control unit does not answer it", "the control unit has no value",
		"the answers are wrong", "the link is too slow for all that is wanted",
	}[min(r, TooSlow)]
}

type trouble struct {
	Reason  Reason
	Code    j1979.Code
	times   int
	lasting bool // it is not asked again
}

// counts follow how often a parameter was had.
type counts struct {
	looks, fresh, failures int64
	// lateness follows the interval between requests over the wanted one.
	lateness float64
	// begun is when the window of the rates began.
	begun                  adapter.Time
	counting               bool
	windowLooks, looksHz   float64
	windowFresh, freshHz   float64
	windows, intervalCount int
}

// rateWindow is over how long rates are counted.
const rateWindow = 5 * time.Second

func (c *counts) wanted(now adapter.Time) {
	if !c.counting {
		c.begun, c.counting = now, true
	}
	c.lateness, c.intervalCount = 0, 0
}

func (c *counts) asked(it *item, now adapter.Time) {
	if it.period > 0 && it.last != never {
		ratio := min(float64(now-it.last)/it.period, worstRatio)
		if c.intervalCount == 0 {
			c.lateness = ratio
		}
		c.intervalCount++
		c.lateness += (ratio - c.lateness) / 4
	}
	c.roll(now)
}

// roll ends the window when it is full.
func (c *counts) roll(now adapter.Time) {
	for took := now.Sub(c.begun); took >= rateWindow; took = 0 {
		c.looksHz, c.freshHz = c.windowLooks/took.Seconds(), c.windowFresh/took.Seconds()
		c.windowLooks, c.windowFresh = 0, 0
		c.begun = now
		c.windows++
	}
}

func (c *counts) took(fresh bool) {
	c.looks++
	c.windowLooks++
	if fresh {
		c.fresh++
		c.windowFresh++
	}
}

const (
	// slack is by how much the intervals of a parameter may be longer than wanted before the link counts as too slow, and
	// enoughIntervals of how many that is judged.
	slack           = 1.25
	enoughIntervals = 4
	// worstRatio bounds what one long silence counts.
	worstRatio = 3
)

// Status is how one wanted parameter stands.
type Status struct {
	Unit  int
	PID   byte
	Group int
	// WantedHz is how often it is wanted, 0 for as often as goes.
	WantedHz float64
	// SamplesHz and FreshHz are how many values, and how many new ones, came a second lately.
	SamplesHz, FreshHz float64
	// Samples, Fresh and Failures count values, values that differ from the one before, and requests without one.
	Samples, Fresh, Failures int64
	// Refresh is the learned refresh interval, or the shortest bound of it; 0 before it is learned.
	Refresh time.Duration
	// Reason is why it is not had as wanted, with the code of a Refusal.
	Reason Reason
	Code   j1979.Code
	// Lasting tells that it is not asked again until SetUnits.
	Lasting bool
}

// Report appends how each wanted parameter stands, in the order in which they are wanted.
func (p *Planner) Report(dst []Status, now adapter.Time) []Status {
	for _, i := range p.active {
		it := &p.items[i]
		c := it.count
		if took := now.Sub(c.begun); c.windows == 0 && took > 0 {
			c.looksHz, c.freshHz = c.windowLooks/took.Seconds(), c.windowFresh/took.Seconds()
		} else {
			c.roll(now)
		}
		s := Status{
			Unit: it.Unit, PID: it.PID, Group: it.Group, WantedHz: it.RateHz, SamplesHz: c.looksHz, FreshHz: c.freshHz,
			Samples: c.looks, Fresh: c.fresh, Failures: c.failures, Refresh: it.refresh.known(),
			Reason: it.trouble.Reason, Code: it.trouble.Code, Lasting: it.trouble.lasting,
		}
		if s.Reason == NoTrouble && c.intervalCount >= enoughIntervals && c.lateness > slack {
			s.Reason = TooSlow
		}
		dst = append(dst, s)
	}
	return dst
}

// Link is how a control unit answers.
type Link struct {
	// Latency is the mean time from a request to its answer's first frame; 0 before one came.
	Latency time.Duration
	// MaxParameters is how many parameters a request carries now.
	MaxParameters int
	// OneFrame tells that several are only asked for where their answer fits one frame.
	OneFrame bool
	// SilentFor is how many requests in a row stayed unanswered, Busy how many were refused because it is busy.
	SilentFor, Busy int
}

// Link tells how a control unit answers.
func (p *Planner) Link(unit int) Link {
	u := &p.units[unit]
	l := Link{
		Latency: time.Duration(u.latency.mean) * time.Microsecond, MaxParameters: u.capacity.count,
		OneFrame: u.capacity.step == stepFrame, SilentFor: u.latency.silent, Busy: u.busy,
	}
	if u.capacity.step == stepSingle {
		l.MaxParameters = 1
	}
	return l
}

// Skew is how far apart the members of a group were asked.
type Skew struct {
	Group int
	// Latest and Worst are between the midpoints of the first and the last request of a round; 0 where one request has
	// all.
	Latest, Worst time.Duration
	// Rounds counts complete rounds.
	Rounds int64
}

// groupState follows the rounds of a group of one unit.
type groupState struct {
	Skew

	unit  int
	begin adapter.Time
}

// setGroups enters the groups that are new.
func (p *Planner) setGroups() {
	for _, i := range p.active {
		if it := &p.items[i]; it.Group > 0 && p.group(it) == nil {
			p.groups = append(p.groups, groupState{Skew: Skew{Group: it.Group}, unit: it.Unit})
		}
	}
}

func (p *Planner) group(it *item) *groupState {
	for i := range p.groups {
		if g := &p.groups[i]; g.Group == it.Group && g.unit == it.Unit {
			return g
		}
	}
	return nil
}

// followGroups notes an answer that was taken at the time.
func (p *Planner) followGroups(at adapter.Time) {
	first := &p.items[p.asked[0]]
	g := p.group(first)
	if first.Group <= 0 || g == nil || p.study {
		return
	}
	if !p.goesOn {
		g.begin = at
	}
	if len(p.rest) == 0 {
		g.Latest = at.Sub(g.begin)
		g.Worst = max(g.Worst, g.Latest)
		g.Rounds++
	}
}

// Skews appends how close together the groups were asked.
func (p *Planner) Skews(dst []Skew) []Skew {
	for i := range p.groups {
		dst = append(dst, p.groups[i].Skew)
	}
	return dst
}
