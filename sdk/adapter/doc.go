// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package adapter turns one type into an adapter: a program of its own that speaks to interface hardware for a host.
//
// The author writes a type with the methods of Adapter, and one line:
//
//	func main() { adapter.Serve(&box{}) }
//
// What Open returns is a Conn; by being a Feeder it delivers samples, by being a Linker it carries diagnostic
// requests. The SDK does the rest of the contract (its numbered sentences stand in adapter.proto): it batches and numbers samples, marks what is lost, turns
// errors into statuses, keeps requests read-only and in order, catches panics, answers in time when the author's code does
// not, ends with its host, and keeps standard output clean.
//
// A box that only carries requests needs no feed of its own: package sdk/poll makes one of any Linker, and asks by SAE J1979 as
// fast as the vehicle answers. For a box that delivers one value at a time there is Poll.
//
// To log, use log/slog: Serve makes its default logger one that the host can read.
package adapter
