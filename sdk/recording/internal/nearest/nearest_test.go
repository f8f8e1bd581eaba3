// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package nearest

import "testing"

func TestWord(t *testing.T) {
	known := []string{"MAF", "MAP", "IntakeTemp", "EngineSpeed", "EngineLoad"}
	for _, c := range []struct{ word, want string }{
		{"IntakeTmp", "IntakeTemp"}, {"enginespeed", "EngineSpeed"}, {"MAFF", "MAF"},
		{"EngineSpede", "EngineSpeed"}, {"xyz", ""}, {"", ""}, {"Wheelbase", ""},
	} {
		if got := Word(c.word, known); got != c.want {
			t.Errorf("%q: got %q, want %q", c.word, got, c.want)
		}
	}
}

func TestDistanceStopsAtLimit(t *testing.T) {
	for _, c := range []struct {
		a, b        string
		limit, want int
	}{{"tine", "time", 3, 1}, {"tiem", "time", 3, 1}, {"abc", "xyz", 2, 2}, {"", "", 1, 0}, {"a", "abcdef", 3, 3}} {
		if got := Distance(c.a, c.b, c.limit); got != c.want {
			t.Errorf("%q %q: got %d, want %d", c.a, c.b, got, c.want)
		}
	}
}
