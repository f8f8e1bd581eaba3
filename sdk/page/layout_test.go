// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package page_test

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"github.com/mattn/go-runewidth"
	"google.golang.org/protobuf/proto"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/sdk/page"
)

var (
	attributes = regexp.MustCompile("\x1b\\[[0-9]+m")
	columns    = &runewidth.Condition{StrictEmojiNeutral: true}
)

// checkPage holds for every page, whatever the verdict.
func checkPage(tb testing.TB, text string, o page.Options) {
	tb.Helper()
	width := o.Width
	if width == 0 {
		width = page.DefaultWidth
	}
	width = min(max(width, page.MinWidth), page.MaxWidth)
	if !utf8.ValidString(text) || !strings.HasSuffix(text, "\n") {
		tb.Errorf("the page is not lines of valid UTF-8")
	}
	for line := range strings.SplitSeq(attributes.ReplaceAllString(text, ""), "\n") {
		if got := columns.StringWidth(line); got > width {
			tb.Errorf("%d columns on a page of %d: %q", got, width, line)
		}
		for _, r := range line {
			if unicode.IsControl(r) || unicode.Is(unicode.Cf, r) || (o.ASCII && r > unicode.MaxASCII) {
				tb.Errorf("%U in %q", r, line)
			}
		}
	}
	if !o.Colour && strings.Contains(text, "\x1b") {
		tb.Error("escape sequences although colour is off")
	}
	if strings.Contains(text, "%!") {
		tb.Error("a phrase has another number of holes than it is given values")
	}
}

func TestNoLineIsWiderThanThePage(t *testing.T) {
	for _, c := range cases {
		for width := range 130 {
			for _, ascii := range []bool{false, true} {
				o := page.Options{Width: width, ASCII: ascii, Full: true, Source: "a/very/long/path/" + strings.Repeat("x", 90) + "/drive.csv"}
				checkPage(t, render(t, c.verdict, o), o)
			}
		}
	}
}

func TestColourAddsNothingButAttributes(t *testing.T) {
	for _, c := range cases {
		plain, coloured := render(t, c.verdict, page.Options{}), render(t, c.verdict, page.Options{Colour: true})
		if attributes.ReplaceAllString(coloured, "") != plain {
			t.Errorf("%s: the coloured page says something else", c.name)
		}
	}
}

func TestSameVerdictGivesSameBytesWhateverTheEnvironment(t *testing.T) {
	want := render(t, contaminated(), page.Options{})
	t.Setenv("LANG", "ja_JP.UTF-8")
	t.Setenv("RUNEWIDTH_EASTASIAN", "1")
	t.Setenv("TZ", "Asia/Tokyo")
	if render(t, contaminated(), page.Options{}) != want {
		t.Error("the page depends on the environment")
	}
}

func TestPageDoesNotChangeTheVerdict(t *testing.T) {
	v := contaminated()
	before := proto.Clone(v)
	render(t, v, page.Options{Full: true})
	if !proto.Equal(v, before) {
		t.Error("writing the page changed the verdict")
	}
}

func TestHostileTextReachesNoTerminal(t *testing.T) {
	evil := "\x1b]0;owned\x07\r\nVehicle.\u202eOBD\u200b\x9b31m\xff\t" + strings.Repeat("W", 300) + "界界"
	v := contaminated()
	v.Name, v.Assessment.EngineVersion = evil, evil
	v.Assessment.DistrustedSignals = []*pb.DistrustedSignal{{Signal: evil, Measured: new(math.NaN())}}
	v.Assessment.SampleUse.UnusedSignals = []string{evil, evil}
	v.Assessment.Evidence[0].Unit = evil
	v.Assessment.FactProposals[0].Field = evil
	v.Assessment.TroubleCodes = []*pb.TroubleCodeUse{{Code: evil, Meaning: evil}}
	v.Assessment.Gaps = []*pb.Gap{{Kind: pb.GapKind_GAP_KIND_SIGNAL, Signal: evil}}
	for _, width := range []int{40, 60, 80} {
		for _, o := range []page.Options{{Width: width, Source: evil, Language: evil}, {Width: width, Source: evil, ASCII: true}} {
			checkPage(t, render(t, v, o), o)
		}
	}
	words := &pb.Verdict{Text: &pb.VerdictText{Headline: evil, Summary: evil, Advice: []string{evil}}}
	checkPage(t, render(t, words, page.Options{}), page.Options{})
}

func TestMissingOrAbsurdVerdictStillGivesAPage(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	a := &pb.Assessment{
		Conclusive:        true,
		Conditions:        []*pb.ConditionProbability{nil, {Condition: 999, Probability: nan, Causes: []*pb.CauseProbability{nil, {Cause: -1, Probability: inf, Bank: -7}}}},
		Sensors:           []*pb.SensorFinding{nil, {Sensor: 77, Finding: 77, Bank: math.MinInt32, Probability: nan}},
		MeterErrors:       []*pb.MeterError{nil, meterError(0, nan, nan, nan, nan), meterError(0, inf, -inf, 1, 2), meterError(0, 1e308, 1e308, -1e308, 1e308), meterError(3, -5, 1, 0, 2), meterError(4, 5e-324, 5e-324, 0, 0)},
		Evidence:          []*pb.Evidence{nil, {Kind: 999, Manoeuvre: 999, Measured: nan, Expected: inf, MeasuredUncertainty: -1, Leanings: []*pb.Leaning{nil, {Condition: 999, LogLikelihoodRatio: nan}}}},
		Manoeuvres:        []*pb.Manoeuvre{nil, {Kind: -3, StartUs: math.MinInt64, EndUs: math.MaxInt64, Reasons: []pb.GateReason{999}, MinEngineSpeedRpm: nan, MaxEngineSpeedRpm: inf}},
		Gaps:              []*pb.Gap{nil, {Kind: 999, Manoeuvre: 999, Inspection: 999}},
		Advice:            []*pb.Advice{nil, {Action: 999, Sensor: 999, Cautions: []pb.Caution{999}}},
		DistrustedSignals: []*pb.DistrustedSignal{nil, {Reason: 999, Expected: new(inf)}},
		Ambiguities:       []*pb.Ambiguity{nil, {Causes: []*pb.AmbiguousCause{nil, {Condition: 999, Cause: 999}}, Probability: nan, Inspections: []pb.Inspection{999}}},
		SampleUse:         &pb.SampleUse{Used: math.MinInt64, DurationUs: math.MinInt64, TypicalSpacingUs: math.MaxInt64, HighestFlowGPerS: &nan},
		FactProposals:     []*pb.FactProposal{nil, {Value: nan, Entered: &inf}, {Field: "fuel", Value: nan, Entered: &inf, Source: 999, ContradictsEntry: true}},
		TroubleCodes:      []*pb.TroubleCodeUse{nil, {Favours: []*pb.TroubleCodeFavour{nil, {Condition: 999, Cause: 999, Factor: nan}}}},
	}
	for _, v := range []*pb.Verdict{nil, {}, {Assessment: &pb.Assessment{}}, {Assessment: &pb.Assessment{Conclusive: true}}, {Assessment: a}} {
		for _, width := range []int{0, 40, 100} {
			o := page.Options{Width: width}
			checkPage(t, render(t, v, o), o)
		}
	}
}

func TestLongListsEndInAndNMore(t *testing.T) {
	v := contaminated()
	for i := range 5000 {
		v.Assessment.DistrustedSignals = append(v.Assessment.DistrustedSignals, &pb.DistrustedSignal{Signal: fmt.Sprintf("Vehicle.OBD.S%d", i)})
		v.Assessment.MeterErrors = append(v.Assessment.MeterErrors, meterError(0, float64(i)/50, 1, 0, 2))
		v.Assessment.SampleUse.UnusedSignals = append(v.Assessment.SampleUse.UnusedSignals, "Vehicle.X")
	}
	text := render(t, v, page.Options{})
	for _, want := range []string{"and 4992 more", "8 of 5008 flows listed", "and 4996 more"} {
		if !strings.Contains(text, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	if lines := strings.Count(text, "\n"); lines > 200 {
		t.Errorf("%d lines", lines)
	}
	if full := render(t, v, page.Options{Full: true}); strings.Contains(full, " more\n") || !strings.Contains(full, "Vehicle.OBD.S4999") {
		t.Error("the full page leaves something out")
	}
}

func TestFindingStandsFirst(t *testing.T) {
	if first, _, _ := strings.Cut(render(t, sound(), page.Options{}), "\n"); first != "The air meter reads true within ±2.9 % up to 92.3 g/s." {
		t.Errorf("the page begins with %q", first)
	}
}

type brokenWriter struct{ err error }

func (w brokenWriter) Write([]byte) (int, error) { return 0, w.err }

func TestErrorOfTheWriterComesBack(t *testing.T) {
	broken := errors.New("disk full")
	if err := page.Write(brokenWriter{broken}, sound(), page.Options{}); !errors.Is(err, broken) {
		t.Errorf("got %v", err)
	}
}

// chart is a drawing read back the way a person reads it: by its labels.
type chart struct {
	points []point
	bars   map[int][2]float64 // lowest and highest drawn value by column
	zero   bool
	step   float64 // percent between rows
	cell   float64 // grams per second between columns
}

type point struct {
	flow, err float64
	column    int
}

func readChart(t *testing.T, text string, ascii bool) chart {
	t.Helper()
	axis, pointRune, corner, tick, bar, zero := "┤┼", '●', "└", '┬', '│', "┄"
	if ascii {
		axis, pointRune, corner, tick, bar, zero = "|+", 'o', "+", '+', '|', "-"
	}
	rowPattern := regexp.MustCompile(`^ *([+−-]?[0-9]+(?:e\+?[0-9]+)?) [` + regexp.QuoteMeta(axis) + `](.*)$`)
	lines := strings.Split(text, "\n")
	c := chart{bars: map[int][2]float64{}}
	type mark struct {
		column int
		value  float64
		r      rune
	}
	var marks []mark
	var values []float64
	margin := -1
	for i, line := range lines {
		if m := rowPattern.FindStringSubmatch(line); m != nil && margin < 0 {
			value := parseNumber(t, m[1])
			values = append(values, value)
			c.zero = c.zero || (value == 0 && strings.Contains(m[2], zero+zero))
			for column, r := range []rune(m[2]) {
				if r == pointRune || r == bar {
					marks = append(marks, mark{column, value, r})
				}
			}
			continue
		}
		trimmed := strings.TrimLeft(line, " ")
		if len(values) == 0 || margin >= 0 || !strings.HasPrefix(trimmed, corner) {
			continue
		}
		margin = len(line) - len(trimmed)
		var ticks []int
		for column, r := range []rune(strings.TrimPrefix(trimmed, corner)) {
			if r == tick {
				ticks = append(ticks, column)
			}
		}
		labels := strings.Fields(lines[i+1])
		if len(labels) != len(ticks) {
			t.Fatalf("%d ticks and %d labels in\n%s", len(ticks), len(labels), text)
		}
		last := len(ticks) - 1
		c.cell = parseNumber(t, labels[last]) / float64(ticks[last])
		for j, label := range labels {
			if math.Abs(parseNumber(t, label)-c.cell*float64(ticks[j])) > c.cell*0.51 {
				t.Errorf("label %s stands at column %d, %v g/s", label, ticks[j], c.cell*float64(ticks[j]))
			}
		}
	}
	if len(values) < 3 {
		t.Fatalf("no chart in\n%s", text)
	}
	c.step = values[0] - values[1]
	for i := 1; i < len(values); i++ {
		if math.Abs(values[i-1]-values[i]-c.step) > 1e-9 {
			t.Errorf("rows are not evenly spaced: %v", values)
		}
	}
	for _, m := range marks {
		if m.r == pointRune {
			c.points = append(c.points, point{float64(m.column) * c.cell, m.value, m.column})
		}
		b, ok := c.bars[m.column]
		if !ok {
			b = [2]float64{m.value, m.value}
		}
		c.bars[m.column] = [2]float64{min(b[0], m.value), max(b[1], m.value)}
	}
	return c
}

func parseNumber(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(strings.Replace(s, "−", "-", 1), 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func checkChart(t *testing.T, errors []*pb.MeterError, o page.Options) {
	t.Helper()
	text := render(t, &pb.Verdict{Assessment: &pb.Assessment{MeterErrors: errors}}, o)
	c := readChart(t, text, o.ASCII)
	if !c.zero {
		t.Errorf("no zero line in\n%s", text)
	}
	for _, e := range errors {
		if !c.shows(e) {
			t.Errorf("width %d: %v is not drawn where it belongs:\n%s", o.Width, e, text)
		}
	}
	for _, p := range c.points {
		if !c.belongs(p, errors) {
			t.Errorf("width %d: a point at %v belongs to nothing:\n%s", o.Width, p, text)
		}
	}
}

const half = 0.5 + 1e-6 // of a row or a column: what rounding may move a mark

func (c chart) near(p point, e *pb.MeterError) bool {
	return math.Abs(p.flow-e.FlowGPerS) <= half*c.cell && math.Abs(p.err-e.ErrorPercent) <= half*c.step
}

func (c chart) shows(e *pb.MeterError) bool {
	for _, p := range c.points {
		bar := c.bars[p.column]
		if c.near(p, e) && bar[0] <= e.LowPercent+half*c.step && bar[1] >= e.HighPercent-half*c.step {
			return true
		}
	}
	return false
}

func (c chart) belongs(p point, errors []*pb.MeterError) bool {
	for _, e := range errors {
		if c.near(p, e) {
			return true
		}
	}
	return false
}

func TestChartNeverMisplotsAValue(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for range 400 {
		scale := math.Pow(10, random.Float64()*3-1)
		flow := math.Pow(10, random.Float64()*3)
		var errors []*pb.MeterError
		for i := range 1 + random.IntN(20) {
			e := (random.Float64() - 0.6) * 20 * scale
			errors = append(errors, meterError(0, flow*float64(i+1)/20, e, e-random.Float64()*8*scale, e+random.Float64()*8*scale))
		}
		o := page.Options{Width: 40 + random.IntN(81), ASCII: random.IntN(2) == 0}
		checkChart(t, errors, o)
	}
}

func TestChartsOfTheGoldenPagesShowTheirNumbers(t *testing.T) {
	for _, width := range []int{60, 80, 100} {
		checkChart(t, contaminated().Assessment.MeterErrors, page.Options{Width: width})
		checkChart(t, inconclusive().Assessment.MeterErrors, page.Options{Width: width})
	}
}

func FuzzPage(f *testing.F) {
	for _, c := range cases {
		b, err := proto.Marshal(c.verdict)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b, 80, false)
		f.Add(b, 40, true)
	}
	f.Fuzz(func(t *testing.T, b []byte, width int, ascii bool) {
		v := &pb.Verdict{}
		if proto.Unmarshal(b, v) != nil {
			return
		}
		o := page.Options{Width: width, ASCII: ascii, Source: "fuzz", Full: len(b)%2 == 0}
		text := render(t, v, o)
		checkPage(t, text, o)
		if text != render(t, v, o) {
			t.Error("the same verdict gave two pages")
		}
	})
}

func BenchmarkPage(b *testing.B) {
	v := contaminated()
	b.ReportAllocs()
	for b.Loop() {
		render(b, v, page.Options{})
	}
}
