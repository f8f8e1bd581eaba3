// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package manifest reads and writes the file in which an administrator says which program an adapter is, and checks
// that the program is still the one that was meant.
//
// An adapter lives in a folder of its own, <dir>/<name>/manifest.json. Nothing is ever looked up on a search path and
// nothing goes through a shell: what is not in the file does not run.
package manifest

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
)

// FileName is the manifest's name in the adapter's folder.
const FileName = "manifest.json"

// maxBytes bounds a manifest, so that a wrong file cannot fill the memory. The largest sensible one, a script with a
// thousand listed files, is a tenth of it.
const maxBytes = 1 << 20

// Manifest says what an adapter is and how it is started. It is not changed by this package once loaded, so that many
// goroutines may read it.
type Manifest struct {
	// Name of the adapter and of its folder: lower-case letters, digits and hyphens, at most 40.
	Name string `json:"name"`
	// Version of the adapter, semantic versioning.
	Version string `json:"version"`
	// Executable is the program, relative to the manifest's folder or absolute. It must be listed in Files.
	Executable string `json:"executable"`
	// Arguments of the program, without its own name; each is passed on as it is.
	Arguments []string `json:"arguments,omitempty"`
	// Files maps each file that makes up the adapter, relative to the manifest's folder or absolute, to its SHA-256
	// in 64 hexadecimal digits.
	Files map[string]string `json:"files"`
	// ProtocolVersions that the adapter speaks, each 1 or more.
	ProtocolVersions []int `json:"protocol_versions"`
	// Environment names the variables of the host that the adapter may see, besides those that every adapter gets.
	Environment []string `json:"environment,omitempty"`
	// Configuration is handed to the adapter as it stands; nil for none.
	Configuration json.RawMessage `json:"configuration,omitempty"`

	// Dir is the folder that relative paths count from.
	Dir string `json:"-"`
}

// Path gives the place of a file that the manifest names.
func (m *Manifest) Path(name string) string {
	if filepath.IsAbs(name) {
		return filepath.Clean(name)
	}
	return filepath.Join(m.Dir, filepath.FromSlash(name))
}

// ConfigurationJSON is the configuration as the contract hands it over: empty for none.
func (m *Manifest) ConfigurationJSON() string { return string(m.Configuration) }

// PositionError says what is wrong in a manifest, and where.
type PositionError struct {
	// File is the name that was given for the manifest.
	File string
	// Line and Column count from 1; the column counts bytes.
	Line, Column int
	// Key is the key concerned; empty where the text is no JSON.
	Key string
	// Err says what is wrong.
	Err error
}

// Error is of the form file:line:column: key: what is wrong.
func (e *PositionError) Error() string {
	if e.Key == "" {
		return fmt.Sprintf("%s:%d:%d: %v", e.File, e.Line, e.Column, e.Err)
	}
	return fmt.Sprintf("%s:%d:%d: %q: %v", e.File, e.Line, e.Column, e.Key, e.Err)
}

// Unwrap gives what is wrong.
func (e *PositionError) Unwrap() error { return e.Err }

type text struct {
	file string
	data []byte
	keys map[string]int64 // the offset of each key
}

func (t text) errorAt(offset int64, key string, err error) *PositionError {
	before := t.data[:max(0, min(offset, int64(len(t.data))))]
	line := 1 + bytes.Count(before, []byte("\n"))
	column := len(before) - bytes.LastIndexByte(before, '\n')
	return &PositionError{File: t.file, Line: line, Column: column, Key: key, Err: err}
}

// Decode reads a manifest strictly: an unknown key, a key that comes twice and anything after the object are refused.
// The file's name serves for messages only. Errors are *PositionError.
func Decode(file string, data []byte) (*Manifest, error) {
	t := text{file: file, data: data, keys: map[string]int64{}}
	if len(data) > maxBytes {
		return nil, t.errorAt(0, "", fmt.Errorf("is %d bytes long, at most %d are read", len(data), maxBytes))
	}
	var whole json.RawMessage
	if err := json.Unmarshal(data, &whole); err != nil {
		return nil, t.errorAt(syntaxOffset(err, data), "", fmt.Errorf("is no JSON: %w", err))
	}
	m := &Manifest{}
	if err := t.object(m); err != nil {
		return nil, err
	}
	for _, f := range m.faults() {
		offset := t.keys[f.key]
		return nil, t.errorAt(offset, f.key, f.err)
	}
	return m, nil
}

func syntaxOffset(err error, data []byte) int64 {
	if syntax, ok := errors.AsType[*json.SyntaxError](err); ok {
		return max(0, syntax.Offset-1)
	}
	return int64(len(data))
}

// object reads the keys one by one, because only so does an error know its place.
func (t text) object(m *Manifest) error {
	dec := json.NewDecoder(bytes.NewReader(t.data))
	if start, err := dec.Token(); err != nil || start != json.Delim('{') {
		return t.errorAt(0, "", errors.New("expected an object, as in {\"name\": …}"))
	}
	for dec.More() {
		offset := t.skipTo(dec.InputOffset())
		token, err := dec.Token()
		if err != nil {
			return t.errorAt(offset, "", err)
		}
		key := fmt.Sprint(token)
		if err := t.member(dec, m, key, offset); err != nil {
			return t.errorAt(offset, key, err)
		}
	}
	return nil
}

// skipTo passes the comma and the blanks that stand before the next key.
func (t text) skipTo(offset int64) int64 {
	for offset < int64(len(t.data)) && strings.IndexByte(" \t\r\n,", t.data[offset]) >= 0 {
		offset++
	}
	return offset
}

func (t text) member(dec *json.Decoder, m *Manifest, key string, offset int64) error {
	targets := map[string]any{
		"name": &m.Name, "version": &m.Version, "executable": &m.Executable, "arguments": &m.Arguments, "files": &m.Files,
		"protocol_versions": &m.ProtocolVersions, "environment": &m.Environment, "configuration": &m.Configuration,
	}
	target, known := targets[key]
	if !known {
		return errors.New("is no key of a manifest; the keys are " + strings.Join(sortedKeys(targets), ", "))
	}
	if _, twice := t.keys[key]; twice {
		return errors.New("comes twice")
	}
	t.keys[key] = offset
	err := dec.Decode(target)
	if wrong, ok := errors.AsType[*json.UnmarshalTypeError](err); ok {
		return fmt.Errorf("expected %s, found %s", kinds[key], wrong.Value)
	}
	return err
}

var kinds = map[string]string{
	"name": "a string", "version": "a string", "executable": "a string", "arguments": "a list of strings",
	"files":             "an object of file names and SHA-256 sums",
	"protocol_versions": "a list of whole numbers", "environment": "a list of strings",
}

func sortedKeys(m map[string]any) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

var (
	nameForm     = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}$`)
	variableForm = regexp.MustCompile(`^[A-Za-z_][A-Za-z0-9_]*$`)
	// Semantic versioning 2.0.0, without its rule on leading zeros.
	versionForm = regexp.MustCompile(`^\d+\.\d+\.\d+(-[0-9A-Za-z.-]+)?(\+[0-9A-Za-z.-]+)?$`)
)

// reserved variables belong to the handshake; the host sets them itself.
const reserved = "PLUGIN_"

type fault struct {
	key string
	err error
}

// Validate checks a manifest that was made in a program rather than read. It joins all that is wrong.
func (m *Manifest) Validate() error {
	var all []error
	for _, f := range m.faults() {
		all = append(all, fmt.Errorf("%q: %w", f.key, f.err))
	}
	return errors.Join(all...)
}

func (m *Manifest) faults() []fault {
	var found []fault
	add := func(key, format string, args ...any) { found = append(found, fault{key, fmt.Errorf(format, args...)}) }
	if !nameForm.MatchString(m.Name) {
		add("name", "is %q, expected 1 to 40 lower-case letters, digits and hyphens", m.Name)
	}
	if !versionForm.MatchString(m.Version) {
		add("version", "is %q, expected a version such as 1.4.0", m.Version)
	}
	if err := checkPath(m.Executable); err != nil {
		add("executable", "%w", err)
	} else if _, listed := m.Files[m.Executable]; !listed {
		add("files", "does not list the executable %q; every start checks its SHA-256", m.Executable)
	}
	for _, argument := range m.Arguments {
		if strings.ContainsRune(argument, 0) {
			add("arguments", "%q holds a zero byte, which no program can receive", argument)
		}
	}
	found = append(found, m.fileFaults()...)
	found = append(found, m.protocolFaults()...)
	for _, name := range m.Environment {
		if !variableForm.MatchString(name) {
			add("environment", "%q is no name of a variable; list names, without values", name)
		} else if strings.HasPrefix(name, reserved) {
			add("environment", "%q belongs to the handshake and is set by the host", name)
		}
	}
	if len(m.Configuration) > 0 && !json.Valid(m.Configuration) {
		add("configuration", "is no JSON")
	}
	return found
}

func (m *Manifest) fileFaults() []fault {
	var found []fault
	for _, name := range m.names() {
		if err := checkPath(name); err != nil {
			found = append(found, fault{"files", err})
		}
		if sum, err := hex.DecodeString(m.Files[name]); err != nil || len(sum) != 32 {
			found = append(found, fault{"files", fmt.Errorf("%q has the sum %q, expected a SHA-256 of 64 hexadecimal digits", name, m.Files[name])})
		}
	}
	return found
}

func (m *Manifest) protocolFaults() []fault {
	if len(m.ProtocolVersions) == 0 {
		return []fault{{"protocol_versions", errors.New("is missing or empty; list the versions that the adapter speaks, such as [1]")}}
	}
	for _, v := range m.ProtocolVersions {
		if v < 1 {
			return []fault{{"protocol_versions", fmt.Errorf("%d is no protocol version, the first is 1", v)}}
		}
	}
	return nil
}

// names lists the files in a fixed order, so that the same manifest gives the same first error.
func (m *Manifest) names() []string {
	names := make([]string, 0, len(m.Files))
	for name := range m.Files {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

func checkPath(name string) error {
	switch {
	case name == "":
		return errors.New("is empty, expected a path relative to the manifest's folder or absolute")
	case strings.ContainsRune(name, 0):
		return fmt.Errorf("%q holds a zero byte", name)
	case !filepath.IsAbs(name) && !filepath.IsLocal(filepath.FromSlash(name)):
		return fmt.Errorf("%q leads out of the manifest's folder; write it as an absolute path", name)
	}
	return nil
}

// Load reads the manifest in a folder. The folder must bear the adapter's name and must not be open to others.
func Load(dir string) (*Manifest, error) {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return nil, err
	}
	file := filepath.Join(dir, FileName)
	data, err := readBounded(file)
	if err != nil {
		return nil, err
	}
	m, err := Decode(file, data)
	if err != nil {
		return nil, err
	}
	m.Dir = dir
	if base := filepath.Base(dir); base != m.Name {
		return nil, fmt.Errorf("%s: the adapter is named %q, but its folder %q; name them alike", file, m.Name, base)
	}
	return m, checkFolder(dir)
}

// LoadAll reads the manifest of each folder in dir, sorted by name. A folder without a manifest, and one whose name
// begins with a dot, is no adapter. Those that can be used are returned even when others cannot; the error joins what
// is wrong with the others.
func LoadAll(dir string) ([]*Manifest, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	var good []*Manifest
	var bad []error
	for _, entry := range entries {
		folder := filepath.Join(dir, entry.Name())
		if info, err := os.Stat(folder); err != nil || !info.IsDir() || strings.HasPrefix(entry.Name(), ".") {
			continue
		}
		m, err := Load(folder)
		switch {
		case errors.Is(err, os.ErrNotExist):
		case err != nil:
			bad = append(bad, err)
		default:
			good = append(good, m)
		}
	}
	return good, errors.Join(bad...)
}
