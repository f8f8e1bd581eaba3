// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapters_test

import (
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/airassay/airassay/sdk/j1979"
	"github.com/airassay/airassay/server/session"
)

var update = flag.Bool("update", false, "write the table of signals anew")

const (
	signalsPage  = "../../sdk/adapter/signals.md"
	signalsBegin = "<!-- signals -->\n"
	signalsEnd   = "<!-- end of signals -->"
)

func TestThePageOfSignalsListsWhatDevicesAreAskedFor(t *testing.T) {
	var table strings.Builder
	table.WriteString("| path | unit | what it is |\n| --- | --- | --- |\n")
	for _, path := range session.UsedSignals() {
		s, known := j1979.ByPath(path)
		if !known {
			t.Fatalf("the assay uses %s, which sdk/j1979 does not know", path)
		}
		fmt.Fprintf(&table, "| `%s` | %s | %s |\n", path, s.Unit, s.Description)
	}
	page, err := os.ReadFile(signalsPage)
	if err != nil {
		t.Fatal(err)
	}
	before, rest, begins := strings.Cut(string(page), signalsBegin)
	listed, after, ends := strings.Cut(rest, signalsEnd)
	if !begins || !ends {
		t.Fatalf("%s lacks the marks %q and %q", signalsPage, signalsBegin, signalsEnd)
	}
	if listed == table.String() {
		return
	}
	if !*update {
		t.Fatalf("%s is not up to date; go test ./server/adapters -run PageOfSignals -update writes it", signalsPage)
	}
	if err := os.WriteFile(signalsPage, []byte(before+signalsBegin+table.String()+signalsEnd+after), 0o600); err != nil {
		t.Fatal(err)
	}
}
