// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Command socketcanadapter is the adapter for Linux's CAN interfaces, as a program of its own.
package main

import (
	"github.com/airassay/airassay/plugins/socketcan"
	"github.com/airassay/airassay/sdk/adapter"
)

func main() { adapter.Serve(socketcan.New()) }
