// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Command airassayd judges from live engine data whether a vehicle's intake air
// sensors read true. What it can do is told by: airassayd help.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"

	"github.com/airassay/airassay/server/app"
)

func main() {
	ctx, cancel := context.WithCancelCause(context.Background())
	signals := make(chan os.Signal, 1)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM)
	go func() {
		s := <-signals
		// A second signal ends the program at once.
		signal.Stop(signals)
		cancel(app.Interrupted{Signal: s})
	}()
	os.Exit(app.Main(ctx, os.Args[1:], os.Stdout, os.Stderr))
}
