// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package replay

import (
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc/codes"

	adapterv1beta1 "github.com/airassay/airassay/api/airassay/adapter/v1beta1"
	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/recording"
)

func van(t *testing.T) *recording.Recording {
	t.Helper()
	rec, err := recording.Open(t.Context(), filepath.Join(drives, "van", "recording.csv"), recording.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return rec
}

func paths(rec *recording.Recording) []string {
	var all []string
	for _, s := range rec.Signals {
		all = append(all, s.Path)
	}
	return all
}

// same compares what arrived with a stretch of a recording, to the microsecond and to the last bit.
func same(t *testing.T, got []sample, rec *recording.Recording, want []recording.Sample) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%d samples arrived, want %d", len(got), len(want))
	}
	for i, w := range want {
		g := got[i]
		if g.path != rec.Signals[w.Signal].Path || g.value != w.Value || g.us-got[0].us != w.TimeUS-want[0].TimeUS {
			t.Fatalf("sample %d is %s %v after %d µs, want %s %v after %d", i, g.path, g.value, g.us-got[0].us, rec.Signals[w.Signal].Path, w.Value, w.TimeUS-want[0].TimeUS)
		}
	}
}

func TestWholeDriveDiffersFromItsFile(t *testing.T) {
	rec := van(t)
	b := newBench(t, drives, `"speed": "max"`)
	b.mustOpen("van")
	before := adapter.Now()
	began := time.Now()
	l := b.feed(wants("van", paths(rec)...))
	l.untilSamples(1)
	after := adapter.Now()
	l.untilOver()
	took := time.Since(began)
	same(t, l.samples, rec, rec.Samples)
	if first := adapter.Time(l.samples[0].us); first < before || first > after {
		t.Errorf("the times begin at %d, and the feed began from %d to %d", first, before, after)
	}
	for i, s := range l.signals {
		r := rec.Signals[i]
		if s.GetPath() != r.Path || s.GetUnit() != r.Unit || s.GetResolution() != r.Resolution || s.GetTimeUncertaintyUs() != r.TimeUncertaintyUS {
			t.Errorf("the feed has %v, the recording %+v", s, r)
		}
	}
	if len(l.gaps) > 0 {
		t.Errorf("gaps are marked in a recording without any: %v", l.gaps)
	}
	t.Logf("%d samples, %.0f s of driving, in %v: %.0f samples/s", len(rec.Samples), float64(rec.Samples[len(rec.Samples)-1].TimeUS)/1e6, took, float64(len(rec.Samples))/took.Seconds())
	if took > 20*time.Second {
		t.Errorf("as fast as the host reads took %v", took)
	}
}

// The pace is the wall's, the distances stay the recording's.
func TestRecordingIsPlayedAtAnotherPace(t *testing.T) {
	const rows, every = 60, 20 * time.Millisecond
	for _, c := range []struct {
		speed string
		rows  int
		want  time.Duration
	}{
		{"1", rows, (rows - 1) * every},
		{"0.5", rows / 2, (rows/2 - 1) * every * 2},
		{"4", 4 * rows, (4*rows - 1) * every / 4},
		{"1000", 50 * rows, (50*rows - 1) * every / 1000},
	} {
		t.Run(c.speed, func(t *testing.T) {
			b := newBench(t, folder(t, map[string]string{"a.csv": evenly(c.rows, every)}), `"speed": `+c.speed)
			b.mustOpen("a.csv")
			began := time.Now()
			l := b.feed(wants("a.csv", speedPath))
			l.untilOver()
			took := time.Since(began)
			t.Logf("%v of driving took %v, want %v", time.Duration(c.rows-1)*every, took, c.want)
			if took < c.want-5*time.Millisecond || took > c.want+1500*time.Millisecond {
				t.Errorf("it took %v, want %v", took, c.want)
			}
			for i, s := range l.samples {
				if s.value != float64(i) || s.us-l.samples[0].us != int64(i)*every.Microseconds() {
					t.Fatalf("sample %d is %v at %d µs", i, s.value, s.us-l.samples[0].us)
				}
			}
		})
	}
}

// At the drive's own pace no sample comes before its time, and none much later.
func TestSampleComesWhenItIsDue(t *testing.T) {
	b := newBench(t, folder(t, map[string]string{"a.csv": evenly(20, 50*time.Millisecond)}), "")
	b.mustOpen("a.csv")
	l := b.feed(wants("a.csv", speedPath))
	late := time.Duration(0)
	for len(l.samples) < 20 {
		l.untilSamples(len(l.samples) + 1)
		// A batch may wait 50 ms for more.
		behind := adapter.Now().Sub(adapter.Time(l.samples[len(l.samples)-1].us))
		late = max(late, behind)
		if behind < 0 {
			t.Errorf("sample %d came %v early", len(l.samples)-1, -behind)
		}
	}
	if late > time.Second {
		t.Errorf("a sample came %v late", late)
	}
}

func TestOnlyWhatIsWantedAndThereIsPlayed(t *testing.T) {
	b := newBench(t, folder(t, map[string]string{"a.csv": "time_s,EngineSpeed,MAF,MAP\n0.0,800,2,\n0.1,801,3,\n"}), `"speed": "max"`)
	b.mustOpen("a.csv")
	l := b.feed(wants("a.csv", flowPath, "Vehicle.OBD.MAP", "Vehicle.OBD.Speed"))
	l.untilOver()
	if len(l.samples) != 2 || l.samples[0].path != flowPath || l.samples[1].path != flowPath {
		t.Errorf("%v was played, want the air flow alone", l.samples)
	}
	if len(l.missing) != 2 || !strings.Contains(l.missing[0].GetStatus().GetMessage(), "no value") {
		t.Errorf("%v is reported as missing, want a column without a value and a signal without a column", l.missing)
	}
	for _, m := range l.missing {
		if codes.Code(m.GetStatus().GetCode()) != codes.NotFound {
			t.Errorf("%v is not NOT_FOUND", m)
		}
	}
}

func TestSlowerRateInventsOrBunchesSamples(t *testing.T) {
	const hz, rows = 50, 1500
	for _, rate := range []float64{0.5, 4, 7.3, 25, 50, 80, 1e-9, 1e9} {
		b := newBench(t, folder(t, map[string]string{"a.csv": evenly(rows, time.Second/hz)}), `"speed": "max"`)
		b.mustOpen("a.csv")
		r := wants("a.csv", speedPath)
		r.Signals[0].RateHz = rate
		l := b.feed(r)
		l.untilOver()
		const seconds = float64(rows-1) / hz
		want := min(rate, hz) * seconds
		if n := float64(len(l.samples)); math.Abs(n-want) > 2 {
			t.Errorf("at %g Hz %v samples came in %v s, want %v", rate, n, seconds, want)
		}
		for i, s := range l.samples {
			// The value is the number of its row, so an invented one shows.
			if s.us-l.samples[0].us != int64(s.value)*int64(1e6/hz) || i > 0 && s.value <= l.samples[i-1].value {
				t.Fatalf("at %g Hz sample %d is %v at %d µs", rate, i, s.value, s.us-l.samples[0].us)
			}
		}
		for i := range l.samples { // in no second more than that rate, but for the ends
			second := 0
			for _, s := range l.samples[i:] {
				if s.us < l.samples[i].us+1e6 {
					second++
				}
			}
			if float64(second) > math.Ceil(rate)+1 {
				t.Errorf("at %g Hz %d samples came in one second", rate, second)
				break
			}
		}
	}
}

func TestChangeOfWhatIsWantedWaits(t *testing.T) {
	b := newBench(t, folder(t, map[string]string{"a.csv": evenly(3000, 20*time.Millisecond)}), "")
	b.mustOpen("a.csv")
	r := wants("a.csv", speedPath)
	r.Signals[0].RateHz = 0.001 // the next one would come in a quarter of an hour
	l := b.feed(r)
	l.untilSamples(1)
	change := func(paths ...string) {
		t.Helper()
		n := l.answers
		if err := l.Send(wants("a.csv", paths...)); err != nil {
			t.Fatal(err)
		}
		l.until("the answer", func() bool { return l.answers > n })
	}
	began := time.Now()
	change(speedPath)
	l.untilSamples(4)
	if took := time.Since(began); took > time.Second {
		t.Errorf("a faster rate took effect after %v", took)
	}
	change(flowPath)
	from := len(l.samples)
	l.untilSamples(from + 3)
	for _, s := range l.samples[from:] {
		if s.path != flowPath {
			t.Errorf("%s came after it was no longer wanted", s.path)
		}
	}
}

func TestEndOfTheRecordingIsNotTold(t *testing.T) {
	b := newBench(t, folder(t, map[string]string{"a.csv": evenly(3, 10*time.Millisecond)}), "")
	b.mustOpen("a.csv")
	l := b.feed(wants("a.csv", speedPath))
	l.untilOver()
	if len(l.samples) != 3 || len(l.links) != 1 {
		t.Errorf("%d samples and the states %v came, want all 3 samples, then silence", len(l.samples), l.links)
	}
	b.log.await(t, "the recording is over")
	// It waits, rather than to end or to begin again.
	more := make(chan error, 1)
	go func() { more <- l.take() }()
	select {
	case err := <-more:
		t.Errorf("after its end there was more: %v", err)
	case <-time.After(300 * time.Millisecond):
	}
	l.cancel()
	if err := <-more; err == nil {
		t.Error("a cancelled feed brought something more")
	}
	again := b.feed(wants("a.csv", speedPath))
	again.untilOver()
	if len(again.samples) > 0 {
		t.Errorf("a feed after the end brought %d samples", len(again.samples))
	}
	again.end()
	b.mustClose("a.csv")
	b.mustOpen("a.csv")
	anew := b.feed(wants("a.csv", speedPath))
	anew.untilOver()
	if len(anew.samples) != 3 {
		t.Errorf("opened again, it brought %d samples, want all 3", len(anew.samples))
	}
}

func TestRoundsOfALoopRunTogether(t *testing.T) {
	const rows = 4
	for _, speed := range []string{"20", `"max"`} {
		text := strings.ReplaceAll(evenly(rows, 50*time.Millisecond), "0.000000", "0.020000") // does not begin at 0
		b := newBench(t, folder(t, map[string]string{"a.csv": text}), `"loop": true, "speed": `+speed)
		b.mustOpen("a.csv")
		l := b.feed(wants("a.csv", speedPath, flowPath))
		const rounds = 3
		l.untilSamples(2 * rows * rounds)
		for i := range 2 * rows * rounds {
			row := i / 2 % rows
			offset := max(0, int64(row)*50_000-20_000)
			round := int64(i / 2 / rows)
			want := round*(150_000-20_000+loopPause.Microseconds()) + offset
			if l.samples[i].us-l.samples[0].us != want {
				t.Fatalf("at speed %s sample %d is at %d µs, want %d", speed, i, l.samples[i].us-l.samples[0].us, want)
			}
		}
		if len(l.gaps) < rounds-1 || len(l.links) > 0 {
			t.Fatalf("at speed %s %d gaps and the states %v are marked, want %d gaps", speed, len(l.gaps), l.links, rounds-1)
		}
		for i, g := range l.gaps[:rounds-1] {
			at := l.gapAt[i]
			if at != 2*rows*(i+1) || g.GetStartUs() != l.samples[at-1].us || g.GetEndUs() != l.samples[at-1].us+loopPause.Microseconds() || g.GetReason() != adapterv1beta1.AdapterErrorReason_ADAPTER_ERROR_REASON_SILENT {
				t.Errorf("at speed %s gap %d is %v before sample %d", speed, i, g, at)
			}
		}
		l.end()
	}
}

// A loop of which nearly nothing is wanted must not use up a processor.
func TestLoopSpins(t *testing.T) {
	rec, err := recording.Read(t.Context(), strings.NewReader(evenly(3, time.Millisecond)), "a", recording.Options{})
	if err != nil {
		t.Fatal(err)
	}
	p := newPlayer(rec, configuration{speed: math.Inf(1), loop: true})
	p.running, p.fromDue = true, time.Now()
	p.lastUS, p.next = 2000, 3
	p.rewind()
	if wait := time.Until(p.due()); wait < roundPause/2 {
		t.Errorf("the next round begins after %v", wait)
	}
}

func TestPauseLosesOrRepeatsSamples(t *testing.T) {
	const rows = 300
	for _, speed := range []string{"1", "50"} {
		t.Run(speed, func(t *testing.T) {
			b := newBench(t, folder(t, map[string]string{"a.csv": evenly(rows, 20*time.Millisecond)}), `"speed": `+speed)
			b.mustOpen("a.csv")
			l := b.feed(wants("a.csv", speedPath))
			l.untilSamples(10)
			l.end()
			before := l.samples[len(l.samples)-1]
			time.Sleep(100 * time.Millisecond)
			began := adapter.Now()
			l = b.feed(wants("a.csv", speedPath))
			l.untilSamples(10)
			first := l.samples[0]
			if first.value <= before.value || first.value > before.value+200 {
				t.Errorf("it went on with row %v, after row %v was read", first.value, before.value)
			}
			if first.us < before.us || adapter.Time(first.us) < began {
				t.Errorf("it went on at %d µs, after %d, and the feed began at %d", first.us, before.us, began)
			}
			distance := int64(first.value-before.value) * 20_000
			switch {
			case first.us-before.us > distance && (len(l.gaps) != 1 || l.gapAt[0] != 0 || l.gaps[0].GetEndUs() != first.us):
				t.Errorf("the pause of %d µs instead of %d is marked by %v", first.us-before.us, distance, l.gaps)
			case first.us-before.us == distance && len(l.gaps) > 0:
				t.Errorf("nothing is missing, and %v is marked", l.gaps)
			}
			l.end()
		})
	}
}

// Between two samples that are far apart, a new feed or a pause must not bring the second one early.
func TestPauseShortensADistance(t *testing.T) {
	for _, speed := range []int{1, 4} {
		b := newBench(t, folder(t, map[string]string{"a.csv": "time_s,EngineSpeed\n0.0,800\n2.0,801\n"}), fmt.Sprintf(`"speed": %d`, speed))
		b.mustOpen("a.csv")
		l := b.feed(wants("a.csv", speedPath))
		began := time.Now()
		l.untilSamples(1)
		first := l.samples[0]
		l.end()
		l = b.feed(wants("a.csv"))
		if err := l.Send(wants("a.csv", speedPath)); err != nil {
			t.Fatal(err)
		}
		l.untilSamples(1)
		if took, want := time.Since(began), 2*time.Second/time.Duration(speed); took < want-100*time.Millisecond || took > want+1500*time.Millisecond {
			t.Errorf("at speed %d the second sample came after %v, want %v", speed, took, want)
		}
		if distance := l.samples[0].us - first.us; distance != 2_000_000 || len(l.gaps) > 0 {
			t.Errorf("at speed %d the second sample stands %d µs after the first, want 2 s; gaps %v", speed, distance, l.gaps)
		}
		l.end()
	}
}

// While nothing is wanted, a recording that waits for nobody would be over at once.
func TestRecordingRunsOnWhileNothingIsWanted(t *testing.T) {
	b := newBench(t, folder(t, map[string]string{"a.csv": evenly(5, 20*time.Millisecond)}), `"speed": "max"`)
	b.mustOpen("a.csv")
	l := b.feed(wants("a.csv", "Vehicle.OBD.Speed"))
	time.Sleep(50 * time.Millisecond)
	if err := l.Send(wants("a.csv", speedPath)); err != nil {
		t.Fatal(err)
	}
	l.untilOver()
	if len(l.samples) != 5 {
		t.Errorf("%d samples came, want all 5", len(l.samples))
	}
}

func TestWholeSecondClockCountsTwiceOrNotAtAll(t *testing.T) {
	text := "time_s,EngineSpeed\n"
	for i := range 20 {
		text += fmt.Sprintf("%d,%d\n", i, 800+i)
	}
	b := newBench(t, folder(t, map[string]string{"a.csv": text}), `"speed": "max"`)
	b.mustOpen("a.csv")
	l := b.feed(wants("a.csv", speedPath))
	l.untilOver()
	rec, err := recording.Read(t.Context(), strings.NewReader(text), "a", recording.Options{})
	if err != nil {
		t.Fatal(err)
	}
	// Half a second of the stamps and half a second of the poll.
	if got := l.samples[0].uncertS; rec.Clock != recording.ClockWholeSecond || got != float64(rec.Signals[0].TimeUncertaintyUS)/1e6 || got != 1 {
		t.Errorf("a value is uncertain by %v s, want 1 s", got)
	}
}

// A single value says nothing of how long it took; the contract wants a half-width all the same.
func TestUnknownUncertaintyIsTakenForCertainty(t *testing.T) {
	b := newBench(t, folder(t, map[string]string{"a.csv": "time_s,EngineSpeed,MAF\n0.0,800,\n0.1,,2\n0.2,,3\n"}), `"speed": "max"`)
	b.mustOpen("a.csv")
	l := b.feed(wants("a.csv", speedPath, flowPath))
	l.untilOver()
	if len(l.samples) != 3 || l.samples[0].uncertS != unknownUncertainty.Seconds() || l.samples[1].uncertS != 0.05 {
		t.Errorf("%v came", l.samples)
	}
}

func TestTwentyDevicesAtOnceDisturbEachOther(t *testing.T) {
	const devices, rows = 20, 50
	files := map[string]string{}
	for i := range devices {
		files[fmt.Sprintf("car-%02d.csv", i)] = evenly(rows, 20*time.Millisecond)
	}
	b := newBench(t, folder(t, files), "")
	listeners := make([]*listener, devices)
	var all sync.WaitGroup
	began := time.Now()
	for i := range devices {
		id := fmt.Sprintf("car-%02d.csv", i)
		b.mustOpen(id)
		listeners[i] = b.feed(wants(id, speedPath, flowPath))
		all.Go(func() {
			for len(listeners[i].links) == 0 {
				if err := listeners[i].take(); err != nil {
					t.Errorf("device %d: %v", i, err)
					return
				}
			}
		})
	}
	all.Wait()
	if took := time.Since(began); took > 4*time.Second {
		t.Errorf("one second of driving took %v", took)
	}
	for i, l := range listeners {
		if len(l.samples) != 2*rows || len(l.gaps) > 0 {
			t.Errorf("device %d brought %d samples and the gaps %v, want %d and none", i, len(l.samples), l.gaps, 2*rows)
		}
	}
}

func TestCancelledFeedLingers(t *testing.T) {
	pause := "time_s,EngineSpeed\n0.0,800\n3600.0,801\n"
	many := "time_s,EngineSpeed\n" + strings.Repeat("0.0,800\n", 300_000) // all at one instant
	for name, c := range map[string]struct{ text, more string }{
		"in a pause of an hour": {pause, ""},
		"nobody reads":          {evenly(100_000, time.Millisecond), `"speed": "max"`},
		"one instant":           {many, ""},
		"over":                  {evenly(2, time.Millisecond), `"speed": "max"`},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, folder(t, map[string]string{"a.csv": c.text}), c.more)
			b.mustOpen("a.csv")
			l := b.feed(wants("a.csv", speedPath))
			time.Sleep(100 * time.Millisecond)
			l.end()
			began := time.Now()
			b.mustClose("a.csv")
			if took := time.Since(began); took > time.Second {
				t.Errorf("closing took %v", took)
			}
			b.mustOpen("a.csv") // nothing holds it
		})
	}
}

// A reader that stops for a while gets everything in the end, at the right times.
func TestSlowReaderLosesSamples(t *testing.T) {
	const rows = 30_000
	b := newBench(t, folder(t, map[string]string{"a.csv": evenly(rows, time.Millisecond)}), `"speed": "max"`)
	b.mustOpen("a.csv")
	l := b.feed(wants("a.csv", speedPath))
	for len(l.links) == 0 {
		if len(l.samples)%5000 == 0 {
			time.Sleep(5 * time.Millisecond)
		}
		if err := l.take(); err != nil {
			t.Fatal(err)
		}
	}
	if len(l.samples) != rows || len(l.gaps) > 0 {
		t.Errorf("%d of %d samples came, gaps %v", len(l.samples), rows, l.gaps)
	}
	if !slices.IsSortedFunc(l.samples, func(a, b sample) int { return int(a.us - b.us) }) {
		t.Error("times run back")
	}
}
