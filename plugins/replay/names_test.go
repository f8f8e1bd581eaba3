// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package replay

import (
	"fmt"
	"regexp"
	"strings"
	"testing"
	"unicode/utf8"
)

var contractID = regexp.MustCompile(`^[a-z0-9.-]{1,60}$`)

func TestNameMakesAnotherID(t *testing.T) {
	for name, want := range map[string]string{
		"van":                              "van",
		"2031-05-17.csv":                   "2031-05-17.csv",
		"a--b..csv":                        "a--b..csv",
		"My Drive (2).CSV":                 "my-drive-2-.csv-",
		"Ünïcode.csv":                      "-n-code.csv-",
		"line\nbreak":                      "line-break-",
		"\xff\xfe":                         "--",
		"van-0123abcd":                     "van-0123abcd-", // looks like a folded name
		strings.Repeat("a", 60):            strings.Repeat("a", 60),
		strings.Repeat("a", 61):            strings.Repeat("a", 51) + "-",
		strings.Repeat("A", 300):           strings.Repeat("a", 51) + "-",
		"drive" + strings.Repeat("x ", 40): "drive" + strings.Repeat("x-", 23) + "-",
	} {
		got := idOf(name)
		if folded := strings.HasSuffix(want, "-"); !contractID.MatchString(got) || folded && !strings.HasPrefix(got, want) || folded && len(got) != len(want)+hashDigits || !folded && got != want {
			t.Errorf("the id of %q is %q, want %q", name, got, want)
		}
	}
}

func TestNamesCollapseToOneID(t *testing.T) {
	seen := map[string]string{}
	for _, name := range []string{"My drive", "my drive", "my-drive", "MY_DRIVE", "my\tdrive", "my--drive", "my  drive", idOf("My drive"), idOf("my drive"), idOf(idOf("My drive"))} {
		id := idOf(name)
		if other, taken := seen[id]; taken {
			t.Errorf("%q and %q have the id %q", name, other, id)
		}
		seen[id] = name
	}
}

// collide finds two names of one id, by trying.
func collide(t *testing.T) (string, string) {
	t.Helper()
	seen := map[string]string{}
	for i := range 1 << 22 {
		name := []byte(fmt.Sprintf("%022b", i))
		for k, c := range name {
			name[k] = "aA"[c-'0']
		}
		id := idOf(string(name))
		if other, taken := seen[id]; taken {
			return other, string(name)
		}
		seen[id] = string(name)
	}
	t.Fatal("no two names collide")
	return "", ""
}

func FuzzID(f *testing.F) {
	for _, name := range []string{"van", "My Drive.csv", "", "-", "\xff", "a-00000000", strings.Repeat("é", 80), "A\x00b"} {
		f.Add(name, name+"x")
	}
	f.Fuzz(func(t *testing.T, a, b string) {
		id := idOf(a)
		if !contractID.MatchString(id) || id != idOf(a) {
			t.Errorf("the id of %q is %q", a, id)
		}
		// Names that are ids stay; no other name gets one of them.
		if a != b && id == idOf(b) && (isID(a) && !endsInHash(a) || isID(b) && !endsInHash(b)) {
			t.Errorf("%q and %q have the id %q", a, b, id)
		}
		if s := shown(a); !utf8.ValidString(s) || strings.ContainsAny(s, "\x00\n\r\x1b") {
			t.Errorf("%q is shown as %q", a, s)
		}
	})
}
