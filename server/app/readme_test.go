// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"bytes"
	"context"
	"flag"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

var updateReadme = flag.Bool("update-readme", false, "write the page in README.md again")

// pageMark stands before the page in README.md; a fence follows.
const pageMark = "<!-- printed by: go run ./server/airassayd assay examples/drives/van/recording.csv -->\n```\n"

// The page in README.md is what the program prints, down to the advice.
func TestReadmeShowsWhatTheProgramPrints(t *testing.T) {
	root := filepath.Join("..", "..")
	recording := filepath.Join(root, "examples", "drives", "van", "recording.csv")
	var page bytes.Buffer
	if status := Main(context.Background(), []string{"assay", recording}, &page, io.Discard); status != StatusDone {
		t.Fatalf("assay ends with status %d", status)
	}
	printed, _, found := strings.Cut(page.String(), "\nSignals not believed")
	if !found {
		t.Fatal("the page has no section that the shown part could end at")
	}
	printed = strings.TrimRight(printed, "\n") + "\n"
	name := filepath.Join(root, "README.md")
	readme, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	before, rest, found := strings.Cut(string(readme), pageMark)
	shown, after, closed := strings.Cut(rest, "```\n")
	if !found || !closed {
		t.Fatalf("README.md has no page behind %q", pageMark)
	}
	if *updateReadme {
		if err := os.WriteFile(name, []byte(before+pageMark+printed+"```\n"+after), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if shown != printed {
		t.Error("README.md shows another page than the program prints; run go test ./server/app -run Readme -update-readme and read it")
	}
}
