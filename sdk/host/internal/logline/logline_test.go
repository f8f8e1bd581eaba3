// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package logline

import (
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"time"
	"unicode"
)

func TestLinesAreUnderstoodOrKeptAsText(t *testing.T) {
	for in, want := range map[string]struct {
		level slog.Level
		text  string
	}{
		`{"@level":"warn","@message":"slow","@timestamp":"2026-01-02T03:04:05.000006Z","port":"a","n":3}`: {slog.LevelWarn, "slow n=3 port=a"},
		`{"@message":5}`:                        {slog.LevelInfo, "5"},
		`{"@message":{"a":[1]},"@level":7}`:     {slog.LevelInfo, `{"a":[1]}`},
		`{"msg":"of another library"}`:          {slog.LevelInfo, `{"msg":"of another library"}`},
		`{"@message":"cut`:                      {slog.LevelInfo, `{"@message":"cut`},
		`null`:                                  {slog.LevelInfo, "null"},
		`[ERROR] no port`:                       {slog.LevelError, "[ERROR] no port"},
		`[odd] text`:                            {slog.LevelInfo, "[odd] text"},
		`panic: runtime error`:                  {slog.LevelError, "panic: runtime error"},
		"red \x1b[31m and \xff":                 {slog.LevelInfo, "red \uFFFD[31m and \uFFFD"},
		`{"@message":"two\nlines","a\rb":"\t"}`: {slog.LevelInfo, "two\uFFFDlines a\uFFFDb=\t"},
		"windows\r":                             {slog.LevelInfo, "windows"},
		"":                                      {slog.LevelInfo, ""},
	} {
		if l := Parse([]byte(in)); l.Level != want.level || l.String() != want.text {
			t.Errorf("%q gives %v %q, want %v %q", in, l.Level, l.String(), want.level, want.text)
		}
	}
}

func TestTimeIsTheAdapters(t *testing.T) {
	l := Parse([]byte(`{"@message":"x","@timestamp":"2026-01-02T03:04:05.000006Z"}`))
	if want := time.Date(2026, 1, 2, 3, 4, 5, 6000, time.UTC); !l.Time.Equal(want) {
		t.Errorf("time %v, want %v", l.Time, want)
	}
}

type collected struct {
	lines   []Line
	dropped int
}

func collect(perSecond, burst float64) (*Writer, *collected, *time.Time) {
	c, now := &collected{}, new(time.Unix(0, 0))
	w := &Writer{
		Now: func() time.Time { return *now }, PerSecond: perSecond, Burst: burst,
		Emit:    func(l Line) { c.lines = append(c.lines, l) },
		Dropped: func(n int) { c.dropped += n },
	}
	return w, c, now
}

func TestWriterJoinsPiecesAndCutsLongLines(t *testing.T) {
	w, c, _ := collect(1, 100)
	for _, piece := range []string{"one ", "line\ntwo\n\n", strings.Repeat("x", MaxBytes), "beyond\nthree"} {
		if n, err := w.Write([]byte(piece)); n != len(piece) || err != nil {
			t.Fatalf("took %d of %d: %v", n, len(piece), err)
		}
	}
	w.Flush()
	if len(c.lines) != 4 || c.lines[0].Message != "one line" || !c.lines[2].Cut || len(c.lines[2].Message) != MaxBytes || c.lines[3].Message != "three" || c.lines[3].Cut {
		t.Errorf("%d lines", len(c.lines))
	}
}

func TestFloodIsCountedAndTheTailKept(t *testing.T) {
	w, c, now := collect(10, 5)
	for i := range 100 {
		_, _ = fmt.Fprintln(w, "line", i)
	}
	if len(c.lines) != 5 || c.dropped != 0 {
		t.Errorf("%d lines passed at once, want 5", len(c.lines))
	}
	*now = now.Add(time.Second)
	_, _ = fmt.Fprintln(w, "after")
	if c.dropped != 95 || len(c.lines) != 6 {
		t.Errorf("%d dropped and %d passed, want 95 and 6", c.dropped, len(c.lines))
	}
	tail := w.Tail()
	if len(tail) != tailLines || tail[tailLines-1] != "after" || tail[0] != "line 81" {
		t.Errorf("tail %q", tail)
	}
}

func FuzzWriter(f *testing.F) {
	for _, s := range []string{`{"@message":5}`, `{"@level":"error","@message":"x","a":{}}`, "[WARN] a\nb", "\xff\x00\n\n{", strings.Repeat("[", 10000)} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		w, c, _ := collect(1, 1e9)
		if n, err := w.Write(data); n != len(data) || err != nil {
			t.Fatalf("took %d of %d: %v", n, len(data), err)
		}
		w.Flush()
		for _, l := range c.lines {
			if i := strings.IndexFunc(l.String(), func(r rune) bool { return r != '\t' && unicode.IsControl(r) }); i >= 0 {
				t.Errorf("a control character passed in %q", l.String())
			}
			if len(l.Attrs) > maxFields {
				t.Errorf("%d fields", len(l.Attrs))
			}
		}
	})
}

func BenchmarkFlood(b *testing.B) {
	w, _, _ := collect(100, 1000)
	line := []byte(`{"@level":"info","@message":"read","@timestamp":"2026-01-02T03:04:05.000006Z","port":"a"}` + "\n")
	b.ReportAllocs()
	for b.Loop() {
		if _, err := w.Write(line); err != nil {
			b.Fatal(err)
		}
	}
}
