// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package replay

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/recording"
)

const (
	// maxFileBytes bounds what is read to open a device: rows of 4 million samples, one a row, in 40 columns are half of
	// it.
	maxFileBytes = 512 << 20
	// maxSamples of one recording are 96 MB in memory, and 22 hours at 50 samples a second.
	maxSamples = 4_000_000
	// maxHeld is how many samples all open recordings may have together, 192 MB: with what reading one takes besides, they
	// stay within what a host allows an adapter by default.
	maxHeld = 8_000_000
)

// fault is an error with its meaning in the contract.
type fault struct {
	text string
	kind error // one of the adapter package's, or a *adapter.ConfigurationError
	err  error // may be nil
}

// Error says where, what was expected and what to do.
func (f *fault) Error() string { return f.text }

// Unwrap gives the meaning and the cause.
func (f *fault) Unwrap() []error {
	if f.err == nil {
		return []error{f.kind}
	}
	return []error{f.kind, f.err}
}

func gone(what string, err error) error {
	return &fault{fmt.Sprintf("%s: %v; put it back, or list the devices again", shown(what), reasonOnly(err)), adapter.ErrUnplugged, err}
}

// unplayable says that the administrator must do something about a file.
func unplayable(file, problem string, err error) error {
	bad := &adapter.ConfigurationError{}
	bad.Violatef("directory", "holds %s: %s", shown(file), problem)
	return &fault{shown(file) + ": " + problem, bad, err}
}

// load reads a recording. budget is how many samples there is room for.
func load(ctx context.Context, root *os.Root, file string, budget int) (*recording.Recording, error) {
	f, size, err := openRegular(root, file)
	if err != nil {
		return nil, unopened(file, err)
	}
	defer closeRead(f)
	if size > maxFileBytes {
		return nil, unplayable(file, fmt.Sprintf("the file has %d bytes, and at most %d are read; split the recording", size, maxFileBytes), nil)
	}
	// A file that grows while it is read is read as far as it was written now.
	section := io.NewSectionReader(f, 0, size)
	mapping, err := mappingFor(ctx, root, section, file)
	if err != nil {
		return nil, explain(ctx, file, err)
	}
	if _, err := section.Seek(0, io.SeekStart); err != nil {
		return nil, gone(file, err)
	}
	rec, err := recording.Read(ctx, whileWanted{ctx, section}, shown(file), recording.Options{Mapping: mapping, MaxSamples: min(maxSamples, budget)})
	switch {
	case errors.Is(err, recording.KindTooManySamples) && budget < maxSamples:
		return nil, &fault{fmt.Sprintf("%s: there is room for %d more samples, as other recordings are open; close one of them", shown(file), budget), adapter.ErrBusy, err}
	case err != nil:
		return nil, explain(ctx, file, err)
	case rec.Clock == recording.ClockRowOrder:
		return nil, unplayable(file, "it has no clock: only the order of its rows is known, so there is no pace to play it at; have the server judge the file itself, or name the column of its clock in "+shown(file)+mappingSuffix, nil)
	}
	noteSkips(file, rec)
	return rec, nil
}

// mappingFor says how to read a file; nil for our own format. A mapping beside the file goes before all else.
func mappingFor(ctx context.Context, root *os.Root, r io.ReadSeeker, file string) (*recording.Mapping, error) {
	beside := file + mappingSuffix
	m, _, err := openRegular(root, beside)
	if err == nil {
		defer closeRead(m)
		return recording.ReadMapping(m, shown(beside))
	}
	if !errors.Is(err, fs.ErrNotExist) {
		return nil, unplayable(beside, fmt.Sprintf("the mapping cannot be read: %v; correct it or remove it", reasonOnly(err)), err)
	}
	if own, err := recording.IsOurs(r); own || err != nil {
		return nil, err
	}
	p, err := recording.Propose(ctx, whileWanted{ctx, r}, shown(file))
	if err != nil {
		return nil, err
	}
	if open := p.Open(); len(open) > 0 {
		return nil, unplayable(file, fmt.Sprintf("nobody has said how to read this file, and it leaves %d questions open, the first: %s; answer them with: airassayd mapping, and write the mapping to %s beside it",
			len(open), open[0].Question, shown(beside)), nil)
	}
	slog.Info("another logger's file is read as its headers say", "file", file, "clock", p.Clock)
	return p.Mapping, nil
}

// unopened gives the meaning of an error of opening a file.
func unopened(file string, err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return gone(file, err)
	}
	return unplayable(file, fmt.Sprintf("it cannot be opened: %v; put a regular file there, within the folder, that the user who runs this program can read", reasonOnly(err)), err)
}

// explain gives the meaning of an error of reading a file.
func explain(ctx context.Context, file string, err error) error {
	if _, known := errors.AsType[*fault](err); known {
		return err
	}
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	bad, ok := errors.AsType[*recording.Error](err)
	switch {
	case !ok, bad.Kind == recording.KindUnreadable:
		return gone(file, err)
	case bad.Kind == recording.KindMapping, bad.Kind == recording.KindMissingColumn, bad.Kind == recording.KindNoSignals, bad.Kind == recording.KindTooManySamples:
		violation := &adapter.ConfigurationError{}
		violation.Violatef("directory", "holds %v", bad)
		return &fault{bad.Error(), violation, bad}
	}
	return &fault{bad.Error(), adapter.ErrGarbled, bad}
}

// noteSkips tells the administrator what of another logger's file is not played.
func noteSkips(file string, rec *recording.Recording) {
	for _, s := range rec.Skipped {
		if s.Column == 0 || s.Signal != "" {
			slog.Warn("part of a recording is not played", "file", file, "header", s.Header, "reason", s.Reason, "count", s.Count, "first_line", s.FirstLine)
		}
	}
}

// whileWanted ends reading with its context.
type whileWanted struct {
	ctx context.Context //nolint:containedctx // of the one call that reads
	r   io.Reader
}

func (w whileWanted) Read(p []byte) (int, error) {
	if w.ctx.Err() != nil {
		return 0, context.Cause(w.ctx)
	}
	return w.r.Read(p)
}
