// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socketcan

import (
	"fmt"
	"strings"
	"testing"

	"github.com/airassay/airassay/plugins/socketcan/socket"
)

func TestAdministratorIsNotToldWhyThereIsNoInterface(t *testing.T) {
	lacking := fmt.Errorf("%w: the kernel lacks the modules", socket.ErrUnsupported)
	for _, tc := range []struct {
		others      []string
		unsupported error
		says        string
	}{
		{nil, lacking, "the kernel lacks the modules"},
		{[]string{"can1", "can2"}, nil, "does not allow those that there are: can1 can2"},
		{nil, nil, "plug one in"},
	} {
		if got := whyNone(tc.others, tc.unsupported); !strings.Contains(got, tc.says) {
			t.Errorf("%v, %v: %q, want %q", tc.others, tc.unsupported, got, tc.says)
		}
	}
}
