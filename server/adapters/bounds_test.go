// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapters

import (
	"errors"
	"strings"
	"testing"
	"unicode/utf8"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

const chatter = 1 << 20

func TestWhatAnAdapterSaysIsBoundedBeforeItIsShown(t *testing.T) {
	long := strings.Repeat("é", chatter)
	said := callFailed(t.Context(), "loud", "OpenDevice", status.Error(codes.Internal, long))
	for _, err := range []error{errors.New(long), said} {
		if n := utf8.RuneCountInString(words(err)); n > 2*maxWords {
			t.Errorf("%T is shown in %d characters", err, n)
		}
	}
	if all := clipAll([]string{long, "b", "c"}, 2); len(all) != 2 || utf8.RuneCountInString(all[0]) > maxWords+1 {
		t.Errorf("%d texts are kept", len(all))
	}
}

func TestOnlyWhatWasWantedIsToldToBeMissingAndThatOnce(t *testing.T) {
	f := &feed{}
	missing := []*adapterv1beta1.UnavailableSignal{{Path: "A"}, {Path: "stranger"}, {Path: "A"}}
	f.lack(missing, []*adapterv1beta1.WantedSignal{{Path: "A"}, {Path: "B"}})
	if len(f.missing) != 1 || f.missing[0].GetPath() != "A" {
		t.Errorf("missing are %v", f.missing)
	}
}

func TestASignalThatAFeedLacksWhenItComesBackIsToldBesideThoseThatNeverCame(t *testing.T) {
	r := &run{positions: map[string]int32{"A": 0, "B": 1}}
	r.lack([]*pb.UnavailableCaptureSignal{{Path: "never"}})
	r.lack([]*pb.UnavailableCaptureSignal{{Path: "A"}})
	if len(r.missing) != 2 {
		t.Errorf("missing are %v", r.missing)
	}
	if r.lack(nil); len(r.missing) != 1 || r.missing[0].GetPath() != "never" {
		t.Errorf("after it has come back missing are %v", r.missing)
	}
}
