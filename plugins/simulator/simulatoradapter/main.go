// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Command simulatoradapter is the adapter of simulated vehicles, as a program of its own.
package main

import (
	"github.com/airassay/airassay/plugins/simulator"
	"github.com/airassay/airassay/sdk/adapter"
)

func main() { adapter.Serve(simulator.New()) }
