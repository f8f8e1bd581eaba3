// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socketcan

import (
	"os"
	"testing"

	"go.uber.org/goleak"

	"github.com/airassay/airassay/sdk/adapter"
)

// roleArgument starts this test program as the adapter.
const roleArgument = "be-the-adapter"

func TestMain(m *testing.M) {
	if len(os.Args) > 1 && os.Args[1] == roleArgument {
		adapter.Serve(New())
	}
	goleak.VerifyTestMain(m)
}
