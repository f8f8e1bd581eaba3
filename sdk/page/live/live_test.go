// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package live

import (
	"bytes"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/mattn/go-runewidth"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

func pull(endUS int64, used bool) *pb.Manoeuvre {
	return &pb.Manoeuvre{Kind: pb.ManoeuvreKind_MANOEUVRE_KIND_FULL_LOAD_PULL, StartUs: 60_000_000, EndUs: endUS, Used: used}
}

func TestAStretchIsToldOnceThoughItGrows(t *testing.T) {
	var out bytes.Buffer
	d := New(Options{Out: &out, Name: "test"})
	for end := int64(62_000_000); end < 70_000_000; end += 500_000 {
		d.Progress(&pb.SessionProgress{LatestTimeUs: end + 200_000, Manoeuvres: []*pb.Manoeuvre{pull(end, true)}})
	}
	if out.Len() != 0 {
		t.Errorf("a stretch that grows is told:\n%s", out.String())
	}
	d.Progress(&pb.SessionProgress{LatestTimeUs: 80_000_000, Manoeuvres: []*pb.Manoeuvre{pull(69_500_000, true)}})
	if got := strings.Count(out.String(), "full-load pull"); got != 1 {
		t.Errorf("it is told %d times:\n%s", got, out.String())
	}
	out.Reset()
	d.Progress(&pb.SessionProgress{LatestTimeUs: 90_000_000, Manoeuvres: []*pb.Manoeuvre{pull(69_500_000, true), pull(89_900_000, false)}})
	d.End()
	if !strings.Contains(out.String(), "refused: full-load pull") {
		t.Errorf("what was not told before is not told in the end:\n%s", out.String())
	}
}

func TestTheBlockHoldsHeadAndTailAndFitsTheTerminal(t *testing.T) {
	var out bytes.Buffer
	chart := &Scatter{Title: "flow", X: "rpm", Y: "g/s"}
	for x := range 50 {
		chart.Add(float64(100*x), float64(x))
	}
	const columns = 40
	d := New(Options{
		Out: &out, Name: "test", Size: func() (int, int) { return columns, 40 },
		Head: func(*pb.SessionProgress) string {
			return "the van is driven and this line is longer than the terminal is wide"
		},
		Tail: chart.Lines,
	})
	d.Progress(&pb.SessionProgress{LatestTimeUs: 80_000_000, Prompt: "Mind \x1b[2J the road"})
	for line := range strings.SplitSeq(strings.TrimSuffix(out.String(), "\n"), "\n") {
		if w := runewidth.StringWidth(line); w >= columns {
			t.Errorf("a line has %d columns: %q", w, line)
		}
	}
	if text := out.String(); !strings.Contains(text, "the van") || !strings.Contains(text, "flow (g/s over rpm)") || strings.Contains(text, "\x1b") {
		t.Errorf("the block is\n%q", text)
	}
	out.Reset()
	d.Refresh() // Too soon after the last drawing.
	if out.Len() != 0 {
		t.Errorf("it is drawn again at once: %q", out.String())
	}
}

// screen does what a terminal would with what was written to it, and shows the lines.
func screen(t *testing.T, written string) []string {
	t.Helper()
	lines, row := []string{""}, 0
	for written != "" {
		switch {
		case strings.HasPrefix(written, "\x1b["):
			end := strings.IndexAny(written, "AJK")
			switch written[end] {
			case 'A':
				up, err := strconv.Atoi(written[2:end])
				if err != nil || up > row {
					t.Fatalf("it goes %q up from row %d", written[2:end], row)
				}
				row -= up
			case 'J':
				lines = append(lines[:row:row], "")
			}
			written = written[end+1:]
		case written[0] == '\r':
			written = written[1:]
		default:
			end := strings.IndexAny(written, "\r\n\x1b")
			if end > 0 {
				lines[row] = written[:end]
			}
			if written[end] == '\n' {
				end, row = end+1, row+1
				if row == len(lines) {
					lines = append(lines, "")
				}
			}
			written = written[end:]
		}
	}
	return lines
}

// writes counts what reaches the terminal.
type writes struct {
	text []byte
	n    int
}

func (w *writes) Write(b []byte) (int, error) {
	w.n++
	w.text = append(w.text, b...)
	return len(b), nil
}

func TestEachStateReplacesTheOneBeforeInOneWriteThatDoesNotFlicker(t *testing.T) {
	var out writes
	head := "a head of four words"
	d := New(Options{Out: &out, Name: "test", Size: func() (int, int) { return 20, 10 }, Head: func(*pb.SessionProgress) string { return head }})
	d.Notef("a note that is longer than the terminal is wide, with %s", strings.Repeat("x", 30))
	d.Progress(&pb.SessionProgress{LatestTimeUs: 1_000_000, Prompt: "drive on"})
	head = "short"
	d.Progress(&pb.SessionProgress{LatestTimeUs: 2_000_000})
	if want := 3; out.n != want {
		t.Errorf("%d writes, expected %d", out.n, want)
	}
	d.Progress(&pb.SessionProgress{LatestTimeUs: 3_000_000})
	if out.n != 3 {
		t.Error("a block that is as it was is drawn again")
	}
	d.Notef("second")
	d.End()
	want := []string{"test: a note that", "is longer than the", "terminal is wide,", "with", strings.Repeat("x", 19), strings.Repeat("x", 11), "test: second", "short", ""}
	if got := screen(t, string(out.text)); !slices.Equal(got, want) {
		t.Errorf("the screen shows\n%q, expected\n%q", got, want)
	}
	if bytes.Index(out.text, []byte("\x1b[J")) < bytes.Index(out.text, []byte("short")) {
		t.Errorf("it is emptied before it is filled: %q", out.text)
	}
}

func TestNothingIsConcludedBeforeAnythingWasRead(t *testing.T) {
	var out bytes.Buffer
	d := New(Options{Out: &out, Name: "test"})
	d.Progress(&pb.SessionProgress{Prompt: "drive", Gaps: []*pb.Gap{{Kind: pb.GapKind_GAP_KIND_FULL_LOAD}}, Conditions: likeliest(0.4)})
	if out.Len() != 0 {
		t.Errorf("it tells\n%s", out.String())
	}
	d.Progress(&pb.SessionProgress{LatestTimeUs: 500_000, Prompt: "drive", Conditions: likeliest(0.9)})
	if strings.Contains(out.String(), "likeliest") {
		t.Errorf("before the first stretch it tells\n%s", out.String())
	}
}

func likeliest(probability float64) []*pb.ConditionProbability {
	return []*pb.ConditionProbability{{Condition: pb.Condition_CONDITION_NO_FAULT, Probability: probability}}
}

func TestALineIsNotSpentOnAProbabilityThatHardlyMoved(t *testing.T) {
	var out bytes.Buffer
	d := New(Options{Out: &out, Name: "test"})
	idle := []*pb.Manoeuvre{{Kind: pb.ManoeuvreKind_MANOEUVRE_KIND_WARM_IDLE, Used: true}}
	for i, p := range []float64{0.40, 0.42, 0.44, 0.46, 0.48} {
		d.Progress(&pb.SessionProgress{LatestTimeUs: int64(i + 1), Manoeuvres: idle, Conditions: likeliest(p)})
	}
	d.Progress(&pb.SessionProgress{LatestTimeUs: 9, Manoeuvres: idle, Conditions: likeliest(0.48), Conclusive: true})
	d.Progress(&pb.SessionProgress{LatestTimeUs: 10, Manoeuvres: idle, Conditions: likeliest(0.51), Conclusive: true})
	d.End()
	want := []string{"40 %", "46 %", "48 %, firm", "51 %, firm"}
	got := slices.DeleteFunc(strings.Split(out.String(), "\n"), func(line string) bool { return !strings.Contains(line, "likeliest") })
	if len(got) != len(want) {
		t.Fatalf("it tells\n%s", out.String())
	}
	for i := range want {
		if !strings.HasSuffix(got[i], want[i]) {
			t.Errorf("line %d is %q, expected %q at its end", i, got[i], want[i])
		}
	}
}

func TestTheChartPutsPointsWhereTheyBelong(t *testing.T) {
	s := &Scatter{Title: "line", X: "x", Y: "y"}
	if s.Lines(80) != nil {
		t.Error("a chart without points is drawn")
	}
	for _, bad := range []float64{math.NaN(), math.Inf(1), -1} {
		s.Add(bad, 1)
		s.Add(1, bad)
	}
	if s.Len() != 0 {
		t.Errorf("%d points that are none were taken", s.Len())
	}
	for i := range 1000 {
		s.Add(float64(i)/10, float64(i)/10) // A diagonal from 0 to 99.9 of 100.
	}
	lines := s.Lines(80)
	if len(lines) != plotRows+3 || s.Lines(leftColumns+minColumns-1) != nil {
		t.Fatalf("the chart is\n%s", strings.Join(lines, "\n"))
	}
	last := -1
	for i, line := range lines[1 : 1+plotRows] {
		_, plot, _ := strings.Cut(line, "│")
		first := strings.IndexFunc(plot, func(r rune) bool { return r != ' ' })
		if last >= 0 && first >= last {
			t.Errorf("row %d begins at column %d, the one above at %d", i, first, last)
		}
		last = first
	}
	if !strings.Contains(lines[1], "100 │") || !strings.HasSuffix(lines[len(lines)-1], "100") {
		t.Errorf("the axes are not labelled:\n%s", strings.Join(lines, "\n"))
	}
}

func TestAxesEndAtRoundNumbers(t *testing.T) {
	for x, want := range map[float64]float64{0: 1, 0.7: 0.8, 1: 1, 74: 80, 81: 100, 5800: 6000} {
		if got := roundUp(x); math.Abs(got-want) > 1e-9*want {
			t.Errorf("an axis for %g ends at %g, expected %g", x, got, want)
		}
	}
}
