// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package rpc

import (
	"errors"
	"fmt"
	"testing"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/server/session"
)

func devices(names ...string) []*pb.Device {
	all := make([]*pb.Device, len(names))
	for i, name := range names {
		all[i] = &pb.Device{Name: name}
	}
	return all
}

func TestPagesOfDevicesNeitherRepeatNorHideWhatStays(t *testing.T) {
	first, next, err := pageByName(devices("a", "b", "c", "d", "e"), "adapters/x", session.ListOptions{PageSize: 2})
	if err != nil || len(first) != 2 || next == "" {
		t.Fatal(first, next, err)
	}
	// b was unplugged and bb plugged in meanwhile.
	second, next, err := pageByName(devices("a", "bb", "c", "d", "e"), "adapters/x", session.ListOptions{PageSize: 2, PageToken: next})
	if err != nil || fmt.Sprint(second[0].GetName(), second[1].GetName()) != "bbc" {
		t.Fatal(second, err)
	}
	last, next, err := pageByName(devices("a", "d", "e"), "adapters/x", session.ListOptions{PageSize: 2, PageToken: next})
	if err != nil || len(last) != 2 || next != "" {
		t.Fatal(last, next, err)
	}
	none, next, err := pageByName(devices(), "adapters/x", session.ListOptions{PageSize: 2})
	if err != nil || len(none) != 0 || next != "" {
		t.Fatal(none, next, err)
	}
}

func TestATokenOfAnotherListIsRefused(t *testing.T) {
	_, token, err := pageByName(devices("a", "b"), "adapters/x", session.ListOptions{PageSize: 1})
	if err != nil {
		t.Fatal(err)
	}
	for _, bad := range []string{token + "x", "nonsense", "!", "YWI"} {
		if _, _, err := pageByName(devices("a", "b"), "adapters/x", session.ListOptions{PageSize: 1, PageToken: bad}); !errors.Is(err, session.ErrPageToken) {
			t.Errorf("the token %q gives %v", bad, err)
		}
	}
	if _, _, err := pageByName(devices("a", "b"), "adapters/y", session.ListOptions{PageSize: 1, PageToken: token}); !errors.Is(err, session.ErrPageToken) {
		t.Errorf("the token of another parent gives %v", err)
	}
}
