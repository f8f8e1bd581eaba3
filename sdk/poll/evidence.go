// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package poll

import "math"

// Every link fails now and then by chance, and some fail often. Before a failure is put down to what was asked for, there must be more of
// them than chance makes on this link.

const (
	// usualChance is the share of requests that is assumed to fail by chance until more is known, and at least.
	usualChance = 0.05
	// mostChance bounds it: what fails more often is worth another try by other means.
	mostChance = 0.4
	// fewRequests is what the assumption weighs, in requests, and manyRequests over how many the share is followed.
	fewRequests, manyRequests = 16, 64
)

// chance follows how often requests to a control unit fail by chance. Failures count as such when a good answer follows; those
// that were put down to something are left out.
type chance struct {
	rate     float64
	requests float64
	run      int // failures since the last good answer
}

func newChance() chance { return chance{rate: usualChance, requests: fewRequests} }

// p is the share of requests that fails by chance.
func (c *chance) p() float64 { return max(usualChance, min(c.rate, mostChance)) }

func (c *chance) failed() { c.run = min(c.run+1, maxRun) }

// maxRun bounds how much one long silence counts.
const maxRun = 32

func (c *chance) succeeded() {
	n := float64(c.run + 1)
	c.requests += n
	c.rate += (float64(c.run) - n*c.rate) / max(c.requests, n)
	c.requests = min(c.requests, manyRequests)
	c.run = 0
}

// explained leaves the failures since the last good answer out.
func (c *chance) explained() { c.run = 0 }

// Natural logarithms of how improbable a run of failures must be by chance before something is concluded from it.
const (
	oneInThousand = 6.9
	oneInMillion  = 13.8
)

// failures is how many in a row chance makes so rarely, but at least so many.
func (c *chance) failures(least int, rarity float64) int {
	return max(least, int(math.Ceil(-rarity/math.Log(c.p()))))
}

// proof is a cumulative sum (Page's test, 1954) of the evidence that what is asked for fails by itself and not by chance: the logarithm of the
// ratio of likelihoods, never below 0.
type proof float64

const (
	// enoughProof convicts. Without failures before, four in a row make it; on a link that loses every other answer,
	// about twenty.
	enoughProof = 11.5
	// trialProof is what a trial begins with: one in a thousand decides it.
	trialProof = enoughProof - oneInThousand
	// broken is the share of requests that fails at least where what is asked for does not work.
	broken = 0.9
)

// failed takes in a failure where p fail by chance.
func (s *proof) failed(p float64) { *s += proof(math.Log(broken / p)) }

func (s *proof) succeeded(p float64) { *s = max(0, *s+proof(math.Log((1-broken)/(1-p)))) }
