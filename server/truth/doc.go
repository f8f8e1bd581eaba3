// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package truth measures how often the assay is right. It draws cases whose truth is
// known from the simulator, gives each drive to the assay as a recording would, and
// compares the verdict with the truth, beside two naive judges on the same cases.
//
// It is the one package beside the wiring that knows both the simulator and the assay,
// and nothing imports it. Neither of the two learns anything from it: what counts as
// sufficient is the simulator's word, from the truth and before any verdict.
//
//	plan.go        which cases a run consists of, each reproducible by its id
//	drive.go       a case becomes a recording in memory, and a verdict
//	cache.go       simulated drives kept in a folder
//	label.go       what counts as right, as a true sensor, as a meter error
//	verdict.go     what an assessment says, in the words of the benchmark
//	naive.go       two naive judges
//	run.go         many cases on many cores
//	figures.go     rates and groups
//	calibration.go Brier score, log loss, calibration error
//	variants.go    one signal less, half of the samples
//	report.go      everything together, as text, Markdown and JSON
//
// README.md defines each figure and holds the published results.
package truth
