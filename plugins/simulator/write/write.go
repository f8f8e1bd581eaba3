// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package write puts a simulated recording down in the format that Airassay
// reads without being told anything: CSV with a column per signal, headed by
// its COVESA VSS path, a row per instant, blank where nothing was sampled.
// Beside it lie the facts as they were entered, and the truth.
package write

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"

	"github.com/airassay/airassay/plugins/simulator/engine"
	"github.com/airassay/airassay/plugins/simulator/link"
	"github.com/airassay/airassay/plugins/simulator/scenario"
)

// Drive drives a case and writes a folder with recording.csv, vehicle.json (what
// was entered about vehicle and day) and truth.json, which is not for the judge.
func Drive(folder string, c *scenario.Case) error {
	r := c.Run()
	if r.Broken {
		return fmt.Errorf("the vehicle cannot exist: its numbers left all bounds %.1f s after the start; make it less extreme", r.Seconds)
	}
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return fmt.Errorf("make the folder of a drive: %w", err)
	}
	file, err := os.Create(filepath.Join(folder, "recording.csv"))
	if err != nil {
		return fmt.Errorf("create the recording: %w", err)
	}
	if err := errors.Join(Recording(file, c.Signals, r.Samples), file.Close()); err != nil {
		return err
	}
	return errors.Join(JSON(filepath.Join(folder, "vehicle.json"), c.Facts), JSON(filepath.Join(folder, "truth.json"), r.Truth))
}

// Recording writes samples, which must not go back in time.
func Recording(w io.Writer, signals []engine.Signal, samples []link.Sample) error {
	out := bufio.NewWriter(w)
	column := map[engine.Signal]int{}
	out.WriteString("time_s")
	for i, s := range signals {
		column[s] = i
		out.WriteByte(',')
		out.WriteString(s.Define().Path)
	}
	out.WriteByte('\n')
	row := make([]string, len(signals))
	for i := 0; i < len(samples); {
		clear(row)
		at := samples[i].TimeUS
		j := i
		for ; j < len(samples) && samples[j].TimeUS == at; j++ {
			k, ok := column[samples[j].Signal]
			if !ok {
				return fmt.Errorf("write recording: sample %d is of %s, which has no column", j, samples[j].Signal.Define().Path)
			}
			if row[k] != "" {
				break // the same signal twice at one instant starts a new row
			}
			row[k] = number(samples[j].Signal, samples[j].Value)
		}
		i = j
		out.WriteString(strconv.FormatFloat(float64(at)/1e6, 'f', 6, 64))
		for _, cell := range row {
			out.WriteByte(',')
			out.WriteString(cell)
		}
		out.WriteByte('\n')
	}
	if err := out.Flush(); err != nil {
		return fmt.Errorf("write recording: %w", err)
	}
	return nil
}

// Value is a value as it will be read again from what Recording writes.
func Value(s engine.Signal, value float64) float64 {
	v, err := strconv.ParseFloat(number(s, value), 64)
	if err != nil {
		return value // what FormatFloat wrote is a number
	}
	return v
}

// number writes a value with no more digits than its resolution deserves.
func number(s engine.Signal, value float64) string {
	step := s.Define().Step
	digits := 0
	for step < 0.99 && digits < 6 {
		step *= 10
		digits++
	}
	if digits > 0 && digits < 5 {
		digits++
	}
	text := strconv.FormatFloat(value, 'f', digits, 64)
	if digits > 0 {
		text = trimZeros(text)
	}
	return text
}

func trimZeros(text string) string {
	end := len(text)
	for end > 0 && text[end-1] == '0' {
		end--
	}
	if end > 0 && text[end-1] == '.' {
		end--
	}
	if text[:end] == "-0" {
		return "0"
	}
	return text[:end]
}

// JSON writes a value as an indented file.
func JSON(path string, value any) error {
	data, err := json.MarshalIndent(value, "", "  ")
	if err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	if err := os.WriteFile(path, append(data, '\n'), 0o644); err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	return nil
}
