// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package poll

import (
	"bytes"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/j1979"
)

// fast is a cap that binds nowhere.
var fast = Options{MaxRequestsPerS: 1e6}

func TestWantedRatesAreMetWhenTheLinkAllows(t *testing.T) {
	m := newModel(t, Options{})
	rates := map[byte]float64{}
	var wanted []Parameter
	for i, pid := range pids(20) {
		rate := []float64{10, 10, 4, 4, 2, 1, 0.5, 0.2}[i%8]
		rates[pid] = rate
		wanted = append(wanted, m.wants(rate, 0, pid)...)
	}
	m.want(wanted)
	const seconds = 60
	m.run(seconds * time.Second)
	for pid, rate := range rates {
		if n := float64(m.count(pid)); n < 0.98*rate*seconds-1 || n > 1.02*rate*seconds+2 {
			t.Errorf("%02X is wanted %v times in %d s and came %v times", pid, rate*seconds, seconds, n)
		}
	}
	// Five requests a second would do for what is wanted at 10 Hz; the others come along.
	if n := len(m.sent) / seconds; n > 25 {
		t.Errorf("%d requests a second for what fits 20", n)
	}
}

func TestWhatIsSlowComesAlongWithWhatIsFast(t *testing.T) {
	m := newModel(t, Options{})
	m.want(m.wants(10, 1, 0x0C, 0x10, 0x0B), m.wants(2, 0, 0x06, 0x07), m.wants(0.5, 0, 0x0F))
	m.run(5 * time.Second) // the refresh intervals are learned by then
	m.forget()
	m.run(20 * time.Second)
	if n := len(m.sent); n > 202 {
		t.Errorf("%d requests in 20 s, where ten a second carry all", n)
	}
}

func TestTheCapHoldsInEveryWindow(t *testing.T) {
	for _, limit := range []float64{100, 37.5, 1000, 3, 0.5} {
		for _, rate := range []float64{0, 50} {
			m := newModel(t, Options{MaxRequestsPerS: limit})
			m.frame, m.latency, m.jitter = 1, 100, 5000
			m.want(m.wants(rate, 1, pids(9)...), m.wants(0, 0, 0x40, 0x41), m.wants(7, 0, 0x42))
			m.run(20 * time.Second)
			window := adapter.Time(1e6)
			most := int(limit)
			if limit < 1 {
				window, most = adapter.Time(1e6/limit), 1
			}
			for i := range m.sent {
				n := 0
				for k := i; k < len(m.sent) && m.sent[k] < m.sent[i]+window; k++ {
					n++
				}
				if n > most {
					t.Fatalf("cap %v: %d requests within %v µs", limit, n, window)
				}
			}
			if rate == 0 && float64(len(m.sent)) < 0.95*20*min(limit, 300) {
				t.Errorf("cap %v: only %d requests in 20 s", limit, len(m.sent))
			}
		}
	}
}

func TestNothingStarvesUnderOverload(t *testing.T) {
	m := newModel(t, Options{})
	m.latency = 100 * ms // about nine requests a second
	m.units = []Unit{{MaxParameters: 1}}
	m.planner.SetUnits(m.units)
	m.want(m.wants(0, 1, 0x0C, 0x10), m.wants(10, 0, 4, 5), m.wants(2, 0, 6, 7), m.wants(0.5, 0, 8))
	const seconds = 200
	m.run(seconds * time.Second)
	all := len(m.sent)
	pair := m.count(0x0C) + m.count(0x10)
	if share := float64(pair) / float64(all); share < 0.48 || share > 0.6 {
		t.Errorf("what is wanted as often as goes has %.2f of the requests, want half", share)
	}
	// 24.5 a second are wanted besides, and 4.5 can be had.
	for pid, rate := range map[byte]float64{4: 10, 5: 10, 6: 2, 7: 2, 8: 0.5} {
		share := float64(m.count(pid)) / seconds / rate
		if share < 0.12 || share > 0.3 {
			t.Errorf("%02X is had at %.2f of its rate, want all at about 0.18", pid, share)
		}
	}
	for _, s := range m.planner.Report(nil, m.now) {
		if slow := s.Reason == TooSlow; slow != (s.WantedHz > 0) {
			t.Errorf("%02X, wanted at %v Hz: %v", s.PID, s.WantedHz, s.Reason)
		}
	}
}

func TestAGroupIsAskedInOneRequestOrInARow(t *testing.T) {
	for name, c := range map[string]struct {
		most  int
		group []byte
		alone byte
		want  time.Duration // worst skew
	}{
		"in one request":   {6, []byte{0x0C, 0x10, 0x0B}, 0, 0},
		"one at a time":    {1, []byte{0x0C, 0x10, 0x0B}, 0, 25 * time.Millisecond},
		"one asked alone":  {6, []byte{0x0C, 0x10, 0x87}, 0x87, 14 * time.Millisecond},
		"more than six":    {6, pids(9), 0, 16 * time.Millisecond},
		"more than twelve": {6, pids(13), 0, 29 * time.Millisecond},
	} {
		t.Run(name, func(t *testing.T) {
			m := newModel(t, fast)
			m.planner.SetUnits([]Unit{{MaxParameters: c.most}})
			group := m.wants(0, 1, c.group...)
			for i := range group {
				if group[i].PID == c.alone {
					group[i].Bytes = 0
				}
			}
			m.want(group, m.wants(5, 0, 0x30, 0x31, 0x32, 0x33), m.wants(0.5, 0, 0x34, 0x35, 0x36))
			m.run(30 * time.Second)
			s := m.planner.Skews(nil)
			if len(s) != 1 || s[0].Worst > c.want || s[0].Rounds < 300 {
				t.Errorf("skews %+v, want at most %v in at least 300 rounds", s, c.want)
			}
			if c.alone == 0 {
				return
			}
			for _, ask := range m.asks {
				if slices.Contains(ask, c.alone) && len(ask) > 1 {
					t.Fatalf("% X is one request", ask)
				}
			}
		})
	}
}

func TestTheIntervalOfAValueHoldsTheInstantAtWhichItWasTaken(t *testing.T) {
	for _, refresh := range []adapter.Time{5 * ms, 10 * ms, 20 * ms, 50 * ms, 100 * ms, 250 * ms} {
		for _, rate := range []float64{0, 10, 2} {
			m := newModel(t, Options{})
			m.refresh, m.jitter = refresh, 8*ms
			m.want(m.wants(rate, 1, 0x0C, 0x10, 0x0B), m.wants(2, 0, 6, 7))
			m.run(40 * time.Second)
			wrong, wide, last := 0, time.Duration(0), map[byte]adapter.Time{}
			for _, d := range m.answered {
				if d.truth < d.taken.Add(-d.half-time.Microsecond) || d.truth > d.taken.Add(d.half+time.Microsecond) {
					wrong++
				}
				if d.taken < last[d.pid] {
					t.Fatalf("a time of %02X goes back", d.pid)
				}
				last[d.pid] = d.taken
				if d.pid == 0x10 && d.when > 20*1000*ms {
					wide = max(wide, d.half)
				}
			}
			if share := float64(wrong) / float64(len(m.answered)); share > 0.002 {
				t.Errorf("refresh %d ms, %v Hz: %.4f of %d intervals lack the instant", refresh/ms, rate, share, len(m.answered))
			}
			// Request, latency, jitter and answer take at most 19 ms; a learned bound is too wide by two looks.
			if most := time.Duration(refresh+19*ms+2*19*ms) * time.Microsecond / 2; rate == 0 && wide > most {
				t.Errorf("refresh %d ms: a half-width of %v, want at most %v", refresh/ms, wide, most)
			}
		}
	}
}

func TestRefreshIsLearnedAndFreshValuesAreCounted(t *testing.T) {
	m := newModel(t, Options{})
	m.latency = 5 * ms
	m.odd[0x10] = 50 * ms
	m.want(m.wants(0, 1, 0x0C, 0x10))
	m.run(20 * time.Second)
	for _, s := range m.planner.Report(nil, m.now) {
		refresh, hz := 20*time.Millisecond, 50.0
		if s.PID == 0x10 {
			refresh, hz = 50*time.Millisecond, 20
		}
		if s.Refresh < refresh || s.Refresh > refresh+25*time.Millisecond {
			t.Errorf("%02X: learned %v, it is %v", s.PID, s.Refresh, refresh)
		}
		if s.FreshHz < 0.97*hz || s.FreshHz > 1.03*hz || s.SamplesHz < 95 {
			t.Errorf("%02X: %v fresh of %v a second, want %v", s.PID, s.FreshHz, s.SamplesHz, hz)
		}
	}
}

func TestWhatIsRefreshedSlowlyLeavesItsTurnToTheOthers(t *testing.T) {
	m := newModel(t, fast)
	m.refresh = 20 * ms
	all := pids(24)
	for _, pid := range all[12:] {
		m.odd[pid] = 100 * ms
	}
	m.want(m.wants(0, 0, all...))
	m.run(60 * time.Second)
	quick, slow := 0.0, 0.0
	for _, s := range m.planner.Report(nil, m.now) {
		if slices.Contains(all[:12], s.PID) {
			quick += s.FreshHz
		} else {
			slow += s.FreshHz
		}
	}
	// Asked in turn, each would be had 18 times a second: 216 fresh of the quick ones, 120 of the slow.
	if quick < 250 || slow < 90 {
		t.Errorf("%v and %v fresh values a second", quick, slow)
	}
}

func TestAControlUnitThatAnswersFewerIsAskedForFewer(t *testing.T) {
	for name, c := range map[string]struct {
		set  func(*model)
		want float64 // samples a second at least, of what the control unit can do
	}{
		"the first three of six": {func(m *model) { m.takes = 3 }, 0.9 * 3 / 0.0115},
		"one at a time":          {func(m *model) { m.takes = 1 }, 0.9 / 0.0106},
		"no long answers":        {func(m *model) { m.long = true }, 0.95 * 2 / 0.0106},
	} {
		t.Run(name, func(t *testing.T) {
			m := newModel(t, fast)
			c.set(m)
			m.want(m.wants(0, 0, pids(8)...))
			m.run(10 * time.Second)
			m.forget()
			m.run(20 * time.Second)
			if got := float64(len(m.answered)) / 20; got < c.want {
				t.Errorf("%v samples a second, want %v; %+v", got, c.want, m.planner.Link(0))
			}
			for _, s := range m.planner.Report(nil, m.now) {
				if s.Reason != NoTrouble {
					t.Errorf("%02X: %v", s.PID, s.Reason)
				}
			}
		})
	}
}

func TestOneBadParameterSpoilsNoOther(t *testing.T) {
	for name, c := range map[string]struct {
		set  func(*model)
		want Reason
	}{
		"left out":                     {func(m *model) { m.lacks[6] = true }, NoAnswer},
		"refused":                      {func(m *model) { m.lacks[6], m.refusal = true, j1979.CodeOutOfRange }, Refusal},
		"conditions":                   {func(m *model) { m.lacks[6], m.refusal = true, j1979.CodeConditions }, Refusal},
		"the whole request is ignored": {func(m *model) { m.deaf[6] = true }, NoAnswer},
	} {
		t.Run(name, func(t *testing.T) {
			m := newModel(t, fast)
			c.set(m)
			m.want(m.wants(0, 0, pids(8)...))
			m.run(20 * time.Second)
			m.forget()
			m.run(20 * time.Second)
			if got := float64(len(m.answered)) / 20; got < 0.85*6/0.0117 {
				t.Errorf("%v samples a second; %+v", got, m.planner.Link(0))
			}
			if n := len(m.asks); m.refusal == j1979.CodeOutOfRange && slices.ContainsFunc(m.asks, func(a []byte) bool { return bytes.Contains(a, []byte{6}) }) {
				t.Errorf("what is refused for good is asked for again in %d requests", n)
			}
			for _, s := range m.planner.Report(nil, m.now) {
				if want := map[bool]Reason{true: c.want}[s.PID == 6]; s.Reason != want {
					t.Errorf("%02X: %v, want %v", s.PID, s.Reason, want)
				}
			}
		})
	}
}

func TestLossCostsNoMoreThanItMust(t *testing.T) {
	for _, c := range []struct{ lost, want float64 }{{0.01, 0.95}, {0.05, 0.9}, {0.2, 0.85}} {
		m := newModel(t, fast)
		m.lost = c.lost
		m.want(m.wants(0, 0, pids(8)...))
		m.run(10 * time.Second)
		m.forget()
		m.run(100 * time.Second)
		// The better of long and short answers, each failure costing the shortest time-out.
		best := 0.0
		for _, way := range []struct{ parameters, frames float64 }{{6, 5}, {2.4, 2}} {
			good := pow(1-c.lost, way.frames)
			best = max(best, way.parameters*good/(good*(0.0102+way.frames*0.00027)+(1-good)*shortestTimeout.Seconds()))
		}
		if got := float64(len(m.answered)) / 100; got < c.want*best {
			t.Errorf("loss %v: %.1f samples a second, want %v of %.1f", c.lost, got, c.want, best)
		} else {
			t.Logf("loss %v: %.1f samples a second of %.1f", c.lost, got, best)
		}
	}
}

// A failure costs its time-out and nothing else: neither a parameter nor requests for several are given up for what is chance.
func TestChanceConvictsNobody(t *testing.T) {
	for _, lost := range []float64{0.005, 0.02, 0.05} {
		m := newModel(t, fast)
		m.lost = lost
		m.want(m.wants(0, 0, pids(8)...))
		short, all := 0, 0
		for range 600 {
			m.forget()
			m.run(time.Second)
			for _, a := range m.asks {
				all++
				if len(a) < 6 {
					short++
				}
			}
			for _, s := range m.planner.Report(nil, m.now) {
				if s.Reason != NoTrouble && s.Reason != TooSlow {
					t.Fatalf("loss %v: %02X: %v", lost, s.PID, s.Reason)
				}
			}
		}
		if float64(short) > 0.01*float64(all) {
			t.Errorf("loss %v: %d of %d requests ask for less than they could", lost, short, all)
		}
	}
}

// On a link that loses frames too, what never works must be found out and left alone.
func TestWhatNeverWorksIsFoundOnALinkThatLosesFrames(t *testing.T) {
	for name, c := range map[string]struct {
		set  func(*model)
		want float64 // of the samples that the sound link brings
	}{
		"no long answers":              {func(m *model) { m.long = true }, 0.55},
		"one at a time":                {func(m *model) { m.takes = 1 }, 0.55},
		"the whole request is ignored": {func(m *model) { m.deaf[6] = true }, 0.3},
	} {
		t.Run(name, func(t *testing.T) {
			var got [2]float64
			for i, lost := range []float64{0, 0.05} {
				m := newModel(t, fast)
				m.lost = lost
				c.set(m)
				m.want(m.wants(0, 0, pids(8)...))
				m.run(30 * time.Second)
				m.forget()
				m.run(100 * time.Second)
				got[i] = float64(len(m.answered)) / 100
			}
			t.Logf("%.1f samples a second, without loss %.1f", got[1], got[0])
			if got[1] < c.want*got[0] {
				t.Errorf("%.1f samples a second, without loss %.1f", got[1], got[0])
			}
		})
	}
}

// A link may lose many frames for a while, and then none.
func TestALinkThatGetsBetterIsUsedInFullAgain(t *testing.T) {
	m := newModel(t, fast)
	m.want(m.wants(0, 0, pids(8)...))
	m.lost = 0.3
	m.run(time.Minute)
	m.lost = 0
	m.run(time.Minute)
	m.forget()
	m.run(10 * time.Second)
	if got := float64(len(m.answered)) / 10; got < 0.95*6/0.0117 {
		t.Errorf("%v samples a second a minute after the loss ended; %+v", got, m.planner.Link(0))
	}
}

func pow(x, n float64) float64 {
	out := 1.0
	for range int(n) {
		out *= x
	}
	return out
}

func TestABusyControlUnitIsGivenTime(t *testing.T) {
	m := newModel(t, fast)
	m.busy = 1
	m.want(m.wants(0, 0, pids(4)...))
	m.run(20 * time.Second)
	if n := len(m.sent); n > 60 {
		t.Errorf("%d requests in 20 s to a control unit that says that it is busy", n)
	}
	m.busy = 0.2
	m.run(time.Second)
	m.forget()
	m.run(20 * time.Second)
	if got := float64(len(m.answered)) / 20; got < 4*50 {
		t.Errorf("%v samples a second where one request in five is refused", got)
	}
}

func TestASilentControlUnitIsAskedSeldomAndComesBack(t *testing.T) {
	m := newModel(t, Options{})
	m.want(m.wants(10, 1, pids(3)...), m.wants(1, 0, 0x20, 0x21))
	m.run(5 * time.Second)
	m.dead = true
	m.forget()
	m.run(20 * time.Second)
	if n := len(m.sent); n > 40 {
		t.Errorf("%d requests in 20 s of silence", n)
	}
	m.dead = false
	m.run(2 * time.Second)
	m.forget()
	m.run(10 * time.Second)
	if n := m.count(4); n < 98 {
		t.Errorf("%d samples in 10 s after the silence", n)
	}
	for _, s := range m.planner.Report(nil, m.now) {
		if s.Reason != NoTrouble {
			t.Errorf("%02X: %v", s.PID, s.Reason)
		}
	}
}

func TestALateAnswerWidensTheInterval(t *testing.T) {
	m := newModel(t, fast)
	m.want(m.wants(0, 0, 0x10))
	m.run(5 * time.Second)
	_, at := m.planner.Next(m.now)
	lost := at
	m.now = at.Add(shortestTimeout)
	m.planner.Failed(m.now, 0, Failure{Kind: Silent})
	_, at = m.planner.Next(m.now)
	r := []Reading{{PID: 0x10, Mark: 1}}
	m.planner.Answered(at, at+ms, r) // too quick for this control unit: it answers the request before
	if begin := r[0].Taken.Add(-r[0].Half); begin > lost {
		t.Errorf("the value may be of %d, the interval begins at %d", lost, begin)
	}
	m.now = at + 2*ms
	_, next := m.planner.Next(m.now)
	r[0].Mark = 2
	m.planner.Answered(next, next+10*ms, r)
	if begin := r[0].Taken.Add(-r[0].Half); begin > at {
		t.Errorf("the value may be of %d, the interval begins at %d", at, begin)
	}
}

func TestWhatIsWantedNoMoreIsNotAsked(t *testing.T) {
	m := newModel(t, Options{})
	m.want(m.wants(0, 1, pids(13)...))
	m.run(time.Second)
	m.want(m.wants(1, 0, 0x20))
	m.forget()
	m.run(10 * time.Second)
	if n := len(m.sent); n < 9 || n > 12 {
		t.Errorf("%d requests", n)
	}
	m.want()
	if _, at := m.planner.Next(m.now); at != Never {
		t.Errorf("nothing is wanted, and something is asked at %d", at)
	}
}

func TestTwoControlUnitsDoNotHoldEachOtherUp(t *testing.T) {
	p := New(Options{})
	p.SetUnits([]Unit{{}, {}})
	p.Want(1000, []Parameter{{PID: 0x0C, Bytes: 2, RateHz: 20}, {Unit: 1, PID: 0x0D, Bytes: 1, RateHz: 20}, {Unit: 2, PID: 1, Bytes: 1}})
	good := 0
	for now := adapter.Time(1000); now < 60_000*ms; {
		ask, at := p.Next(now)
		switch {
		case len(ask.PIDs) == 0:
			now = at
		case ask.Unit == 1:
			now = now.Add(ask.Timeout)
			p.Failed(now, 0, Failure{Kind: Silent})
		default:
			good++
			p.Answered(now, now+10*ms, []Reading{{PID: 0x0C, Mark: uint64(now)}})
			now += 12 * ms
		}
	}
	if good < 900 {
		t.Errorf("%d good answers in 60 s beside a silent control unit, want about 1200 less what its time-outs take", good)
	}
}

// Whatever is answered, the planner goes on, keeps the cap and asks only for what is wanted.
func FuzzPlanner(f *testing.F) {
	f.Add([]byte("0123456789"), uint64(1))
	f.Add([]byte{5, 0, 0, 0, 0, 3, 3, 3, 3, 250, 4, 4, 4, 4, 1, 1, 1, 1, 2, 2, 2, 2}, uint64(2))
	f.Fuzz(func(t *testing.T, script []byte, seed uint64) {
		random := rand.New(rand.NewPCG(seed, 3))
		p := New(Options{MaxRequestsPerS: 50})
		p.SetUnits([]Unit{{}, {MaxParameters: 3, NameBytes: 2}})
		now := 1000 * ms
		var sent []adapter.Time
		wanted := map[[2]int]bool{}
		last := map[[2]int]adapter.Time{}
		want := func() {
			clear(wanted)
			var list []Parameter
			for range random.IntN(12) {
				w := Parameter{Unit: random.IntN(3), PID: byte(random.IntN(20)), Bytes: random.IntN(4), RateHz: float64(random.IntN(4)) * 3, Group: random.IntN(3)}
				list = append(list, w)
				if w.Unit < 2 {
					wanted[[2]int{w.Unit, int(w.PID)}] = true
				}
			}
			p.Want(now, list)
		}
		want()
		for _, c := range script {
			ask, at := p.Next(now)
			if len(ask.PIDs) == 0 {
				if at <= now {
					t.Fatalf("asked to come back at %d, it is %d", at, now)
				}
				if now = min(at, now+1000*ms); c%16 == 0 {
					want()
				}
				continue
			}
			sent = append(sent, now)
			if n := len(sent); n > 50 && sent[n-1]-sent[n-51] < 1000*ms {
				t.Fatal("more than 50 requests in a second")
			}
			for i, pid := range ask.PIDs {
				if !wanted[[2]int{ask.Unit, int(pid)}] || slices.Contains(ask.PIDs[:i], pid) {
					t.Fatalf("% X is asked of %d", ask.PIDs, ask.Unit)
				}
			}
			begin := now
			now += adapter.Time(c) * ms / 4
			switch c % 7 {
			case 0:
				p.Failed(now, begin, Failure{Kind: Kind(c / 7 % 6), Code: j1979.Code(random.IntN(256))})
			case 1: // nothing is told
			case 2:
				want()
			default:
				var readings []Reading
				for _, pid := range ask.PIDs {
					if random.IntN(8) > 0 {
						readings = append(readings, Reading{PID: pid, Mark: uint64(random.IntN(3))})
					}
				}
				readings = append(readings, Reading{PID: byte(random.IntN(256))})
				unit := ask.Unit
				p.Answered(begin, now, readings)
				for _, r := range readings {
					key := [2]int{unit, int(r.PID)}
					if r.Half == 0 {
						continue
					}
					if r.Taken < last[key] || r.Taken.Add(-r.Half) > now || r.Taken > now {
						t.Fatalf("%02X was taken at %d ± %v, it is %d and was %d before", r.PID, r.Taken, r.Half, now, last[key])
					}
					last[key] = r.Taken
				}
			}
		}
		p.Report(nil, now)
		p.Skews(nil)
	})
}

func BenchmarkDecision(b *testing.B) {
	p := New(fast)
	p.SetUnits([]Unit{{}})
	var wanted []Parameter
	for i := range 40 {
		w := Parameter{PID: byte(i + 1), Bytes: 1 + i%2, RateHz: 2}
		if i < 3 {
			w.RateHz, w.Group = 0, 1
		}
		wanted = append(wanted, w)
	}
	p.Want(0, wanted)
	readings := make([]Reading, 0, 8)
	now := adapter.Time(1)
	b.ReportAllocs()
	for b.Loop() {
		ask, at := p.Next(now)
		now = max(now, at)
		if len(ask.PIDs) == 0 {
			continue
		}
		readings = readings[:0]
		for _, pid := range ask.PIDs {
			readings = append(readings, Reading{PID: pid, Mark: uint64(now / 30_000)})
		}
		p.Answered(now, now+10*ms, readings)
		now += 12 * ms
	}
}

func TestDecidingAllocatesNothing(t *testing.T) {
	if r := testing.Benchmark(BenchmarkDecision); r.AllocsPerOp() > 0 {
		t.Errorf("%d allocations a decision", r.AllocsPerOp())
	}
}
