// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package poll

import (
	"time"

	"github.com/airassay/airassay/sdk/adapter"
)

// How a control unit, or what lies between, deals with requests for several parameters is learned. What works is told by
// answers, what does not only by their absence, so each step down is taken back for a trial after a while, ever more
// rarely.
const (
	// usualMost is how many parameters a request of SAE J1979 carries.
	usualMost = 6
	// oneFrame is how many bytes an answer may have that ISO 15765-2 carries in a single frame.
	oneFrame = 7
	// shortfalls is after how many answers that were too short fewer are asked for.
	shortfalls = 2
	// inVain is how many failures after a step down tell that it was of no use.
	inVain = 2
	// settled is after how many good answers a trial has succeeded.
	settled = 20
	// firstTrial is how long the first step down lasts; each further one twice as long, up to longestTrial.
	firstTrial   = 2 * time.Second
	longestTrial = 5 * time.Minute
)

// step is how much a request asks for.
type step uint8

const (
	stepAll    step = iota // as many as fit a request, however long the answer
	stepFrame              // as many as fit an answer of one frame, which survives links that mangle longer ones
	stepSingle             // one
)

// capacity is what requests to one control unit may carry.
type capacity struct {
	most     int // parameters a request may carry by the protocol
	count    int // and by what was learned
	over     int // the least that was refused as too much; above most where none was
	step     step
	yields   [stepSingle]yield
	judged   int          // requests since the latest step
	weighing bool         // the latest step was down to compare
	weaker   bool         // it was on a link that fails often
	weighed  adapter.Time // not compared again before
	proof    proof
	shorts   int  // answers in a row that lacked parameters which come when they are asked alone
	below    int  // failures since the latest step down, before anything was good
	good     int  // in a row since the latest step
	trying   bool // the latest step was up
	wait     time.Duration
	trial    adapter.Time // when more is tried again; never where nothing is held back
}

func newCapacity(most int) capacity {
	if most <= 0 {
		most = usualMost
	}
	return capacity{most: most, count: most, over: most + 1, wait: firstTrial, trial: never, weighed: never}
}

// fits tells whether n parameters whose answer has so many bytes may be asked for at once.
func (c *capacity) fits(n, answer int) bool {
	return n <= 1 || n <= c.count && c.step < stepSingle && (c.step == stepAll || answer <= oneFrame)
}

// succeeded notes a good answer to a request for n parameters, where a share p fails by chance.
func (c *capacity) succeeded(now adapter.Time, n int, p float64) {
	if c.below >= inVain && c.trial != never {
		c.trial = now // less did not work either, so it was not that
	}
	c.below = 0
	if n > 1 {
		c.proof.succeeded(p)
		c.shorts = 0
	}
	c.good++
	if c.good >= settled && c.trying && p < poor {
		c.wait, c.trying = firstTrial, false
	}
	if c.trial != never && now >= c.trial {
		c.up(now)
	}
}

// up tries more again.
func (c *capacity) up(now adapter.Time) {
	switch {
	case c.step > stepAll:
		c.step--
	case c.count+1 < c.over:
		c.count = min((c.count+c.over)/2, c.most)
	case c.count < c.most:
		c.count, c.over = c.over, c.most+1
	}
	c.good, c.judged, c.trial, c.trying = 0, 0, never, true
	if c.step > stepAll || c.count < c.most {
		c.trial = now.Add(c.wait)
	}
	// The first failures of a trial decide it.
	c.proof, c.shorts = trialProof, shortfalls-1
}

// failed notes that a request for n parameters brought nothing, or something wrong, where a share p fails by chance. It tells
// whether less is asked for from now on.
func (c *capacity) failed(now adapter.Time, n int, p float64) (stepped bool) {
	if c.good == 0 {
		c.below++
	}
	if n <= 1 {
		return false
	}
	c.proof.failed(p)
	enough := proof(enoughProof)
	if c.step > stepAll {
		enough *= 2 // one at a time is no shorter, and saves nothing where frames are lost
	}
	if c.proof < enough {
		return false
	}
	c.down(now, c.count)
	c.weaker = p >= poor
	return true
}

// refused notes that a control unit will not take so many.
func (c *capacity) refused(now adapter.Time, n int) {
	c.over = min(c.over, n)
	c.down(now, n/2)
}

// left notes that a control unit answered only n of several, each of which it answers alone.
func (c *capacity) left(now adapter.Time, n int) {
	if c.shorts++; c.shorts >= shortfalls {
		c.down(now, n)
	}
}

// down asks for less: for at most count parameters where that is fewer than now, else for a shorter answer.
func (c *capacity) down(now adapter.Time, count int) {
	switch {
	case count < c.count:
		c.count = max(1, count)
	case c.step < stepSingle:
		c.step++
	}
	c.proof, c.shorts, c.good, c.below, c.judged = 0, 0, 0, 0, 0
	c.trying, c.weighing, c.weaker = false, false, false
	c.trial = now.Add(c.wait)
	c.wait = min(2*c.wait, longestTrial)
}
