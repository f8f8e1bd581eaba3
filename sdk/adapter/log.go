// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapter

import (
	"context"
	"io"
	"log/slog"
	"strings"

	"github.com/airassay/airassay/sdk/internal/handshake"
)

// maxText keeps a line of log below the 64 KiB at which the plugin library would split it.
const maxText = 16 << 10

// NewLogHandler makes a handler whose lines a host can read: one JSON object each, with the keys that the plugin
// protocol uses. Serve installs one as the default; only a program that logs elsewhere needs this. Safe for concurrent
// use where w is written by nobody else.
func NewLogHandler(w io.Writer, level slog.Leveler) slog.Handler {
	return lineHandler{inner: slog.NewJSONHandler(w, &slog.HandlerOptions{Level: level, ReplaceAttr: pluginKeys})}
}

func pluginKeys(groups []string, a slog.Attr) slog.Attr {
	if a.Value.Kind() == slog.KindString && len(a.Value.String()) > maxText {
		a.Value = slog.StringValue(a.Value.String()[:maxText] + " …")
	}
	if len(groups) > 0 {
		return a
	}
	switch a.Key {
	case slog.TimeKey:
		return slog.String(handshake.LogTime, a.Value.Time().Format(handshake.LogTimeFormat))
	case slog.LevelKey:
		return slog.String(handshake.LogLevel, levelName(a.Value))
	case slog.MessageKey:
		a.Key = handshake.LogMessage
	}
	return a
}

// levelName is one of the four that the plugin protocol knows.
func levelName(v slog.Value) string {
	level, ok := v.Any().(slog.Level)
	switch {
	case !ok || level < slog.LevelInfo:
		return "debug"
	case level < slog.LevelWarn:
		return "info"
	case level < slog.LevelError:
		return "warn"
	default:
		return "error"
	}
}

// lineHandler renames an author's attributes that would collide with the keys of the line.
type lineHandler struct {
	inner   slog.Handler
	grouped bool
}

func (h lineHandler) Enabled(ctx context.Context, level slog.Level) bool {
	return h.inner.Enabled(ctx, level)
}

func (h lineHandler) Handle(ctx context.Context, r slog.Record) error {
	renamed := slog.NewRecord(r.Time, r.Level, r.Message, r.PC)
	r.Attrs(func(a slog.Attr) bool {
		renamed.AddAttrs(h.rename(a))
		return true
	})
	return h.inner.Handle(ctx, renamed)
}

func (h lineHandler) WithAttrs(attrs []slog.Attr) slog.Handler {
	renamed := make([]slog.Attr, len(attrs))
	for i, a := range attrs {
		renamed[i] = h.rename(a)
	}
	return lineHandler{h.inner.WithAttrs(renamed), h.grouped}
}

func (h lineHandler) WithGroup(name string) slog.Handler {
	return lineHandler{h.inner.WithGroup(name), h.grouped || name != ""}
}

func (h lineHandler) rename(a slog.Attr) slog.Attr {
	reserved := a.Key == slog.TimeKey || a.Key == slog.LevelKey || a.Key == slog.MessageKey || strings.HasPrefix(a.Key, "@")
	if !h.grouped && reserved {
		a.Key = "attr_" + strings.TrimPrefix(a.Key, "@")
	}
	return a
}

// levelFrom reads the level that the host asks for.
func levelFrom(name string) slog.Level {
	var level slog.Level
	if err := level.UnmarshalText([]byte(name)); err != nil {
		return slog.LevelInfo
	}
	return level
}
