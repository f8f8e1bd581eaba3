// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"

	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/rpc"
)

// referenceFile is one value of --reference.
type referenceFile struct {
	recording string
	// vehicle is the file with the facts of another vehicle with the same engine;
	// empty for an earlier drive of the vehicle under test.
	vehicle string
}

// parseReferences splits RECORDING=VEHICLE. A file whose own name holds "=" is taken
// as it is.
func parseReferences(command string, values []string) ([]referenceFile, error) {
	if len(values) > assay.MaxReferences {
		return nil, &usageError{command: command, text: fmt.Sprintf("%d reference drives are named; name at most %d", len(values), assay.MaxReferences)}
	}
	var files []referenceFile
	for _, v := range values {
		f := referenceFile{recording: v}
		if i := strings.LastIndexByte(v, '='); i >= 0 && missing(v) {
			f.recording, f.vehicle = v[:i], v[i+1:]
			if f.vehicle == "" {
				return nil, &usageError{command: command, text: fmt.Sprintf("--reference %q names no vehicle behind the =: name the vehicle's file, or leave the = out for an earlier drive of the same vehicle", v)}
			}
		}
		switch f.recording {
		case "":
			return nil, &usageError{command: command, text: "--reference is empty: name a recording"}
		case "-":
			return nil, &usageError{command: command, text: "a reference drive cannot come from standard input: name a file"}
		}
		files = append(files, f)
	}
	return files, nil
}

func missing(path string) bool {
	_, err := os.Lstat(path)
	return errors.Is(err, fs.ErrNotExist)
}

// readReferences assays each reference drive for a vehicle under test.
func readReferences(ctx context.Context, t *streams, files []referenceFile, mapping string, tested assay.Facts) ([]*assay.Reference, error) {
	var refs []*assay.Reference
	for i, f := range files {
		own, vehicle := assay.VehicleOnly(tested), 0
		if f.vehicle != "" {
			facts, err := readVehicle(f.vehicle, f.recording)
			if err != nil {
				return nil, err
			}
			own, vehicle = rpc.FactsFromProto(facts.vehicle, facts.day), i+1
			if ds := assay.EngineDifferences(tested, own); len(ds) > 0 {
				return nil, &refusal{fmt.Sprintf("%s: not the engine of the vehicle under test, for %s differs; name a reference drive of the same engine, or correct the facts", f.vehicle, strings.Join(ds, " and "))}
			}
		}
		a, err := assayFile(ctx, t, f.recording, mapping, assay.ReferenceFacts(tested, own))
		if err != nil {
			return nil, err
		}
		refs = append(refs, a.AsReference(vehicle))
	}
	return refs, nil
}

// assayFile reads a recording and pushes all of it. The mapping is for recordings that
// are not in our own format.
func assayFile(ctx context.Context, t *streams, path, mapping string, facts assay.Facts) (*assay.Assay, error) {
	if mapping != "" {
		o, err := openRecording(path)
		if err != nil {
			return nil, err
		}
		if o.own {
			mapping = ""
		}
		closeRead(o)
	}
	rec, err := readRecording(ctx, t, path, mapping)
	if err != nil {
		return nil, err
	}
	return push(ctx, rec, facts)
}
