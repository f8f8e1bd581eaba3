// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package replay

import (
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"

	"github.com/airassay/airassay/sdk/host/manifest"
)

func TestReadmeShowsWhatIsRefused(t *testing.T) {
	page, err := os.ReadFile("README.md")
	if err != nil {
		t.Fatal(err)
	}
	text := string(page)
	_, block, _ := strings.Cut(text, "```json\n")
	block, _, _ = strings.Cut(block, "```")
	if c, bad := decode([]byte(block)); len(bad.Violations) > 0 || c.directory == "" {
		t.Errorf("the configuration is %+v: %v", c, bad)
	}
	_, shown, _ := strings.Cut(text, "<<END\n")
	shown, _, _ = strings.Cut(shown, "END\n")
	shown = regexp.MustCompile(`\$\(.*?\)`).ReplaceAllString(shown, strings.Repeat("0", 64))
	m, err := manifest.Decode(manifest.FileName, []byte(strings.ReplaceAll(shown, "$PWD", "/srv")))
	if err != nil {
		t.Fatal(err)
	}
	if _, bad := decode([]byte(m.ConfigurationJSON())); len(bad.Violations) > 0 || m.Name != Name || m.Version != Version {
		t.Errorf("the manifest is %+v: %v", m, bad)
	}
	for _, limit := range []string{
		fmt.Sprintf("first %d names", maxEntries), fmt.Sprintf("%d MiB", maxFileBytes>>20), fmt.Sprintf("%d million samples, 22", maxSamples/1_000_000),
		fmt.Sprintf("%d million samples in all", maxHeld/1_000_000), fmt.Sprintf("at most %d,", maxSpeed), mappingSuffix, inFolder,
	} {
		if !strings.Contains(text, limit) {
			t.Errorf("the page lacks %q", limit)
		}
	}
}
