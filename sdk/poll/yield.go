// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package poll

import (
	"time"

	"github.com/airassay/airassay/sdk/adapter"
)

// A long answer brings more and is lost more easily, for it takes more frames, each of which must come. Which brings more in the same time
// depends on the link, and is found out by trying where many requests fail.
const (
	// poor is the share of failures from which shorter answers may bring more.
	poor = 0.35
	// sound is the share of failures below which a link that was poor has become better, so that long answers are worth a
	// trial at once.
	sound = 0.1
	// clearly is by what factor shorter answers must bring more to be kept to.
	clearly = 1.1
	// judged is how many requests show what a step brings.
	judged = 30
	// yieldGain is how much of a yield each request makes.
	yieldGain = 1.0 / judged
)

// yield follows how many values a step brings in the time it takes.
type yield struct{ values, time float64 }

func (y *yield) add(values int, took time.Duration) {
	y.values += yieldGain * (float64(values) - y.values)
	y.time += yieldGain * (took.Seconds() - y.time)
}

// better tells whether a step clearly brings more than another.
func (y *yield) better(than *yield) bool { return y.values*than.time > clearly*than.values*y.time }

// weigh takes in what a request for n parameters brought, and compares long answers with those of one frame where a share p of the requests fails.
func (c *capacity) weigh(now adapter.Time, n, values int, took time.Duration, p float64) {
	if c.step == stepSingle || c.step == stepAll && n <= 1 {
		return
	}
	long, short := &c.yields[stepAll], &c.yields[stepFrame]
	c.yields[c.step].add(values, took)
	if c.judged++; c.judged < judged {
		return
	}
	switch {
	case c.step == stepFrame && c.weighing && !short.better(long):
		c.up(now)
		c.weighing, c.trying, c.weighed = false, false, now.Add(c.wait)
		c.wait = min(2*c.wait, longestTrial)
	case c.step == stepFrame:
		c.weighing = false
		if c.weaker && p < sound && c.trial != never {
			c.trial = min(c.trial, now)
		}
	case c.trying && p >= poor:
		c.trying = false
		if short.better(long) {
			c.down(now, c.count)
			c.weaker = true
		}
	case p >= poor && now >= c.weighed:
		*short = yield{}
		c.down(now, c.count)
		c.weighing, c.weaker = true, true
	}
}
