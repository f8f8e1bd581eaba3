// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package truth

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
)

// WriteLines writes a JSON object a line for each case.
func WriteLines(w io.Writer, outcomes []Outcome) error {
	out := bufio.NewWriter(w)
	e := json.NewEncoder(out)
	for i := range outcomes {
		if err := e.Encode(&outcomes[i]); err != nil {
			return fmt.Errorf("write case %s: %w", outcomes[i].ID, err)
		}
	}
	if err := out.Flush(); err != nil {
		return fmt.Errorf("write the list of cases: %w", err)
	}
	return nil
}

// ReadLines reads what WriteLines wrote; name stands in errors.
func ReadLines(r io.Reader, name string) ([]Outcome, error) {
	d := json.NewDecoder(r)
	var list []Outcome
	for {
		var o Outcome
		switch err := d.Decode(&o); {
		case errors.Is(err, io.EOF):
			return list, nil
		case err != nil:
			return nil, fmt.Errorf("%s: case %d is not as --lines writes it: %w", name, len(list)+1, err)
		case o.ID == "" || len(o.Assay.P) != len(Conditions):
			return nil, fmt.Errorf("%s: case %d has no id or no probabilities; expected a line that --lines wrote", name, len(list)+1)
		}
		list = append(list, o)
	}
}

// idsShown bounds the ids that a comparison lists.
const idsShown = 12

// Compare tells which cases an earlier run answered differently.
func Compare(before, now []Outcome) Table {
	t := Table{Title: "Against the earlier run", Head: []string{"change", "cases", "which"}}
	old := map[string]*Outcome{}
	for i := range before {
		old[before[i].ID] = &before[i]
	}
	var both [][2]*Outcome
	for i := range now {
		if o := old[now[i].ID]; o != nil {
			both = append(both, [2]*Outcome{o, &now[i]})
		}
	}
	list := func(name string, is func(was, is *Outcome) bool) {
		var ids []string
		for _, b := range both {
			if is(b[0], b[1]) {
				ids = append(ids, b[1].ID)
			}
		}
		n := len(ids)
		if n > idsShown {
			ids = append(ids[:idsShown:idsShown], "…")
		}
		t.Rows = append(t.Rows, []string{name, strconv.Itoa(n), strings.Join(ids, " ")})
	}
	list("in both runs", func(_, _ *Outcome) bool { return false })
	t.Rows[0][1] = strconv.Itoa(len(both))
	list("another truth or sufficiency", func(was, is *Outcome) bool {
		return was.Label.Condition != is.Label.Condition || was.Label.Sufficient != is.Label.Sufficient
	})
	sufficient := func(f func(o *Outcome) bool) func(was, is *Outcome) (bool, bool) {
		return func(was, is *Outcome) (bool, bool) {
			return was.Label.Sufficient && f(was), is.Label.Sufficient && f(is)
		}
	}
	both2 := func(gained, lost string, f func(o *Outcome) bool) {
		g := sufficient(f)
		list(gained, func(was, is *Outcome) bool { a, b := g(was, is); return b && !a })
		list(lost, func(was, is *Outcome) bool { a, b := g(was, is); return a && !b })
	}
	both2("leading condition now right", "no longer right", func(o *Outcome) bool { return o.Assay.right(&o.Label) })
	both2("now firm and right", "no longer firm and right", func(o *Outcome) bool { return o.Assay.Conclusive && o.Assay.right(&o.Label) })
	both2("now firm and wrong", "no longer firm and wrong", func(o *Outcome) bool { return o.Assay.Conclusive && !o.Assay.right(&o.Label) })
	both2("now condemns a true meter", "no longer condemns a true meter", func(o *Outcome) bool { return o.Label.MeterTrue && o.Assay.CondemnsMeter })
	both2("meter error now found", "no longer found", func(o *Outcome) bool { return o.Label.Detectable() && o.Assay.detects(&o.Label) })
	return t
}
