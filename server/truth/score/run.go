// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"slices"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"github.com/airassay/airassay/plugins/simulator/scenario"
	"github.com/airassay/airassay/sdk/page"
	"github.com/airassay/airassay/sdk/page/wording"
	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/rpc"
	"github.com/airassay/airassay/server/truth"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

// flags are what the user asks for.
type flags struct {
	cases, parallel, variants  int
	seeds, cache               string
	json, markdown             bool
	lines, compare, id, folder string
	only                       []string
}

func parse(args []string, stderr io.Writer) (*flags, error) {
	f := &flags{}
	set := pflag.NewFlagSet("score", pflag.ContinueOnError)
	set.SetOutput(stderr)
	set.SortFlags = false
	set.IntVar(&f.cases, "cases", 2000, "score this many cases")
	set.StringVar(&f.seeds, "seeds", "dev", "the `NAME` of the seeds: dev for work, test only to report, any other word for more")
	set.IntVar(&f.parallel, "parallel", runtime.GOMAXPROCS(0), "run this many cases at once")
	set.StringVar(&f.cache, "cache", "", "keep the simulated drives in this `FOLDER`, about 150 kB each, and use them again")
	set.BoolVar(&f.markdown, "markdown", false, "print the tables in Markdown")
	set.BoolVar(&f.json, "json", false, "print the figures in JSON instead of tables")
	set.StringVar(&f.lines, "lines", "", "write a JSON line for each case to this `FILE`")
	set.StringVar(&f.compare, "compare", "", "tell what changed against this `FILE` of an earlier --lines")
	set.StringSliceVar(&f.only, "only", nil, "only cases that match, as `KEY=VALUE`: "+strings.Join(keys(), ", "))
	set.IntVar(&f.variants, "variants", 0, "leave out each signal, and half of the samples, in the first `N` cases")
	set.StringVar(&f.id, "case", "", "show the truth and the verdict of the case with this `ID`, such as dev-00042")
	set.StringVar(&f.folder, "write", "", "with --case: write its recording, facts and truth into this `FOLDER`")
	if err := set.Parse(args); err != nil {
		return nil, err
	}
	return f, f.check(set)
}

// mostCases bounds a run; a hundred thousand take hours.
const mostCases = 100_000

func (f *flags) check(set *pflag.FlagSet) error {
	switch {
	case set.NArg() > 0:
		return fmt.Errorf("%q is too much; the command takes flags only", set.Arg(0))
	case f.cases < 1 || f.cases > mostCases:
		return fmt.Errorf("--cases is %d; expected 1 to %d", f.cases, mostCases)
	case f.parallel < 1:
		return fmt.Errorf("--parallel is %d; expected at least 1", f.parallel)
	case f.variants < 0 || f.variants > f.cases:
		return fmt.Errorf("--variants is %d; expected 0 to the number of --cases, %d", f.variants, f.cases)
	case f.json && f.markdown:
		return errors.New("--json and --markdown exclude each other")
	case f.folder != "" && f.id == "":
		return errors.New("--write needs --case: it writes one case")
	}
	single := f.lines != "" || f.compare != "" || len(f.only) > 0 || f.id != ""
	if single && (f.seeds == truth.TestSeeds || strings.HasPrefix(f.id, truth.TestSeeds+"-")) {
		return errors.New("the test seeds are looked at only to report: no --lines, --compare, --only or --case with them; work on --seeds dev")
	}
	return nil
}

// filters are the keys of --only.
var filters = []struct {
	key string
	of  func(*truth.Item, *scenario.Case) string
}{
	{"kind", func(it *truth.Item, _ *scenario.Case) string { return string(it.Kind) }},
	{"condition", func(_ *truth.Item, c *scenario.Case) string { return c.Condition }},
	{"cause", func(_ *truth.Item, c *scenario.Case) string { return c.Cause }},
	{"severity", func(_ *truth.Item, c *scenario.Case) string { return c.Severity.String() }},
	{"link", func(_ *truth.Item, c *scenario.Case) string { return c.Link.Name }},
	{"style", func(it *truth.Item, _ *scenario.Case) string { return it.Options.Style }},
	{"subset", func(it *truth.Item, _ *scenario.Case) string { return it.Subset }},
	{"aspiration", func(_ *truth.Item, c *scenario.Case) string { return c.Spec.Aspiration.String() }},
	{"fuel", func(_ *truth.Item, c *scenario.Case) string { return c.Spec.Fuel.String() }},
	{"meter", func(_ *truth.Item, c *scenario.Case) string { return c.Spec.Meter.String() }},
}

func keys() (list []string) {
	for _, f := range filters {
		list = append(list, f.key)
	}
	return list
}

// filter joins the conditions of --only; one key with several values matches any of them.
func filter(only []string) (func(*truth.Item, *scenario.Case) bool, error) {
	if len(only) == 0 {
		return nil, nil //nolint:nilnil // No filter lets everything pass.
	}
	wanted := map[string][]string{}
	for _, o := range only {
		key, value, ok := strings.Cut(o, "=")
		if !ok || !slices.Contains(keys(), key) {
			return nil, fmt.Errorf("--only %q is not understood; expected KEY=VALUE with one of %s", o, strings.Join(keys(), ", "))
		}
		wanted[key] = append(wanted[key], value)
	}
	return func(it *truth.Item, c *scenario.Case) bool {
		for _, f := range filters {
			if w := wanted[f.key]; len(w) > 0 && !slices.Contains(w, f.of(it, c)) {
				return false
			}
		}
		return true
	}, nil
}

func run(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	f, err := parse(args, stderr)
	if err != nil {
		return err
	}
	if f.id != "" {
		return f.show(stdout)
	}
	plan, err := truth.NewPlan(f.seeds)
	if err != nil {
		return err
	}
	only, err := filter(f.only)
	if err != nil {
		return err
	}
	before, err := f.earlier()
	if err != nil {
		return err
	}
	if f.cache != "" {
		if err := os.MkdirAll(f.cache, 0o755); err != nil {
			return fmt.Errorf("make the folder of --cache: %w", err)
		}
	}
	o := truth.Options{Plan: plan, Cases: f.cases, Only: only, Parallel: f.parallel, Cache: truth.Cache{Folder: f.cache}}
	began := time.Now()
	o.Progress = progress(stderr, "scoring", began)
	outcomes, err := truth.Run(ctx, o, truth.Score)
	if err != nil {
		return err
	}
	if len(outcomes) == 0 {
		return errors.New("no case matches --only; take away a condition or raise --cases")
	}
	report := truth.NewReport(f.seeds, assay.EngineVersion, outcomes)
	report.Seconds = time.Since(began).Seconds()
	if f.variants > 0 {
		o.Cases, o.Progress = f.variants, progress(stderr, "with less recorded", time.Now())
		changed, err := truth.Run(ctx, o, truth.Vary)
		if err != nil {
			return err
		}
		report.AddRobustness(changed)
	}
	if err := f.writeLines(outcomes); err != nil {
		return err
	}
	return f.print(stdout, report, before, outcomes)
}

func (f *flags) earlier() ([]truth.Outcome, error) {
	if f.compare == "" {
		return nil, nil
	}
	file, err := os.Open(f.compare) //nolint:gosec // The user names the file.
	if err != nil {
		return nil, fmt.Errorf("open the earlier list of cases: %w", err)
	}
	list, err := truth.ReadLines(file, f.compare)
	return list, errors.Join(err, file.Close())
}

func (f *flags) writeLines(outcomes []truth.Outcome) error {
	if f.lines == "" {
		return nil
	}
	file, err := os.Create(f.lines) //nolint:gosec // The user names the file.
	if err != nil {
		return fmt.Errorf("create the list of cases: %w", err)
	}
	return errors.Join(truth.WriteLines(file, outcomes), file.Close())
}

func (f *flags) print(w io.Writer, r *truth.Report, before, now []truth.Outcome) error {
	if f.json {
		e := json.NewEncoder(w)
		e.SetIndent("", "  ")
		if err := e.Encode(r); err != nil {
			return fmt.Errorf("write the figures: %w", err)
		}
		return nil
	}
	tables := r.Tables()
	if f.compare != "" {
		tables = append(tables, truth.Compare(before, now))
	}
	format := truth.Text
	if f.markdown {
		format = truth.Markdown
	}
	return truth.WriteTables(w, tables, format)
}

// progress tells on stderr how far the run is and how long it will take, at most every
// five seconds.
func progress(w io.Writer, doing string, began time.Time) func(done, of int) {
	const every = 5 * time.Second
	last := began
	return func(done, of int) {
		now := time.Now()
		if now.Sub(last) < every && done < of {
			return
		}
		last = now
		left := time.Duration(float64(now.Sub(began)) / float64(done) * float64(of-done))
		_, _ = fmt.Fprintf(w, "%s: %d of %d, %s left\n", doing, done, of, left.Round(time.Second))
	}
}

// show prints one case: truth, outcome and the page that a technician sees.
func (f *flags) show(w io.Writer) error {
	plan, index, err := truth.ParseID(f.id)
	if err != nil {
		return err
	}
	it := plan.Item(index)
	if f.folder != "" {
		if err := truth.Save(f.folder, it); err != nil {
			return err
		}
	}
	d, err := truth.Simulate(it)
	if err != nil {
		return err
	}
	outcome, err := truth.Score(d)
	if err != nil {
		return err
	}
	a, err := d.Assess(d.Recording)
	if err != nil {
		return err
	}
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	if err := errors.Join(e.Encode(d.Truth), e.Encode(outcome)); err != nil {
		return fmt.Errorf("write the case: %w", err)
	}
	assessment := rpc.AssessmentToProto(a)
	const columns = 120
	v := &pb.Verdict{Assessment: assessment, Text: wording.Text(assessment, "en")}
	if err := page.Write(w, v, page.Options{Language: "en", Width: columns, Full: true, Source: it.ID}); err != nil {
		return fmt.Errorf("write the verdict: %w", err)
	}
	return nil
}
