// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay_test

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/assay/assaytest"
)

// sane returns what is wrong with an assessment whatever its samples were.
func sane(v *assay.Assessment) error {
	sum := 0.0
	if len(v.Conditions) == 0 {
		return fmt.Errorf("no conditions")
	}
	for i, c := range v.Conditions {
		if !(c.Probability >= 0 && c.Probability <= 1) {
			return fmt.Errorf("condition %d has probability %v", c.Condition, c.Probability)
		}
		if i > 0 && c.Probability > v.Conditions[i-1].Probability {
			return fmt.Errorf("conditions are not in order of probability")
		}
		sum += c.Probability
		causes := 0.0
		for _, k := range c.Causes {
			if !(k.Probability >= 0 && k.Probability <= 1) {
				return fmt.Errorf("cause %d has probability %v", k.Cause, k.Probability)
			}
			causes += k.Probability
		}
		if math.Abs(causes-c.Probability) > 1e-9 {
			return fmt.Errorf("causes of condition %d sum to %v, not to %v", c.Condition, causes, c.Probability)
		}
	}
	if math.Abs(sum-1) > 1e-9 {
		return fmt.Errorf("probabilities sum to %v", sum)
	}
	for _, check := range []func(*assay.Assessment) error{saneSensors, saneErrors, saneEvidence, saneAdvice, saneTests} {
		if err := check(v); err != nil {
			return err
		}
	}
	return nil
}

func saneSensors(v *assay.Assessment) error {
	meters, intakes := 0, 0
	for _, s := range v.Sensors {
		if !(s.Probability >= 0 && s.Probability <= 1+1e-12) || s.Finding == assay.FindingUnspecified {
			return fmt.Errorf("sensor %+v", s)
		}
		switch s.Sensor {
		case assay.SensorAirMeter:
			meters++
		case assay.SensorIntakeAirTemperature:
			intakes++
		}
	}
	if meters < 1 || intakes != 1 {
		return fmt.Errorf("%d air meters and %d intake air temperatures", meters, intakes)
	}
	return nil
}

func saneErrors(v *assay.Assessment) error {
	for _, e := range v.MeterErrors {
		if !finite(e.Flow) || !finite(e.Percent) || !finite(e.LowPct) || !finite(e.HighPct) {
			return fmt.Errorf("meter error %+v is not finite", e)
		}
		if e.LowPct > e.Percent || e.Percent > e.HighPct || e.LowPct < -100 {
			return fmt.Errorf("meter error %+v is out of order", e)
		}
	}
	return nil
}

func saneEvidence(v *assay.Assessment) error {
	for _, e := range v.Evidence {
		for _, x := range []float64{e.Measured, e.MeasuredSD, e.Expected, e.ExpectedSD} {
			if !finite(x) {
				return fmt.Errorf("evidence %+v is not finite", e)
			}
		}
		if e.MeasuredSD < 0 || e.ExpectedSD < 0 || e.Samples <= 0 {
			return fmt.Errorf("evidence %+v has a negative width or no samples", e)
		}
		for _, l := range e.Leanings {
			if !finite(l.Predicted) || !finite(l.LogRatio) || !finite(l.Share) {
				return fmt.Errorf("leaning %+v of evidence %d is not finite", l, e.Kind)
			}
		}
	}
	for _, m := range v.Manoeuvres {
		if m.EndUS < m.StartUS || m.Samples <= 0 || !finite(m.MinRPM) || !finite(m.MaxRPM) || !m.Used && len(m.Reasons) == 0 {
			return fmt.Errorf("manoeuvre %+v", m)
		}
	}
	return nil
}

func saneAdvice(v *assay.Assessment) error {
	if len(v.Advice) == 0 {
		return fmt.Errorf("no advice")
	}
	for _, x := range v.Advice {
		if x.Action == assay.ActionUnspecified || !finite(x.Regret) || x.Regret < 0 || len(x.Cautions) == 0 {
			return fmt.Errorf("advice %+v", x)
		}
	}
	if v.Conclusive == (len(v.Reasons) > 0) {
		return fmt.Errorf("conclusive %v with reasons %v", v.Conclusive, v.Reasons)
	}
	for _, g := range v.Ambiguities {
		if len(g.Causes) < 2 || !(g.Probability > 0 && g.Probability <= 1+1e-9) {
			return fmt.Errorf("ambiguity %+v", g)
		}
	}
	u := &v.Use
	if u.Used < 0 || u.Late < 0 || u.OutOfRange < 0 || u.Unused < 0 || u.DurationUS < 0 {
		return fmt.Errorf("use %+v", *u)
	}
	return nil
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// paths in an order that does not change.
func paths() []string {
	var ps []string
	for p := range assay.SignalPaths() {
		ps = append(ps, p)
	}
	slices.Sort(ps)
	return ps
}

func randomFacts(rng *rand.Rand) assay.Facts {
	f := assay.NoFacts()
	maybe := func(p *float64, lo, hi float64) {
		switch rng.IntN(4) {
		case 0, 1:
			*p = lo + rng.Float64()*(hi-lo)
		case 2:
			*p = math.Exp(40*rng.Float64() - 20)
		}
	}
	maybe(&f.DisplacementL, 0.6, 8)
	maybe(&f.Cylinders, 1, 12)
	maybe(&f.EthanolPercent, 0, 100)
	maybe(&f.RatedPowerRPM, 2000, 9000)
	maybe(&f.Valves, 2, 5)
	if rng.IntN(2) == 0 {
		// A height beyond any road is refused where facts come in.
		f.AltitudeM = -400 + 6000*rng.Float64()
	}
	maybe(&f.AmbientC, -40, 50)
	maybe(&f.HoursSinceRun, 0, 100)
	f.Aspiration, f.Fuel = assay.Aspiration(rng.IntN(4)), assay.Fuel(rng.IntN(6))
	f.AirMeter, f.Cycle = assay.Technology(rng.IntN(6)), assay.Cycle(rng.IntN(3))
	f.Location, f.Purpose = assay.Location(rng.IntN(4)), assay.Purpose(rng.IntN(4))
	f.Cleanings, f.CleaningLimit = rng.IntN(4), rng.IntN(4)
	for range rng.IntN(4) {
		f.Inspections = append(f.Inspections, assay.InspectionResult{
			Inspection: assay.Inspection(rng.IntN(20)), Outcome: assay.InspectionOutcome(rng.IntN(3)),
		})
	}
	return f
}

// randomValue is often plausible, now and then absurd.
func randomValue(rng *rand.Rand, path string) float64 {
	switch rng.IntN(12) {
	case 0:
		return math.Float64frombits(rng.Uint64())
	case 1:
		return []float64{0, math.Copysign(0, -1), -40, 215, 255, 100, math.NaN(), math.Inf(1), math.Inf(-1), math.MaxFloat64, 5e-324, 1e-9}[rng.IntN(12)]
	}
	switch path {
	case assaytest.PathEngineSpeed:
		return 7000 * rng.Float64() * rng.Float64()
	case assaytest.PathMAF, assaytest.PathMAFA, assaytest.PathMAFB:
		return 150 * rng.Float64() * rng.Float64()
	case assaytest.PathLambda1, assaytest.PathLambda2, assaytest.PathLambdaCommand:
		return 2 * rng.Float64()
	case assaytest.PathFuelStatus:
		return float64(int(1) << rng.IntN(5))
	}
	return 110 * rng.Float64()
}

func randomStep(rng *rand.Rand) int64 {
	switch rng.IntN(40) {
	case 0:
		return -rng.Int64N(5_000_000)
	case 1:
		return rng.Int64N(60_000_000)
	case 2:
		return 0
	}
	return rng.Int64N(80_000)
}

// Whatever comes in, an assessment comes out that keeps the rules.
func TestAnySamplesGiveASaneAssessment(t *testing.T) {
	t.Parallel()
	all, units := paths(), assay.SignalPaths()
	rounds := 400
	if testing.Short() {
		rounds = 60
	}
	for seed := range rounds {
		rng := rand.New(rand.NewPCG(uint64(seed), 3))
		var defs []assay.SignalDef
		for _, p := range all {
			if rng.IntN(3) > 0 {
				defs = append(defs, assay.SignalDef{Path: p, Unit: units[p], TimeUncertaintyUS: rng.Int64N(1_000_000)})
			}
		}
		if len(defs) == 0 {
			continue
		}
		a := assay.New(randomFacts(rng))
		if err := a.Declare(1, assay.Clock(rng.IntN(5)), defs); err != nil {
			t.Fatal(err)
		}
		now := []int64{0, -1, 1 << 62, -(1 << 62), 1_700_000_000_000_000}[rng.IntN(5)]
		// Long runs of one value as well as noise: both are ways to break a variance.
		still := rng.IntN(3) == 0
		last := make([]float64, len(defs))
		for i := range last {
			last[i] = randomValue(rng, defs[i].Path)
		}
		for range 3000 {
			k := rng.IntN(len(defs))
			if !still || rng.IntN(100) == 0 {
				last[k] = randomValue(rng, defs[k].Path)
			}
			now += randomStep(rng)
			a.Push(assay.Sample{Capture: 1, Signal: int32(k), TimeUS: now, Value: last[k], UncertaintyUS: rng.Int64N(3) - 1})
		}
		if err := sane(a.Assess()); err != nil {
			t.Errorf("seed %d: %v", seed, err)
		}
	}
}

// Real drives with broken facts, broken samples or both.
func TestDamagedDrivesGiveASaneAssessment(t *testing.T) {
	drives := someDrives()
	for seed := range 60 {
		rng := rand.New(rand.NewPCG(uint64(seed), 5))
		d := *drives[seed%len(drives)]
		if seed%3 == 0 {
			d.Facts = randomFacts(rng)
		}
		d.Clock = assay.Clock(rng.IntN(5))
		d.Samples = slices.Clone(d.Samples)
		share := rng.IntN(30)
		for k := range d.Samples {
			if rng.IntN(100) < share {
				d.Samples[k].Value = randomValue(rng, d.Defs[d.Samples[k].Signal].Path)
			}
		}
		if err := sane(d.Assess()); err != nil {
			t.Errorf("seed %d: %v", seed, err)
		}
	}
}

func TestEveryRowIsSaneAtEveryMoment(t *testing.T) {
	t.Parallel()
	for _, r := range rows() {
		d := assaytest.Make(r.spec)
		a := d.Start()
		for k, s := range d.Samples {
			a.Push(s)
			if k%1200 == 0 {
				if err := sane(a.Assess()); err != nil {
					t.Errorf("%s after %d samples: %v", r.name, k, err)
				}
			}
		}
		if err := sane(a.Assess()); err != nil {
			t.Errorf("%s: %v", r.name, err)
		}
	}
}

func TestTimesAtTheEndsOfTheirRange(t *testing.T) {
	d := assaytest.Make(assaytest.Spec{Seed: 11})
	for name, shift := range map[string]func(i int, t int64) int64{
		"the far future":    func(_ int, t int64) int64 { return t + 1<<62 },
		"the far past":      func(_ int, t int64) int64 { return t - 1<<62 },
		"going back":        func(_ int, t int64) int64 { return -t },
		"all at once":       func(int, int64) int64 { return 7 },
		"a leap of ages":    func(i int, t int64) int64 { return t + int64(i/5000)<<61 - 1<<62 },
		"from end to end":   func(i int, _ int64) int64 { return []int64{math.MinInt64, math.MaxInt64, 0, -1 << 62, 1 << 62}[i%5] },
		"minutes in micros": func(_ int, t int64) int64 { return t * 60 },
		"stretched":         func(_ int, t int64) int64 { return t * 1_000_000 },
	} {
		t.Run(name, func(t *testing.T) {
			e := *d
			e.Samples = slices.Clone(d.Samples)
			for i := range e.Samples {
				e.Samples[i].TimeUS = shift(i, e.Samples[i].TimeUS)
			}
			if err := sane(e.Assess()); err != nil {
				t.Error(err)
			}
		})
	}
}

func TestNothingOrNextToNothingIsSaneAndInconclusive(t *testing.T) {
	if v := assay.New(assay.NoFacts()).Assess(); sane(v) != nil || v.Conclusive {
		t.Errorf("nothing declared: conclusive %v, %v", v.Conclusive, sane(v))
	}
	d := assaytest.Make(assaytest.Spec{Seed: 12, TwoBanks: true, Fault: assaytest.Fault{Gain: -0.3}})
	if v := d.Start().Assess(); sane(v) != nil || v.Conclusive {
		t.Errorf("no samples: conclusive %v, %v", v.Conclusive, sane(v))
	}
	for _, def := range d.Defs {
		others := slices.DeleteFunc(slices.Clone(d.Defs), func(x assay.SignalDef) bool { return x.Path == def.Path })
		var gone []string
		for _, x := range others {
			gone = append(gone, x.Path)
		}
		v := d.Without(gone...).Assess()
		if err := sane(v); err != nil || v.Conclusive {
			t.Errorf("only %s: conclusive %v, %v%s", def.Path, v.Conclusive, err, verdict(v))
		}
	}
	one := *d
	one.Samples = d.Samples[:1]
	if v := one.Assess(); sane(v) != nil || v.Conclusive {
		t.Errorf("one sample: conclusive %v, %v", v.Conclusive, sane(v))
	}
}

func TestDeclarationsAreRefusedWithTheirReason(t *testing.T) {
	a := assay.New(assay.NoFacts())
	if err := a.Declare(1, assay.ClockHost, []assay.SignalDef{{Path: assaytest.PathMAF, Unit: "kg/h"}}); err == nil {
		t.Error("a flow in kg/h is taken for g/s")
	}
	if err := a.Declare(1, assay.ClockHost, []assay.SignalDef{{Path: assaytest.PathIAT, Unit: "celsius"}, {Path: "Vehicle.Speed", Unit: "km/h"}}); err != nil {
		t.Errorf("the older spelling of a unit is refused: %v", err)
	}
	if err := a.Declare(1, assay.ClockHost, nil); err == nil {
		t.Error("a capture is declared twice")
	}
	for _, s := range []assay.Sample{{Capture: 2}, {Capture: 1, Signal: -1}, {Capture: 1, Signal: 2}, {Capture: 1, Signal: 1}, {Capture: -1, Signal: math.MaxInt32}} {
		a.Push(s)
	}
	u := a.Assess().Use
	if u.Unused != 5 || u.Used != 0 || !slices.Equal(u.UnusedSignals, []string{"Vehicle.Speed"}) {
		t.Errorf("samples of nothing declared: %+v", u)
	}
}

// FuzzPush reads a stream from bytes: per sample a signal, a step in time and a value.
func FuzzPush(f *testing.F) {
	all, units := paths(), assay.SignalPaths()
	defs := make([]assay.SignalDef, len(all))
	for i, p := range all {
		defs[i] = assay.SignalDef{Path: p, Unit: units[p]}
	}
	record := func(sig byte, step int32, v float64) []byte {
		b := []byte{sig}
		b = binary.LittleEndian.AppendUint32(b, uint32(step))
		return binary.LittleEndian.AppendUint64(b, math.Float64bits(v))
	}
	seed := func(d *assaytest.Drive, from, n int) []byte {
		var b []byte
		last := d.Samples[from].TimeUS
		for _, s := range d.Samples[from : from+n] {
			i := slices.Index(all, d.Defs[s.Signal].Path)
			b = append(b, record(byte(i), int32(s.TimeUS-last), s.Value)...)
			last = s.TimeUS
		}
		return b
	}
	f.Add(byte(1), int64(0), []byte{})
	f.Add(byte(0), int64(1)<<62, record(3, -1, math.Inf(1)))
	for i, d := range someDrives() {
		f.Add(byte(37*i), int64(i-2)<<61, seed(d, len(d.Samples)*2/3, 150))
	}
	f.Fuzz(func(t *testing.T, facts byte, start int64, b []byte) {
		a := assay.New(randomFacts(rand.New(rand.NewPCG(uint64(facts), 7))))
		if err := a.Declare(1, assay.Clock(facts%5), defs); err != nil {
			t.Fatal(err)
		}
		now := start
		for ; len(b) >= 13; b = b[13:] {
			now += int64(int32(binary.LittleEndian.Uint32(b[1:])))
			a.Push(assay.Sample{
				Capture: 1, Signal: int32(b[0]) - 1, TimeUS: now, UncertaintyUS: int64(int8(b[0])),
				Value: math.Float64frombits(binary.LittleEndian.Uint64(b[5:])),
			})
		}
		if err := sane(a.Assess()); err != nil {
			t.Error(err)
		}
	})
}
