// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package poll

import (
	"time"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/j1979"
)

// Reading is one parameter of an answer.
type Reading struct {
	// PID is the parameter.
	PID byte
	// Mark differs where the number does: the data bytes, or a hash of them.
	Mark uint64

	// Taken is the middle of the interval in which the value was taken. Answered sets this and what follows. Times of a
	// parameter do not decrease.
	Taken adapter.Time
	// Half is half the length of that interval, at least 1 µs.
	Half time.Duration
	// Fresh tells that the number differs from the one before.
	Fresh bool
}

// Kind says how a request failed.
type Kind uint8

// The kinds of failures.
const (
	// Silent says that no answer came in time.
	Silent Kind = iota + 1
	// Garbled says that what came breaks the transport's rules.
	Garbled
	// Mangled says that an answer came whose content is wrong.
	Mangled
	// Refused says that the control unit refused, with a negative response code.
	Refused
)

// Failure is why a request brought nothing.
type Failure struct {
	Kind Kind
	// Code is the negative response code of a refusal.
	Code j1979.Code
}

const (
	// firstBusy is the pause after a control unit has said that it is busy; it doubles up to longestPause.
	firstBusy = 10 * time.Millisecond
	// firstGarbled is the pause after the second garbled answer in a row; one alone is chance.
	firstGarbled = 10 * time.Millisecond
	// firstSilence is the pause after more requests in a row than patience have stayed unanswered.
	firstSilence = 50 * time.Millisecond
	longestPause = 500 * time.Millisecond
	// longestAside holds for a control unit that is silent while another one answers.
	longestAside = 10 * time.Second
	// firstRest is how long a parameter is left alone that fails for itself; it doubles up to longestRest.
	firstRest   = time.Second
	longestRest = 30 * time.Second
	// deaf is after how many failures in a row at least, when it was asked alone, a parameter is left alone.
	deaf = 3
	// spoilt is after how many failures in a row at least, together with others, a parameter is asked alone: it may be the
	// one for which the control unit ignores the whole request.
	spoilt = 6
	// leftOutTwice is after how many answers in a row that lacked it a parameter is asked alone. One may have been cut.
	leftOutTwice = 2
)

// backOff is first, doubled n times, and at most longest.
func backOff(first, longest time.Duration, n int) time.Duration {
	for ; n > 0 && first < longest; n-- {
		first *= 2
	}
	return min(first, longest)
}

// Answered tells that the request of the latest Next was answered: when it was on the wire, when the answer's first frame came
// at the latest, and what it holds. It completes the readings. What was asked and is not among them, the control
// unit has left out.
func (p *Planner) Answered(sent, received adapter.Time, readings []Reading) {
	if !p.waiting {
		return
	}
	p.waiting = false
	sent = max(sent, p.at)
	received = max(received, sent)
	p.cap.correct(sent)
	p.lastAnswer = received
	u := &p.units[p.items[p.asked[0]].Unit]
	from := u.heard(sent, received)
	u.busy, u.garbled = 0, 0
	u.chance.succeeded()
	present := 0
	for _, i := range p.asked {
		it := &p.items[i]
		r := find(readings, it.PID)
		if r == nil {
			continue
		}
		present++
		r.Taken, r.Half, r.Fresh = it.refresh.look(from, received, r.Mark)
		it.took(r.Fresh)
	}
	p.followGroups(sent + (received-sent)/2)
	n := len(p.asked)
	if present == n {
		u.capacity.succeeded(received, n, u.chance.p())
	} else {
		p.leftOut(u, received, readings, present)
	}
	u.capacity.weigh(received, n, present, received.Sub(sent), u.chance.p())
	p.acquit(u, received)
}

// heard notes an answer, and tells when what it answers was sent at the earliest.
func (u *unitState) heard(sent, received adapter.Time) (from adapter.Time) {
	l := &u.latency
	if u.unheard == never {
		l.took(received - sent)
		return sent
	}
	from = min(u.unheard, sent)
	l.silent = 0
	u.unheard = never
	if l.answers > 0 && 2*(received-sent) < l.shortest {
		// Too quick to be the answer to this request: it is the late one to an earlier, and this one's is still to come.
		u.unheard = sent
	}
	return from
}

func find(readings []Reading, pid byte) *Reading {
	for i := range readings {
		if readings[i].PID == pid {
			return &readings[i]
		}
	}
	return nil
}

// took notes a reading.
func (it *item) took(fresh bool) {
	it.count.took(fresh)
	it.missing, it.alone, it.together = 0, 0, 0
	it.trouble, it.convicted = trouble{}, false
	if fresh && it.refresh.count < 2*enoughBounds && it.refresh.changed != never { // it moves: a moment to learn how fast
		it.studies = max(it.studies, 1)
		if it.period > 0 {
			it.looks = max(it.looks, enoughBounds)
		}
	}
}

// leftOut deals with a good answer that lacks parameters. Each that was lacking twice is asked alone next, which tells whether the control unit has
// none or only answers fewer than it was asked for.
func (p *Planner) leftOut(u *unitState, now adapter.Time, readings []Reading, present int) {
	if len(p.asked) == 1 {
		it := &p.items[p.asked[0]]
		it.missing++
		p.rest = p.rest[:0]
		it.fail(now, trouble{Reason: NoValue})
		u.culprit = true
		return
	}
	for _, i := range p.asked {
		it := &p.items[i]
		if find(readings, it.PID) != nil {
			continue
		}
		it.due = now
		if it.missing++; it.missing >= leftOutTwice {
			it.suspected = true
			u.short = present
		}
	}
}

// acquit ends a suspicion that a good answer has refuted. When all suspects are acquitted, it was the number of parameters.
func (p *Planner) acquit(u *unitState, now adapter.Time) {
	if len(p.asked) == 1 {
		p.items[p.asked[0]].suspected = false
	}
	if u.short == 0 {
		return
	}
	for _, i := range p.active {
		if it := &p.items[i]; it.suspected && &p.units[it.Unit] == u {
			return
		}
	}
	if !u.culprit {
		u.capacity.left(now, u.short)
	}
	u.short, u.culprit = 0, false
}

// Failed tells that the request of the latest Next brought nothing. sent is when it was on the wire; 0 where that is not known.
func (p *Planner) Failed(now, sent adapter.Time, f Failure) {
	if !p.waiting {
		return
	}
	p.waiting = false
	p.rest = p.rest[:0]
	if sent == 0 {
		sent = p.at
	}
	sent = max(sent, p.at)
	p.cap.correct(sent)
	for _, i := range p.asked {
		it := &p.items[i]
		it.due = min(it.due, now)
		it.count.failures++
	}
	u := &p.units[p.items[p.asked[0]].Unit]
	switch f.Kind {
	case Refused:
		p.lastAnswer = now
		u.latency.silent = 0
		p.refused(u, now, f.Code)
	case Mangled:
		p.lastAnswer = now
		u.latency.silent = 0
		p.wrong(u, now, sent, trouble{Reason: WrongAnswers})
	case Garbled:
		u.garbled++
		u.wait(now, u.garbled-1, firstGarbled, longestPause)
		p.wrong(u, now, sent, trouble{Reason: WrongAnswers})
	default:
		if u.unheard == never {
			u.unheard = sent
		}
		u.latency.silent++
		bearable, longest := u.chance.failures(patience, oneInThousand), longestPause
		if p.lastAnswer > u.unheard { // another control unit can be asked meanwhile
			longest = longestAside
			if u.latency.answers == 0 {
				bearable = 0
			}
		}
		u.wait(now, u.latency.silent-bearable, firstSilence, longest)
		p.wrong(u, now, sent, trouble{Reason: NoAnswer})
	}
}

// wait makes a pause before the unit is asked again, from the first of n on.
func (u *unitState) wait(now adapter.Time, n int, first, longest time.Duration) {
	if n > 0 {
		u.resume = now.Add(backOff(first, longest, n-1))
	}
}

// wrong deals with a request without a useful answer.
func (p *Planner) wrong(u *unitState, now, sent adapter.Time, t trouble) {
	n := len(p.asked)
	u.chance.failed()
	if u.capacity.failed(now, n, u.chance.p()) {
		u.chance.explained()
	}
	u.capacity.weigh(now, n, 0, now.Sub(sent), u.chance.p())
	for _, i := range p.asked {
		it := &p.items[i]
		if it.alone+it.together == 0 {
			it.failing = now
		}
		if n > 1 {
			it.together++
		} else {
			it.alone++
		}
		// Others were answered meanwhile, so it is not the link.
		switch {
		case p.lastAnswer < it.failing || !p.others(it):
		case it.alone >= u.chance.failures(deaf, oneInThousand):
			it.fail(now, t)
			u.chance.explained()
			u.culprit = true
		case it.together >= u.chance.failures(spoilt, oneInMillion):
			it.suspected = true
		}
	}
}

// others tells whether anything else is wanted of the item's unit; what is asked for all by itself has nothing to compare with.
func (p *Planner) others(of *item) bool {
	for _, i := range p.active {
		if it := &p.items[i]; it != of && it.Unit == of.Unit && !it.trouble.lasting {
			return true
		}
	}
	return false
}

func (p *Planner) refused(u *unitState, now adapter.Time, code j1979.Code) {
	n := len(p.asked)
	switch {
	case code.Again():
		u.busy++
		u.wait(now, u.busy, firstBusy, longestPause)
	case n > 1 && code.TooMuch():
		u.capacity.refused(now, n)
	case n > 1:
		u.short = max(1, n/2)
		for _, i := range p.asked {
			p.items[i].suspected = true
		}
	default:
		lasting := code.Lacks() || code.TooMuch() || code == j1979.CodeAccessDenied || code == j1979.CodeAuthentication
		p.items[p.asked[0]].fail(now, trouble{Reason: Refusal, Code: code, lasting: lasting})
		u.culprit = true
		p.acquit(u, now)
	}
}

// fail lets an item rest that fails for itself. It is asked alone until it answers.
func (it *item) fail(now adapter.Time, t trouble) {
	t.times = it.trouble.times + 1
	it.trouble = t
	it.since = now.Add(backOff(firstRest, longestRest, t.times-1))
	it.due = it.since
	it.alone, it.together = 0, 0
	it.convicted, it.suspected = true, false
}
