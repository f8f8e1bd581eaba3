// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Command replayadapter is the adapter that plays recordings, as a program of its own.
package main

import (
	"github.com/airassay/airassay/plugins/replay"
	"github.com/airassay/airassay/sdk/adapter"
)

func main() { adapter.Serve(replay.New()) }
