// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Command drives writes simulated road tests whose truth is known: for each
// case a folder with recording.csv, vehicle.json and truth.json. With -compare
// it sets a recording of a real vehicle beside sound simulated ones.
package main

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/airassay/airassay/plugins/simulator/realism"
	"github.com/airassay/airassay/plugins/simulator/scenario"
	"github.com/airassay/airassay/plugins/simulator/write"
	"github.com/airassay/airassay/sdk/recording"
)

func main() {
	if err := run(os.Args[1:], os.Stdout); err != nil {
		if errors.Is(err, flag.ErrHelp) {
			return
		}
		fmt.Fprintln(os.Stderr, "drives:", err)
		os.Exit(1)
	}
}

// call is what the command line asks for.
type call struct {
	options              scenario.Options
	out, name, file      string
	count                int
	seed                 uint64
	list, show, describe bool
	compare              string
	litres               float64
}

func parse(args []string) (c call, err error) {
	flags := flag.NewFlagSet("drives", flag.ContinueOnError)
	o := &c.options
	flags.StringVar(&c.out, "out", "", "folder to write the cases into")
	flags.IntVar(&c.count, "n", 100, "number of cases")
	flags.Uint64Var(&c.seed, "seed", 1, "seed; the same seed gives the same cases")
	flags.BoolVar(&c.list, "list", false, "list the scenarios that come with the simulator")
	flags.StringVar(&c.name, "scenario", "", "write one of those scenarios instead")
	flags.StringVar(&c.file, "file", "", "write the scenario of a scenario file instead")
	flags.BoolVar(&c.show, "show", false, "print the scenario with everything written out, and drive nothing")
	flags.BoolVar(&c.describe, "scenario-files", false, "write scenario.json beside each drawn case")
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
	flags.StringVar(&c.compare, "compare", "", "a recording of a real vehicle to set beside sound simulated ones")
	flags.Float64Var(&c.litres, "litres", 0, "displacement in L of the vehicle of -compare; 0 where it is not known")
	if err := flags.Parse(args); err != nil {
		return c, err
	}
	if *without != "" {
		o.Without = strings.Split(*without, ",")
	}
	return c, nil
}

func run(args []string, to io.Writer) error {
	c, err := parse(args)
	if err != nil {
		return err
	}
	switch {
	case c.list:
		return list(to)
	case c.compare != "":
		return realism.Compare(to, c.compare, c.litres)
	case c.name != "" || c.file != "":
		return c.one(to)
	}
	return c.many(to)
}

func list(to io.Writer) error {
	for _, name := range scenario.Names() {
		f, err := scenario.NamedFile(name)
		if err != nil {
			return err
		}
		if _, err := fmt.Fprintf(to, "%-22s %s\n", name, f.Title); err != nil {
			return err
		}
	}
	return nil
}

// one shows or drives the scenario that was named.
func (c *call) one(to io.Writer) error {
	f, err := c.scenario()
	if err != nil {
		return err
	}
	if c.show {
		text, err := f.Write()
		if err != nil {
			return err
		}
		_, err = to.Write(text)
		return err
	}
	if c.out == "" {
		return errNoOut
	}
	driven := f.Case()
	return write.Drive(c.out, &driven)
}

func (c *call) scenario() (scenario.File, error) {
	if c.file == "" {
		return scenario.NamedFile(c.name)
	}
	in, err := recording.OpenFile(c.file)
	if err != nil {
		return scenario.File{}, err
	}
	defer func() { _ = in.Close() }() // It was only read: nothing can be lost.
	data, err := io.ReadAll(io.LimitReader(in, scenario.MaxBytes+1))
	if err != nil {
		return scenario.File{}, fmt.Errorf("read the scenario file: %w", err)
	}
	f, err := scenario.Read(data)
	if err != nil {
		return scenario.File{}, fmt.Errorf("%s: %w", c.file, err)
	}
	return f, nil
}

var errNoOut = errors.New("-out is missing: name the folder to write the cases into")

func (c *call) many(to io.Writer) error {
	switch {
	case c.out == "":
		return errNoOut
	case c.count < 1:
		return fmt.Errorf("-n is %d; expected at least 1", c.count)
	}
	if err := c.options.Check(); err != nil {
		return err
	}
	began := time.Now()
	for i := range c.count {
		drawn := scenario.Draw(c.options, scenario.CaseSeed(c.seed, i))
		name := fmt.Sprintf("case-%04d", i+1)
		if err := write.Drive(filepath.Join(c.out, name), &drawn); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		if !c.describe {
			continue
		}
		if err := write.JSON(filepath.Join(c.out, name, "scenario.json"), drawn.Describe(name)); err != nil {
			return err
		}
	}
	_, err := fmt.Fprintf(to, "%d cases in %s\n", c.count, time.Since(began).Round(time.Millisecond))
	return err
}
