// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package assay turns the samples of one drive into a verdict on the air meter
// and the intake air temperature sensor.
//
// It is pure: it reads no clock, does no I/O and knows neither the API nor the
// SDK. The same samples in the same order give the same Assessment, bit for
// bit, however they were batched.
//
// The way of a sample, one file a step:
//
//	signal.go     which signals are used, what they can be
//	order.go      samples are put in order behind a watermark
//	track.go      each signal keeps its own times
//	point.go      several signals brought to one instant, with what that costs in certainty
//	raw.go        single samples: lost contact, frozen values, impossible jumps
//	segment.go    stretches with a diagnostic meaning, and the gates they must pass
//	gather.go     accumulators of fixed size; the memory of the drive
//	feature.go    accumulators become comparable numbers with uncertainties
//	physics.go    what a sound engine takes in
//	fault.go      what each fault does to each number
//	hypothesis.go which faults are possible, and how large they may be
//	prior.go      how probable each is before the drive, and what numbers share
//	infer.go      probabilities
//	joint.go      probabilities over several drives of one engine
//	reference.go  earlier drives that narrow what is expected of a sound engine
//	compare.go    two drives of one vehicle, before and after a repair
//	finding.go    what that means for each sensor, and the meter's error over flow
//	gap.go        what is missing for a firm verdict
//	decision.go   what there is to decide, and between which states of the world
//	testlist.go   the tests that are possible now, and the numbers that each promises
//	forecast.go   how far those numbers will scatter, given what was measured
//	preposterior.go  what a test is worth before it is made
//	nexttest.go   the tests that are worth most for each minute
//	advice.go     what to do next, by expected regret
//	evidence.go   what was measured beside what was expected, and what was not believed
//	share.go      what each piece of evidence adds to what all of it says
//	alternative.go  what each explanation but the leading one would have shown, and where it fails
//
// Constants of the trade carry their unit and their source or reason: those of physics
// and of gates in constants.go, those that only one step needs beside it. Marks like
// [DOMAIN 3.5] name the section of the design papers that derives it.
package assay
