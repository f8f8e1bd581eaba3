// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package link_test

import (
	"math"
	"reflect"
	"testing"

	"github.com/airassay/airassay/plugins/simulator/engine"
	"github.com/airassay/airassay/plugins/simulator/link"
)

func class(t *testing.T, name string) link.Class {
	t.Helper()
	c, ok := link.ByName(name)
	if !ok {
		t.Fatalf("no class %s", name)
	}
	return c
}

// poll asks for the wishes for a while and counts the samples of each signal.
func poll(c link.Class, seconds float64, wishes ...link.Wish) (*link.Poller, map[engine.Signal]float64) {
	r := &ramp{}
	p := link.NewPoller(c, polled, 1, 3, 0, r)
	p.Want(wishes)
	run(p, r, seconds)
	rates := map[engine.Signal]float64{}
	for _, s := range p.Samples {
		rates[s.Signal] += 1 / seconds
	}
	return p, rates
}

func run(p *link.Poller, r *ramp, seconds float64) {
	for until := r.now + seconds; r.now < until; {
		r.now += 0.01
		p.Step(r.now, r)
	}
}

func every(signals []engine.Signal, rate float64) (list []link.Wish) {
	for _, s := range signals {
		list = append(list, link.Wish{Signal: s, RateHz: rate})
	}
	return list
}

func TestLinkCarriesWhatItsClassCarries(t *testing.T) {
	for _, c := range link.Classes {
		p, rates := poll(c, 120, every(polled, 0)...)
		sum := float64(p.Lost*c.Group) / 120
		for _, r := range rates {
			sum += r
		}
		if math.Abs(sum/c.Rate-1) > 0.12 {
			t.Errorf("%s: %.1f values/s, want about %.1f", c.Name, sum, c.Rate)
		}
		if len(rates) != len(polled) {
			t.Errorf("%s: only %d of %d signals came", c.Name, len(rates), len(polled))
		}
	}
}

func TestAskingForFewerSignalsMakesTheOthersFaster(t *testing.T) {
	for _, c := range link.Classes {
		_, many := poll(c, 60, every(polled, 0)...)
		_, few := poll(c, 60, every([]engine.Signal{engine.LongTermFuelTrim1, engine.CoolantTemperature}, 0)...)
		if x := engine.LongTermFuelTrim1; few[x] < 2*many[x] {
			t.Errorf("%s: a trim at %.1f/s among two signals, and at %.1f/s among ten", c.Name, few[x], many[x])
		}
	}
}

func TestRatesAreKeptWhereTheLinkCarriesThem(t *testing.T) {
	wishes := []link.Wish{{Signal: engine.MAF, RateHz: 10}, {Signal: engine.EngineSpeed, RateHz: 5}, {Signal: engine.CoolantTemperature, RateHz: 0.5}, {Signal: engine.IntakeTemp}}
	_, rates := poll(class(t, "can_50"), 100, wishes...)
	for _, w := range wishes[:3] {
		if math.Abs(rates[w.Signal]/w.RateHz-1) > 0.03 {
			t.Errorf("%s: %.2f/s, want %.2f", w.Signal.Define().Path, rates[w.Signal], w.RateHz)
		}
	}
	if rates[engine.IntakeTemp] < 28 {
		t.Errorf("the rest of 50/s was %.1f/s", rates[engine.IntakeTemp])
	}
}

func TestRatesBeyondTheLinkShrinkTogetherAndStarveNobody(t *testing.T) {
	wishes := append(every(polled[:2], 40), link.Wish{Signal: polled[2], RateHz: 20}, link.Wish{Signal: engine.CoolantTemperature})
	_, rates := poll(class(t, "serial_20"), 200, wishes...)
	if got := rates[polled[0]] / rates[polled[2]]; math.Abs(got-2) > 0.4 {
		t.Errorf("40 and 20 Hz on an overloaded link stand as %.2f to 1", got)
	}
	if got := rates[engine.CoolantTemperature]; got < 7 || got > 11 {
		t.Errorf("a signal without a rate came %.2f times a second, want about every second time of 20", got)
	}
}

func TestSignalsOfAGroupTravelTogether(t *testing.T) {
	wishes := every(polled, 0)
	for i := range 3 {
		wishes[3*i] = link.Wish{Signal: polled[3*i], RateHz: 2, Group: 7}
	}
	for _, name := range []string{"can_multi_300", "can_50", "kline_8"} {
		c := class(t, name)
		p, _ := poll(c, 60, wishes...)
		widest := int64(0)
		seen := map[engine.Signal]int64{}
		for _, s := range p.Samples {
			if s.Signal != polled[0] && s.Signal != polled[3] && s.Signal != polled[6] {
				continue
			}
			if seen[s.Signal] = s.TimeUS; len(seen) == 3 {
				widest = max(widest, max(seen[polled[0]], seen[polled[3]], seen[polled[6]])-min(seen[polled[0]], seen[polled[3]], seen[polled[6]]))
				clear(seen)
			}
		}
		// Three requests in a row, one of them made again, on a host that was busy once.
		if most := int64(1e6 * (4*float64(c.Group)/c.Rate*1.5 + 0.31)); widest > most {
			t.Errorf("%s: a group was spread over %d ms, want at most %d", name, widest/1000, most/1000)
		}
	}
}

func TestAChangeOfWishesTakesEffectAtOnce(t *testing.T) {
	r := &ramp{}
	p := link.NewPoller(class(t, "can_50"), polled, 1, 3, 0, r)
	run(p, r, 1)
	if len(p.Samples) > 0 {
		t.Fatalf("%d samples that nobody wanted", len(p.Samples))
	}
	p.Want(every(polled[:1], 0))
	run(p, r, 1)
	p.Want(every(polled[1:2], 0))
	before := len(p.Samples)
	run(p, r, 1)
	if after := p.Samples[before:]; len(after) < 40 || after[0].Signal != polled[1] {
		t.Errorf("%d samples after the change, the first %+v", len(after), after[0])
	}
	p.Want([]link.Wish{{Signal: engine.ExhaustPressure1}})
	p.Samples = nil
	run(p, r, 1)
	if len(p.Samples) > 0 {
		t.Errorf("the control unit shows a signal that it lacks: %+v", p.Samples[0])
	}
}

func TestPollerIsDeterminedByItsSeed(t *testing.T) {
	a, _ := poll(class(t, "serial_20"), 60, every(polled, 3)...)
	b, _ := poll(class(t, "serial_20"), 60, every(polled, 3)...)
	if !reflect.DeepEqual(a.Samples, b.Samples) || a.Lost == 0 {
		t.Errorf("two runs differ, or nothing was lost (%d)", a.Lost)
	}
	last := int64(0)
	for _, s := range a.Samples {
		if s.TimeUS < last {
			t.Fatalf("%d µs after %d µs", s.TimeUS, last)
		}
		last = s.TimeUS
	}
}
