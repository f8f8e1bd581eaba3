// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package vehiclefile reads and writes the small file that stands beside a recording
// and holds the facts about the vehicle and the day: vehicle.json or vehicle.yaml.
//
// Keys are the field names of the messages Vehicle and DayConditions, enum values
// their suffix in lower case. Any fact may be left out or null. Everything else is
// strict: an unknown key is refused by name, and so are duplicate keys, facts of the
// wrong type or out of range, and facts that contradict each other; each refusal
// says file, line and column. Keys come from the messages' descriptors, so that a new
// field needs no change here but its bounds.
//
// Functions may be called from several goroutines.
package vehiclefile

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	airassayv1beta1 "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/recording"
	"github.com/airassay/airassay/sdk/recording/internal/strictjson"
)

// MaxBytes is the largest size of a vehicle file.
const MaxBytes = strictjson.MaxBytes

// Error says what is wrong with a vehicle file, where, what was expected and what to
// do.
type Error struct {
	// File is the name that the caller gave.
	File string
	// Line and Column say where, from 1, the column in bytes; 0 for the file as a whole.
	Line, Column int
	// Key is the key that the error is about, where there is one.
	Key string
	// Got is what was found, Expected what should be there, Hint what to do.
	Got, Expected, Hint string
	// Err is the cause, where there is one.
	Err error
}

// Error returns one sentence: file:line:column: key: got …; expected …; hint.
func (e *Error) Error() string {
	var b strings.Builder
	b.WriteString(e.File)
	if e.Line > 0 {
		fmt.Fprintf(&b, ":%d:%d", e.Line, e.Column)
	}
	if e.Key != "" {
		b.WriteString(": " + e.Key)
	}
	b.WriteString(": got " + e.Got)
	if e.Expected != "" {
		b.WriteString("; expected " + e.Expected)
	}
	if e.Hint != "" {
		b.WriteString("; " + e.Hint)
	}
	if e.Err != nil {
		b.WriteString(": " + e.Err.Error())
	}
	return b.String()
}

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.Err }

// Open reads the vehicle file at path. Errors are *Error, or *recording.Error where the
// file cannot be opened.
func Open(path string) (*airassayv1beta1.Vehicle, *airassayv1beta1.DayConditions, error) {
	f, err := recording.OpenFile(path)
	if err != nil {
		return nil, nil, err
	}
	defer func() { _ = f.Close() }() // It was only read: nothing can be lost.
	return Read(f, filepath.Base(path))
}

// Read reads a vehicle file of at most 1 MiB. A name that ends in .json or .yaml (.yml)
// says how it is written; otherwise a first character { means JSON. Errors are *Error.
func Read(r io.Reader, name string) (*airassayv1beta1.Vehicle, *airassayv1beta1.DayConditions, error) {
	data, err := io.ReadAll(io.LimitReader(r, MaxBytes+1))
	switch {
	case err != nil:
		return nil, nil, &Error{File: name, Got: "a file that cannot be read to its end", Hint: "copy the file again", Err: err}
	case len(data) > MaxBytes:
		return nil, nil, &Error{File: name, Got: "more than 1 MiB", Expected: "a few facts", Hint: "choose another file"}
	case len(bytes.TrimSpace(data)) == 0:
		return nil, nil, &Error{File: name, Got: "an empty file", Expected: "facts about the vehicle, or {} for none", Hint: "choose another file"}
	}
	root, err := parse(data, name)
	if err != nil {
		return nil, nil, err
	}
	vehicle, day := &airassayv1beta1.Vehicle{}, &airassayv1beta1.DayConditions{}
	d := decoder{file: name}
	if err := d.facts(root, vehicle, day); err != nil {
		return nil, nil, err
	}
	return vehicle, day, nil
}

func parse(data []byte, name string) (*strictjson.Node, error) {
	if !isJSON(data, name) {
		return parseYAML(data, name)
	}
	root, err := strictjson.Parse(data)
	if syntax, ok := errors.AsType[*strictjson.Error](err); ok {
		return nil, &Error{File: name, Line: syntax.Line, Column: syntax.Column, Got: syntax.What, Expected: "one JSON object", Hint: "correct the file"}
	}
	return root, err
}

func isJSON(data []byte, name string) bool {
	switch strings.ToLower(filepath.Ext(name)) {
	case ".json":
		return true
	case ".yaml", ".yml":
		return false
	}
	return bytes.HasPrefix(bytes.TrimSpace(bytes.TrimPrefix(data, []byte("\xEF\xBB\xBF"))), []byte("{"))
}
