// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package conformance is the kit with which a vendor proves that an adapter keeps the contract of
// airassay.adapter.v1beta1. The adapter may be written in any language: the kit starts it as a host does, as a process,
// and looks at it from outside. An adapter in Go can also be checked within the test's own process, which is faster and
// can be debugged.
//
//	func TestContract(t *testing.T) {
//		conformance.Test(t, conformance.Executable{Path: "./box"}, conformance.Options{})
//	}
//
// Each check cites the sentence of the contract that it looks at and asks no more than that sentence does. What an adapter
// does not describe is skipped with the reason and never called, but for the one check that an undescribed ability is
// refused. Sentences that nobody can see from outside are listed in the report as not checked.
//
// The command adaptercheck does the same from a terminal.
package conformance
