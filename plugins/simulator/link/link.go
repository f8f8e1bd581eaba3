// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

// Package link takes samples of a simulated control unit as real interfaces
// do: one parameter after the other, at the pace of the link, with jitter and
// lost answers, quantised, and no fresher than the control unit refreshes them.
package link

import (
	"math"
	"math/rand/v2"

	"github.com/airassay/airassay/plugins/simulator/engine"
)

// Class is a kind of link.
type Class struct {
	// Name is what the truth file calls it.
	Name string
	// Rate is values per second over all signals.
	Rate float64
	// Group is how many parameters one request carries.
	Group int
	// Jitter is the relative scatter of the time per request, Lost the share of lost answers.
	Jitter, Lost float64
	// Few drops nearly everything but engine speed and air flow while the pedal is down.
	Few bool
	// Rows makes a logger that writes all columns in one row although it polled them over the row's interval.
	Rows bool
}

// Classes are the links that recordings are made with.
var Classes = []Class{
	{Name: "can_multi_300", Rate: 300, Group: 6, Jitter: 0.15, Lost: 0.001},
	{Name: "can_100", Rate: 100, Group: 3, Jitter: 0.2, Lost: 0.002},
	{Name: "can_50", Rate: 50, Group: 1, Jitter: 0.2, Lost: 0.003},
	{Name: "serial_20", Rate: 20, Group: 1, Jitter: 0.3, Lost: 0.008},
	{Name: "kline_8", Rate: 8.2, Group: 1, Jitter: 0.08, Lost: 0.004, Few: true},
	{Name: "kline_6", Rate: 6, Group: 1, Jitter: 0.15, Lost: 0.01, Few: true},
	{Name: "row_logger", Rate: 12, Group: 1, Jitter: 0.25, Lost: 0.004, Rows: true},
}

// ByName finds a class; false when there is none of that name.
func ByName(name string) (Class, bool) {
	for _, c := range Classes {
		if c.Name == name {
			return c, true
		}
	}
	return Class{}, false
}

// Sample is one value of one signal.
type Sample struct {
	// TimeUS is microseconds since the start of the recording.
	TimeUS int64
	Signal engine.Signal
	Value  float64
}

// Source shows the values of a control unit.
type Source interface {
	Value(engine.Signal) float64
}

// latches hold what a control unit shows between two refreshes.
type latches struct {
	refresh [engine.NumSignals]float64 // s
	due     [engine.NumSignals]float64
	latch   [engine.NumSignals]float64
}

// newLatches draws how often each signal is refreshed.
func newLatches(refreshScale float64, random *rand.Rand) (l latches) {
	for i := range l.refresh {
		l.refresh[i] = 0.01 * refreshScale * float64(1+random.IntN(2))
		if engine.Signal(i).Define().Slow {
			l.refresh[i] = 0.2 + 0.8*random.Float64()
		}
	}
	return l
}

// look takes over what is due.
func (l *latches) look(now float64, source Source, signals []engine.Signal) {
	for _, x := range signals {
		if now >= l.due[x] {
			l.latch[x] = source.Value(x)
			l.due[x] = now + l.refresh[x]
		}
	}
}

// Sampler polls what a logger polls, as it pleases.
type Sampler struct {
	class   Class
	signals []engine.Signal
	random  *rand.Rand

	latches
	age    [engine.NumSignals]float64 // s, when the signal was last asked
	weight [engine.NumSignals]float64 // s between wishes

	next    float64
	row     int64
	rowAt   int
	Samples []Sample
	// Lost counts answers that never came.
	Lost int
}

// NewSampler polls the given signals.
func NewSampler(class Class, signals []engine.Signal, refreshScale float64, seed uint64) *Sampler {
	s := &Sampler{class: class, signals: signals, random: rand.New(rand.NewPCG(seed, 0x2545f4914f6cdd1d))}
	s.latches = newLatches(refreshScale, s.random)
	for i := range s.weight {
		s.weight[i] = wish(engine.Signal(i))
	}
	for _, x := range signals {
		s.age[x] = -s.weight[x] * s.random.Float64()
	}
	return s
}

// wish is how often in s a poller wants a signal, if the link were free.
func wish(s engine.Signal) float64 {
	switch s {
	case engine.EngineSpeed, engine.MAF, engine.MAFA, engine.MAFB:
		return 1
	case engine.ManifoldPressure, engine.MAPHighRes, engine.BoostActual:
		return 1.5
	case engine.EngineLoad, engine.AbsoluteLoad, engine.ThrottlePosition, engine.PedalD:
		return 2.5
	case engine.ShortTermFuelTrim1, engine.ShortTermFuelTrim2, engine.Lambda1, engine.Lambda2, engine.CommandedLambda,
		engine.FuelRate, engine.FuelRateMass, engine.VehicleSpeed, engine.OxygenVoltage1, engine.OxygenVoltage2:
		return 4
	case engine.LongTermFuelTrim1, engine.LongTermFuelTrim2, engine.FuelStatus, engine.CommandedPurge:
		return 7
	case engine.TimeSinceClear, engine.WarmupsSinceClear, engine.EthanolPercent, engine.BarometricPressure,
		engine.AmbientAirTemperature, engine.OilTemperature, engine.CoolantTemperature, engine.ControlModuleVoltage, engine.RunTime:
		return 45
	case engine.IntakeTemp:
		return 15
	}
	return 9
}

// Step looks at the source after a step that ended at now seconds. pull is
// true while the driver asks for full load.
func (s *Sampler) Step(now float64, source Source, pull bool) {
	s.look(now, source, s.signals)
	for s.next <= now {
		s.request(s.next, pull)
	}
}

// timeout is how long in s an answer is waited for that does not come.
const timeout = 0.06

// hiccup is the time in s that a busy host loses now and then.
func hiccup(random *rand.Rand) float64 {
	if random.Float64() < 0.002 {
		return 0.05 + 0.2*random.Float64()
	}
	return 0
}

// request answers one request that completes at a time.
func (s *Sampler) request(at float64, pull bool) {
	period := float64(s.class.Group) / s.class.Rate
	s.next = at + period*math.Max(0.3, 1+s.class.Jitter*s.random.NormFloat64())
	s.next += hiccup(s.random)
	if s.class.Rows {
		s.askRow(at)
		return
	}
	if s.random.Float64() < s.class.Lost {
		s.Lost++
		s.next += timeout
		return
	}
	for range s.class.Group {
		x, ok := s.pick(at, pull)
		if !ok {
			return
		}
		s.age[x] = at
		s.add(at, x)
	}
}

// pick is the signal whose wish is the most overdue.
func (s *Sampler) pick(at float64, pull bool) (engine.Signal, bool) {
	best, most := engine.Signal(-1), -1.0
	for _, x := range s.signals {
		if s.age[x] == at {
			continue
		}
		weight := s.weight[x]
		if pull {
			if s.class.Few && weight > 1.5 {
				continue
			}
			if weight > 8 {
				weight *= 4
			}
		}
		if over := (at - s.age[x]) / weight; over > most {
			best, most = x, over
		}
	}
	return best, best >= 0
}

// askRow polls the columns of a row in turn and stamps them with the row's time.
func (s *Sampler) askRow(at float64) {
	if s.rowAt == 0 {
		s.row = micros(at)
	}
	x := s.signals[s.rowAt]
	s.rowAt = (s.rowAt + 1) % len(s.signals)
	if s.random.Float64() < s.class.Lost {
		s.Lost++
		return
	}
	s.Samples = append(s.Samples, Sample{s.row, x, x.Quantise(s.latch[x])})
}

// add writes a sample with the stamp that a host would give it: half a round
// trip is taken off, and what is left is scatter of some milliseconds.
func (s *Sampler) add(at float64, x engine.Signal) {
	stamp := micros(math.Max(0, at+s.class.scatter()*s.random.NormFloat64()))
	if n := len(s.Samples); n > 0 && stamp < s.Samples[n-1].TimeUS {
		stamp = s.Samples[n-1].TimeUS
	}
	s.Samples = append(s.Samples, Sample{stamp, x, x.Quantise(s.latch[x])})
}

// scatter is that of the stamps in s (1σ).
func (c Class) scatter() float64 { return 0.002 * math.Min(4, 20/c.Rate*c.Jitter*10) * 0.2 }

func micros(seconds float64) int64 { return int64(math.Round(seconds * 1e6)) }
