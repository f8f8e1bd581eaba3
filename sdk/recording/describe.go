// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package recording

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"github.com/airassay/airassay/sdk/j1979"
)

// Describe writes the proposal for people: what every column becomes, where the time
// comes from, what is ignored and why, and what is left to decide.
func (p *Proposal) Describe(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: %d rows, %s, %s between columns, decimal %s, header in line %d\n", p.File, p.Rows, p.Mapping.Encoding, separatorName(p.Mapping.Separator), decimalName(p.Mapping.Decimal), p.Mapping.HeaderLine)
	fmt.Fprintf(&b, "clock: %s\n", p.Clock)
	if p.RaggedRows > 0 {
		fmt.Fprintf(&b, "%d rows do not fit the header and will be skipped\n", p.RaggedRows)
	}
	b.WriteByte('\n')
	var rows strings.Builder
	rows.WriteString("column\theader\tsignal\tunit\tvalues\tnote\n")
	for _, c := range p.Columns {
		fmt.Fprintf(&rows, "%d\t%s\t%s\t%s\t%d\t%s\n", c.Column, shorten(c.Header), c.describeSignal(), c.describeUnit(), c.Samples, c.Note)
	}
	t := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	if _, err := io.WriteString(t, rows.String()); err != nil {
		return fmt.Errorf("laying out the columns of %s: %w", p.File, err)
	}
	if err := t.Flush(); err != nil {
		return fmt.Errorf("laying out the columns of %s: %w", p.File, err)
	}
	for i, a := range p.Ambiguities {
		fmt.Fprintf(&b, "\n%d. %s\n", i+1, a.Question)
		for k, choice := range a.Choices {
			mark := " "
			if k == a.Chosen {
				mark = "*"
			}
			fmt.Fprintf(&b, "  %s %c) %s\n", mark, 'a'+k%26, choice)
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func (c ProposedColumn) describeSignal() string {
	name := strings.TrimPrefix(c.Signal, j1979.Prefix)
	switch {
	case c.Clock && name != "":
		return "clock, " + name
	case c.Clock:
		return "clock"
	case name == "":
		return "–"
	}
	return name
}

func (c ProposedColumn) describeUnit() string {
	if c.Unit == "" || c.Unit == c.VSSUnit {
		return c.VSSUnit
	}
	return c.Unit + " → " + c.VSSUnit
}

func separatorName(s string) string {
	return map[string]string{",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}[s]
}

func decimalName(s string) string { return map[string]string{".": "points", ",": "commas"}[s] }
