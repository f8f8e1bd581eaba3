// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/airassay/airassay/sdk/host/manifest"
)

// install writes an adapter's folder, whose program is only a file.
func install(t *testing.T, dir, name string) string {
	t.Helper()
	folder := filepath.Join(dir, name)
	if err := os.MkdirAll(folder, 0o700); err != nil {
		t.Fatal(err)
	}
	text := `{"name": "` + name + `", "version": "1.0.0", "executable": "box", "files": {"box": "` + strings.Repeat("0", 64) + `"}, "protocol_versions": [1]}`
	if err := os.WriteFile(filepath.Join(folder, manifest.FileName), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return folder
}

func TestAFolderWithoutItsManifestIsNamed(t *testing.T) {
	dir := t.TempDir()
	install(t, dir, "good")
	for _, name := range []string{"forgotten", ".hidden"} {
		if err := os.Mkdir(filepath.Join(dir, name), 0o700); err != nil {
			t.Fatal(err)
		}
	}
	found, problems, err := (&AdapterOptions{Directory: dir}).load()
	if err != nil || len(found) != 1 || found[0].Manifest.Name != "good" {
		t.Fatalf("found %v, %v", found, err)
	}
	text := errors.Join(problems...)
	if len(problems) != 1 || !strings.Contains(text.Error(), "forgotten has no manifest.json") {
		t.Errorf("the problems are %v", problems)
	}
}

func TestTheFolderOfOneAdapterIsRefusedAsTheDirectoryOfAll(t *testing.T) {
	folder := install(t, t.TempDir(), "good")
	_, _, err := (&AdapterOptions{Directory: folder}).load()
	if err == nil || !strings.Contains(err.Error(), "name the directory that holds it") {
		t.Errorf("the error is %v", err)
	}
}

func TestADirectoryWithoutAdaptersIsToldAndServed(t *testing.T) {
	s := serveHere(t, func(o *ServeOptions) { o.Adapters.Directory = t.TempDir() })
	if text := s.logs.String(); !strings.Contains(text, "there is no adapter to run") {
		t.Errorf("the log says %s", text)
	}
}

func TestAManifestThatWasMendedIsReadAtAReset(t *testing.T) {
	dir := t.TempDir()
	folder := install(t, dir, "good")
	found, _, err := (&AdapterOptions{Directory: dir}).load()
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(folder, manifest.FileName)
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(strings.Replace(string(text), "1.0.0", "1.0.1", 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	m, err := found[0].Reload()
	if err != nil || m.Version != "1.0.1" {
		t.Errorf("read anew it is %v, %v", m, err)
	}
}

func TestTheConfigurationOfTheCANAdapterIsChecked(t *testing.T) {
	write := func(text string) string {
		path := filepath.Join(t.TempDir(), "can.json")
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	for text, want := range map[string]string{
		"{":                       "is no JSON",
		`{"transport": "pigeon"}`: "transport is",
		`{"speed": 1}`:            "speed is not known",
	} {
		_, _, err := (&AdapterOptions{CANConfiguration: write(text)}).load()
		if err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), "--socketcan-config") {
			t.Errorf("%s gives %v, want %q", text, err, want)
		}
	}
	if _, _, err := (&AdapterOptions{CANConfiguration: filepath.Join(t.TempDir(), "missing")}).load(); err == nil {
		t.Error("a missing file is taken")
	}
	const text = `{"interfaces":["can0"],"heavy":true}`
	found, _, err := (&AdapterOptions{CANConfiguration: write(text)}).load()
	if err != nil || len(found) != 1 || found[0].Manifest.Name != "socketcan" || string(found[0].Manifest.Configuration) != text {
		t.Errorf("found %v, %v", found, err)
	}
	if found, _, err := (&AdapterOptions{CAN: true}).load(); err != nil || len(found) != 1 {
		t.Errorf("without a configuration, found %v, %v", found, err)
	}
}
