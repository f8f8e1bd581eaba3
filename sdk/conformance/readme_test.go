// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

import (
	"flag"
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/airassay/airassay/sdk/j1979"
)

// table is the README's table of checks.
func table() string {
	var b strings.Builder
	b.WriteString("| check | profile | what holds | sentence | skipped without |\n| --- | --- | --- | --- | --- |\n")
	for _, i := range Items() {
		var cited []string
		for _, n := range i.Sentences {
			cited = append(cited, n+": "+sentence(n))
		}
		_, _ = fmt.Fprintf(&b, "| %s | %s | %s | %s | %s |\n", i.ID, i.Profile, i.Title, strings.Join(cited, " "), i.Needs)
	}
	return b.String()
}

func TestREADMEListsTheChecksThatThereAre(t *testing.T) {
	update := flag.Lookup("update") != nil && flag.Lookup("update").Value.String() == "true"
	page, err := os.ReadFile("README.md")
	if err != nil {
		t.Fatal(err)
	}
	const begin, end = "<!-- checks -->\n", "<!-- end of checks -->"
	before, rest, found := strings.Cut(string(page), begin)
	old, after, ended := strings.Cut(rest, end)
	if !found || !ended {
		t.Fatal("README.md lacks the marks around its table of checks")
	}
	if old == table() {
		return
	}
	if !update {
		t.Fatal("README.md does not list the checks as they are; write it with -update")
	}
	if err := os.WriteFile("README.md", []byte(before+begin+table()+end+after), 0o644); err != nil {
		t.Fatal(err)
	}
}

var _ = flag.Bool("update", false, "write README.md's table of checks")

// contractSentences reads the numbered sentences from the contract itself.
func contractSentences(t *testing.T) map[string]string {
	t.Helper()
	text, err := os.ReadFile("../../api/airassay/adapter/v1beta1/adapter.proto")
	if err != nil {
		t.Fatal(err)
	}
	numbered := regexp.MustCompile(`^//\t([A-Z]\d+) +(.+)$`)
	sentences := map[string]string{}
	last := ""
	for line := range strings.Lines(string(text)) {
		line = strings.TrimSpace(line)
		if m := numbered.FindStringSubmatch(line); m != nil {
			last = m[1]
			sentences[last] = m[2]
			continue
		}
		if more, ok := strings.CutPrefix(line, "//\t    "); ok && last != "" {
			sentences[last] += " " + more
			continue
		}
		last = ""
	}
	return sentences
}

func TestSentencesAreThoseOfTheContract(t *testing.T) {
	want := contractSentences(t)
	if len(want) < 40 {
		t.Fatalf("only %d sentences were found in the contract", len(want))
	}
	for number, text := range want {
		if got := sentence(number); got != text {
			t.Errorf("%s is %q, in the contract %q", number, got, text)
		}
	}
	for _, s := range Sentences() {
		own := slices.Contains([]string{"H", "E", "M"}, s.Number[:1])
		if _, ok := want[s.Number]; !ok && !own {
			t.Errorf("%s is no sentence of the contract", s.Number)
		}
	}
}

func TestEverySentenceHasACheck(t *testing.T) {
	for _, s := range Sentences() {
		if !slices.ContainsFunc(Items(), func(i Item) bool { return slices.Contains(i.Sentences, s.Number) }) {
			t.Errorf("no check cites %s", s.Number)
		}
	}
	seen := map[string]bool{}
	for _, i := range Items() {
		if seen[i.ID] || i.Title == "" || len(i.Sentences) == 0 || sentence(i.Sentences[0]) == "" {
			t.Errorf("%+v is not whole, or there twice", i)
		}
		seen[i.ID] = true
	}
}

func TestForbiddenRequestsAreForbidden(t *testing.T) {
	for _, payload := range append(harmless(), harmful()...) {
		if j1979.CheckReadOnly(payload) == nil {
			t.Errorf("% X only reads", payload)
		}
	}
	if err := j1979.CheckReadOnly([]byte(refusedByMost)); err != nil {
		t.Error(err)
	}
}
