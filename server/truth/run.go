// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package truth

import (
	"context"
	"fmt"
	"math"
	"sync"

	"github.com/airassay/airassay/plugins/simulator/scenario"
)

// Outcome is one case with what each judge made of it: a line of the list of cases.
type Outcome struct {
	ID         string  `json:"id"`
	Kind       Kind    `json:"kind"`
	Seed       uint64  `json:"seed"`
	Link       string  `json:"link"`
	Style      string  `json:"style"`
	Subset     string  `json:"subset"`
	Aspiration string  `json:"aspiration"`
	Fuel       string  `json:"fuel"`
	AirMeter   string  `json:"air_meter"`
	Litres     float64 `json:"displacement_l"`
	Height     float64 `json:"height_m"`
	Purpose    string  `json:"purpose,omitempty"`
	Samples    int     `json:"samples"`
	Seconds    float64 `json:"seconds"`
	Label      Label   `json:"truth"`
	Assay      Verdict `json:"assay"`
	Load       Verdict `json:"naive_load"`
	Trim       Verdict `json:"naive_trim"`
}

// Score drives one case and lets every judge speak.
func Score(d *Drive) (Outcome, error) {
	t := &d.Truth
	o := Outcome{
		ID: d.Item.ID, Kind: d.Item.Kind, Seed: d.Item.Seed, Link: t.Link, Style: t.Style, Subset: d.Item.Subset,
		Aspiration: t.Aspiration, Fuel: t.Fuel, AirMeter: t.AirMeter, Litres: d.Case.Spec.Displacement * 1000,
		Height: math.Round(d.Case.Height), Purpose: d.Case.Facts.Purpose, Samples: len(d.Recording.Samples), Seconds: t.Seconds,
		Label: LabelOf(d),
	}
	a, err := d.Assess(d.Recording)
	if err != nil {
		return o, err
	}
	o.Assay = VerdictOf(a)
	if err := o.Assay.check(); err != nil {
		return o, fmt.Errorf("case %s: %w", o.ID, err)
	}
	o.Load, o.Trim = NaiveLoad(d.Recording), NaiveTrim(d.Recording)
	return o, nil
}

// Options of a run.
type Options struct {
	Plan *Plan
	// Cases is how many of the plan's cases are looked at; Only, when set, picks among them.
	Cases int
	Only  func(*Item, *scenario.Case) bool
	// Parallel is how many cases run at once.
	Parallel int
	Cache    Cache
	// Progress, when set, is called after each case, one call at a time.
	Progress func(done, of int)
}

// Run does something with each case, such as Score, and returns the results in the
// order of the plan, whatever the number of cores. It stops at the first error, and
// when the context ends.
func Run[T any](ctx context.Context, o Options, perCase func(*Drive) (T, error)) ([]T, error) {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	results := make([]*T, o.Cases)
	next, done := 0, 0
	var lock sync.Mutex
	take := func() int {
		lock.Lock()
		defer lock.Unlock()
		next++
		return next - 1
	}
	put := func(i int, r *T) {
		lock.Lock()
		defer lock.Unlock()
		results[i] = r
		if done++; o.Progress != nil {
			o.Progress(done, o.Cases)
		}
	}
	var group sync.WaitGroup
	for range max(1, o.Parallel) {
		group.Go(func() {
			for i := take(); i < o.Cases && ctx.Err() == nil; i = take() {
				r, err := one(&o, i, perCase)
				if err != nil {
					cancel(err)
					return
				}
				put(i, r)
			}
		})
	}
	group.Wait()
	if ctx.Err() != nil {
		return nil, fmt.Errorf("scoring: %w", context.Cause(ctx))
	}
	var list []T
	for _, r := range results {
		if r != nil {
			list = append(list, *r)
		}
	}
	return list, nil
}

// one runs the i-th case; nil where it is not wanted.
func one[T any](o *Options, i int, perCase func(*Drive) (T, error)) (*T, error) {
	it := o.Plan.Item(i)
	if o.Only != nil {
		if c := it.Draw(); !o.Only(&it, &c) {
			return nil, nil //nolint:nilnil // A case that is not wanted is no error.
		}
	}
	d, err := o.Cache.Simulate(it)
	if err != nil {
		return nil, err
	}
	r, err := perCase(d)
	if err != nil {
		return nil, err
	}
	return &r, nil
}
