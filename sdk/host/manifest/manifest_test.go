// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package manifest

import (
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
)

var aSum = strings.Repeat("ab", 32)

func sound() string {
	return `{
  "name": "bench", "version": "1.4.0-rc.1",
  "executable": "adapter", "arguments": ["-v"],
  "files": {"adapter": "` + aSum + `", "lib/table.bin": "` + aSum + `"},
  "protocol_versions": [1, 2],
  "environment": ["BENCH_HOME"],
  "configuration": {"port": "a", "rate": 1e3}
}
`
}

func TestSoundManifestIsReadWhole(t *testing.T) {
	m, err := Decode("m.json", []byte(sound()))
	if err != nil {
		t.Fatal(err)
	}
	want := &Manifest{
		Name: "bench", Version: "1.4.0-rc.1", Executable: "adapter", Arguments: []string{"-v"},
		Files: map[string]string{"adapter": aSum, "lib/table.bin": aSum}, ProtocolVersions: []int{1, 2},
		Environment: []string{"BENCH_HOME"}, Configuration: json.RawMessage(`{"port": "a", "rate": 1e3}`),
	}
	if !reflect.DeepEqual(m, want) {
		t.Errorf("got %+v", m)
	}
}

// Each fault must be named with its place, so that the administrator's editor can jump there.
func TestFaultsAreNamedWithTheirPlace(t *testing.T) {
	swap := func(old, with string) string { return strings.Replace(sound(), old, with, 1) }
	for name, tc := range map[string]struct{ data, says string }{
		"unknown key":        {swap(`"arguments"`, `"argumets"`), `m.json:3:28: "argumets": is no key of a manifest; the keys are arguments, `},
		"key in capitals":    {swap(`"arguments"`, `"Arguments"`), `m.json:3:28: "Arguments": is no key`},
		"key twice":          {swap(`"version": "1.4.0-rc.1"`, `"name": "other"`), `m.json:2:20: "name": comes twice`},
		"wrong type":         {swap(`["-v"]`, `"-v"`), `m.json:3:28: "arguments": expected a list of strings, found string`},
		"fraction":           {swap(`[1, 2]`, `[1.5]`), `m.json:5:3: "protocol_versions": expected a list of whole numbers`},
		"syntax":             {swap(`"arguments":`, `"arguments"`), `m.json:3:40: is no JSON`},
		"cut":                {sound()[:40], `m.json:2:`},
		"empty":              {"", `m.json:1:1: is no JSON`},
		"list":               {"[]", `m.json:1:1: expected an object`},
		"two objects":        {sound() + "{}", `m.json:9:1: is no JSON`},
		"bad name":           {swap(`"bench"`, `"../bench"`), `m.json:2:3: "name": is "../bench"`},
		"bad version":        {swap(`1.4.0-rc.1`, `newest`), `m.json:2:20: "version": is "newest"`},
		"leads out":          {swap(`"executable": "adapter"`, `"executable": "../adapter"`), `m.json:3:3: "executable": "../adapter" leads out`},
		"unlisted":           {swap(`"executable": "adapter"`, `"executable": "other"`), `m.json:4:3: "files": does not list the executable "other"`},
		"short sum":          {swap(aSum, "ab"), `m.json:4:3: "files": "adapter" has the sum "ab"`},
		"no protocol":        {swap(`[1, 2]`, `[]`), `m.json:5:3: "protocol_versions": is missing or empty`},
		"protocol 0":         {swap(`[1, 2]`, `[0]`), `m.json:5:3: "protocol_versions": 0 is no protocol version`},
		"variable and value": {swap(`BENCH_HOME`, `BENCH_HOME=/x`), `m.json:6:3: "environment": "BENCH_HOME=/x" is no name`},
		"handshake variable": {swap(`BENCH_HOME`, `PLUGIN_CLIENT_CERT`), `m.json:6:3: "environment": "PLUGIN_CLIENT_CERT" belongs`},
		"zero byte":          {swap(`"-v"`, `"\u0000"`), `m.json:3:28: "arguments":`},
		"too long":           {sound() + strings.Repeat(" ", maxBytes), `m.json:1:1: is `},
	} {
		_, err := Decode("m.json", []byte(tc.data))
		if err == nil || !strings.HasPrefix(err.Error(), tc.says) {
			t.Errorf("%s: %v\nwant %s", name, err, tc.says)
		}
		if _, ok := errors.AsType[*PositionError](err); !ok {
			t.Errorf("%s: no position", name)
		}
	}
}

// place makes a folder with a sealed and written manifest.
func place(t *testing.T, dir, name string) *Manifest {
	t.Helper()
	m := &Manifest{Name: name, Version: "1.0.0", Executable: "adapter", ProtocolVersions: []int{1}, Dir: filepath.Join(dir, name)}
	if err := os.MkdirAll(filepath.Join(m.Dir, "lib"), 0o755); err != nil {
		t.Fatal(err)
	}
	for file, data := range map[string]string{"adapter": "program", "lib/table.bin": "table"} {
		if err := os.WriteFile(filepath.Join(m.Dir, file), []byte(data), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	if err := m.Seal("lib/table.bin"); err != nil {
		t.Fatal(err)
	}
	if err := m.Write(); err != nil {
		t.Fatal(err)
	}
	return m
}

func TestWrittenManifestIsReadBack(t *testing.T) {
	m := place(t, t.TempDir(), "bench")
	got, err := Load(m.Dir)
	if err != nil || !reflect.DeepEqual(got, m) {
		t.Errorf("wrote %+v, read %+v, %v", m, got, err)
	}
	entries, _ := os.ReadDir(m.Dir)
	if len(entries) != 3 {
		t.Errorf("left behind: %v", entries)
	}
}

func TestLoadAllKeepsTheGoodBesideTheBad(t *testing.T) {
	dir := t.TempDir()
	place(t, dir, "b-good")
	place(t, dir, "a-good")
	renamed := place(t, dir, "wrong")
	for _, err := range []error{
		os.Rename(renamed.Dir, filepath.Join(dir, "renamed")),
		os.MkdirAll(filepath.Join(dir, "no-adapter"), 0o755),
		os.MkdirAll(filepath.Join(dir, ".hidden"), 0o755),
		os.WriteFile(filepath.Join(dir, ".hidden", FileName), []byte("{"), 0o600),
		os.MkdirAll(filepath.Join(dir, "broken"), 0o755),
		os.WriteFile(filepath.Join(dir, "broken", FileName), []byte("{"), 0o600),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	all, err := LoadAll(dir)
	if len(all) != 2 || all[0].Name != "a-good" || all[1].Name != "b-good" {
		t.Errorf("loaded %v", all)
	}
	if err == nil || !strings.Contains(err.Error(), `the adapter is named "wrong", but its folder "renamed"`) ||
		!strings.Contains(err.Error(), filepath.Join("broken", FileName)+":1:1") || strings.Contains(err.Error(), ".hidden") {
		t.Errorf("error %v", err)
	}
	if _, err := LoadAll(filepath.Join(dir, "missing")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a missing folder: %v", err)
	}
}

func TestVerifyFindsEveryChange(t *testing.T) {
	for _, name := range []string{"adapter", "lib/table.bin"} {
		m := place(t, t.TempDir(), "bench")
		f, err := m.Verify()
		if err != nil {
			t.Fatal(err)
		}
		_ = f.Close()
		if err := os.WriteFile(m.Path(name), []byte("changed"), 0o755); err != nil {
			t.Fatal(err)
		}
		_, err = m.Verify()
		changed, ok := errors.AsType[*ChecksumError](err)
		if !ok || changed.File != m.Path(name) || changed.Want != m.Files[name] || !strings.Contains(err.Error(), changed.Got) {
			t.Errorf("%s: %v", name, err)
		}
		if err := os.Remove(m.Path(name)); err != nil {
			t.Fatal(err)
		}
		if _, err := m.Verify(); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("%s removed: %v", name, err)
		}
	}
}

func TestFolderThatIsNoFileIsRefused(t *testing.T) {
	m := place(t, t.TempDir(), "bench")
	m.Files["lib"] = aSum
	if _, err := m.Verify(); err == nil || !strings.Contains(err.Error(), "no regular file") {
		t.Errorf("error %v", err)
	}
}

func TestSealRefusesWhatItCannotRead(t *testing.T) {
	m := place(t, t.TempDir(), "bench")
	for _, name := range []string{"missing", "../outside", ""} {
		if err := m.Seal(name); err == nil {
			t.Errorf("sealed %q", name)
		}
	}
}

func FuzzDecode(f *testing.F) {
	f.Add([]byte(sound()))
	for _, s := range []string{"", "{", "[]", `{"name":1}`, `{"name":"a","name":"b"}`, `{"configuration":null}`, "{}x", "\xff"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		m, err := Decode("m.json", data)
		if err != nil {
			at, ok := errors.AsType[*PositionError](err)
			if !ok || at.Line < 1 || at.Column < 1 {
				t.Fatalf("no place in %v", err)
			}
			return
		}
		again, err := json.Marshal(m)
		if err != nil {
			t.Fatalf("what was read cannot be written: %v", err)
		}
		if _, err := Decode("m.json", again); err != nil {
			t.Fatalf("what was written cannot be read: %v\n%s", err, again)
		}
	})
}
