// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canbus_test

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/airassay/airassay/plugins/simulator/canbus"
	"github.com/airassay/airassay/plugins/simulator/ecu"
	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/canlink"
	"github.com/airassay/airassay/sdk/j1979"
	"github.com/airassay/airassay/sdk/poll"
)

var update = flag.Bool("update", false, "write the measured tables of sdk/poll/README.md anew")

// sheet counts what a feed brings.
type sheet struct {
	mu      sync.Mutex
	wanted  []adapter.Wanted
	changed chan struct{}
	samples map[string][]adapter.Sample
}

func (s *sheet) Wanted() ([]adapter.Wanted, <-chan struct{}) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.wanted, s.changed
}

func (s *sheet) want(wanted []adapter.Wanted) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.wanted = wanted
	close(s.changed)
	s.changed = make(chan struct{})
}

func (s *sheet) Send(samples ...adapter.Sample) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, one := range samples {
		if all := s.samples[one.Path]; len(all) > 0 && one.Time < all[len(all)-1].Time {
			return fmt.Errorf("a sample of %s is earlier than the one before", one.Path)
		}
		s.samples[one.Path] = append(s.samples[one.Path], one)
	}
	return nil
}

// begin forgets what came until now.
func (s *sheet) begin() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.samples = map[string][]adapter.Sample{}
}

func (s *sheet) count() (samples, fresh int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, all := range s.samples {
		samples += len(all)
		for i, one := range all {
			if i > 0 && one.Value != all[i-1].Value {
				fresh++
			}
		}
	}
	return samples, fresh
}

// polled are sixteen signals of one parameter each, those of a pull first.
var polled = []string{
	"EngineSpeed", "MAF", "MAP", "EngineLoad", "ThrottlePosition", "AbsoluteLoad", "ShortTermFuelTrim1", "LongTermFuelTrim1",
	"TimingAdvance", "Speed", "IntakeTemp", "CoolantTemperature", "CommandedEquivalenceRatio", "BarometricPressure", "ControlModuleVoltage", "CommandedEVAP",
}

// wire is a bus and the control unit on it, as the formula sees them.
type wire struct {
	name     string
	rate     int
	extended bool
	latency  time.Duration
}

// limit is how many samples a second may be had at best by the arithmetic of ISO 15765-4, in which the planner and the emulated bus have no
// part: a frame of eight bytes with the most stuff bits it can have is 135 bits with an 11-bit identifier and 160 with 29 bits, gap
// included; a request is one frame, and so is an answer of up to 7 bytes; a longer one has a first frame with 6, flow
// control, and 7 in each frame after.
func (w wire) limit(bytes []int) float64 {
	if w.extended {
		return w.best(bytes, 160)
	}
	return w.best(bytes, 135)
}

// bound is the same without any stuff bit and with the shortest answers: more is not possible.
func (w wire) bound(bytes []int) float64 {
	shortest := slices.Repeat([]int{slices.Min(bytes)}, len(bytes))
	if w.extended {
		return w.best(shortest, 131)
	}
	return w.best(shortest, 111)
}

func (w wire) best(bytes []int, bits float64) float64 {
	took := func(payload int) float64 {
		frames := 2
		if payload > 7 {
			frames = 3 + (payload-6+6)/7
		}
		return w.latency.Seconds() + float64(frames)*bits/float64(w.rate)
	}
	// All signals in turn, six in a request.
	set, whole, all := 0.0, 1, 0
	for i, n := range bytes {
		whole += 1 + n
		all += n
		if i%6 == 5 || i == len(bytes)-1 {
			set += took(whole)
			whole = 1
		}
	}
	best := float64(len(bytes)) / set
	if len(bytes) > 6 { // every request is full, with numbers of mean length
		mean := float64(all) / float64(len(bytes))
		best = max(best, 6/took(1+int(math.Round(6*(1+mean)))))
	}
	return best
}

func bytesOf(t *testing.T, names []string) (list []int) {
	t.Helper()
	for _, name := range names {
		s, ok := j1979.Lookup(name)
		if !ok || j1979.Alone(s.PID) {
			t.Fatalf("%s cannot share a request", name)
		}
		list = append(list, int(s.Bytes))
	}
	return list
}

// trial is a feed over the emulated bus.
type trial struct {
	wire

	names   []string
	group   int
	refresh time.Duration
	limit   float64 // rate cap; 0 for one that does not bind
	most    int     // parameters that the control unit takes in one request; 0 for six
	besides []adapter.Wanted
	faults  ecu.Faults
	lost    float64 // share of the control unit's frames
	onBus   canbus.FrameChances
	during  time.Duration
	// disturbed tells that the vehicle may seem silent for a while.
	disturbed bool
	// before is how long the group is wanted ten times a second at first, as while driving.
	before time.Duration
}

// measured is what came.
type measured struct {
	samplesHz, freshHz float64
	skews              []poll.Skew
	sheet              *sheet
	feeder             *poll.Feeder
	link               canlink.Statistics
}

// intoTheDrive is a moment at which the engine runs and everything moves.
const intoTheDrive = 150 * time.Second

func (tr trial) run(t *testing.T) (m measured) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		car := ecu.NewVehicle(prepared(), ecu.Options{Latency: tr.latency, Refresh: tr.refresh, MostParameters: tr.most, Cleared: true, Faults: tr.faults, Seed: 7})
		car.Start(time.Now().Add(-intoTheDrive))
		bus := canbus.Options{BitRate: tr.rate, Seed: 7, Faults: canbus.FrameFaults{Chances: tr.onBus}}
		v := canbus.NewVehicle(car, bus, canbus.VehicleOptions{Extended: tr.extended, Change: func(_ int, o *canbus.ServeOptions) {
			o.Faults.Chances[canbus.FrameLost] = tr.lost
		}})
		node := must[*canbus.Node](t)(v.Tester().Open())
		addressing := canlink.Bits11
		if tr.extended {
			addressing = canlink.Bits29
		}
		log := slog.New(slog.DiscardHandler)
		link := must[*canlink.Link](t)(canlink.New(node, canlink.Options{Addressing: addressing, Log: log}))
		o := poll.LinkOptions{Log: log, Options: poll.Options{MaxRequestsPerS: 1e6}}
		if tr.limit > 0 {
			o.MaxRequestsPerS = tr.limit
		}
		m.feeder = poll.Over(link, o)
		m.sheet = &sheet{changed: make(chan struct{}), samples: map[string][]adapter.Sample{}}
		m.sheet.want(tr.wants(10))
		if tr.before == 0 {
			m.sheet.want(tr.wants(0))
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- tr.feed(ctx, m.feeder, m.sheet) }()
		time.Sleep(tr.before)
		m.sheet.want(tr.wants(0))
		time.Sleep(3 * time.Second)
		m.sheet.begin()
		time.Sleep(tr.during)
		samples, fresh := m.sheet.count()
		m.samplesHz, m.freshHz = float64(samples)/tr.during.Seconds(), float64(fresh)/tr.during.Seconds()
		m.skews, m.link = m.feeder.Skews(), link.Statistics()
		cancel()
		if err := <-done; !errors.Is(err, context.Canceled) {
			t.Errorf("the feed ended by %v: %+v", err, tr)
		}
		if err := link.Close(); err != nil {
			t.Error(err)
		}
		if err := v.Close(); err != nil {
			t.Error(err)
		}
	})
	return m
}

// wants are the names at a rate, and what is wanted besides.
func (tr trial) wants(rate float64) (all []adapter.Wanted) {
	for _, name := range tr.names {
		all = append(all, adapter.Wanted{Path: j1979.Prefix + name, RateHz: rate, Group: tr.group})
	}
	return append(all, tr.besides...)
}

// feed runs a feed as an adapter does: again a second after the vehicle was silent.
func (tr trial) feed(ctx context.Context, f *poll.Feeder, s *sheet) error {
	for {
		err := f.Run(ctx, s)
		if ctx.Err() != nil || !tr.disturbed || !errors.Is(err, adapter.ErrSilent) && !errors.Is(err, adapter.ErrGarbled) {
			return err
		}
		time.Sleep(time.Second)
	}
}

func wires(latencies ...time.Duration) (all []wire) {
	for _, rate := range []int{canbus.Rate500k, canbus.Rate250k} {
		for _, extended := range []bool{false, true} {
			for _, latency := range latencies {
				bits := 11
				if extended {
					bits = 29
				}
				all = append(all, wire{fmt.Sprintf("%d kbit/s, %d bit", rate/1000, bits), rate, extended, latency})
			}
		}
	}
	return all
}

var latencies = []time.Duration{2 * time.Millisecond, 5 * time.Millisecond, 10 * time.Millisecond, 25 * time.Millisecond, 50 * time.Millisecond}

// lasting is how long each cell is measured.
func lasting() time.Duration {
	if *update {
		return 20 * time.Second
	}
	return time.Second
}

func TestThePlannerReachesWhatTheLinkAllows(t *testing.T) {
	table := []string{
		"| bus | control unit answers after | signals | samples/s | limit by formula | of it | new values/s |",
		"| --- | --- | --- | --- | --- | --- | --- |",
	}
	cells := wires(latencies...)
	counts := []int{1, 4, 8, 16}
	if !*update { // some of it, for time's sake
		cells, counts = wires(latencies[0], latencies[3]), []int{1, 16}
	}
	for _, w := range cells {
		for _, n := range counts {
			m := trial{wire: w, names: polled[:n], refresh: 20 * time.Millisecond, during: lasting()}.run(t)
			limit, bound := w.limit(bytesOf(t, polled[:n])), w.bound(bytesOf(t, polled[:n]))
			if edge := float64(n) / lasting().Seconds(); m.samplesHz < 0.95*limit || m.samplesHz > bound+edge {
				t.Errorf("%s, %v, %d signals: %.1f samples a second of %.1f, where %.1f is impossible", w.name, w.latency, n, m.samplesHz, limit, bound)
			}
			table = append(table, fmt.Sprintf("| %s | %v | %d | %.1f | %.1f | %.3f | %.1f |", w.name, w.latency, n, m.samplesHz, limit, m.samplesHz/limit, m.freshHz))
		}
	}
	publish(t, "efficiency", table)
}

func TestTheRateCapIsReachedAndNotPassed(t *testing.T) {
	table := []string{
		"| rate cap, requests/s | signals | samples/s | limit | of it |",
		"| --- | --- | --- | --- | --- |",
	}
	w := wires(2 * time.Millisecond)[0]
	for _, limit := range []float64{20, 50, poll.DefaultMaxRequestsPerS} {
		for _, n := range []int{1, 4, 16} {
			m := trial{wire: w, names: polled[:n], refresh: 20 * time.Millisecond, limit: limit, during: lasting()}.run(t)
			most := min(w.limit(bytesOf(t, polled[:n])), limit*float64(min(n, 6)))
			if share := m.samplesHz / most; share < 0.95 || share > 1.01 {
				t.Errorf("cap %v, %d signals: %.1f samples a second of %.1f", limit, n, m.samplesHz, most)
			}
			table = append(table, fmt.Sprintf("| %.0f | %d | %.1f | %.1f | %.3f |", limit, n, m.samplesHz, most, m.samplesHz/most))
		}
	}
	publish(t, "cap", table)
}

func TestADisturbedLinkCostsWhatItMust(t *testing.T) {
	table := []string{
		"| what goes wrong | samples/s | of a sound link | worst time between two of one signal |",
		"| --- | --- | --- | --- |",
	}
	w := wires(10 * time.Millisecond)[0]
	sound := 0.0
	for _, c := range []struct {
		name   string
		lost   float64
		bus    canbus.FrameChances
		faults ecu.Chances
		most   int
		least  float64 // of a sound link
	}{
		{name: "nothing", least: 1},
		{name: "1 % of the control unit's frames lost", lost: 0.01, least: 0.7},
		{name: "5 % lost", lost: 0.05, least: 0.36},
		{name: "20 % lost", lost: 0.2, least: 0.08},
		{name: "0.5 % of all frames lost", bus: canbus.FrameChances{canbus.FrameLost: 0.005}, least: 0.7},
		{name: "5 % of all lost", bus: canbus.FrameChances{canbus.FrameLost: 0.05}, least: 0.22},
		{name: "0.5 % of all frames doubled", bus: canbus.FrameChances{canbus.FrameDuplicated: 0.005}, least: 0.99},
		{name: "every frame doubled", bus: canbus.FrameChances{canbus.FrameDuplicated: 1}, least: 0.99},
		{name: "error frames, 2 %", bus: canbus.FrameChances{canbus.ErrorFrame: 0.02}, least: 0.97},
		{name: "answers given twice, 5 %", faults: ecu.Chances{ecu.Duplicated: 0.05}, least: 0.9},
		{name: "answers lost, 2 %", faults: ecu.Chances{ecu.Lost: 0.02}, least: 0.8},
		{name: "answers 100 ms late, 2 %", faults: ecu.Chances{ecu.Late: 0.02}, least: 0.65},
		{name: "busy (code 21), 5 % of the answers", faults: ecu.Chances{ecu.Busy: 0.05}, least: 0.85},
		{name: "busy, 20 %", faults: ecu.Chances{ecu.Busy: 0.2}, least: 0.6},
		{name: "answers pending (code 78, 100 ms), 2 %", faults: ecu.Chances{ecu.Pending: 0.02}, least: 0.75},
		{name: "answers cut short, 2 %", faults: ecu.Chances{ecu.Truncated: 0.02}, least: 0.93},
		{name: "answers with a wrong byte, 2 %", faults: ecu.Chances{ecu.Malformed: 0.02}, least: 0.92},
		{name: "the control unit takes three parameters a request", most: 3, least: 0.43},
		{name: "one a request", most: 1, least: 0.17},
	} {
		m := trial{wire: w, names: polled[:8], refresh: 20 * time.Millisecond, lost: c.lost, onBus: c.bus, most: c.most, faults: ecu.Faults{Chances: c.faults}, during: 10 * lasting(), disturbed: sound > 0}.run(t)
		if sound == 0 {
			sound = m.samplesHz
		}
		if m.samplesHz < c.least*sound {
			t.Errorf("%s: %.1f samples a second, want %.2f of %.1f; %+v", c.name, m.samplesHz, c.least, sound, m.link)
		}
		gap := m.sheet.widest()
		if gap > 10*time.Second {
			t.Errorf("%s: nothing of a signal for %v", c.name, gap)
		}
		table = append(table, fmt.Sprintf("| %s | %.1f | %.2f | %v |", c.name, m.samplesHz, m.samplesHz/sound, gap.Round(time.Millisecond)))
	}
	publish(t, "faults", table)
}

// widest is the longest time without a sample of a signal.
func (s *sheet) widest() (gap time.Duration) {
	for _, all := range s.samples {
		for i := 1; i < len(all); i++ {
			gap = max(gap, all[i].Time.Sub(all[i-1].Time))
		}
	}
	return gap
}

// apart is how far a signal's samples are from the nearest of another, at worst, and the half-width of its times.
func (s *sheet) apart(name, from string) (worst, mean, widest time.Duration) {
	others := s.samples[j1979.Prefix+from]
	for _, one := range s.samples[j1979.Prefix+name] {
		mean += one.Uncertainty
		widest = max(widest, one.Uncertainty)
		i, _ := slices.BinarySearchFunc(others, one.Time, func(o adapter.Sample, at adapter.Time) int { return int(o.Time - at) })
		nearest := time.Duration(math.MaxInt64)
		for _, o := range others[max(0, i-1):min(len(others), i+1)] {
			nearest = min(nearest, o.Time.Sub(one.Time).Abs())
		}
		worst = max(worst, nearest)
	}
	mean /= time.Duration(max(1, len(s.samples[j1979.Prefix+name])))
	return worst, mean.Round(time.Microsecond), widest
}

// During a pull the assay wants speed, air and pressure as often as goes and together, all else now and then.
func TestSpeedAndAirComeTogetherInAPull(t *testing.T) {
	table := []string{
		"| bus | control unit answers after | takes | pairs/s | worst skew of speed and air: asked | as timed | half-width of the air's times, mean | widest |",
		"| --- | --- | --- | --- | --- | --- | --- | --- |",
	}
	var besides []adapter.Wanted
	for i, name := range polled[3:] {
		besides = append(besides, adapter.Wanted{Path: j1979.Prefix + name, RateHz: []float64{0.5, 1, 2, 0.2}[i%4]})
	}
	slowest := 50 * time.Millisecond
	if !*update {
		slowest = 10 * time.Millisecond
	}
	for _, w := range wires(slices.Compact([]time.Duration{2 * time.Millisecond, 10 * time.Millisecond, slowest})...) {
		for _, most := range []int{6, 1} {
			m := trial{wire: w, names: polled[:3], group: 1, refresh: 20 * time.Millisecond, most: most, besides: besides, before: 10 * time.Second, during: 3 * lasting()}.run(t)
			if len(m.skews) != 1 {
				t.Fatalf("skews: %+v", m.skews)
			}
			timed, mean, widest := m.sheet.apart("MAF", "EngineSpeed")
			pairs := float64(len(m.sheet.samples[j1979.Prefix+"MAF"])) / (3 * lasting()).Seconds()
			asked := m.skews[0].Worst
			// One request has all three, or three follow each other; one of another signal never comes between.
			allowed := time.Duration(0)
			if most == 1 {
				allowed = 2 * (w.latency + 2*time.Millisecond)
			}
			if asked > allowed {
				t.Errorf("%s, %v, %d a request: asked %v apart, want at most %v", w.name, w.latency, most, asked, allowed)
			}
			table = append(table, fmt.Sprintf("| %s | %v | %d | %.1f | %v | %v | %v | %v |", w.name, w.latency, most, pairs, asked, timed, mean, widest))
		}
	}
	publish(t, "pull", table)
}

// publish writes a table into the page of sdk/poll, between its marks, or sees that one is there.
func publish(t *testing.T, name string, table []string) {
	t.Helper()
	path := filepath.Join("..", "..", "..", "sdk", "poll", "README.md")
	page := string(must[[]byte](t)(os.ReadFile(path)))
	begin, end := "<!-- "+name+": written by go test ./plugins/simulator/canbus -update -->\n", "<!-- end of "+name+" -->"
	before, rest, found := strings.Cut(page, begin)
	old, after, closed := strings.Cut(rest, end)
	switch {
	case !found || !closed:
		t.Fatalf("%s lacks the marks of the table %s", path, name)
	case *update:
		if t.Failed() {
			t.Fatal("nothing is written of a run that failed")
		}
		page = before + begin + strings.Join(table, "\n") + "\n" + end + after
		if err := os.WriteFile(path, []byte(page), 0o644); err != nil {
			t.Fatal(err)
		}
	case strings.Count(old, "\n") < len(table):
		t.Errorf("the table %s has %d lines in %s and %d now; run the test with -update", name, strings.Count(old, "\n"), path, len(table))
	}
}
