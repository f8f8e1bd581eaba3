// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package poll

import "github.com/airassay/airassay/sdk/adapter"

const (
	// early is how much of its period a parameter may be taken along before it is due. The next is due as if it had been
	// asked in time, so that the rate stays what is wanted.
	early = 0.25
	// learningLooks is how many looks a parameter of a group may have beyond what is wanted, to learn its refresh
	// interval: half a second's worth at the usual rate cap.
	learningLooks = 48
	// mostDebt bounds how long one kind of wish may make up for what it yielded to the other, in requests.
	mostDebt = 32
	// longestStay bounds how much more rarely a parameter is asked for that the control unit refreshes slowly, µs. One that has
	// not moved for long is left for this part of that time.
	longestStay = 500_000
	restful     = 8
	// studyLooks is how often a parameter is asked in a row to learn its refresh interval, where its group does not fit
	// one request; firstStudies is how many times that is done at first.
	studyLooks, firstStudies = 5, 3
)

// ready is from when on an item may be asked, whatever its rate.
func (p *Planner) ready(it *item) adapter.Time { return max(it.since, p.units[it.Unit].resume) }

// eager tells that an item is asked as often as goes: because it is wanted so, or to learn its refresh interval.
func (it *item) eager() bool { return it.period == 0 || it.Group > 0 && it.looks > 0 }

// late is how many of its periods an item is overdue; below 0 it is not yet due.
func (it *item) late(now adapter.Time) float64 { return float64(now-it.due) / it.period }

// turn orders those that are wanted as often as goes: the smallest comes first. Where not all get a turn whenever their
// number is refreshed, those that are refreshed slowly need fewer, and so do those that have long not moved.
func (it *item) turn() adapter.Time {
	if it.last == never {
		return never
	}
	f := &it.refresh
	stay := max(adapter.Time(f.known().Microseconds()/2), (f.sent-f.moved)/restful)
	return it.last + min(stay, longestStay)
}

// lead chooses the item for whose sake the next request is made; none is below 0, and later when there may be one.
func (p *Planner) lead(now adapter.Time) (lead int, later adapter.Time) {
	eager, due := -1, -1
	turn, most := Never, -1.0
	later = Never
	for _, i := range p.active {
		it := &p.items[i]
		if it.trouble.lasting {
			continue
		}
		at := p.ready(it)
		keen := it.eager()
		if !keen {
			at = max(at, it.due)
		}
		if at > now {
			later = min(later, at)
			continue
		}
		if it.suspected && (it.alone == 0 || p.lastAnswer > it.last) { // until it is cleared up, others are suspected in vain
			p.share = 0
			return i, now
		}
		if keen {
			if t := it.turn(); eager < 0 || t < turn {
				eager, turn = i, t
			}
		} else if late := it.late(now); late > most {
			due, most = i, late
		}
	}
	return p.settle(eager, due), later
}

// settle chooses between what is wanted as often as goes and what is due, so that neither starves the other.
func (p *Planner) settle(eager, due int) int {
	p.share = 0
	switch {
	case eager < 0:
		return due
	case due < 0:
		return eager
	case p.debt > 0:
		p.share = -1
		return eager
	default:
		p.share = 1
		return due
	}
}

// gather puts into rest what is asked with the lead: its group, first those that can share a request.
func (p *Planner) gather(lead int, now adapter.Time) {
	p.rest, p.study = p.rest[:0], false
	l := &p.items[lead]
	if l.Group <= 0 || l.suspected || l.convicted {
		p.rest = append(p.rest, lead)
		return
	}
	if l.studies > 0 && l.period > 0 && !p.oneRequest(l) {
		l.studies--
		p.study = true
		for range studyLooks {
			p.rest = append(p.rest, lead)
		}
		return
	}
	for _, alone := range [2]bool{false, true} {
		for _, i := range p.active {
			it := &p.items[i]
			if it.Group == l.Group && it.Unit == l.Unit && it.lonely() == alone && (i == lead || p.joins(it, now)) {
				p.rest = append(p.rest, i)
			}
		}
	}
}

// oneRequest tells whether the whole group of an item fits one request.
func (p *Planner) oneRequest(of *item) bool {
	n, answer := 0, 1
	u := &p.units[of.Unit]
	for _, i := range p.active {
		it := &p.items[i]
		if it.Group != of.Group || it.Unit != of.Unit || it.trouble.lasting {
			continue
		}
		n++
		answer += u.NameBytes + it.Bytes
		if n > 1 && it.lonely() {
			return false
		}
	}
	return u.capacity.fits(n, answer)
}

func (it *item) lonely() bool { return it.Bytes <= 0 || it.suspected || it.convicted }

// joins tells whether a member of a group is asked when another one is. One that is wanted much more rarely waits
// until it is nearly due itself.
func (p *Planner) joins(it *item, now adapter.Time) bool {
	return !it.trouble.lasting && !it.suspected && !it.convicted && p.ready(it) <= now && (it.eager() || it.late(now) >= -2*early)
}

// compose makes the request: the first of rest, what of rest can share it, and what may be taken along.
func (p *Planner) compose(now adapter.Time) {
	p.asked, p.pids, p.answer = p.asked[:0], p.pids[:0], 1
	first := &p.items[p.rest[0]]
	unit := &p.units[first.Unit]
	left := p.rest[:0]
	for n, i := range p.rest {
		if n == 0 || !first.lonely() && p.fits(unit, i) {
			p.add(i, unit)
		} else {
			left = append(left, i)
		}
	}
	p.rest = left
	if !first.lonely() {
		p.fill(now, first.Unit)
	}
	for _, i := range p.asked {
		p.items[i].ask(now)
	}
	p.debt = max(-mostDebt, min(p.debt+p.share, mostDebt))
}

func (p *Planner) fits(unit *unitState, i int) bool {
	it := &p.items[i]
	return !it.lonely() && !it.inAsk && unit.capacity.fits(len(p.asked)+1, p.answer+unit.NameBytes+it.Bytes)
}

func (p *Planner) add(i int, unit *unitState) {
	it := &p.items[i]
	it.inAsk = true
	p.asked = append(p.asked, i)
	p.pids = append(p.pids, it.PID)
	p.answer += unit.NameBytes + it.Bytes
}

// rider is an item that may come along, and how urgent it is.
type rider struct {
	item int
	rank int
	than float64 // within a rank
}

// fill takes along what fits into the request: what is most overdue, else whose turn it is, else what will be due soonest.
func (p *Planner) fill(now adapter.Time, unit int) {
	u := &p.units[unit]
	if !u.capacity.fits(len(p.asked)+1, p.answer+u.NameBytes+1) {
		return
	}
	p.riders = p.riders[:0]
	for _, i := range p.active {
		if p.rides(i, now, unit) {
			rank, than := p.items[i].rank(now)
			p.riders = append(p.riders, rider{i, rank, than})
		}
	}
	for len(p.riders) > 0 && u.capacity.fits(len(p.asked)+1, p.answer+u.NameBytes+1) {
		p.board(p.takeRider(), now, u)
	}
}

// takeRider takes the most urgent of the riders.
func (p *Planner) takeRider() int {
	best := 0
	for i := range p.riders {
		if r, b := &p.riders[i], &p.riders[best]; r.rank > b.rank || r.rank == b.rank && r.than > b.than {
			best = i
		}
	}
	i := p.riders[best].item
	last := len(p.riders) - 1
	p.riders[best] = p.riders[last]
	p.riders = p.riders[:last]
	return i
}

// board adds a rider to the request if it fits, and with it its group.
func (p *Planner) board(i int, now adapter.Time, u *unitState) {
	it := &p.items[i]
	switch {
	case !p.fits(u, i):
	case it.Group <= 0:
		p.add(i, u)
	case p.groupFits(it, now):
		for _, k := range p.active {
			if p.items[k].Group == it.Group && p.rides(k, now, it.Unit) {
				p.add(k, u)
			}
		}
	}
}

// rank orders what may come along: first by r, then by v.
func (it *item) rank(now adapter.Time) (r int, v float64) {
	if it.eager() {
		return 2, -float64(it.turn())
	}
	if v = it.late(now); v >= 0 {
		return 3, v
	}
	return 1, v
}

// rides tells whether an item may come along by itself.
func (p *Planner) rides(i int, now adapter.Time, unit int) bool {
	it := &p.items[i]
	return it.Unit == unit && !it.inAsk && !it.trouble.lasting && !it.lonely() && p.ready(it) <= now &&
		(it.eager() || it.late(now) >= -early) && p.fits(&p.units[unit], i)
}

// groupFits tells whether the whole group of an item fits: half a group would be apart from the rest.
func (p *Planner) groupFits(of *item, now adapter.Time) bool {
	n, answer := len(p.asked), p.answer
	u := &p.units[of.Unit]
	for _, i := range p.active {
		it := &p.items[i]
		switch {
		case it.Group != of.Group || it.Unit != of.Unit || it.trouble.lasting:
		case it.inAsk || it.lonely() || !p.rides(i, now, of.Unit):
			return false
		default:
			n++
			answer += u.NameBytes + it.Bytes
		}
	}
	return u.capacity.fits(n, answer)
}

// ask notes that an item is asked, and when it is due again.
func (it *item) ask(now adapter.Time) {
	it.inAsk = false
	it.count.asked(it, now)
	if it.period > 0 {
		// What was missed is not made up for, or it would crowd out the others after each delay.
		it.due = max(it.due+adapter.Time(it.period), now+adapter.Time(it.period/2))
	}
	if it.looks > 0 {
		it.looks--
	}
	it.last = now
}
