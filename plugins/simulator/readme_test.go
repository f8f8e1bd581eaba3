// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package simulator

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/airassay/airassay/sdk/adapter"
)

// Who copies the configuration, or follows a link, gets what the page promises.
func TestReadmeIsTrue(t *testing.T) {
	page, err := os.ReadFile("README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(page), "```json\n")
	configuration, _, ok := strings.Cut(rest, "```")
	var c config
	if err := adapter.Decode([]byte(configuration), &c); !ok || err != nil || c.Speed != 1 || !filepath.IsAbs(c.ScenarioDirectory) {
		t.Errorf("%s is read as %+v (%v)", configuration, c, err)
	}
	for _, link := range regexp.MustCompile(`\]\(([^)]+)\)`).FindAllStringSubmatch(string(page), -1) {
		if _, err := os.Stat(link[1]); err != nil {
			t.Errorf("a link leads nowhere: %v", err)
		}
	}
	for _, name := range regexp.MustCompile(`\./plugins/simulator/(\w+)`).FindAllStringSubmatch(string(page), -1) {
		if _, err := os.Stat(filepath.Join(name[1], "main.go")); err != nil {
			t.Errorf("a command is not there: %v", err)
		}
	}
}
