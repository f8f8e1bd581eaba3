// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/recording"
	"github.com/airassay/airassay/sdk/recording/vehiclefile"
)

// refusal is input that cannot be used.
type refusal struct{ text string }

func (e *refusal) Error() string { return e.text }

func refuse(format string, args ...any) error { return &refusal{fmt.Sprintf(format, args...)} }

// readRecording reads a recording by the named mapping, as our own format, or as its headers say where
// they leave nothing open.
func readRecording(ctx context.Context, path, mapping string) (*recording.Recording, error) {
	f, err := recording.OpenFile(path)
	if err != nil {
		return nil, err
	}
	defer f.Close() //nolint:errcheck // It was only read.
	m, err := mappingFor(ctx, f, path, mapping)
	if err != nil {
		return nil, err
	}
	if _, err := f.Seek(0, 0); err != nil {
		return nil, refuse("%s: the file cannot be read from its start: %v", path, err)
	}
	return recording.Read(ctx, f, path, recording.Options{Mapping: m})
}

// mappingFor is how to read the file; nil for our own format.
func mappingFor(ctx context.Context, f *os.File, path, named string) (*recording.Mapping, error) {
	if named != "" {
		return readMapping(named)
	}
	own, err := recording.IsOurs(f)
	if err != nil {
		return nil, refuse("%s: the file cannot be read: %v", path, err)
	}
	if own {
		return nil, nil //nolint:nilnil // The comment says what it means.
	}
	proposal, err := recording.Propose(ctx, f, path)
	if err != nil {
		return nil, err
	}
	if open := proposal.Open(); len(open) > 0 {
		return nil, refuse("%s: nobody has said how to read this file: %s; make a mapping with: airassayd mapping %s, and name it with --mapping", path, open[0].Question, path)
	}
	return proposal.Mapping, nil
}

func readMapping(path string) (*recording.Mapping, error) {
	f, err := recording.OpenFile(path)
	if err != nil {
		return nil, err
	}
	defer f.Close() //nolint:errcheck // It was only read.
	return recording.ReadMapping(f, path)
}

// readFacts reads the named vehicle file, or the one beside the recording where there is one.
// Without any, both messages are empty: unknown facts widen the verdict and break nothing.
func readFacts(named, recordingPath string) (*pb.Vehicle, *pb.DayConditions, error) {
	path := named
	if path == "" {
		path = filepath.Join(filepath.Dir(recordingPath), "vehicle.json")
		if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
			return &pb.Vehicle{}, &pb.DayConditions{}, nil
		}
	}
	vehicle, day, err := vehiclefile.Open(path)
	if err != nil {
		return nil, nil, err
	}
	if vehicle == nil {
		vehicle = &pb.Vehicle{}
	}
	return vehicle, day, nil
}

var clocks = map[recording.ClockKind]pb.ClockKind{
	recording.ClockUnknown:     pb.ClockKind_CLOCK_KIND_UNSPECIFIED,
	recording.ClockHardware:    pb.ClockKind_CLOCK_KIND_HARDWARE,
	recording.ClockHost:        pb.ClockKind_CLOCK_KIND_HOST,
	recording.ClockWholeSecond: pb.ClockKind_CLOCK_KIND_WHOLE_SECOND,
	recording.ClockRowOrder:    pb.ClockKind_CLOCK_KIND_ROW_ORDER,
}

// dictionary declares the recording's signals. What is not known stays out.
func dictionary(rec *recording.Recording) []*pb.SignalDefinition {
	var all []*pb.SignalDefinition
	for _, s := range rec.Signals {
		d := &pb.SignalDefinition{Path: s.Path, Unit: s.Unit, TimeUncertaintyUs: s.TimeUncertaintyUS}
		if s.Resolution > 0 {
			d.Resolution = &s.Resolution
		}
		if s.RefreshIntervalUS > 0 {
			d.RefreshIntervalUs = &s.RefreshIntervalUS
		}
		all = append(all, d)
	}
	return all
}

// shellWord quotes a word for a command that the user may copy.
func shellWord(s string) string {
	const plain = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789_-./,:+@"
	if s != "" && strings.Trim(s, plain) == "" && !strings.HasPrefix(s, "-") {
		return s
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}
