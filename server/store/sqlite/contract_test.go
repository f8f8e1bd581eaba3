// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package sqlite_test

import (
	"context"
	"testing"

	"go.uber.org/goleak"

	"github.com/airassay/airassay/server/store"
	"github.com/airassay/airassay/server/store/sqlite"
	"github.com/airassay/airassay/server/store/storetest"
)

func open(dir string) (store.Store, error) {
	s, err := sqlite.Open(context.Background(), dir)
	if err != nil {
		return nil, err
	}
	return s, nil
}

func TestMain(m *testing.M) {
	storetest.Victim(open)
	goleak.VerifyTestMain(m)
}

func TestContract(t *testing.T) {
	storetest.Run(t, func(t *testing.T) store.Store {
		s, err := open(t.TempDir())
		if err != nil {
			t.Fatal(err)
		}
		return s
	})
}

func TestDurable(t *testing.T) { storetest.RunDurable(t, open) }
