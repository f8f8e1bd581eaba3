// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package j1939 reads what the control units of heavy vehicles broadcast, SAE J1939: engine values under the names that
// the rest of the house uses, trouble codes, and messages that are too long for a frame. Nothing has to be asked for,
// so a listener need not send at all; the few groups that may be asked for are those of j1979.CheckPGN.
//
// It knows frames only, identifier and data, and owns no clock. Nothing in a frame is believed: each reader checks every
// length against what came. Layouts: SAE J1939-71 and J1939-73, those of the transport: J1939-21.
//
// All its data is constant after start, so everything in it may be used from several goroutines, but for values that
// change: a Decoder and an Assembler belong to one goroutine each.
package j1939
