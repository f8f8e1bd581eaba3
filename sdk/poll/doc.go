// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package poll reads live values from a vehicle as fast as its control units allow, and no faster than they may be asked.
//
// Planner decides: which control unit is asked next, for which parameters, and when. It is pure: it has no clock, no
// goroutine and no link, so that every decision can be replayed. Over puts it to work: any adapter.Linker becomes an
// adapter.Feeder, and a vendor whose box only carries requests need not know what SAE J1979 is.
//
// What the planner knows of a link it has learned from answers: how many parameters a control unit takes in one request,
// how long it takes, how often it refreshes each value, what it does not have.
//
// # When a value was taken
//
// A control unit measures a quantity at some instant, keeps the number, and copies it into an answer at some instant
// between the request's sending and the arrival of the answer's first frame. Let those be s and r. If the number is
// refreshed every R, then what is copied at c was measured in (c−R, c], and c is in [s, r]. So the value was taken in
//
//	[s − R, r]
//
// and the best single time is its middle, (s+r)/2 − R/2: the midpoint of request and answer, less half the refresh interval. The
// half-width, (r−s)/2 + R/2, is the uncertainty that travels with the sample. Two things make the interval narrower, and both
// are used. A number that differs from the one of the look before was refreshed after that look was sent: the interval cannot
// begin before it. And a number that has not changed since is that one or a later one: the interval never moves back.
//
// R is learned from changes. If a number changed between looks 1 and 2 and again between looks 3 and 4, it was refreshed in
// (s1, r2] and in (s3, r4], so R is at most r4 − s1. Such bounds are too wide by up to two looks, and a number that happened not to
// change at a refresh makes them wider still, never too narrow; a low quantile of the latest sixteen is taken. Looks that
// are too far apart to tell anything finer do not replace what is known. Until four bounds are known (sixteen for an R above 250 ms), and where every look finds another
// number, R is assumed to be at most 250 ms, while control units usually refresh what moves with the engine every 10 to 100 ms. For the
// signals that are compared at one instant the planner looks faster than wanted for a moment, within the rate cap, to learn
// their R early; where one request does not hold them all, it looks at each a few times in a row.
package poll
