// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package manifest

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
)

// ChecksumError says that a file is not the one that the manifest means.
type ChecksumError struct {
	// File is its path.
	File string
	// Want and Got are SHA-256 sums in hexadecimal digits.
	Want, Got string
}

// Error names the file and both sums.
func (e *ChecksumError) Error() string {
	return fmt.Sprintf("%s has the SHA-256 %s, but the manifest expects %s: it was changed since; install the adapter anew, or write its manifest anew if the change is meant", e.File, e.Got, e.Want)
}

// Verify checks the sum of every listed file and returns the executable, open for reading at its start, so that the
// very file that was checked can be run. The caller closes it. Errors are *ChecksumError, or say which file cannot be
// read or who else could write it.
func (m *Manifest) Verify() (*os.File, error) {
	if err := m.Validate(); err != nil {
		return nil, err
	}
	if err := checkFolder(m.Dir); err != nil {
		return nil, err
	}
	var executable *os.File
	for _, name := range m.names() {
		f, err := m.verify(name)
		if err != nil {
			if executable != nil {
				_ = executable.Close()
			}
			return nil, err
		}
		if name == m.Executable {
			executable = f
			continue
		}
		_ = f.Close() // only read
	}
	return executable, nil
}

func (m *Manifest) verify(name string) (*os.File, error) {
	f, err := openRegular(m.Path(name))
	if err != nil {
		return nil, fmt.Errorf("listed in the manifest of %s: %w", m.Name, err)
	}
	got, err := sum(f)
	if err == nil && !strings.EqualFold(got, m.Files[name]) {
		err = &ChecksumError{File: f.Name(), Want: strings.ToLower(m.Files[name]), Got: got}
	}
	if err == nil {
		_, err = f.Seek(0, io.SeekStart)
	}
	if err != nil {
		_ = f.Close()
		return nil, err
	}
	return f, nil
}

// openRegular refuses what could block or never end, such as a named pipe, before it opens it.
func openRegular(path string) (*os.File, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is no regular file but %s", path, info.Mode().Type())
	}
	if err := checkFile(path, info); err != nil {
		return nil, err
	}
	return os.Open(path)
}

func sum(r io.Reader) (string, error) {
	h := sha256.New()
	if _, err := io.Copy(h, r); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// Checksum gives the SHA-256 of a regular file in hexadecimal digits.
func Checksum(path string) (string, error) {
	f, err := openRegular(path)
	if err != nil {
		return "", err
	}
	defer func() { _ = f.Close() }() // only read
	return sum(f)
}

// Seal fills in Files: the sums of the executable and of the further files, each relative to Dir or absolute.
func (m *Manifest) Seal(further ...string) error {
	files := map[string]string{}
	for _, name := range append([]string{m.Executable}, further...) {
		if err := checkPath(name); err != nil {
			return err
		}
		got, err := Checksum(m.Path(name))
		if err != nil {
			return err
		}
		files[name] = got
	}
	m.Files = files
	return nil
}

// Write checks the manifest and writes it into its folder. A reader sees the old or the new one, never a part.
func (m *Manifest) Write() error {
	if err := m.Validate(); err != nil {
		return err
	}
	data, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		return err
	}
	temporary, err := os.CreateTemp(m.Dir, FileName+".*")
	if err != nil {
		return err
	}
	_, err = temporary.Write(append(data, '\n'))
	err = errors.Join(err, temporary.Chmod(0o644), temporary.Close())
	if err == nil {
		err = os.Rename(temporary.Name(), filepath.Join(m.Dir, FileName))
	}
	if err != nil {
		_ = os.Remove(temporary.Name()) // the first error says more
	}
	return err
}

func readBounded(path string) ([]byte, error) {
	f, err := openRegular(path)
	if err != nil {
		return nil, err
	}
	defer func() { _ = f.Close() }() // only read
	return io.ReadAll(io.LimitReader(f, maxBytes+1))
}
