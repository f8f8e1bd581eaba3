// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay_test

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/assay/assaytest"
)

var update = flag.Bool("update", false, "write the golden verdicts anew")

// golden is what matters of an assessment, as text that changes when a verdict does
// and not with the last digit.
func golden(v *assay.Assessment) string {
	var b strings.Builder
	fmt.Fprintf(&b, "conclusive %v reasons %v\n", v.Conclusive, v.Reasons)
	for _, c := range v.Conditions {
		if c.Probability < 0.0005 {
			continue
		}
		fmt.Fprintf(&b, "condition %d %.3f\n", c.Condition, c.Probability)
		for _, k := range c.Causes {
			if k.Probability >= 0.0005 {
				fmt.Fprintf(&b, "  cause %d bank %d %.3f\n", k.Cause, k.Bank, k.Probability)
			}
		}
	}
	for _, s := range v.Sensors {
		fmt.Fprintf(&b, "sensor %d bank %d finding %d %.3f\n", s.Sensor, s.Bank, s.Finding, s.Probability)
	}
	for _, e := range v.MeterErrors {
		fmt.Fprintf(&b, "meter bank %d at %.1f g/s %+.1f %% (%+.1f to %+.1f)\n", e.Bank, e.Flow, e.Percent, e.LowPct, e.HighPct)
	}
	for _, m := range v.Manoeuvres {
		fmt.Fprintf(&b, "manoeuvre %d from %.1f to %.1f s used %v reasons %v\n", m.Kind, float64(m.StartUS)/1e6, float64(m.EndUS)/1e6, m.Used, m.Reasons)
	}
	for _, g := range v.Ambiguities {
		fmt.Fprintf(&b, "ambiguity %.3f inspect %v:", g.Probability, g.Inspections)
		for _, c := range g.Causes {
			fmt.Fprintf(&b, " %d/%d", c.Condition, c.Cause)
		}
		b.WriteByte('\n')
	}
	for _, d := range v.Distrusted {
		fmt.Fprintf(&b, "distrusted %s reason %d\n", d.Path, d.Reason)
	}
	for _, g := range v.Gaps {
		fmt.Fprintf(&b, "gap %d manoeuvre %d inspection %d signal %q\n", g.Kind, g.Manoeuvre, g.Inspection, g.Signal)
	}
	for _, x := range v.Advice {
		fmt.Fprintf(&b, "advice %d sensor %d bank %d inspection %d manoeuvre %d cautions %v\n", x.Action, x.Sensor, x.Bank, x.Inspection, x.Manoeuvre, x.Cautions)
	}
	for _, x := range v.NextTests {
		fmt.Fprintf(&b, "test manoeuvre %d inspection %d fact %q\n", x.Manoeuvre, x.Inspection, x.Fact)
	}
	fmt.Fprintf(&b, "used %d late %d out of range %d\n", v.Use.Used, v.Use.Late, v.Use.OutOfRange)
	return b.String()
}

// A change of the engine that moves a verdict is seen by whoever makes it.
func TestVerdictsAreThoseThatWereAgreed(t *testing.T) {
	type F = assaytest.Fault
	for name, spec := range map[string]assaytest.Spec{
		"sound":            {Seed: 21, Meter: assay.TechnologyHotWire},
		"dirty-hot-wire":   {Seed: 22, Meter: assay.TechnologyHotWire, Fault: F{DirtDelta: 0.119, DirtFlow: 7178}},
		"dirty-hot-film":   {Seed: 22, Meter: assay.TechnologyHotFilm, Fault: F{DirtDelta: 0.119, DirtFlow: 7178}},
		"torn-duct":        {Seed: 23, Meter: assay.TechnologyHotFilm, Fault: F{DuctShare: 0.15}},
		"manifold-leak":    {Seed: 24, Fault: F{LeakMM: 2}, TwoBanks: true},
		"clogged-filter":   {Seed: 25, Fault: F{FilterKPa: 6.5}},
		"clogged-exhaust":  {Seed: 26, Fault: F{ExhaustLoss: 0.25}},
		"hot-thermistor":   {Seed: 27, Fault: F{IntakeBias: 20}, ColdSoak: true},
		"no-meter":         {Seed: 28, NoMeter: true, ColdSoak: true},
		"diesel":           {Seed: 29, Diesel: true, Meter: assay.TechnologyHotFilm},
		"slow-link":        {Seed: 30, Rate: 10, Fault: F{Gain: -0.2}},
		"stuck":            {Seed: 31, Fault: F{Stuck: 20}},
		"idle-only":        {Seed: 32, Fault: F{Gain: -0.2}, Only: []assay.ManoeuvreKind{assay.ManoeuvreKeyOnEngineOff, assay.ManoeuvreWarmIdle}},
		"wrong-size":       {Seed: 33, EnteredLitres: 2.4},
		"one-of-two-meter": {Seed: 34, TwoBanks: true, TwoMeters: true, Fault: F{Gain: -0.25}},
	} {
		t.Run(name, func(t *testing.T) {
			got := golden(assaytest.Make(spec).Assess())
			file := filepath.Join("testdata", "verdicts", name+".txt")
			if *update {
				if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
				return
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("%s\n%s", file, changes(got, string(want)))
			}
		})
	}
}

// changes lists the lines that are not in both.
func changes(got, want string) string {
	var b strings.Builder
	list := func(sign, from, other string) {
		lines := strings.Split(other, "\n")
		for l := range strings.SplitSeq(from, "\n") {
			found := false
			for _, o := range lines {
				found = found || o == l
			}
			if !found {
				fmt.Fprintf(&b, "%s %s\n", sign, l)
			}
		}
	}
	list("was", want, got)
	list("is ", got, want)
	return b.String()
}
