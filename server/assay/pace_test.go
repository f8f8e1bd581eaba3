// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import "testing"

func paceOf(paths ...string) *Pace {
	for i := range paths {
		paths[i] = obd + paths[i]
	}
	return NewPace(paths)
}

func rate(t *testing.T, p *Pace, path string) Need {
	t.Helper()
	for _, n := range p.Needs() {
		if n.Path == obd+path {
			return n
		}
	}
	t.Fatalf("%s is not wanted", path)
	return Need{}
}

func TestAPullIsPolledFastAndWhatIsSlowRarely(t *testing.T) {
	for name, open := range map[string]func(p *Pace, at int64) bool{
		"by the throttle": func(p *Pace, at int64) bool { return p.Push(2, at, 85) },
		"by the load":     func(p *Pace, at int64) bool { return p.Push(3, at, 90) },
		"by the engine's speed alone": func(p *Pace, at int64) bool {
			return p.Push(0, at, 2300) || p.Push(0, at+second/2, 2700)
		},
	} {
		p := paceOf("EngineSpeed", "MAF", "ThrottlePosition", "EngineLoad", "ShortTermFuelTrim1", "IntakeTemp")
		p.Push(0, second, 2200)
		p.Push(0, 2*second+1, 2200)
		if r := rate(t, p, "MAF"); r.RateHz != 10 || r.Group != rate(t, p, "EngineSpeed").Group || r.Group == 0 {
			t.Errorf("%s: while driving the meter is wanted as %v", name, r)
		}
		if !open(p, 3*second) {
			t.Errorf("%s: the pull was not seen", name)
		}
		if r := rate(t, p, "MAF"); r.RateHz != 0 {
			t.Errorf("%s: in the pull the meter is wanted as %v", name, r)
		}
		others := rate(t, p, "ShortTermFuelTrim1").RateHz + rate(t, p, "IntakeTemp").RateHz + rate(t, p, "ThrottlePosition").RateHz + rate(t, p, "EngineLoad").RateHz
		if others > 2 { // A slow link has six samples a second in all.
			t.Errorf("%s: in the pull the others are wanted %g times a second", name, others)
		}
		if !p.Push(0, 6*second, 2200) || rate(t, p, "MAF").RateHz != 10 {
			t.Errorf("%s: the end of the pull was not seen", name)
		}
	}
}

func TestOneTimeFarAheadDoesNotMakeTheRestOfTheDriveAPull(t *testing.T) {
	p := paceOf("EngineSpeed", "MAF", "ThrottlePosition")
	p.Push(0, second, 2200)
	p.Push(2, 3600*second, 85)
	p.Push(2, 2*second, 15)
	if r := rate(t, p, "MAF"); r.RateHz != 10 {
		t.Errorf("while driving the meter is wanted as %v", r)
	}
}

func TestAtRestTheDayIsReadAndAtIdleNoPullIsSeen(t *testing.T) {
	p := paceOf("EngineSpeed", "MAF", "IntakeTemp", "AcceleratorPositionD")
	if rate(t, p, "IntakeTemp").RateHz != 1 {
		t.Error("at rest the air temperature is wanted once a second")
	}
	p.Push(3, 0, 100) // The pedal of an engine that stands.
	if p.Push(0, 1, 0) || rate(t, p, "MAF").RateHz != 1 {
		t.Error("a pull was seen while the engine stands")
	}
	p.Push(0, second, 800)
	p.Push(3, second, 100)
	if rate(t, p, "MAF").RateHz != 10 {
		t.Error("a pull was seen at idle")
	}
}

func TestAQuantityThatComesTwiceIsWantedFastOnce(t *testing.T) {
	p := paceOf("MAF", "MAFA", "MAP", "MAPHighRes")
	if rate(t, p, "MAFA").Group != 0 || rate(t, p, "MAP").Group != 0 || rate(t, p, "MAF").Group == 0 || rate(t, p, "MAPHighRes").Group == 0 {
		t.Error(p.Needs())
	}
	p = paceOf("MAFA", "MAP", "Nonsense")
	if rate(t, p, "MAFA").Group == 0 || rate(t, p, "MAP").Group == 0 || len(p.Needs()) != 2 {
		t.Error(p.Needs())
	}
}

func TestPaceTakesAnySampleWithoutAllocating(t *testing.T) {
	p := paceOf("EngineSpeed", "Nonsense")
	if p.Push(-1, 0, 1) || p.Push(2, 0, 1) || p.Push(1, 0, 1) {
		t.Error("a sample of no signal changed the needs")
	}
	if n := testing.AllocsPerRun(100, func() { p.Push(0, second, 900) }); n != 0 {
		t.Errorf("%g allocations", n)
	}
}
