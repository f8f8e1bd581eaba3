// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package truth

import (
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"
)

// said is a verdict made by hand.
func said(top string, p float64, conclusive bool) Verdict {
	v := Verdict{Top: top, Probability: p, P: make([]float64, len(Conditions)), Conclusive: conclusive}
	at := slices.Index(Conditions, top)
	for i := range v.P {
		v.P[i] = (1 - p) / float64(len(v.P)-1)
	}
	v.P[at] = p
	v.CondemnsMeter = conclusive && slices.Contains(meterConditions, top)
	v.AccusesMeter = v.CondemnsMeter
	return v
}

// outcome is a case made by hand.
func outcome(condition, severity string, sufficient bool, v Verdict) Outcome {
	l := Label{Condition: condition, Cause: "CAUSE_GAIN", Severity: severity, Sufficient: sufficient, DriveSufficient: sufficient,
		Right: []Right{{Condition: condition}}, MeterTrue: !slices.Contains(meterConditions, condition), ThermistorTrue: true, FullLoad: true, Trims: true}
	if condition == noFault {
		l.Cause = "CAUSE_NONE"
	}
	return Outcome{ID: "unit-00000", Kind: SingleFault, Label: l, Assay: v, Load: naive(noFault, true, nil), Trim: naive(noFault, false, nil)}
}

func off(o Outcome, percent float64) Outcome {
	o.Label.MeterError = &percent
	return o
}

const (
	low  = "CONDITION_METER_READS_LOW"
	high = "CONDITION_METER_READS_HIGH"
	weak = "CONDITION_FUEL_WEAK"
)

func handMade() []Outcome {
	return []Outcome{
		outcome(noFault, "none", true, said(noFault, 0.9, true)),
		outcome(noFault, "none", true, said(noFault, 0.5, false)),
		outcome(noFault, "none", true, said(low, 0.95, true)), // a false condemnation
		outcome(noFault, "none", false, said(noFault, 0.6, false)),
		outcome(noFault, "none", false, said(noFault, 0.6, true)), // firm on too little
		off(outcome(low, "severe", true, said(low, 0.9, true)), -20),
		off(outcome(low, "mild", true, said(noFault, 0.7, true)), -11), // missed
		off(outcome(low, "mild", true, said(high, 0.7, false)), -12),   // the wrong side
		off(outcome(low, "mild", true, said(low, 0.7, false)), -6),     // too small to be asked for
		outcome(weak, "moderate", true, said(weak, 0.8, true)),
	}
}

func pointers(list []Outcome) (out []*Outcome) {
	for i := range list {
		out = append(out, &list[i])
	}
	return out
}

func TestFiguresAreNotThoseOfAHandCount(t *testing.T) {
	f := FiguresOf(pointers(handMade()), ByAssay)
	for _, c := range []struct {
		name string
		got  Rate
		want Rate
	}{
		{"right", f.Right, Rate{5, 8}}, {"firm and right", f.FirmRight, Rate{3, 8}}, {"firm and wrong", f.FirmWrong, Rate{2, 8}},
		{"true meter condemned", f.MeterCondemned, Rate{1, 4}}, {"anywhere", f.MeterCondemnedAnywhere, Rate{1, 6}},
		{"thermistor condemned", f.ThermistorCondemned, Rate{0, 8}},
		{"detected", f.Detected, Rate{1, 3}}, {"detected with trims", f.DetectedTrims, Rate{1, 3}}, {"detected firmly", f.DetectedFirmly, Rate{1, 3}},
		{"open, sufficient", f.Open, Rate{3, 8}}, {"open, insufficient", f.OpenDrive, Rate{1, 2}},
	} {
		if c.got != c.want {
			t.Errorf("%s is %+v, want %+v", c.name, c.got, c.want)
		}
	}
	if f.Cases != 10 || f.Sufficient != 8 || f.Forecasts != 8 {
		t.Errorf("%d cases, %d sufficient, %d forecasts; want 10, 8, 8", f.Cases, f.Sufficient, f.Forecasts)
	}
	sum := 0.0
	for _, o := range handMade() {
		if o.Label.Sufficient {
			sum += brier([]forecast{{p: o.Assay.P, truth: slices.Index(Conditions, o.Label.Condition), weight: 1}})
		}
	}
	if !near(float64(f.Brier), sum/8) {
		t.Errorf("Brier score is %v, want %v", f.Brier, sum/8)
	}
}

func TestConfusionAndMissesAreNotThoseOfAHandCount(t *testing.T) {
	all := pointers(handMade())
	m := confusion(all, ByAssay)
	at := func(truth, top string) int { return m[slices.Index(Conditions, truth)][slices.Index(Conditions, top)] }
	if at(noFault, noFault) != 2 || at(noFault, low) != 1 || at(low, low) != 2 || at(low, noFault) != 1 || at(low, high) != 1 || at(weak, weak) != 1 {
		t.Errorf("confusion is %v", m)
	}
	rows := severityTable(all, false)
	if len(rows) != 3 || rows[0].Severity != "mild" || rows[2].Severity != "severe" {
		t.Fatalf("rows are %+v, want mild, moderate, severe", rows)
	}
	mild := rows[0]
	if mild.Right != (Rate{1, 3}) || mild.NoFault != (Rate{1, 3}) || mild.FirmNoFault != (Rate{1, 3}) || mild.Other != (Rate{1, 3}) {
		t.Errorf("mild faults are %+v", mild)
	}
}

func TestPairsAndDoubleFaultsAreScoredAsOne(t *testing.T) {
	leak := outcome("CONDITION_LEAK_AFTER_METER", "mild", true, said(low, 0.8, false))
	leak.Label.Right = append(leak.Label.Right, Right{low, "CAUSE_OFFSET"})
	if leak.Assay.Cause = "CAUSE_GAIN"; leak.Assay.right(&leak.Label) {
		t.Error("a scale error passes for a leak")
	}
	if leak.Assay.Cause = "CAUSE_OFFSET"; !leak.Assay.right(&leak.Label) {
		t.Error("an offset, which no judge can tell from a leak, is held to be wrong")
	}
	if !leak.Label.oneTruth() {
		t.Error("a pair is not one truth")
	}
}

func TestMeterThatAnotherSensorMisleadsMustBeFound(t *testing.T) {
	o := off(outcome("CONDITION_AIR_TEMPERATURE_FAULT", "severe", true, said(noFault, 0.9, false)), -15)
	if o.Label.Detectable() {
		t.Error("a true vortex meter beside a wrong thermistor must be found")
	}
	for _, x := range []float64{-9.9, 9.9} {
		if o := off(outcome(low, "mild", true, said(low, 0.9, true)), x); o.Label.Detectable() {
			t.Errorf("%v %% must be found", x)
		}
	}
	insufficient := off(outcome(low, "mild", false, said(low, 0.9, true)), -30)
	partLoad := off(outcome(low, "mild", true, said(low, 0.9, true)), -30)
	partLoad.Label.FullLoad = false
	if insufficient.Label.Detectable() || partLoad.Label.Detectable() {
		t.Error("a meter must be found without a sufficient drive at full load")
	}
}

func TestProbabilitiesThatAreNoneAreScored(t *testing.T) {
	good := said(low, 0.7, true)
	if err := good.check(); err != nil {
		t.Error(err)
	}
	for _, p := range []float64{math.NaN(), -0.1, 1.5, 0.9} {
		bad := said(low, 0.7, true)
		if bad.P[3] = p; bad.check() == nil {
			t.Errorf("a probability of %v is scored", p)
		}
	}
}

func TestFieldSharesLeaveTheMixAsItIs(t *testing.T) {
	fs := []forecast{of(0.9, 0), of(0.9, 0), of(0.9, 0), of(0.2, 1)}
	w := asInTheField(fs)
	sound, lowShare := fieldShares[Conditions[0]], fieldShares[Conditions[1]]
	if got, want := 3*w[0].weight/w[3].weight, sound/lowShare; math.Abs(got-want) > 1e-9 {
		t.Errorf("no fault weighs %v times a low meter, want %v", got, want)
	}
	if fs[0].weight != 1 {
		t.Error("weighting changed the forecasts that it was given")
	}
	for _, c := range Conditions {
		if fieldShares[c] <= 0 {
			t.Errorf("%s has no share of the field", c)
		}
	}
}

func TestIntervalOfARateIsNotWilsons(t *testing.T) {
	for _, c := range []struct {
		r         Rate
		low, high float64
	}{{Rate{0, 100}, 0, 0.0370}, {Rate{1, 100}, 0.0018, 0.0545}, {Rate{50, 100}, 0.4038, 0.5962}, {Rate{10, 10}, 0.7225, 1}, {Rate{0, 0}, 0, 1}} {
		low, high := c.r.Interval()
		if math.Abs(low-c.low) > 2e-4 || math.Abs(high-c.high) > 2e-4 {
			t.Errorf("%+v: %.4f to %.4f, want %.4f to %.4f", c.r, low, high, c.low, c.high)
		}
	}
}

func TestMovedThresholdsAreNotThoseOfAHandCount(t *testing.T) {
	bad, sound := []float64{1, 5, 9, 7}, []float64{0, 2, 6, 8, 1, 0, 0, 0, 0, 0}
	if a := alarmAt(slices.Clone(bad), sound, 0.75); !near(a, 0.2) {
		t.Errorf("at 3 of 4 found, %v of the sound are condemned, want 0.2", a)
	}
	if f := foundAt(bad, slices.Clone(sound), 0.1); !near(f, 0.5) {
		t.Errorf("at 1 of 10 condemned, %v of the bad are found, want 0.5", f)
	}
	if f := foundAt(bad, slices.Clone(sound), 0); !near(f, 0.25) {
		t.Errorf("at none condemned, %v of the bad are found, want 0.25", f)
	}
	if a := alarmAt(nil, sound, 0.5); !math.IsNaN(a) {
		t.Errorf("with no bad case the alarm is %v", a)
	}
}

func TestReportCannotBeWrittenOrLacksATarget(t *testing.T) {
	r := NewReport("unit", "engine", handMade())
	if _, err := json.Marshal(r); err != nil {
		t.Fatal(err)
	}
	var text, markdown strings.Builder
	if err := WriteTables(&text, r.Tables(), Text); err != nil {
		t.Fatal(err)
	}
	if err := WriteTables(&markdown, r.Tables(), Markdown); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"true meter condemned", "calibration error", "By link", "Confusion", "25.0 % (4.6 to 69.9) of 4"} {
		if !strings.Contains(text.String(), want) || !strings.Contains(markdown.String(), want) {
			t.Errorf("the report lacks %q", want)
		}
	}
	met := map[string]bool{}
	for _, x := range r.Targets {
		met[x.Name] = x.Met
	}
	if met["true meter condemned"] || !met["true thermistor condemned"] || met["meter error of 10 % or more found"] {
		t.Errorf("targets met: %v", met)
	}
}

func TestComparisonMissesWhatChanged(t *testing.T) {
	before, now := handMade(), handMade()
	for i := range before {
		before[i].ID, now[i].ID = string(rune('a'+i)), string(rune('a'+i))
	}
	now[1].Assay = said(low, 0.95, true) // a true meter is condemned now
	now[6].Assay = said(low, 0.9, false) // a missed one is found
	var b strings.Builder
	table := Compare(before, now)
	if err := WriteTables(&b, []Table{table}, Markdown); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		"| in both runs | 10 |", "| now condemns a true meter | 1 | b |", "| no longer right | 1 | b |",
		"| leading condition now right | 1 | g |", "| meter error now found | 1 | g |", "| no longer firm and wrong | 1 | g |", "| now firm and wrong | 1 | b |",
	} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("the comparison lacks %q:\n%s", want, b.String())
		}
	}
}

func TestLinesDoNotComeBackAsTheyWere(t *testing.T) {
	var b strings.Builder
	if err := WriteLines(&b, handMade()); err != nil {
		t.Fatal(err)
	}
	list, err := ReadLines(strings.NewReader(b.String()), "cases")
	if err != nil || len(list) != 10 || *list[5].Label.MeterError != -20 || list[5].Assay.Probability != 0.9 {
		t.Errorf("read %d cases, %v", len(list), err)
	}
	for _, text := range []string{"{", "{\"id\":\"x\"}", b.String() + "x"} {
		if _, err := ReadLines(strings.NewReader(text), "cases"); err == nil || !strings.Contains(err.Error(), "cases: case") {
			t.Errorf("%.20q is read, or the error does not say where: %v", text, err)
		}
	}
}
