// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package truth

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"github.com/airassay/airassay/plugins/simulator/engine"
	"github.com/airassay/airassay/plugins/simulator/link"
	"github.com/airassay/airassay/plugins/simulator/scenario"
	"github.com/airassay/airassay/plugins/simulator/write"
	"github.com/airassay/airassay/sdk/j1979"
	"github.com/airassay/airassay/sdk/recording"
	"github.com/airassay/airassay/sdk/recording/vehiclefile"
	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/rpc"
)

// Drive is a case that was driven: what the assay may see, and the truth that it may not.
type Drive struct {
	Item  Item
	Case  scenario.Case
	Truth scenario.Truth
	// Recording is what reading the written recording would give.
	Recording *recording.Recording
	facts     assay.Facts
}

// Simulate draws and drives a case.
func Simulate(it Item) (*Drive, error) {
	c := it.Draw()
	r := c.Run()
	return newDrive(it, c, r.Truth, r.Samples)
}

func newDrive(it Item, c scenario.Case, t scenario.Truth, samples []link.Sample) (*Drive, error) {
	rec, err := recorded(c.Signals, samples)
	if err != nil {
		return nil, fmt.Errorf("case %s: %w", it.ID, err)
	}
	facts, err := entered(&c.Facts)
	if err != nil {
		return nil, fmt.Errorf("case %s: %w", it.ID, err)
	}
	return &Drive{Item: it, Case: c, Truth: t, Recording: rec, facts: facts}, nil
}

// recorded puts samples into the form that they would have after they were written
// down and read again.
func recorded(signals []engine.Signal, samples []link.Sample) (*recording.Recording, error) {
	var columns [engine.NumSignals]int32
	var seen [engine.NumSignals]map[float64]float64
	list := make([]recording.Signal, len(signals))
	for i, s := range signals {
		known, ok := j1979.Lookup(s.Define().Path)
		if !ok {
			return nil, fmt.Errorf("signal %s is not in the vocabulary of recordings", s.Define().Path)
		}
		list[i] = recording.Signal{Path: known.Path, Unit: known.Unit}
		columns[s], seen[s] = int32(i), map[float64]float64{}
	}
	out := make([]recording.Sample, len(samples))
	for i, s := range samples {
		v, ok := seen[s.Signal][s.Value]
		if !ok {
			v = write.Value(s.Signal, s.Value)
			seen[s.Signal][s.Value] = v
		}
		out[i] = recording.Sample{TimeUS: s.TimeUS, Signal: columns[s.Signal], Value: v}
	}
	return recording.Assemble(list, recording.ClockHost, out)
}

// entered reads the facts as the program reads a vehicle file.
func entered(f *scenario.Facts) (assay.Facts, error) {
	data, err := json.Marshal(f)
	if err != nil {
		return assay.Facts{}, fmt.Errorf("write the facts: %w", err)
	}
	vehicle, day, err := vehiclefile.Read(bytes.NewReader(data), "vehicle.json")
	if err != nil {
		return assay.Facts{}, fmt.Errorf("read the facts: %w", err)
	}
	return rpc.FactsFromProto(vehicle, day), nil
}

// Assess gives a recording and the facts of the drive to the assay.
func (d *Drive) Assess(rec *recording.Recording) (*assay.Assessment, error) {
	a := assay.New(d.facts)
	defs := make([]assay.SignalDef, len(rec.Signals))
	for i, s := range rec.Signals {
		defs[i] = assay.SignalDef{Path: s.Path, Unit: s.Unit, TimeUncertaintyUS: s.TimeUncertaintyUS}
	}
	if err := a.Declare(0, assay.ClockHost, defs); err != nil {
		return nil, fmt.Errorf("case %s: declare the signals: %w", d.Item.ID, err)
	}
	const asDeclared = -1
	for _, s := range rec.Samples {
		a.Push(assay.Sample{Signal: s.Signal, TimeUS: s.TimeUS, Value: s.Value, UncertaintyUS: asDeclared})
	}
	return a.Assess(), nil
}

// Save writes recording.csv, vehicle.json and truth.json into a folder, which it makes.
func Save(folder string, it Item) error {
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return fmt.Errorf("make the folder of case %s: %w", it.ID, err)
	}
	c := it.Draw()
	r := c.Run()
	file, err := os.Create(filepath.Join(folder, "recording.csv"))
	if err != nil {
		return fmt.Errorf("create the recording: %w", err)
	}
	return errors.Join(
		write.Recording(file, c.Signals, r.Samples), file.Close(),
		write.JSON(filepath.Join(folder, "vehicle.json"), c.Facts),
		write.JSON(filepath.Join(folder, "truth.json"), r.Truth))
}
