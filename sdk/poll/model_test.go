// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package poll

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/j1979"
)

const ms = adapter.Time(1000)

// model is a link and control units in a clock of their own, as far as a planner can tell the difference: frames take time,
// control units take theirs, numbers are refreshed at instants, frames are lost.
type model struct {
	t       *testing.T
	planner *Planner
	random  *rand.Rand
	now     adapter.Time
	frame   adapter.Time  // what a frame takes
	latency adapter.Time  // of the control unit, from request to the first frame of the answer
	jitter  adapter.Time  // and at most so much more
	refresh adapter.Time  // of every parameter, unless refreshes says otherwise
	lost    float64       // share of frames
	busy    float64       // share of requests refused because the control unit is busy
	takes   int           // parameters that the control unit answers of one request; 0 for all
	long    bool          // answers of several frames never arrive
	lacks   map[byte]bool // what the control unit does not have
	refusal j1979.Code    // of what it lacks; 0 for leaving it out, or for silence where nothing is left
	deaf    map[byte]bool // what makes it ignore the whole request
	dead    bool
	units   []Unit
	bytes   [256]int
	odd     map[byte]adapter.Time // refresh of single parameters
	phase   [256]adapter.Time

	sent     []adapter.Time
	asks     [][]byte
	answered []delivery
	readings []Reading
}

type delivery struct {
	pid   byte
	when  adapter.Time // the answer's first frame
	taken adapter.Time
	half  time.Duration
	fresh bool
	truth adapter.Time // when the value was measured
}

func newModel(t *testing.T, o Options) *model {
	m := &model{
		t: t, planner: New(o), random: rand.New(rand.NewPCG(1, 2)), now: 1000 * ms, frame: 270, latency: 10 * ms, refresh: 20 * ms,
		units: []Unit{{}}, lacks: map[byte]bool{}, deaf: map[byte]bool{}, odd: map[byte]adapter.Time{},
	}
	for i := range m.phase {
		m.phase[i] = adapter.Time(m.random.Int64N(int64(100 * ms)))
		m.bytes[i] = 1 + i%2
	}
	m.planner.SetUnits(m.units)
	return m
}

// wants makes wishes with the lengths of the model.
func (m *model) wants(rate float64, group int, pids ...byte) []Parameter {
	var out []Parameter
	for _, pid := range pids {
		out = append(out, Parameter{PID: pid, Bytes: m.bytes[pid], RateHz: rate, Group: group})
	}
	return out
}

func pids(n int) []byte {
	out := make([]byte, n)
	for i := range out {
		out[i] = byte(4 + i)
	}
	return out
}

func (m *model) want(wanted ...[]Parameter) {
	var all []Parameter
	for _, w := range wanted {
		all = append(all, w...)
	}
	m.planner.Want(m.now, all)
}

// run lets the clock run for a while.
func (m *model) run(d time.Duration) {
	end := m.now.Add(d)
	for m.now < end {
		ask, at := m.planner.Next(m.now)
		if len(ask.PIDs) == 0 {
			if at <= m.now {
				m.t.Fatalf("at %d the planner asks to be called again at %d", m.now, at)
			}
			m.now = min(at, end)
			continue
		}
		if at != m.now {
			m.t.Fatalf("a request at %d is for %d", m.now, at)
		}
		m.sent = append(m.sent, m.now)
		m.asks = append(m.asks, append([]byte(nil), ask.PIDs...))
		m.answer(ask)
	}
}

func (m *model) frames(n int) bool { // whether all arrive
	for range n {
		if m.random.Float64() < m.lost {
			return false
		}
	}
	return true
}

func (m *model) fail(sent adapter.Time, after time.Duration, f Failure) {
	m.now = m.now.Add(after)
	m.planner.Failed(m.now, sent, f)
}

func (m *model) answer(ask Ask) {
	sent := m.now
	payload := 1
	var answers []byte
	for _, pid := range ask.PIDs {
		if m.deaf[pid] {
			m.fail(sent, ask.Timeout, Failure{Kind: Silent})
			return
		}
		if m.lacks[pid] && m.refusal != 0 {
			m.now += m.frame
			m.fail(sent, time.Duration(m.latency)*time.Microsecond, Failure{Kind: Refused, Code: m.refusal})
			return
		}
		if !m.lacks[pid] && (m.takes == 0 || len(answers) < m.takes) {
			answers = append(answers, pid)
			payload += 1 + m.bytes[pid]
		}
	}
	frames := framesOf(payload)
	if m.dead || len(answers) == 0 || m.long && frames > 1 || !m.frames(frames+1) {
		m.fail(sent, ask.Timeout, Failure{Kind: Silent})
		return
	}
	latency := m.latency
	if m.jitter > 0 {
		latency += adapter.Time(m.random.Int64N(int64(m.jitter)))
	}
	m.now += m.frame + latency
	if m.random.Float64() < m.busy {
		m.fail(sent, 0, Failure{Kind: Refused, Code: j1979.CodeBusy})
		return
	}
	copied := m.now - adapter.Time(m.random.Int64N(int64(latency)+1))
	received := m.now + m.frame
	m.readings = m.readings[:0]
	for _, pid := range answers {
		m.readings = append(m.readings, Reading{PID: pid, Mark: uint64(m.measured(pid, copied))})
	}
	m.planner.Answered(sent, received, m.readings)
	for _, r := range m.readings {
		m.answered = append(m.answered, delivery{r.PID, received, r.Taken, r.Half, r.Fresh, m.measured(r.PID, copied)})
	}
	m.now += adapter.Time(frames) * m.frame
}

// framesOf is how many frames an answer takes, flow control included.
func framesOf(payload int) int {
	if payload <= 7 {
		return 1
	}
	return 2 + (payload-6+6)/7
}

// measured is when the number was measured that is copied then.
func (m *model) measured(pid byte, copied adapter.Time) adapter.Time {
	refresh := m.refresh
	if r, ok := m.odd[pid]; ok {
		refresh = r
	}
	return copied - (copied+m.phase[pid])%refresh
}

func (m *model) count(pid byte) (n int) {
	for _, d := range m.answered {
		if d.pid == pid {
			n++
		}
	}
	return n
}

func (m *model) forget() { m.sent, m.asks, m.answered = nil, nil, nil }
