// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/j1979"
	"github.com/airassay/airassay/sdk/recording"
	"github.com/airassay/airassay/sdk/recording/vehiclefile"
)

// vehicleBeside is the vehicle file that is read without being named.
const vehicleBeside = "vehicle.json"

// vehicleFacts is what is known of vehicle and day, and the note that says where
// it comes from; without a file both messages are nil.
type vehicleFacts struct {
	vehicle *pb.Vehicle
	day     *pb.DayConditions
	note    string
}

// readVehicle reads the named vehicle file, or the one beside the recording
// where there is one.
func readVehicle(named, recordingPath string) (vehicleFacts, error) {
	path, note := named, ""
	if path == "" {
		path = filepath.Join(filepath.Dir(recordingPath), vehicleBeside)
		if _, err := os.Lstat(path); errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ENOTDIR) {
			return vehicleFacts{note: "no facts about the vehicle: --vehicle names no file, and no " + vehicleBeside + " lies beside the recording; unknown facts widen the verdict"}, nil
		}
		note = "facts about the vehicle come from " + path
	}
	f, err := recording.OpenFile(path)
	if err != nil {
		return vehicleFacts{}, err
	}
	defer closeRead(f)
	vehicle, day, err := vehiclefile.Read(f, path)
	return vehicleFacts{vehicle, day, note}, err
}

// opened is a recording's file and what is known of it before it is read.
type opened struct {
	*os.File
	path string
	// own is set for our own format.
	own bool
}

// closeRead closes what was only read: an error can lose nothing.
func closeRead(c io.Closer) { _ = c.Close() }

func openRecording(path string) (*opened, error) {
	f, err := recording.OpenFile(path)
	if err != nil {
		return nil, err
	}
	o := &opened{File: f, path: path}
	if o.own, err = isOwn(f); err != nil {
		closeRead(f)
		return nil, &refusal{fmt.Sprintf("%s: the file cannot be read: %v; copy it again", path, err)}
	}
	return o, nil
}

// isOwn tells by the first cell whether f is in our own format, as
// recording.Read does, and leaves f at its start.
func isOwn(f io.ReadSeeker) (bool, error) {
	var head [32]byte
	n, err := io.ReadFull(f, head[:])
	if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
		return false, err
	}
	first := bytes.TrimLeft(bytes.TrimPrefix(head[:n], []byte("\xEF\xBB\xBF")), "\r\n")
	first, _, _ = bytes.Cut(first, []byte(","))
	first, _, _ = bytes.Cut(first, []byte("\n"))
	first = bytes.Trim(bytes.TrimSuffix(first, []byte("\r")), "\"")
	_, err = f.Seek(0, io.SeekStart)
	return string(first) == "time_s", err
}

// propose looks through the file for a mapping.
func (o *opened) propose(ctx context.Context, t *streams) (*recording.Proposal, error) {
	r, done := watch(o.File, t.err, "looking through")
	defer done()
	return recording.Propose(ctx, r, o.path)
}

// read reads the file from its start.
func (o *opened) read(ctx context.Context, t *streams, m *recording.Mapping) (*recording.Recording, error) {
	if _, err := o.Seek(0, io.SeekStart); err != nil {
		return nil, &refusal{fmt.Sprintf("%s: the file cannot be read from its start: %v; copy it again", o.path, err)}
	}
	r, done := watch(o.File, t.err, "reading")
	defer done()
	return recording.Read(ctx, r, o.path, recording.Options{Mapping: m})
}

// readRecording reads a recording of either kind: by the named mapping, as our
// own format, or by the mapping that its headers propose beyond doubt.
func readRecording(ctx context.Context, t *streams, path, mappingPath string) (*recording.Recording, error) {
	o, err := openRecording(path)
	if err != nil {
		return nil, err
	}
	defer closeRead(o)
	var m *recording.Mapping
	switch {
	case mappingPath != "":
		m, err = readMapping(mappingPath)
	case !o.own:
		m, err = o.agreedMapping(ctx, t)
	}
	if err != nil {
		return nil, err
	}
	rec, err := o.read(ctx, t, m)
	if err != nil {
		return nil, err
	}
	noteSkips(t, rec)
	return rec, nil
}

func readMapping(path string) (*recording.Mapping, error) {
	f, err := recording.OpenFile(path)
	if err != nil {
		return nil, err
	}
	defer closeRead(f)
	return recording.ReadMapping(f, path)
}

// agreedMapping is the proposal where it leaves nothing open.
func (o *opened) agreedMapping(ctx context.Context, t *streams) (*recording.Mapping, error) {
	p, err := o.propose(ctx, t)
	if err != nil {
		return nil, err
	}
	if len(p.Open()) > 0 {
		noteChoices(t, p)
		return nil, &refusal{fmt.Sprintf("%s: nobody has said how to read this file; answer with: %s mapping --choose %s --write MAPPING.json %s, and give it to: %s assay --mapping MAPPING.json",
			o.path, program, exampleAnswers(p), shellWord(o.path), program)}
	}
	noteMapping(t, p)
	return p.Mapping, nil
}

// noteChoices lists what a file leaves open.
func noteChoices(t *streams, p *recording.Proposal) {
	for i, a := range p.Ambiguities {
		if a.Chosen >= 0 {
			continue
		}
		t.notef("%s: question %d: %s", p.File, i+1, a.Question)
		for k, c := range a.Choices {
			t.notef("  %s  %s", answer(i, k), c)
		}
	}
}

// noteMapping tells how a file is read when nobody was asked.
func noteMapping(t *streams, p *recording.Proposal) {
	var read []string
	for _, c := range p.Columns {
		if c.Signal == "" {
			continue
		}
		text := strings.TrimPrefix(c.Signal, j1979.Prefix)
		if c.Unit != "" {
			text += " (" + c.Unit + ")"
		}
		read = append(read, text)
	}
	t.notef("%s is another program's file; %d of its %d columns are read: %s", p.File, len(read), len(p.Columns), strings.Join(read, ", "))
	t.notef("clock: %s", p.Clock)
	t.notef("to see what was assumed, or to correct it: %s mapping %s", program, shellWord(p.File))
}

// noteSkips sums up what was not used of rows and of the columns that carry
// signals; a column that is ignored as a whole is the mapping's business.
func noteSkips(t *streams, rec *recording.Recording) {
	rows := tally{}
	cells := tally{}
	for _, s := range rec.Skipped {
		switch {
		case s.Column == 0:
			rows.add(s)
		case s.Signal != "":
			cells.add(s)
		}
	}
	if rows.count > 0 {
		t.notef("%d of %d rows are not used: %s", rows.count, rec.Rows, rows.text())
	}
	if cells.count > 0 {
		t.notef("%d cells of used columns are not used: %s", cells.count, cells.text())
	}
}

// tally counts skips by reason, in the order in which they come.
type tally struct {
	count   int
	reasons []recording.Skip
}

func (y *tally) add(s recording.Skip) {
	y.count += s.Count
	for i := range y.reasons {
		if r := &y.reasons[i]; r.Reason == s.Reason {
			r.Count += s.Count
			r.FirstLine = min(r.FirstLine, s.FirstLine)
			return
		}
	}
	y.reasons = append(y.reasons, s)
}

func (y *tally) text() string {
	var parts []string
	for _, r := range y.reasons {
		parts = append(parts, fmt.Sprintf("%d %s (first in line %d)", r.Count, r.Reason, r.FirstLine))
	}
	return strings.Join(parts, ", ")
}

// shellWord quotes a name for a command that a user may copy.
func shellWord(s string) string {
	plain := strings.IndexFunc(s, func(r rune) bool {
		return !strings.ContainsRune("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789_-./,:+@", r)
	}) < 0
	switch {
	case strings.HasPrefix(s, "-"):
		return "-- " + shellWord("./" + s)[len("./"):]
	case plain && s != "":
		return s
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}
