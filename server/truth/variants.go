// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package truth

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"github.com/airassay/airassay/plugins/simulator/engine"
	"github.com/airassay/airassay/sdk/j1979"
	"github.com/airassay/airassay/sdk/recording"
)

// Change is one way of recording less of a drive.
type Change struct {
	// Name is the signal that is left out, or how samples are halved.
	Name string `json:"name"`
	// Shows: by the truth, the signals that are left still show what is wrong.
	Shows bool `json:"shows"`
	// FirmWrong: the verdict is then firm and wrong. Top is what it says.
	FirmWrong     bool   `json:"firm_wrong"`
	CondemnsMeter bool   `json:"condemns_true_meter"`
	Top           string `json:"top"`
}

// HalfOfEach keeps every second sample of each signal, HalfOfRows every second instant.
const (
	HalfOfEach = "half of each signal's samples"
	HalfOfRows = "half of the rows"
)

// Changed is one case under all changes.
type Changed struct {
	ID string `json:"id"`
	// Firm: with everything the verdict is firm and right.
	Firm    bool     `json:"firm_right"`
	Changes []Change `json:"changes,omitempty"`
}

// Vary leaves out each signal in turn, and half of the samples in two ways. It looks
// no further where the verdict on the whole recording is not firm and right.
func Vary(d *Drive) (Changed, error) {
	out := Changed{ID: d.Item.ID}
	v, l, err := d.hear(d.Recording, nil)
	if err != nil {
		return out, err
	}
	out.Firm = l.Sufficient && v.Conclusive && v.right(&l)
	if !out.Firm {
		return out, nil
	}
	try := func(name string, without []string, keep func(i int, s recording.Sample) bool) error {
		rec, err := d.reduced(without, keep)
		if err != nil {
			return err
		}
		if len(rec.Samples) == 0 {
			return nil
		}
		v, l, err := d.hear(rec, without)
		if err != nil {
			return err
		}
		out.Changes = append(out.Changes, Change{Name: name, Top: v.Top, Shows: l.Sufficient,
			FirmWrong: v.Conclusive && !v.right(&l), CondemnsMeter: l.MeterTrue && v.CondemnsMeter})
		return nil
	}
	for _, s := range d.Recording.Signals {
		if err := try(strings.TrimPrefix(s.Path, j1979.Prefix), []string{s.Path}, func(int, recording.Sample) bool { return true }); err != nil {
			return out, err
		}
	}
	counts := make([]int, len(d.Recording.Signals))
	if err := try(HalfOfEach, nil, func(_ int, s recording.Sample) bool {
		counts[s.Signal]++
		return counts[s.Signal]%2 == 1
	}); err != nil {
		return out, err
	}
	return out, try(HalfOfRows, nil, everySecondRow())
}

func everySecondRow() func(int, recording.Sample) bool {
	row, last := 0, int64(-1)
	return func(_ int, s recording.Sample) bool {
		if s.TimeUS != last {
			row++
			last = s.TimeUS
		}
		return row%2 == 1
	}
}

// hear lets the assay speak about a recording that lacks some signals.
func (d *Drive) hear(rec *recording.Recording, without []string) (Verdict, Label, error) {
	a, err := d.Assess(rec)
	if err != nil {
		return Verdict{}, Label{}, err
	}
	less := *d
	less.Case.Signals = slices.DeleteFunc(slices.Clone(d.Case.Signals), func(s engine.Signal) bool {
		return slices.Contains(without, j1979.Prefix+s.Define().Path)
	})
	less.Truth.Sufficient = d.Truth.Sufficient && d.Case.Visible(&d.Truth, less.Case.Signals)
	return VerdictOf(a), LabelOf(&less), nil
}

// reduced is the recording without some signals, and with those samples that are kept.
func (d *Drive) reduced(without []string, keep func(i int, s recording.Sample) bool) (*recording.Recording, error) {
	from := d.Recording
	index := make([]int32, len(from.Signals))
	var signals []recording.Signal
	for i, s := range from.Signals {
		index[i] = -1
		if !slices.Contains(without, s.Path) {
			index[i] = int32(len(signals))
			signals = append(signals, s)
		}
	}
	samples := make([]recording.Sample, 0, len(from.Samples))
	for i, s := range from.Samples {
		if index[s.Signal] >= 0 && keep(i, s) {
			samples = append(samples, recording.Sample{TimeUS: s.TimeUS, Signal: index[s.Signal], Value: s.Value})
		}
	}
	rec, err := recording.Assemble(signals, from.Clock, samples)
	if err != nil {
		return nil, fmt.Errorf("case %s: %w", d.Item.ID, err)
	}
	return rec, nil
}

// Robustness sums up what less of a recording does to firm and right verdicts.
type Robustness struct {
	// Cases with a firm and right verdict on the whole recording; of them those that
	// some change makes firm and wrong.
	Cases Rate `json:"cases"`
	// Changes of these cases that make the verdict firm and wrong: a signal left out, the
	// same where what is left still shows what is wrong, half of the samples left out.
	Removals Rate `json:"removals"`
	Shown    Rate `json:"removals_that_leave_it_visible"`
	Halvings Rate `json:"halvings"`
	// Condemned are the changes that condemn a true meter.
	Condemned Rate `json:"condemned"`
	// Broken names the changes that did harm, most frequent first.
	Broken []Broken `json:"broken,omitempty"`
}

// Broken is one kind of change with the cases that it broke.
type Broken struct {
	Name  string   `json:"name"`
	Cases []string `json:"cases"`
}

// RobustnessOf sums up.
func RobustnessOf(list []Changed) Robustness {
	var r Robustness
	broken := map[string][]string{}
	for _, c := range list {
		if !c.Firm {
			continue
		}
		bad := false
		for _, x := range c.Changes {
			if x.Name == HalfOfEach || x.Name == HalfOfRows {
				count(&r.Halvings, x.FirmWrong)
			} else {
				count(&r.Removals, x.FirmWrong)
				if x.Shows {
					count(&r.Shown, x.FirmWrong)
				}
			}
			count(&r.Condemned, x.CondemnsMeter)
			if !x.FirmWrong {
				continue
			}
			bad = true
			broken[x.Name] = append(broken[x.Name], c.ID)
		}
		count(&r.Cases, bad)
	}
	for name, ids := range broken {
		r.Broken = append(r.Broken, Broken{name, ids})
	}
	slices.SortFunc(r.Broken, func(a, b Broken) int {
		return cmp.Or(cmp.Compare(len(b.Cases), len(a.Cases)), cmp.Compare(a.Name, b.Name))
	})
	return r
}
