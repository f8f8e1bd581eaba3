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
//	segment.go    stretches with a diagnostic meaning, and the gates they must pass
//	gather.go     accumulators of fixed size; the memory of the drive
//	feature.go    accumulators become comparable numbers with uncertainties
//	physics.go    what a sound engine takes in
//	fault.go      what each fault does to each number
//	infer.go      probabilities
//	finding.go    what that means for each sensor, and the meter's error over flow
//	advice.go     what to do next, by expected regret
//
// Every constant of the trade stands in constants.go with its unit and source.
// Marks like [DOMAIN 3.5] name the section of the design papers that derives it.
package assay
