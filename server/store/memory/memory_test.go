// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package memory_test

import (
	"testing"

	"github.com/airassay/airassay/server/store"
	"github.com/airassay/airassay/server/store/memory"
	"github.com/airassay/airassay/server/store/storetest"
)

func TestMain(m *testing.M) { storetest.Main(m, nil) }

func TestContract(t *testing.T) {
	storetest.Run(t, func(*testing.T) store.Store { return memory.New() })
}
