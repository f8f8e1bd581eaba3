// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Command roadtest pushes a recording to an Airassay server as if it were driven now, shows
// how far the drive has come, and ends with the verdict. It survives a server or a network
// that goes away in the middle, and can itself be ended and resumed.
//
// It is an example to copy from. Package push holds what every box in a car
// needs; the files here are one front end around it:
//
//	flags.go    what the user asks for
//	input.go    a recording and the facts beside it become messages of the API
//	batches.go  samples become numbered batches, the same ones in every run
//	setup.go    a vehicle, a session and a capture are made, or found again
//	drive.go    batches go out at the pace of the drive; at the end, the verdict
//	watch.go    how far the drive has come, from a stream that may break
//	show.go     the same on a terminal
//	outcome.go  what every end means, and its exit status
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
)

func main() {
	ctx, cancel := context.WithCancelCause(context.Background())
	signals := make(chan os.Signal, 1)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM)
	go func() {
		s := <-signals
		signal.Stop(signals) // A second signal ends the program at once.
		cancel(interrupted{s})
	}()
	os.Exit(run(ctx, os.Args[1:], os.Stdout, os.Stderr))
}
