// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package link

import (
	"math"
	"math/rand/v2"
	"slices"

	"github.com/airassay/airassay/plugins/simulator/engine"
)

// Wish is a signal that somebody wants.
type Wish struct {
	Signal engine.Signal
	// RateHz is how often, in samples per second; 0 for as often as goes.
	RateHz float64
	// Group, above 0, is shared by signals that are wanted close together in time.
	Group int
}

// Poller asks for what it is told to, within what the link can carry.
//
// A request carries up to Class.Group values, and takes the same time however
// many it carries: latency, not length, is what a request costs. Signals with a
// rate come first, the latest in its own periods before the others. What is left
// goes to those without, by what they are worth to who judges air; they get
// every second choice at least. Where the rates ask for more than the link
// carries, all get less, about in proportion. Signals of one group travel in one
// request, or in requests that follow each other.
//
// A request without an answer is made again. A Poller is not safe for concurrent use.
type Poller struct {
	class  Class
	random *rand.Rand
	latches
	shown []engine.Signal // what the control unit shows

	items []item
	queue []int // items to ask next
	next  float64
	rated bool  // the last choice was of a signal with a rate
	last  int64 // µs, of the last stamp

	// Samples are what came; who takes them away empties the slice.
	Samples []Sample
	// Lost counts requests that were not answered.
	Lost int
}

// item is a wish and when it was last fulfilled.
type item struct {
	Wish

	weight float64 // s between requests at a rate of 0, were the link free
	last   float64 // s
	due    float64 // s, with a rate
	queued bool
}

// NewPoller polls a control unit that shows the given signals, from now on, in
// seconds. The seed decides jitter, losses and how often each signal is
// refreshed. Nothing is asked before Want.
func NewPoller(class Class, shown []engine.Signal, refreshScale float64, seed uint64, now float64, source Source) *Poller {
	p := &Poller{class: class, shown: shown, next: now, last: micros(now), random: rand.New(rand.NewPCG(seed, 0x2545f4914f6cdd1d))}
	p.latches = newLatches(refreshScale, p.random)
	p.look(now, source, shown)
	return p
}

// Refreshes tells how often in s a control unit refreshes each signal, for the
// refresh scale and the seed of a Poller.
func Refreshes(refreshScale float64, seed uint64) [engine.NumSignals]float64 {
	return newLatches(refreshScale, rand.New(rand.NewPCG(seed, 0x2545f4914f6cdd1d))).refresh
}

// Uncertainty is the half-width in s of the interval in which a value was taken:
// half the time of a request, and the scatter of the stamps.
func (c Class) Uncertainty() float64 {
	return 0.5*float64(c.Group)/c.Rate + 3*c.scatter()
}

// Want says what to ask from now on. Wishes for signals that are not shown are ignored.
func (p *Poller) Want(wishes []Wish) {
	var items []item
	for _, w := range wishes {
		if !slices.Contains(p.shown, w.Signal) {
			continue
		}
		i := item{Wish: w, weight: wish(w.Signal), last: math.Inf(-1), due: math.Inf(-1)}
		for _, before := range p.items {
			if before.Signal == w.Signal {
				i.last = before.last
				if w.RateHz > 0 {
					i.due = before.last + 1/w.RateHz
				}
			}
		}
		items = append(items, i)
	}
	p.items, p.queue = items, nil
}

// Step looks at the source after a step that ended at now seconds.
func (p *Poller) Step(now float64, source Source) {
	for p.next <= now {
		if !p.request(p.next) {
			p.next = now + 1e-9 // nothing is due: the link rests
		}
	}
	p.look(now, source, p.shown)
}

// request makes one request that is answered at a time, and reports whether there was anything to ask.
func (p *Poller) request(at float64) bool {
	asked := p.choose(at)
	if len(asked) == 0 {
		return false
	}
	period := float64(p.class.Group) / p.class.Rate
	p.next = at + period*math.Max(0.3, 1+p.class.Jitter*p.random.NormFloat64()) + hiccup(p.random)
	if p.random.Float64() < p.class.Lost {
		p.Lost++
		p.next += timeout
		p.queue = append(asked, p.queue...)
		for _, i := range asked {
			p.items[i].queued = true
		}
		return true
	}
	p.last = max(p.last, micros(math.Max(0, at+p.class.scatter()*p.random.NormFloat64())))
	for _, i := range asked {
		x := &p.items[i]
		x.done(at)
		p.Samples = append(p.Samples, Sample{p.last, x.Signal, x.Signal.Quantise(p.latch[x.Signal])})
	}
	return true
}

// choose takes the items of the next request.
func (p *Poller) choose(at float64) (asked []int) {
	for len(asked) < p.class.Group {
		if len(p.queue) == 0 && !p.fill(at, asked) {
			break
		}
		i := p.queue[0]
		p.queue = p.queue[1:]
		p.items[i].queued = false
		asked = append(asked, i)
	}
	return asked
}

// fill queues the most urgent item that is not asked already, and those of its group.
func (p *Poller) fill(at float64, asked []int) bool {
	rated, free := -1, -1
	for i := range p.items {
		x := &p.items[i]
		switch {
		case slices.Contains(asked, i):
		case x.RateHz == 0 && (free < 0 || x.urgency(at) > p.items[free].urgency(at)):
			free = i
		case x.RateHz > 0 && at >= x.due && (rated < 0 || x.urgency(at) > p.items[rated].urgency(at)):
			rated = i
		}
	}
	best := rated
	if rated < 0 || p.rated && free >= 0 {
		best = free
	}
	if best < 0 {
		return false
	}
	p.rated = best == rated
	p.enqueue(best)
	group := p.items[best].Group
	for i := range p.items {
		if x := &p.items[i]; group > 0 && x.Group == group && !x.queued && !slices.Contains(asked, i) && x.ripe(at) {
			p.enqueue(i)
		}
	}
	return true
}

func (p *Poller) enqueue(i int) {
	p.items[i].queued = true
	p.queue = append(p.queue, i)
}

// urgency orders items with a rate among themselves, and those without.
func (x *item) urgency(at float64) float64 {
	if x.RateHz > 0 {
		return (at - x.last) * x.RateHz
	}
	return (at - x.last) / x.weight
}

// ripe tells whether an item may travel with its group: not before half of its own period is over.
func (x *item) ripe(at float64) bool {
	return x.RateHz == 0 || at >= x.due-0.5/x.RateHz
}

// done notes an answer, and keeps the beat where it was not missed.
func (x *item) done(at float64) {
	x.last = at
	if x.RateHz == 0 {
		return
	}
	period := 1 / x.RateHz
	if x.due += period; x.due < at {
		x.due = at + period
	}
}
