// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package memory_test

import (
	"testing"

	"go.uber.org/goleak"

	"github.com/airassay/airassay/server/store"
	"github.com/airassay/airassay/server/store/memory"
	"github.com/airassay/airassay/server/store/storetest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestContract(t *testing.T) {
	storetest.Run(t, func(*testing.T) store.Store { return memory.New() })
}
