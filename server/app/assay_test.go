// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/airassay/airassay/sdk/j1979"
	"github.com/airassay/airassay/sdk/recording"
	"github.com/airassay/airassay/server/assay"
)

const ownDrive = "time_s,EngineSpeed,MAF\n0.0,800,2.5\n0.5,810,\n1.0,805,2.6\n"

func writeFile(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// A signal in another unit than the assay expects would be refused, so a
// recording that is read well could not be judged.
func TestSignalsOfTheAssayAreThoseOfTheVocabulary(t *testing.T) {
	paths := assay.SignalPaths()
	if len(paths) == 0 {
		t.Fatal("the assay uses no signal")
	}
	for path, unit := range paths {
		if s, ok := j1979.ByPath(path); !ok || s.Unit != unit {
			t.Errorf("%s: the assay expects %q, the vocabulary has %q (known: %t)", path, unit, s.Unit, ok)
		}
	}
}

// The clocks are one list in two packages; a new one must not be taken for none.
func TestEveryClockIsTranslated(t *testing.T) {
	for k := recording.ClockUnknown; k == recording.ClockUnknown || k.String() != recording.ClockUnknown.String(); k++ {
		c, ok := clocks[k]
		if !ok || int(c) != int(k) {
			t.Errorf("%v becomes %v (translated: %t)", k, c, ok)
		}
	}
	if len(clocks) != 5 {
		t.Errorf("%d clocks", len(clocks))
	}
}

// What a recording knows of its times must reach the assay.
func TestTimeUncertaintyIsDeclared(t *testing.T) {
	rec := &recording.Recording{Signals: []recording.Signal{{Path: "Vehicle.OBD.MAF", Unit: "g/s", TimeUncertaintyUS: 123}, {Path: "Vehicle.OBD.FuelLevel", Unit: "percent"}}}
	defs := definitions(rec)
	if len(defs) != 2 || defs[0] != (assay.SignalDef{Path: "Vehicle.OBD.MAF", Unit: "g/s", TimeUncertaintyUS: 123}) {
		t.Errorf("%+v", defs)
	}
	a, err := judge(t.Context(), rec, assay.NoFacts(), nil)
	if err != nil || len(a.GetSampleUse().GetUnusedSignals()) != 1 {
		t.Errorf("%v, %v", a.GetSampleUse(), err)
	}
}

func TestOwnFormatIsToldByItsFirstCell(t *testing.T) {
	for text, want := range map[string]bool{
		"":                         false,
		"time_s":                   true,
		"time_s,MAF\n":             true,
		"\"time_s\",MAF\n":         true,
		"\xEF\xBB\xBFtime_s,MAF\n": true,
		"\r\n\ntime_s,MAF\n":       true,
		"time_s\r\n0\r\n":          true,
		"time_s;MAF\n":             false,
		"time_sec,MAF\n":           false,
		"time_s ,MAF\n":            false,
		"Time_s,MAF\n":             false,
		"MAF,time_s\n":             false,
		"\xFF\xFEt\x00":            false,
	} {
		if got, err := isOwn(strings.NewReader(text)); got != want || err != nil {
			t.Errorf("%q: %t, %v", text, got, err)
		}
	}
}

func TestWordsForTheShellComeBackWhole(t *testing.T) {
	for in, want := range map[string]string{
		"drive.csv": "drive.csv", "a b.csv": "'a b.csv'", "it's": `'it'\''s'`, "": "''", "$(x)": "'$(x)'", "-x": "-- -x",
	} {
		if got := shellWord(in); got != want {
			t.Errorf("%q: %s, want %s", in, got, want)
		}
	}
}

func TestSkipsAreSummedByReason(t *testing.T) {
	var stderr bytes.Buffer
	noteSkips(&streams{err: &stderr}, &recording.Recording{Rows: 9, Skipped: []recording.Skip{
		{Reason: "row too short", Count: 2, FirstLine: 7},
		{Column: 1, Header: "a", Signal: "x", Reason: "not a number", Count: 3, FirstLine: 8},
		{Column: 2, Header: "b", Signal: "y", Reason: "not a number", Count: 4, FirstLine: 5},
		{Column: 3, Header: "c", Signal: "z", Reason: "out of range", Count: 1, FirstLine: 6},
		{Column: 4, Header: "d", Reason: "ignored", Count: 100, FirstLine: 2},
	}})
	want := "airassayd: 2 of 9 rows are not used: 2 row too short (first in line 7)\n" +
		"airassayd: 8 cells of used columns are not used: 7 not a number (first in line 5), 1 out of range (first in line 6)\n"
	if stderr.String() != want {
		t.Errorf("got\n%swant\n%s", stderr.String(), want)
	}
}

func TestColourFollowsTheConventions(t *testing.T) {
	var pipe bytes.Buffer
	for m, want := range map[colourMode]bool{colourAuto: false, colourAlways: true, colourNever: false} {
		if got := m.colours(&pipe); got != want {
			t.Errorf("%s into a pipe: %t", m, got)
		}
	}
	if w := pageWidth(0, &pipe); w != 80 {
		t.Errorf("width into a pipe: %d", w)
	}
	if w := pageWidth(66, &pipe); w != 66 {
		t.Errorf("width asked for: %d", w)
	}
}

// lines collects what progress shows, from another goroutine.
type lines chan string

func (l lines) Write(b []byte) (int, error) {
	l <- string(b)
	return len(b), nil
}

func TestProgressShowsAndCleansUp(t *testing.T) {
	shown := make(lines)
	p := &progress{name: "reading drive.csv", total: 200, stop: make(chan struct{}), ended: make(chan struct{})}
	if _, err := p.Write(make([]byte, 50)); err != nil {
		t.Fatal(err)
	}
	go p.show(shown, time.Microsecond, time.Hour)
	if got := <-shown; !strings.HasSuffix(got, "reading drive.csv: 25 %") {
		t.Errorf("%q", got)
	}
	close(p.stop)
	if got := <-shown; got != "\r\x1b[K" {
		t.Errorf("%q", got)
	}
	<-p.ended
}

func TestProgressStaysSilentWhenTheReadIsShort(t *testing.T) {
	var nothing bytes.Buffer
	p := &progress{total: 1, stop: make(chan struct{}), ended: make(chan struct{})}
	close(p.stop)
	p.show(&nothing, time.Hour, time.Hour)
	if nothing.Len() > 0 {
		t.Errorf("%q", nothing.String())
	}
}
