// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapter

import (
	"bytes"
	"encoding/json"
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/airassay/airassay/sdk/internal/handshake"
)

func TestLogLinesHaveTheKeysThatHostsRead(t *testing.T) {
	var out bytes.Buffer
	log := slog.New(NewLogHandler(&out, slog.LevelDebug)).With("time", "attribute", "@message", 7)
	log.WithGroup("g").Warn("low", "level", 3, "msg", strings.Repeat("x", 2*maxText))
	log.Error("bad", "msg", "inner", "level", 4)
	for line := range strings.SplitSeq(strings.TrimSpace(out.String()), "\n") {
		var got map[string]any
		if err := json.Unmarshal([]byte(line), &got); err != nil {
			t.Fatal(err)
		}
		stamp, _ := got[handshake.LogTime].(string)
		if _, err := time.Parse(handshake.LogTimeFormat, stamp); err != nil {
			t.Error(err)
		}
		if got["attr_time"] != "attribute" || got["attr_message"] != 7.0 {
			t.Errorf("attributes are lost: %.300s", line)
		}
		if m := got[handshake.LogMessage]; m != "low" && m != "bad" {
			t.Errorf("message %v", m)
		}
		if l := got[handshake.LogLevel]; l != "warn" && l != "error" {
			t.Errorf("level %v", l)
		}
		if strings.Count(line, `"@message"`) != 1 || len(line) > 64<<10 {
			t.Errorf("a double key, or %d bytes", len(line))
		}
	}
}

func TestLevelThatTheHostAsksFor(t *testing.T) {
	for name, want := range map[string]slog.Level{"debug": slog.LevelDebug, "warn": slog.LevelWarn, "": slog.LevelInfo, "loud": slog.LevelInfo} {
		if got := levelFrom(name); got != want {
			t.Errorf("%q: %v", name, got)
		}
	}
}
