// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Command drives writes simulated road tests whose truth is known: for each
// case a folder with recording.csv, vehicle.json and truth.json.
package main

import (
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/airassay/airassay/plugins/simulator/scenario"
	"github.com/airassay/airassay/plugins/simulator/write"
)

func main() {
	if err := run(os.Args[1:]); err != nil {
		if errors.Is(err, flag.ErrHelp) {
			return
		}
		fmt.Fprintln(os.Stderr, "drives:", err)
		os.Exit(1)
	}
}

func run(args []string) error {
	flags := flag.NewFlagSet("drives", flag.ContinueOnError)
	var o scenario.Options
	out := flags.String("out", "", "folder to write the cases into")
	count := flags.Int("n", 100, "number of cases")
	seed := flags.Uint64("seed", 1, "seed; the same seed gives the same cases")
	name := flags.String("scenario", "", "write one named scenario instead: "+fmt.Sprint(scenario.Names()))
	flags.StringVar(&o.Condition, "condition", "", "only this condition, such as CONDITION_METER_READS_LOW")
	flags.StringVar(&o.Cause, "cause", "", "only this cause, such as CAUSE_CONTAMINATED")
	flags.StringVar(&o.Link, "link", "", "only this link class")
	flags.StringVar(&o.Style, "style", "", "only this style of driving")
	flags.StringVar(&o.Aspiration, "aspiration", "", "only natural, turbo or supercharged engines, where the fault allows it")
	flags.Float64Var(&o.Height, "height", 0, "height of the place in m; 0 draws it")
	without := flags.String("without", "", "signals that no recording shall have, such as MAP,BarometricPressure")
	flags.Float64Var(&o.HealthyShare, "healthy-share", 0.35, "share of cases without a fault")
	flags.Float64Var(&o.BadDrivingShare, "bad-driving-share", 0.1, "share of cases that are badly driven")
	flags.Float64Var(&o.DoubleShare, "double-share", 0, "share of the faulty cases that have a second fault")
	if err := flags.Parse(args); err != nil {
		return err
	}
	if *without != "" {
		o.Without = strings.Split(*without, ",")
	}
	if *out == "" {
		return errors.New("-out is missing: name the folder to write the cases into")
	}
	if *name != "" {
		c, err := scenario.Named(*name)
		if err != nil {
			return err
		}
		return save(*out, &c)
	}
	if *count < 1 {
		return fmt.Errorf("-n is %d; expected at least 1", *count)
	}
	if err := o.Check(); err != nil {
		return err
	}
	return many(*out, o, *count, *seed)
}

func many(out string, o scenario.Options, count int, seed uint64) error {
	began := time.Now()
	for i := range count {
		c := scenario.Draw(o, scenario.CaseSeed(seed, i))
		if err := save(filepath.Join(out, fmt.Sprintf("case-%04d", i+1)), &c); err != nil {
			return err
		}
	}
	fmt.Printf("%d cases in %s\n", count, time.Since(began).Round(time.Millisecond))
	return nil
}

func save(folder string, c *scenario.Case) error {
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return fmt.Errorf("make the folder of a case: %w", err)
	}
	r := c.Run()
	file, err := os.Create(filepath.Join(folder, "recording.csv"))
	if err != nil {
		return fmt.Errorf("create the recording: %w", err)
	}
	if err := errors.Join(write.Recording(file, c.Signals, r.Samples), file.Close()); err != nil {
		return err
	}
	return errors.Join(
		write.JSON(filepath.Join(folder, "vehicle.json"), c.Facts),
		write.JSON(filepath.Join(folder, "truth.json"), r.Truth))
}
