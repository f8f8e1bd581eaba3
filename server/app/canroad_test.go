// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/airassay/airassay/plugins/simulator/canbus"
	"github.com/airassay/airassay/plugins/simulator/ecu"
	"github.com/airassay/airassay/plugins/simulator/link"
	"github.com/airassay/airassay/plugins/simulator/scenario"
	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/canlink"
	"github.com/airassay/airassay/sdk/j1979"
	"github.com/airassay/airassay/sdk/poll"
	"github.com/airassay/airassay/sdk/recording/vehiclefile"
	"github.com/airassay/airassay/server/assay"
	"github.com/airassay/airassay/server/rpc"
)

// roadTest is what came of a drive: the samples on the way to the assay, and what they were asked by.
type roadTest struct {
	paths   []string
	pace    *assay.Pace
	samples []assay.Sample

	mu      sync.Mutex
	wanted  []adapter.Wanted
	changed chan struct{}
	origin  adapter.Time
}

func newRoadTest(paths []string) *roadTest {
	r := &roadTest{paths: paths, pace: assay.NewPace(paths), changed: make(chan struct{})}
	r.want()
	return r
}

// want asks for what the assay needs at this moment of the drive, as a capture does.
func (r *roadTest) want() {
	r.wanted = r.wanted[:0:0]
	for _, n := range r.pace.Needs() {
		r.wanted = append(r.wanted, adapter.Wanted(n))
	}
}

// Wanted and Send make it the output of a feed.
func (r *roadTest) Wanted() ([]adapter.Wanted, <-chan struct{}) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.wanted, r.changed
}

func (r *roadTest) Send(samples ...adapter.Sample) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	changed := false
	for _, s := range samples {
		i := slices.Index(r.paths, s.Path)
		x := assay.Sample{Signal: int32(i), TimeUS: int64(s.Time - r.origin), Value: s.Value, UncertaintyUS: s.Uncertainty.Microseconds()}
		changed = r.pace.Push(i, x.TimeUS, x.Value) || changed
		r.samples = append(r.samples, x)
	}
	if changed {
		r.want()
		close(r.changed)
		r.changed = make(chan struct{})
	}
	return nil
}

// judged is what the assay makes of it.
func (r *roadTest) judged(t *testing.T, facts assay.Facts) *assay.Assessment {
	t.Helper()
	a := assay.New(facts)
	defs := make([]assay.SignalDef, len(r.paths))
	for i, path := range r.paths {
		s, _ := j1979.ByPath(path)
		defs[i] = assay.SignalDef{Path: path, Unit: s.Unit, TimeUncertaintyUS: 1}
	}
	if err := a.Declare(0, assay.ClockHost, defs); err != nil {
		t.Fatal(err)
	}
	slices.SortStableFunc(r.samples, func(a, b assay.Sample) int { return cmp.Compare(a.TimeUS, b.TimeUS) })
	for _, s := range r.samples {
		a.Push(s)
	}
	return a.Assess()
}

// emulated is a vehicle on a bus and the tester's way to it.
type emulated struct {
	ecu ecu.Options
	bus canbus.Options
	on  canbus.VehicleOptions
}

// overCAN drives a scenario and polls it over the emulated bus until the vehicle falls silent, in virtual time.
func (e emulated) overCAN(t *testing.T, p *scenario.Prepared) (r *roadTest) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		car := ecu.NewVehicle(p, e.ecu)
		v := canbus.NewVehicle(car, e.bus, e.on)
		defer func() {
			if err := v.Close(); err != nil {
				t.Error(err)
			}
		}()
		n, err := v.Tester().Open()
		if err != nil {
			t.Fatal(err)
		}
		quiet := slog.New(slog.DiscardHandler)
		l, err := canlink.New(n, canlink.Options{Log: quiet})
		if err != nil {
			t.Fatal(err)
		}
		defer func() {
			if err := l.Close(); err != nil {
				t.Error(err)
			}
		}()
		feeder := poll.Over(l, poll.LinkOptions{Log: quiet})
		r = newRoadTest(available(t, feeder))
		r.origin = adapter.Now()
		ctx, cancel := context.WithTimeout(t.Context(), time.Hour)
		defer cancel()
		for over := false; !over; _, over = car.Driven() {
			if err := feeder.Run(ctx, r); !errors.Is(err, adapter.ErrSilent) && !errors.Is(err, adapter.ErrGarbled) {
				t.Fatalf("the feed ended with %v", err)
			}
			time.Sleep(time.Second) // as the SDK waits before it calls Feed again
		}
		for _, u := range car.Units() {
			if counts := u.Counts(); counts.AllForbidden() > 0 {
				t.Errorf("%s was asked for more than to read: %v", u.Name(), counts.Forbidden)
			}
		}
	})
	return r
}

// available asks which of the signals that the assay uses the vehicle has.
func available(t *testing.T, f *poll.Feeder) (paths []string) {
	t.Helper()
	var wanted []adapter.Wanted
	for path := range assay.SignalPaths() {
		wanted = append(wanted, adapter.Wanted{Path: path})
	}
	slices.SortFunc(wanted, func(a, b adapter.Wanted) int { return strings.Compare(a.Path, b.Path) })
	signals, err := f.Signals(t.Context(), wanted)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range signals {
		if s.Err == nil {
			paths = append(paths, s.Path)
		}
	}
	return paths
}

// direct drives a scenario as the simulator's own feed does, over the class of links that the usual bus belongs to.
func direct(p *scenario.Prepared) *roadTest {
	class, _ := link.ByName("can_multi_300")
	var paths []string
	byPath := map[string]int{}
	for i, s := range p.Case.Signals {
		paths = append(paths, j1979.Prefix+s.Define().Path)
		byPath[paths[i]] = i
	}
	r := newRoadTest(paths)
	drive := p.Start()
	drive.Step()
	poller := link.NewPoller(class, p.Case.Signals, p.Case.RefreshScale(), p.Case.LinkSeed(), drive.Now(), drive)
	refreshes := link.Refreshes(p.Case.RefreshScale(), p.Case.LinkSeed())
	var asked <-chan struct{}
	for !drive.Done() {
		if wanted, changed := r.Wanted(); changed != asked {
			var wishes []link.Wish
			for _, w := range wanted {
				wishes = append(wishes, link.Wish{Signal: p.Case.Signals[byPath[w.Path]], RateHz: w.RateHz, Group: w.Group})
			}
			poller.Want(wishes)
			asked = changed
		}
		drive.Step()
		poller.Step(drive.Now(), drive)
		for _, s := range poller.Samples {
			half := class.Uncertainty() + refreshes[s.Signal]/2
			_ = r.Send(adapter.Sample{Path: j1979.Prefix + s.Signal.Define().Path, Value: s.Value, Time: adapter.Time(s.TimeUS), Uncertainty: time.Duration(half * float64(time.Second))})
		}
		poller.Samples = poller.Samples[:0]
	}
	return r
}

// factsOf reads the facts of a scenario as the program reads a vehicle file.
func factsOf(t *testing.T, c *scenario.Case) assay.Facts {
	t.Helper()
	data, err := json.Marshal(c.Facts)
	if err != nil {
		t.Fatal(err)
	}
	vehicle, day, err := vehiclefile.Read(bytes.NewReader(data), "vehicle.json")
	if err != nil {
		t.Fatal(err)
	}
	return rpc.FactsFromProto(vehicle, day)
}

// found is what an assessment says of the sensors, and its leading condition, in the codes of the assay.
func found(a *assay.Assessment) string {
	var b strings.Builder
	for _, s := range a.Sensors {
		fmt.Fprintf(&b, "sensor %d finding %d, ", s.Sensor, s.Finding)
	}
	fmt.Fprintf(&b, "condition %d at %.2f", a.Conditions[0].Condition, a.Conditions[0].Probability)
	return b.String()
}

// namedRoadTest prepares a scenario that comes with the simulator.
func namedRoadTest(t *testing.T, name string) *scenario.Prepared {
	t.Helper()
	c, err := scenario.Named(name)
	if err != nil {
		t.Fatal(err)
	}
	return c.Prepare()
}

// Names of the links that road tests are made over.
const (
	disturbed = "500 kbit/s, 10 to 20 ms, one answer in fifteen spoilt"
	usual     = "500 kbit/s, 10 ms"
	losing    = "500 kbit/s, 10 ms, one frame in 200 lost"
	doubling  = "500 kbit/s, 10 ms, one frame in 200 doubled"
	ragged    = "500 kbit/s, 10 to 20 ms, one frame in twenty lost, one doubled"
	oneByOne  = "250 kbit/s, 29 bit, one parameter each 50 ms"
	pending   = "500 kbit/s, patience asked for each time"
)

// faulty is a bus at 500 kbit/s on which frames go wrong.
func faulty(chances canbus.FrameChances) canbus.Options {
	return canbus.Options{Faults: canbus.FrameFaults{Chances: chances}}
}

var roadLinks = map[string]emulated{
	usual: {ecu: ecu.Options{Latency: 10 * time.Millisecond}},
	// About 19 values a second, as of a careful unit behind a gateway.
	oneByOne: {
		ecu: ecu.Options{Latency: 50 * time.Millisecond, MostParameters: 1},
		bus: canbus.Options{BitRate: canbus.Rate250k}, on: canbus.VehicleOptions{Extended: true},
	},
	disturbed: {
		ecu: ecu.Options{Latency: 10 * time.Millisecond, Jitter: 10 * time.Millisecond, Faults: ecu.Faults{Chances: ecu.Chances{
			ecu.Late: 0.01, ecu.Lost: 0.02, ecu.Duplicated: 0.01, ecu.Truncated: 0.01, ecu.Busy: 0.01, ecu.Pending: 0.01,
		}}},
		bus: canbus.Options{Faults: canbus.FrameFaults{Chances: canbus.FrameChances{canbus.ErrorFrame: 0.02}}},
	},
	losing:   {ecu: ecu.Options{Latency: 10 * time.Millisecond}, bus: faulty(canbus.FrameChances{canbus.FrameLost: 0.005})},
	doubling: {ecu: ecu.Options{Latency: 10 * time.Millisecond}, bus: faulty(canbus.FrameChances{canbus.FrameDuplicated: 0.005})},
	ragged: {
		ecu: ecu.Options{Latency: 10 * time.Millisecond, Jitter: 10 * time.Millisecond},
		bus: faulty(canbus.FrameChances{canbus.FrameLost: 0.05, canbus.FrameDuplicated: 0.05}),
	},
	// About three values a second: a pull is over before it is seen.
	pending: {
		ecu: ecu.Options{Latency: 10 * time.Millisecond, MostParameters: 1, Faults: ecu.Faults{Chances: ecu.Chances{ecu.Pending: 1}, LateBy: 300 * time.Millisecond}},
	},
}

// A road test over the usual bus must end in the finding of the direct feed. Over a slow link a finding may be missing, but it
// must not be another one, and the verdict must name what the drive lacks.
func TestARoadTestOverCANFindsWhatTheDirectFeedFinds(t *testing.T) {
	slowToo := []string{"van", "leak", "weak-pump", "wrong-air-temperature", "torn-duct"}
	names := scenario.Names()
	if raced {
		// It sees the same goroutines with every vehicle, and takes ten times as long.
		names = []string{"healthy", "van"}
	}
	for _, name := range names {
		p := namedRoadTest(t, name)
		facts := factsOf(t, p.Case)
		want := direct(p).judged(t, facts)
		for title, link := range roadLinks {
			if title != usual && !slices.Contains(slowToo, name) {
				continue
			}
			t.Run(name+" over "+title, func(t *testing.T) {
				over := link.overCAN(t, p)
				got := over.judged(t, facts)
				t.Logf("%d samples of %d signals: %s; by the direct feed: %s", len(over.samples), len(over.paths), found(got), found(want))
				if !sameFindings(got, want, title != usual) {
					t.Errorf("found %s (%v), by the direct feed %s (%v)", found(got), got.Gaps, found(want), want.Gaps)
				}
			})
		}
	}
}

// sameFindings compares two assessments of one drive. A slow link may leave a finding open where it also leaves a gap that
// the other feed did not leave.
func sameFindings(got, want *assay.Assessment, slow bool) bool {
	excused := slow && slices.ContainsFunc(got.Gaps, func(g assay.GapItem) bool { return !slices.Contains(want.Gaps, g) })
	// Where both leaders are the same and near the probability from which a word is firm, either may say it.
	const firm, edge = 0.60, 0.10
	g, w := got.Conditions[0], want.Conditions[0]
	onEdge := g.Condition == w.Condition && math.Abs(g.Probability-firm) < edge && math.Abs(w.Probability-firm) < edge
	return slices.EqualFunc(got.Sensors, want.Sensors, func(a, b assay.SensorFinding) bool {
		return a.Sensor == b.Sensor && a.Bank == b.Bank && (a.Finding == b.Finding || (excused || onEdge) && a.Finding == assay.FindingInconclusive || onEdge && b.Finding == assay.FindingInconclusive)
	})
}
