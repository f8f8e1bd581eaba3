// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package scenario

import (
	"math"

	"github.com/airassay/airassay/plugins/simulator/engine"
	"github.com/airassay/airassay/plugins/simulator/link"
	"github.com/airassay/airassay/plugins/simulator/road"
)

// SecondFault is a further fault of a case.
type SecondFault struct {
	Condition string  `json:"condition"`
	Cause     string  `json:"cause"`
	Severity  string  `json:"severity"`
	Amount    float64 `json:"amount"`
	Unit      string  `json:"unit"`
}

// FlowError is the meter's error, (indicated − true)/true in percent, at one flow.
type FlowError struct {
	// Bank counts meters from 1; 0 stands for all together.
	Bank int `json:"bank"`
	// Flow is the true flow in g/s (of that bank).
	Flow float64 `json:"flow_g_per_s"`
	// Error compares with all air in front of the throttle, so a duct leak counts and a manifold leak does not.
	Error float64 `json:"error_percent"`
	// ElementError compares with the air that passes the meter itself.
	ElementError float64 `json:"element_error_percent"`
	// EngineError compares with all air that the engine takes, leaks behind the throttle included.
	EngineError float64 `json:"engine_error_percent"`
	// Seconds is how long the drive was at this flow.
	Seconds float64 `json:"seconds"`
}

// Truth is the label of a case.
type Truth struct {
	Condition   string       `json:"condition"`
	Cause       string       `json:"cause"`
	Severity    string       `json:"severity"`
	Amount      float64      `json:"amount"`
	Unit        string       `json:"unit"`
	Second      *SecondFault `json:"second_fault,omitempty"`
	WrongFact   string       `json:"wrong_fact,omitempty"`
	Seed        uint64       `json:"seed"`
	Link        string       `json:"link"`
	Style       string       `json:"driver_style"`
	Aspiration  string       `json:"aspiration"`
	AirMeter    string       `json:"air_meter"`
	Fuel        string       `json:"fuel"`
	Signals     []string     `json:"signals"`
	Seconds     float64      `json:"seconds"`
	Stalls      int          `json:"stalls"`
	SampleCount int          `json:"sample_count"`

	MeterErrors      []FlowError `json:"meter_errors"`
	ErrorAtTopFlow   *FlowError  `json:"meter_error_at_highest_flow,omitempty"`
	IntakeTempError  float64     `json:"intake_temperature_error_k"`
	ManifoldError    float64     `json:"manifold_pressure_error_kpa"`
	BarometerError   float64     `json:"barometer_error_kpa"`
	VEFullLoad       float64     `json:"volumetric_efficiency_full_load"`
	ManifoldDeficit  float64     `json:"manifold_deficit_percent"`
	TrimsLearned     bool        `json:"trims_learned"`
	ColdSoak         bool        `json:"cold_soak"`
	FactsTrue        Facts       `json:"facts_true"`
	FactsEntered     Facts       `json:"facts_entered"`
	TrueBaro         float64     `json:"true_barometer_kpa"`
	EngineWarm       bool        `json:"engine_warm"`
	HasFullLoad      bool        `json:"has_full_load"`
	HasSteadyCruise  bool        `json:"has_steady_cruise"`
	HasWarmIdle      bool        `json:"has_warm_idle"`
	FaultVisible     bool        `json:"fault_visible"`
	Sufficient       bool        `json:"sufficient"`
	InsufficientWhy  string      `json:"insufficient_why,omitempty"`
	FullLoadSamples  int         `json:"full_load_samples"`
	SteadyCruiseTime float64     `json:"steady_cruise_seconds"`
	FullLoadTime     float64     `json:"full_load_seconds"`
	// SeenAtFullLoad names the signals with enough samples at full load: a slow link polls few there.
	SeenAtFullLoad []string `json:"seen_at_full_load,omitempty"`
	// ExhaustChoke is the back-pressure over the manifold pressure at the highest flow at full load.
	ExhaustChoke float64 `json:"exhaust_choke"`
}

// flowBin gathers what meters showed at about one flow.
type flowBin struct {
	seconds, metered, before, engine, shown float64
}

// Fine bins grow by a tenth; the list of errors merges five of them (a factor of 1.6).
const (
	fineBins  = 70
	mergeBins = 5
)

// binOf sorts flows of 1 to 700 g/s.
func binOf(flow float64) int {
	return int(clamp(math.Floor(math.Log(math.Max(flow, 1))/math.Log(1.1)), 0, fineBins-1))
}

type span struct{ from, to float64 }

// watch looks at a drive with the eyes of the truth.
type watch struct {
	meters              int
	bins                [3][fineBins]flowBin
	lastFlow            float64
	warm                bool
	full, cruise, idle  []span
	fullFrom            float64
	cruiseFrom          float64
	idleFrom            float64
	warmAt              float64
	lastSpeed           float64
	tempError           float64
	tempWeight          float64
	mapError, baroError float64
	pressWeight         float64
	ve, veWeight        float64
	// At the highest flow at full load: pressure lost before the manifold over barometric,
	// and back-pressure over manifold pressure.
	deficit, choke, deficitFlow float64
	speedRate                   float64
	flowRate                    float64
}

func newWatch(c *Case) *watch {
	return &watch{meters: len(c.Spec.Meters), fullFrom: -1, cruiseFrom: -1, idleFrom: -1, warmAt: -1}
}

func (w *watch) step(dt float64, car *road.Car) {
	e := car.Engine
	st := &e.State
	now := car.Time
	w.warm = st.Coolant > kelvin+75
	if w.warm && w.warmAt < 0 && car.Running {
		w.warmAt = now
	}
	w.speedRate = w.speedRate*(1-dt) + dt*math.Abs(car.Speed-w.lastSpeed)/dt
	w.lastSpeed = car.Speed
	if car.Running {
		w.meter(dt, e)
		w.tempError += dt * (e.Value(engine.IntakeTemp) + kelvin - st.IntakeTempTrue)
		w.tempWeight += dt
		w.mapError += dt * (e.Value(engine.ManifoldPressure) - st.ManifoldPressure/1000)
		w.baroError += dt * (e.Value(engine.BarometricPressure) - e.Air.Pressure/1000)
		w.pressWeight += dt
	}
	rated := e.Spec.RatedRPM
	pedal := car.Last.Pedal
	fullNow := w.warm && car.Locked() && pedal > 0.95 && car.RPM > math.Min(2000, 0.45*rated)
	mark(&w.full, &w.fullFrom, fullNow, now)
	if fullNow {
		if st.ThrottleFlow > w.deficitFlow {
			w.deficitFlow = st.ThrottleFlow
			w.deficit = 1 - st.ManifoldPressure/e.Air.Pressure
			w.choke = (st.ExhaustPressure - e.Air.Pressure) / st.ManifoldPressure
		}
		w.ve += st.VolumetricEfficiency * dt
		w.veWeight += dt
	}
	steady := w.warm && car.Locked() && pedal > 0.02 && pedal < 0.7 && car.Speed > 9 && w.speedRate < 0.25
	mark(&w.cruise, &w.cruiseFrom, steady, now)
	mark(&w.idle, &w.idleFrom, w.warm && car.Running && car.Speed < 0.1 && pedal == 0, now)
}

func mark(list *[]span, from *float64, in bool, now float64) {
	switch {
	case in && *from < 0:
		*from = now
	case !in && *from >= 0:
		*list = append(*list, span{*from, now})
		*from = -1
	}
}

// meter compares what the meters show with what flows, while flow is steady enough to ask.
func (w *watch) meter(dt float64, e *engine.Engine) {
	st := &e.State
	if w.meters == 0 || st.ThrottleFlow < 1e-4 {
		return
	}
	flow := st.ThrottleFlow * 1000
	rate := math.Abs(math.Log(flow/math.Max(w.lastFlow, 0.1))) / dt
	w.lastFlow = flow
	w.flowRate += dt / 0.2 * (rate - w.flowRate)
	if w.flowRate > 0.5 {
		return
	}
	n := float64(w.meters)
	total := 0.0
	for i := range w.meters {
		shown := shownFlow(e, i)
		total += shown
		w.bins[i+1][binOf(flow/n)].add(dt, st.MeterFlow/n, st.ThrottleFlow/n, st.EngineFlow/n, shown)
	}
	w.bins[0][binOf(flow)].add(dt, st.MeterFlow, st.ThrottleFlow, st.EngineFlow, total)
}

// shownFlow is what a meter shows in kg/s with its electrical fault, but without noise and lag.
func shownFlow(e *engine.Engine, i int) float64 {
	f := &e.Faults.Meter[i]
	switch f.Signal {
	case engine.SignalStuck:
		return f.StuckAt
	case engine.SignalOpen:
		return 0
	case engine.SignalShort:
		return 0.65535
	case engine.SignalReplaced:
		return e.Value(engine.MAF) / 1000
	}
	return e.State.Indicated[i]
}

func (b *flowBin) add(dt, metered, before, engine, shown float64) {
	b.seconds += dt
	b.metered += dt * metered
	b.before += dt * before
	b.engine += dt * engine
	b.shown += dt * shown
}

func (b *flowBin) result(bank int) FlowError {
	percent := func(of float64) float64 { return round(100*(b.shown/of-1), 2) }
	return FlowError{Bank: bank, Flow: round(1000*b.before/b.seconds, 2), Error: percent(b.before),
		ElementError: percent(b.metered), EngineError: percent(b.engine), Seconds: round(b.seconds, 1)}
}

// merge sums fine bins from first up to last.
func (w *watch) merge(bank, first, last int) (sum flowBin) {
	for i := max(first, 0); i <= min(last, fineBins-1); i++ {
		b := &w.bins[bank][i]
		sum.seconds += b.seconds
		sum.metered += b.metered
		sum.before += b.before
		sum.engine += b.engine
		sum.shown += b.shown
	}
	return sum
}

// errors lists the flows that were driven for at least a moment.
func (w *watch) errors() (list []FlowError) {
	const moment = 0.3 // s
	for bank := 0; bank <= w.meters && w.meters > 0; bank++ {
		if w.meters == 1 && bank == 1 {
			break
		}
		for i := 0; i < fineBins; i += mergeBins {
			if b := w.merge(bank, i, i+mergeBins-1); b.seconds > moment && b.metered > 0 {
				list = append(list, b.result(bank))
			}
		}
	}
	return list
}

// top is the error over the highest tenth of the flow that was held for half a second.
func (w *watch) top() *FlowError {
	const held = 0.5 // s
	for i := fineBins - 1; i >= 0; i-- {
		if b := w.merge(0, i, i+1); w.bins[0][i].seconds > 0 && b.seconds >= held && b.metered > 0 {
			e := b.result(0)
			return &e
		}
	}
	return nil
}

func (w *watch) truth(c *Case, samples []link.Sample) Truth {
	t := Truth{
		Condition: c.Condition, Cause: c.Cause, Severity: c.Severity.String(), Amount: round(c.Amount, 3), Unit: c.AmountUnit,
		Second: c.Second, WrongFact: c.WrongFact, Seed: c.Seed, Link: c.Link.Name, Style: c.Plan.style, Aspiration: c.Spec.Aspiration.String(),
		AirMeter: c.Spec.Meter.String(), Fuel: c.Spec.Fuel.String(), SampleCount: len(samples),
		MeterErrors: w.errors(), TrimsLearned: c.Spec.Control.LearnedBefore, ColdSoak: c.Plan.coldSoak,
		FactsTrue: complete(c), FactsEntered: c.Facts, TrueBaro: round(c.Air.Pressure/1000, 2),
		EngineWarm: w.warmAt >= 0,
	}
	for _, s := range c.Signals {
		t.Signals = append(t.Signals, s.Define().Path)
	}
	if n := len(samples); n > 0 {
		t.Seconds = round(float64(samples[n-1].TimeUS)/1e6, 3)
	}
	t.ErrorAtTopFlow = w.top()
	if w.tempWeight > 0 {
		t.IntakeTempError = round(w.tempError/w.tempWeight, 2)
		t.ManifoldError = round(w.mapError/w.pressWeight, 2)
		t.BarometerError = round(w.baroError/w.pressWeight, 2)
	}
	t.ManifoldDeficit = round(100*w.deficit, 2)
	t.ExhaustChoke = round(w.choke, 4)
	if w.veWeight > 0 {
		t.VEFullLoad = round(w.ve/w.veWeight, 4)
	}
	w.judge(c, &t, samples)
	return t
}
