// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package j1979 is the home of what SAE J1979 says: which parameter carries
// which quantity, in which bytes, with which step and in which range, and how
// requests and answers of its services are written and read. It knows payloads
// only, with the service byte first; what carries them is none of its business.
//
// Signals are named by their COVESA VSS path, and every value is in the VSS unit
// of that path. Quantities that VSS does not know carry names of our own in the
// same branch (Signal.Overlay tells which). Three weather inputs outside the OBD
// branch belong to the vocabulary as well; they have no parameter.
//
// What a caller wants is the same whether a control unit speaks SAE J1979
// (services 01 to 0A) or SAE J1979-2, which carries the same content over
// ISO 14229-1 (services 22 and 19). Coding says which, and how numbers are
// scaled.
//
// Nothing in an answer is believed: each reader checks every length against what
// came, refuses what was not asked for, and says in a *DecodeError where the
// answer is wrong. An answer is used as a whole or not at all.
//
// CheckReadOnly is the rule that no request may do more than read.
//
// The package depends on the standard library alone. All its data is constant
// after start, so everything in it may be used from several goroutines, but for
// values that a caller changes.
package j1979
