// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package replay

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"testing"

	"github.com/airassay/airassay/sdk/adapter"
)

func TestGoodConfigurationIsMisread(t *testing.T) {
	dir := t.TempDir()
	for more, want := range map[string]configuration{
		``:                                {dir, 1, false},
		`, "speed": 0.25`:                 {dir, 0.25, false},
		`, "speed": 1e3, "loop": true`:    {dir, 1000, true},
		`, "speed": "max", "loop": false`: {dir, math.Inf(1), false},
	} {
		text := fmt.Sprintf(`{"directory": %q%s}`, dir, more)
		r := &replay{}
		use, err := r.Configure(t.Context(), []byte(text))
		if err != nil {
			t.Errorf("%s: %v", text, err)
			continue
		}
		if r.config != (configuration{}) {
			t.Errorf("%s: took effect before it was put to use", text)
		}
		if use(); r.config != want {
			t.Errorf("%s: %+v, want %+v", text, r.config, want)
		}
	}
}

func TestBadConfigurationIsTakenOrNotExplained(t *testing.T) {
	dir := folder(t, map[string]string{"a.csv": "x"})
	for text, want := range map[string][]string{
		`{}`:                             {"directory: is missing"},
		``:                               {"configuration: is no JSON object"},
		`[]`:                             {"configuration: is no JSON object, at byte 1"},
		`{"directory": "/x", }`:          {"configuration: is no JSON object"},
		`{"directory": DIR} {}`:          {"configuration: is no JSON object"},
		`{"directory": DIR`:              {"configuration: is no JSON object"},
		`{"directory": null}`:            {"directory: is null; use a string"},
		`{"directory": 5}`:               {"directory: is 5; use a string"},
		`{"directory": ""}`:              {"directory: is empty"},
		`{"directory": "drives"}`:        {`directory: is "drives", which depends on where`},
		`{"directory": "../drives"}`:     {`directory: is "../drives", which depends on where`},
		`{"directory": "/a\u0000b"}`:     {"directory: holds a NUL"},
		`{"directory": DIR/missing}`:     {"does not exist; make it"},
		`{"directory": DIR/a.csv}`:       {"is no folder"},
		`{"directory": DIR/a.csv/b}`:     {"cannot be reached"},
		`{"Directory": DIR}`:             {"Directory: is not known; expected directory", "directory: is missing"},
		`{"directory": DIR, "sped": 1}`:  {"sped: is not known"},
		`{"directory": DIR, "speed": 0}`: {"speed: is 0; use a number above 0"},
		`{"directory": DIR, "speed": -1, "loop": 1, "x": 1}`:      {"x: is not known", "speed: is -1", "loop: is 1; use true"},
		`{"directory": DIR, "speed": 1000.1}`:                     {"speed: is 1000.1;"},
		`{"directory": DIR, "speed": 1e400}`:                      {"speed: is 1e400;"},
		`{"directory": DIR, "speed": null}`:                       {"speed: is null;"},
		`{"directory": DIR, "speed": "MAX"}`:                      {`speed: is "MAX";`},
		`{"directory": DIR, "speed": true}`:                       {"speed: is true;"},
		`{"directory": DIR, "loop": null}`:                        {"loop: is null;"},
		`{"directory": DIR, "loop": "yes"}`:                       {`loop: is "yes";`},
		`{"directory": DIR, "speed": 1, "speed": 2}`:              {"speed: stands there twice"},
		`{"directory": DIR, "loop": "` + strings.Repeat("é", 200): {"configuration: is no JSON object"},
	} {
		text = strings.ReplaceAll(text, "DIR/", fmt.Sprintf("%q", dir)+"/")
		for _, name := range []string{"missing", "a.csv/b", "a.csv"} {
			text = strings.ReplaceAll(text, fmt.Sprintf("%q/%s", dir, name), fmt.Sprintf("%q", filepath.Join(dir, name)))
		}
		text = strings.ReplaceAll(text, "DIR", fmt.Sprintf("%q", dir))
		use, err := (&replay{}).Configure(t.Context(), []byte(text))
		bad, ok := errors.AsType[*adapter.ConfigurationError](err)
		if !ok {
			t.Errorf("%s: %v, %t", text, err, use != nil)
			continue
		}
		if len(bad.Violations) != len(want) {
			t.Errorf("%s: %d violations, want %d: %v", text, len(bad.Violations), len(want), err)
			continue
		}
		for i, v := range bad.Violations {
			if got := v.Field + ": " + v.Problem; !strings.Contains(got, want[i]) {
				t.Errorf("%s: %q lacks %q", text, got, want[i])
			}
		}
	}
}

func FuzzConfiguration(f *testing.F) {
	for _, text := range []string{
		`{"directory": "/srv/drives", "speed": 1, "loop": false}`, `{"directory": "/a", "speed": "max"}`, `{"speed": 1e309}`,
		`{"directory": "\ud800"}`, `[[[[`, `{"a":{"b":[1,2,{}]}}`, "\xff", `{"loop": tru`, `nul`, `{"directory":"/a","directory":"/b"}`,
	} {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		c, bad := decode(text)
		if len(bad.Violations) > 0 {
			for _, v := range bad.Violations {
				if v.Problem == "" || !strings.ContainsAny(v.Problem, ";:") {
					t.Errorf("%q: the problem of %q is %q", text, v.Field, v.Problem)
				}
			}
			return
		}
		if !json.Valid(text) || !filepath.IsAbs(c.directory) || !(c.speed > 0) || c.speed > maxSpeed && !math.IsInf(c.speed, 1) {
			t.Errorf("%q is taken for %+v", text, c)
		}
	})
}
