// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Command score measures how often the assay is right on simulated drives whose truth
// is known, beside two naive judges. server/truth/README.md says what each figure
// means.
//
//	go run ./server/truth/score --cases 2000 --seeds dev
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/pflag"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	err := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	if err != nil && !errors.Is(err, pflag.ErrHelp) {
		fmt.Fprintln(os.Stderr, "score:", err)
		os.Exit(1)
	}
}
