// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package replay

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"slices"
	"strings"

	"github.com/airassay/airassay/sdk/recording"
)

const (
	// maxEntries is how many files and folders are looked at, the first by name.
	maxEntries = 1000
	// mappingSuffix names the file beside another logger's file that says how to read it.
	mappingSuffix = ".mapping.json"
	// inFolder is the recording of a drive that has a folder of its own.
	inFolder = "recording.csv"
	// sniffBytes of a file tell whether it may be a recording: the header and some rows of wide logs.
	sniffBytes = 32 << 10
)

// readNames lists the first names in order, and counts the others. What is hidden, and mappings, are no recordings.
func readNames(ctx context.Context, root *os.Root, most int) (first []string, more int, err error) {
	d, err := root.Open(".")
	if err != nil {
		return nil, 0, err
	}
	defer closeRead(d)
	for {
		if ctx.Err() != nil {
			return nil, 0, context.Cause(ctx)
		}
		some, err := d.Readdirnames(most)
		for _, name := range some {
			if !strings.HasPrefix(name, ".") && !strings.HasSuffix(name, mappingSuffix) {
				first = append(first, name)
			}
		}
		if len(first) > 2*most || err != nil {
			slices.Sort(first)
			cut := max(0, len(first)-most)
			more += cut
			first = first[:len(first)-cut]
		}
		if errors.Is(err, io.EOF) {
			return first, more, nil
		}
		if err != nil {
			return nil, 0, err
		}
	}
}

// fileOf gives the recording's own file of a name in the folder.
func fileOf(root *os.Root, name string) (string, error) {
	info, err := root.Stat(name)
	if err == nil && info.IsDir() {
		name = path.Join(name, inFolder)
		info, err = root.Stat(name)
	}
	if err == nil && !info.Mode().IsRegular() {
		err = notRegular(name, info)
	}
	return name, err
}

func notRegular(name string, info fs.FileInfo) error {
	return &fs.PathError{Op: "open", Path: name, Err: fmt.Errorf("it is no regular file (%v)", info.Mode().Type())}
}

// openRegular opens a regular file within the folder. Symbolic links are followed as far as they stay in it.
func openRegular(root *os.Root, file string) (*os.File, int64, error) {
	info, err := root.Stat(file)
	if err == nil && !info.Mode().IsRegular() {
		err = notRegular(file, info) // opening a pipe would wait, opening a device may do anything
	}
	if err != nil {
		return nil, 0, err
	}
	f, err := root.OpenFile(file, readFlags, 0)
	if err != nil {
		return nil, 0, err
	}
	// Another may stand there by now.
	if info, err = f.Stat(); err == nil && !info.Mode().IsRegular() {
		err = notRegular(file, info)
	}
	if err != nil {
		closeRead(f)
		return nil, 0, err
	}
	return f, info.Size(), nil
}

// sniff looks at the start of a file and says why it is no recording; nil if it may be one.
func sniff(ctx context.Context, root *os.Root, file string) error {
	f, size, err := openRegular(root, file)
	if err != nil {
		return err
	}
	defer closeRead(f)
	if own, err := recording.IsOurs(f); own || err != nil {
		return err
	}
	if info, err := root.Stat(file + mappingSuffix); err == nil && info.Mode().IsRegular() {
		return nil
	}
	head := make([]byte, min(size, sniffBytes))
	n, err := io.ReadFull(f, head)
	if err != nil && !errors.Is(err, io.ErrUnexpectedEOF) && !errors.Is(err, io.EOF) {
		return err
	}
	head, more := head[:n], int64(n) < size
	if whole := bytes.LastIndexByte(head, '\n') + 1; more && whole > 0 {
		head = head[:whole]
	}
	_, err = recording.Propose(ctx, bytes.NewReader(head), file)
	if more && errors.Is(err, recording.KindHeaderOnly) {
		return nil
	}
	return err
}

// closeRead closes what was only read: an error can lose nothing.
func closeRead(c io.Closer) { _ = c.Close() }
