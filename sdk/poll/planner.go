// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package poll

import (
	"time"

	"github.com/airassay/airassay/sdk/adapter"
)

// Parameter is a parameter of a control unit that is wanted.
type Parameter struct {
	// Unit is the control unit's position in what SetUnits was given.
	Unit int
	// PID is the parameter, as service 01 of SAE J1979 counts and as the low byte of identifiers F4xx of SAE J1979-2.
	PID byte
	// Bytes is how many data bytes its answer has; 0 where that is not known before, and then it is asked alone.
	Bytes int
	// RateHz is how often it is wanted, a second; 0 for as often as goes.
	RateHz float64
	// Group, above 0, is shared by those that are wanted close together in time.
	Group int
}

// Unit is a control unit.
type Unit struct {
	// MaxParameters is how many parameters one request may carry by the protocol; 0 for six.
	MaxParameters int
	// NameBytes is how many bytes name a parameter in an answer: 1 for service 01, 2 for service 22; 0 for 1.
	NameBytes int
}

// Options say what a planner must keep to.
type Options struct {
	// MaxRequestsPerS is the rate cap, in requests a second: in no second are there more. 0 stands for
	// DefaultMaxRequestsPerS.
	MaxRequestsPerS float64
}

// Ask is the request to make next.
type Ask struct {
	// Unit is the control unit that is asked.
	Unit int
	// PIDs are what it is asked for, in the order in which to ask. It is valid until the next call of a method.
	PIDs []byte
	// Timeout is how long to wait for the first answer.
	Timeout time.Duration
}

// Planner chooses what to ask next. Its caller asks Next, makes the request, and tells what came of it by Answered or Failed.
// All times are of one clock that never goes back. It is not safe for concurrent use, and keeps no more memory than there
// are parameters.
//
// As long as the link allows, each parameter is asked as often as it is wanted. Where it does not, all are asked
// more rarely by about the same factor, and what is wanted as often as goes keeps half of the requests. What shares a group is
// asked in one request, or in requests that follow each other. Room that a request has left takes along what is due, then what is
// wanted as often as goes, then what will be due soon.
type Planner struct {
	cap   limiter
	units []unitState
	items []item
	// active are the positions of the wanted items, in the order in which they are wanted.
	active []int
	groups []groupState

	asked   []int  // items of the request that is out
	pids    []byte // the same, as PIDs
	answer  int    // bytes of the answer to it
	riders  []rider
	rest    []int // items of a group that are still to be asked
	at      adapter.Time
	waiting bool // for what came of the request
	goesOn  bool // the request is not the first of its group
	debt    int  // requests that what is wanted as often as goes has yielded to what was due
	study   bool // rest is one parameter several times
	share   int  // what each request of the group adds to it; 0 where nobody yielded

	lastAnswer adapter.Time
}

type unitState struct {
	Unit

	capacity capacity
	latency  latency
	chance   chance
	busy     int          // refusals in a row because it is busy
	garbled  int          // answers in a row that broke the transport's rules
	resume   adapter.Time // nothing is asked before
	unheard  adapter.Time // when the oldest request was sent that is unanswered; never for none
	// short is how many parameters to ask for if none of the suspects turns out to be the trouble; zero where there are
	// none.
	short   int
	culprit bool
}

type item struct {
	Parameter

	wanted bool
	period float64 // µs; 0 for as often as goes
	due    adapter.Time
	last   adapter.Time // when it was asked; never if it was not
	since  adapter.Time // it is not asked before
	inAsk  bool
	// suspected is asked alone, for a request for several failed and nobody knows by which; convicted too, for it
	// failed alone.
	suspected, convicted bool
	missing              int          // answers in a row that left it out
	alone, together      int          // failures in a row when it was asked alone, and with others
	failing              adapter.Time // since the first of them
	looks, studies       int          // that may still be spent on learning the refresh interval
	trouble              trouble
	refresh              refresh
	count                counts
}

// never is before every time.
const never = adapter.Time(-1 << 62)

// New makes a planner that wants nothing yet.
func New(o Options) *Planner {
	return &Planner{cap: newLimiter(o.MaxRequestsPerS), lastAnswer: never}
}

// SetUnits says which control units there are. What was wanted and learned is forgotten; the rate cap holds on.
func (p *Planner) SetUnits(units []Unit) {
	p.units = make([]unitState, len(units))
	for i, u := range units {
		u.NameBytes = max(1, u.NameBytes)
		p.units[i] = unitState{Unit: u, capacity: newCapacity(u.MaxParameters), chance: newChance(), resume: never, unheard: never}
	}
	p.items, p.active, p.groups = nil, nil, nil
	p.asked, p.rest, p.waiting = nil, nil, false
}

// Want replaces what is wanted. Of a parameter that stands twice the higher rate and the first group hold. What
// names no control unit is left out. What was learned of a parameter is kept even while it is not wanted.
func (p *Planner) Want(now adapter.Time, wanted []Parameter) {
	for i := range p.items {
		p.items[i].wanted = false
	}
	p.active, p.rest = p.active[:0], p.rest[:0]
	for _, w := range wanted {
		if w.Unit < 0 || w.Unit >= len(p.units) {
			continue
		}
		at := p.find(w.Unit, w.PID)
		if at < 0 {
			at = len(p.items)
			p.items = append(p.items, item{Parameter: w, since: never, last: never, refresh: newRefresh(), looks: learningLooks, studies: firstStudies})
		}
		it := &p.items[at]
		if it.wanted {
			w = merge(it.Parameter, w)
		} else {
			p.active = append(p.active, at)
		}
		it.want(now, w)
	}
	p.setGroups()
}

// merge is what is wanted of a parameter that carries two signals.
func merge(a, b Parameter) Parameter {
	if a.Group > 0 {
		b.Group = a.Group
	}
	if a.RateHz <= 0 || b.RateHz > 0 && a.RateHz > b.RateHz {
		b.RateHz = a.RateHz
	}
	return b
}

func (it *item) want(now adapter.Time, w Parameter) {
	it.Parameter, it.wanted, it.period = w, true, 0
	if w.RateHz > 0 {
		it.period = min(1e6/w.RateHz, 1e12)
	}
	it.due = now
	if it.last != never {
		it.due = it.last + adapter.Time(it.period)
	}
	it.count.wanted(now)
}

func (p *Planner) find(unit int, pid byte) int {
	for i := range p.items {
		if p.items[i].Unit == unit && p.items[i].PID == pid {
			return i
		}
	}
	return -1
}

// Next gives the request to make now, or when to ask again: at is then later than now, and the Ask empty. at is Never when
// nothing is to be asked at all. A request that Next gave and of which nothing was told since counts as unanswered.
func (p *Planner) Next(now adapter.Time) (ask Ask, at adapter.Time) {
	if p.waiting {
		p.Failed(now, p.at, Failure{Kind: Silent})
	}
	p.goesOn = len(p.rest) > 0 && p.ready(&p.items[p.rest[0]]) <= now
	if !p.goesOn {
		p.rest = p.rest[:0]
	}
	if at = p.cap.ready(p.goesOn); at > now {
		return Ask{}, at
	}
	if !p.goesOn {
		lead, later := p.lead(now)
		if lead < 0 {
			return Ask{}, later
		}
		p.gather(lead, now)
	}
	p.compose(now)
	p.cap.take(now)
	p.at, p.waiting = now, true
	unit := p.items[p.asked[0]].Unit
	return Ask{Unit: unit, PIDs: p.pids, Timeout: p.units[unit].latency.timeout()}, now
}

// Never is when Next has something to ask while nothing is wanted.
const Never = adapter.Time(1<<63 - 1)

// Pace tells from when on a request that the planner did not choose may be sent, such as one for what a control unit
// supports; Spent notes that it was sent. They count against the rate cap as well.
func (p *Planner) Pace() adapter.Time { return p.cap.ready(false) }

// Spent notes a request that the planner did not choose.
func (p *Planner) Spent(now adapter.Time) { p.cap.take(now) }
