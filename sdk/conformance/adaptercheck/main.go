// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Command adaptercheck checks whether an adapter, a program in any language, keeps the contract of
// airassay.adapter.v1beta1. The package sdk/conformance does the work and says what is checked.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
)

func main() {
	// Asked to end, it still ends the adapters that it has started.
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}
