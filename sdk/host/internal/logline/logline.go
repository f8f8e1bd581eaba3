// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package logline understands what an adapter writes on its standard error, whatever that is, and keeps a flood of it
// from becoming the host's trouble.
//
// A line may be a JSON object with @level, @message and @timestamp, as the SDK writes it, or plain text. Anything else
// is kept as text: a log is evidence, so nothing is refused, and nothing that an adapter writes can fail here.
package logline

import (
	"bytes"
	"encoding/json"
	"log/slog"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Bounds of one line. What is longer than MaxBytes is cut; 64 KiB is the atomic write that log libraries stay below.
const (
	MaxBytes  = 64 << 10
	maxFields = 32
)

// Line is one line of an adapter's log. Its texts hold no control characters, so that it cannot forge other lines or
// steer a terminal.
type Line struct {
	// Time that the adapter states; zero where it states none.
	Time time.Time
	// Level that the adapter states; for plain text Info, or Error from a panic's first line.
	Level slog.Level
	// Message, at most MaxBytes.
	Message string
	// Attrs are the further fields, sorted by name, at most 32.
	Attrs []slog.Attr
	// Cut says that the line was longer than MaxBytes.
	Cut bool
}

// String gives the message and the fields on one line.
func (l *Line) String() string {
	var b strings.Builder
	b.WriteString(l.Message)
	for _, a := range l.Attrs {
		b.WriteString(" " + a.Key + "=" + a.Value.String())
	}
	return b.String()
}

// Parse understands one line, without its line feed.
func Parse(data []byte) Line {
	line := Line{Level: slog.LevelInfo}
	if len(data) > MaxBytes {
		data, line.Cut = data[:MaxBytes], true
	}
	data = bytes.TrimSpace(data)
	if !line.object(data) {
		line.Message = printable(string(data))
		line.Level = levelOfText(line.Message)
	}
	return line
}

func (l *Line) object(data []byte) bool {
	if len(data) == 0 || data[0] != '{' {
		return false
	}
	var fields map[string]json.RawMessage
	if json.Unmarshal(data, &fields) != nil {
		return false
	}
	l.Message = printable(scalar(fields["@message"]))
	if level, ok := levelOf(scalar(fields["@level"])); ok {
		l.Level = level
	}
	if t, err := time.Parse(time.RFC3339Nano, scalar(fields["@timestamp"])); err == nil {
		l.Time = t
	}
	_, has := fields["@message"]
	l.attributes(fields)
	if !has {
		l.Message = printable(string(data))
		l.Attrs = nil
	}
	return true
}

func (l *Line) attributes(fields map[string]json.RawMessage) {
	names := make([]string, 0, len(fields))
	for name := range fields {
		if name != "@message" && name != "@level" && name != "@timestamp" {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	for _, name := range names[:min(len(names), maxFields)] {
		l.Attrs = append(l.Attrs, slog.String(printable(name), printable(scalar(fields[name]))))
	}
}

// scalar gives a string's text, and anything else as the JSON that it is.
func scalar(raw json.RawMessage) string {
	var s string
	if json.Unmarshal(raw, &s) == nil {
		return s
	}
	return string(raw)
}

func levelOf(name string) (slog.Level, bool) {
	switch strings.ToLower(name) {
	case "trace", "debug":
		return slog.LevelDebug, true
	case "info":
		return slog.LevelInfo, true
	case "warn", "warning":
		return slog.LevelWarn, true
	case "error", "fatal", "panic":
		return slog.LevelError, true
	}
	return 0, false
}

func levelOfText(s string) slog.Level {
	if strings.HasPrefix(s, "panic: ") || strings.HasPrefix(s, "fatal error: ") {
		return slog.LevelError
	}
	if tag, _, ok := strings.Cut(strings.TrimPrefix(s, "["), "]"); ok && s[0] == '[' {
		if level, known := levelOf(tag); known {
			return level
		}
	}
	return slog.LevelInfo
}

// printable replaces what a terminal or a log file could take for more than text.
func printable(s string) string {
	plain := func(r rune) bool { return r == '\t' || unicode.IsGraphic(r) && r != utf8.RuneError }
	if strings.IndexFunc(s, func(r rune) bool { return !plain(r) }) < 0 {
		return s
	}
	return strings.Map(func(r rune) rune {
		if plain(r) {
			return r
		}
		return '\uFFFD'
	}, s)
}
