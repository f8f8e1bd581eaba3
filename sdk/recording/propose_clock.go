// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package recording

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/airassay/airassay/sdk/j1979"
)

// clockWords are words that name a clock.
var clockWords = []string{"time", "timestamp", "datetime", "date", "clock", "elapsed", "second", "t", "ms", "msec", "milliseconds", "millisecond"}

// isClockName tells whether a header may name a clock. Signals that count time since
// something else do not.
func isClockName(header string) bool {
	if m := matchHeader(header); m.quality != noMatch {
		return m.signal.Path == j1979.Prefix+"RunTime"
	}
	return len(header) <= longestHeader && hasClockWord(header)
}

func hasClockWord(header string) bool {
	return slices.ContainsFunc(words(header), func(x string) bool { return slices.Contains(clockWords, x) })
}

// timing is one possible clock.
type timing struct {
	at     int
	format ClockFormat
	other  ClockFormat // as possible as format; empty where the format is sure
	track  *track
	scale  float64 // seconds in one unit of track
}

func (t *timing) span() float64 { return (t.track.last - t.track.first) * t.scale }

// mostlyTimes is the share of cells that must be times.
const mostlyTimes = 0.9

// timing looks at one column as a clock and says why it is none.
func (s *survey) timing(i int) (timing, string) {
	c := &s.columns[i]
	share := func(n int) bool {
		return float64(n) >= mostlyTimes*float64(c.filled) || c.filled-n <= oddCells && 2*n > c.filled
	}
	t := timing{at: i, scale: 1}
	switch {
	case c.filled == 0:
		return t, "no value in any row"
	case share(c.dateTime.count):
		t.format, t.track = ClockDateTime, &c.dateTime
	case share(c.timeOfDay.count):
		t.format, t.track = ClockTime, &c.timeOfDay
	case share(c.plain.count):
		t.track = &c.plain
		if why := t.numeric(s.layout.header[i], s.unitOf(i)); why != "" {
			return t, why
		}
	default:
		return t, "its cells are no times that can be read"
	}
	switch {
	case t.track.changes == 0 && t.track.back == 0 && s.rows > 1:
		return t, "a clock that never changes"
	case t.track.back > 0:
		return t, fmt.Sprintf("a clock that runs backwards in line %d", t.track.back)
	case t.span() > MaxTimeS:
		return t, "a clock that spans more than three years"
	}
	return t, ""
}

func (s *survey) unitOf(i int) string {
	if s.layout.units == nil {
		return ""
	}
	return s.layout.units[i]
}

// Numbers of this size count from 1970; smaller ones would be before 2001, larger
// ones after 2286.
const (
	epochLow  = 1e9
	epochHigh = 1e10
)

// coarseStep is the usual step, in units of the clock, from which a clock of whole
// numbers without a unit may count milliseconds: no logger polls that slowly in
// seconds.
const coarseStep = 10

func (t *timing) numeric(header, unit string) string {
	t.format = ClockSeconds
	step := float64(t.track.steps.quantile(0.5)) / 1e6
	switch u := timeUnit(header, unit); {
	case u == "ms":
		t.format = ClockMilliseconds
	case u != "" && u != "s":
		return "a clock in " + u + ", which is too coarse or not known"
	case t.track.first >= epochLow && t.track.first < epochHigh:
		t.format = ClockEpochSeconds
	case u == "s":
	case t.track.first >= 1e3*epochLow && t.track.first < 1e3*epochHigh:
		t.format = ClockEpochMilliseconds
	case matchHeader(header).quality != noMatch:
	case !t.track.fraction && step >= coarseStep:
		t.format, t.other = ClockMilliseconds, ClockSeconds
	}
	if t.format == ClockMilliseconds || t.format == ClockEpochMilliseconds {
		t.scale = 1e-3
	}
	if math.Abs(t.track.first)*t.scale*1e6 >= farthestUS || math.Abs(t.track.last)*t.scale*1e6 >= farthestUS {
		return "a clock beyond all years"
	}
	if t.format == ClockMilliseconds && t.track.first >= 1e3*epochLow {
		t.format = ClockEpochMilliseconds
	}
	return ""
}

// timeUnit returns s, ms, or another unit that the header or the row of units names.
func timeUnit(header, unit string) string {
	if at := bracketed.FindStringSubmatch(header); at != nil {
		unit = at[1]
	}
	if unit == "" {
		w := words(header)
		if len(w) > 0 {
			unit = w[len(w)-1]
		}
		if _, _, ok := findUnit("s", unit); !ok {
			return ""
		}
	}
	if strings.TrimSpace(unit) == "" {
		return ""
	}
	if _, name, ok := findUnit("s", unit); ok {
		return name
	}
	return strings.TrimSpace(unit)
}

// chooseClock finds the clock, or asks.
func (p *Proposal) chooseClock(s *survey) {
	var usable []timing
	for i, header := range s.layout.header {
		c := &s.columns[i]
		looks := 10*c.times >= 9*c.filled && c.filled > 0 && matchHeader(header).quality == noMatch
		if !looks && !isClockName(header) {
			continue
		}
		t, why := s.timing(i)
		if why != "" {
			p.Columns[i].Note = why
			continue
		}
		usable = append(usable, t)
	}
	p.Mapping.Clock = ClockMapping{Format: ClockRows}
	p.Clock = "none: the rows are taken in order, one second apart, and times mean nothing else"
	if len(usable) == 0 {
		return
	}
	best := usable[0]
	for _, t := range usable[1:] {
		if t.track.changes > best.track.changes {
			best = t
		}
	}
	if best.other == "" && agree(usable, best) {
		p.setClock(s, best, best.format)
		for _, t := range usable {
			if t.at != best.at {
				p.Columns[t.at].Note = "another clock; " + shorten(s.layout.header[best.at]) + " is as good or finer"
			}
		}
		return
	}
	p.askClock(s, usable)
}

// agree tells whether all clocks count the same length of drive: to 2 % or 2 s, which
// is what whole seconds at both ends and a slow poll may differ.
func agree(usable []timing, best timing) bool {
	for _, t := range usable {
		difference := math.Abs(t.span() - best.span())
		if t.other != "" || difference > 2 && difference > 0.02*best.span() {
			return false
		}
	}
	return true
}

func (p *Proposal) askClock(s *survey, usable []timing) {
	a := Ambiguity{Kind: AmbiguousClock, Chosen: -1, Question: "Which clock is right?"}
	add := func(t timing, format ClockFormat, span float64) {
		a.Choices = append(a.Choices, fmt.Sprintf("column %d, %s, as %s: the drive lasts %.6g s", t.at+1, shorten(s.layout.header[t.at]), format, span))
		a.apply = append(a.apply, func(p *Proposal) { p.setClock(s, t, format) })
	}
	for _, t := range usable {
		p.Columns[t.at].Note = "undecided: may be the clock"
		add(t, t.format, t.span())
		if t.other != "" {
			add(t, t.other, t.track.last-t.track.first)
		}
	}
	a.Choices = append(a.Choices, "none: take the rows in order")
	a.apply = append(a.apply, func(p *Proposal) {
		p.clearClock()
		p.Mapping.Clock = ClockMapping{Format: ClockRows}
		p.Clock = "none, by choice: the rows are taken in order"
	})
	p.ask(a, nil)
}

func (p *Proposal) clearClock() {
	for i := range p.Columns {
		p.Columns[i].Clock = false
	}
}

func (p *Proposal) setClock(s *survey, t timing, format ClockFormat) {
	p.clearClock()
	p.Columns[t.at].Clock = true
	p.Mapping.Clock = ClockMapping{Header: s.layout.header[t.at], Column: s.position(t.at), Format: format}
	p.Clock = fmt.Sprintf("column %d, %s, as %s", t.at+1, shorten(s.layout.header[t.at]), format)
}
