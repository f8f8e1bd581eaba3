// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package truth

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"strings"
	"unicode/utf8"
)

// Table is a part of the report.
type Table struct {
	Title string     `json:"title"`
	Note  string     `json:"note,omitempty"`
	Head  []string   `json:"head"`
	Rows  [][]string `json:"rows"`
}

// Format is how tables are written.
type Format int

// Formats.
const (
	Text Format = iota
	Markdown
)

// WriteTables writes tables one below the other.
func WriteTables(w io.Writer, tables []Table, format Format) error {
	out := bufio.NewWriter(w)
	for i := range tables {
		if i > 0 {
			out.WriteByte('\n')
		}
		tables[i].write(out, format)
	}
	if err := out.Flush(); err != nil {
		return fmt.Errorf("write the tables: %w", err)
	}
	return nil
}

func (t *Table) write(out *bufio.Writer, format Format) {
	widths := make([]int, len(t.Head))
	for _, row := range append([][]string{t.Head}, t.Rows...) {
		for i, cell := range row {
			widths[i] = max(widths[i], utf8.RuneCountInString(cell))
		}
	}
	if format == Markdown {
		out.WriteString("### ")
	}
	out.WriteString(t.Title + "\n\n")
	if t.Note != "" {
		out.WriteString(t.Note + "\n\n")
	}
	t.line(out, t.Head, widths, format)
	if format == Markdown {
		out.WriteString("| ---" + strings.Repeat(" | ---:", len(t.Head)-1) + " |\n")
	}
	for _, row := range t.Rows {
		t.line(out, row, widths, format)
	}
}

func (t *Table) line(out *bufio.Writer, cells []string, widths []int, format Format) {
	if format == Markdown {
		out.WriteString("| " + strings.Join(cells, " | ") + " |\n")
		return
	}
	var b strings.Builder
	for i, cell := range cells {
		pad := strings.Repeat(" ", widths[i]-utf8.RuneCountInString(cell))
		if i == 0 {
			b.WriteString(cell + pad)
			continue
		}
		b.WriteString("  " + pad + cell)
	}
	out.WriteString(strings.TrimRight(b.String(), " ") + "\n")
}

const nothing = "–"

// percent shows a rate, and of how many.
func percent(r Rate) string {
	if r.Of == 0 {
		return nothing
	}
	return fmt.Sprintf("%.1f %% of %d", 100*r.Share(), r.Of)
}

// withInterval adds the 95 % interval.
func withInterval(r Rate) string {
	if r.Of == 0 {
		return nothing
	}
	low, high := r.Interval()
	return fmt.Sprintf("%.1f %% (%.1f to %.1f) of %d", 100*r.Share(), 100*low, 100*high, r.Of)
}

func decimals(x Number, digits int) string {
	if math.IsNaN(float64(x)) {
		return nothing
	}
	return fmt.Sprintf("%.*f", digits, float64(x))
}

func calibrated(c *Calibration) string {
	if len(c.Bins) == 0 {
		return nothing
	}
	return fmt.Sprintf("%.3f (%.3f to %.3f)", float64(c.Error), float64(c.Low), float64(c.High))
}

// word shortens the name of a condition, a cause or another enumeration.
func word(name string) string {
	for _, prefix := range []string{"CONDITION_", "CAUSE_"} {
		if rest, ok := strings.CutPrefix(name, prefix); ok {
			return strings.ToLower(strings.ReplaceAll(rest, "_", " "))
		}
	}
	return name
}
