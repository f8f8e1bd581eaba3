// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"
)

// EngineVersion names the engine whose constants and arithmetic make a verdict.
const EngineVersion = "airassay-engine/1"

// SignalDef declares one signal of a capture.
type SignalDef struct {
	// Path is a COVESA VSS path, Unit its VSS unit.
	Path, Unit string
	// TimeUncertaintyUS is the half-width of the interval in which a value was taken.
	TimeUncertaintyUS int64
}

// Sample is one value of one signal at one instant.
type Sample struct {
	Capture int32
	// Signal is the index in the capture's declaration.
	Signal int32
	TimeUS int64
	Value  float64
	// UncertaintyUS is the half-width of the sampling interval; negative for what
	// the declaration says.
	UncertaintyUS int64
}

type declared struct {
	sig signal
	unc int64
}

type capture struct {
	id      int32
	signals []declared
}

// settling is the memory of how fast things move.
type settling struct {
	t                int64
	fast, slow, rate float64
	primed           bool
}

// Assay is one assay under way. It is not safe for concurrent use. Its memory
// does not grow with the drive.
type Assay struct {
	// facts are those that were given, put right where the samples contradict them.
	facts, given Facts
	nominal      engine
	engine       engine
	captures     []capture
	unused       []string
	clock        Clock

	// origin is subtracted from all times, so that none within is near nought.
	origin                        int64
	begun                         bool
	order                         orderer
	tracks                        [signalCount]track
	now                           int64
	firstT, lastT                 int64
	used, late, outOfRange, idle  int64
	seq                           int64
	pending                       [pendingCapacity]int64
	pendingHead, pendingN         int
	lastPoint                     int64
	settling                      settling
	segment                       segment
	segments                      [maxSegments]segment
	kept                          int
	clockless                     [ManoeuvreSnap + 1]segment
	cells                         [loadClasses][cellCount]cell
	rest                          rest
	plate                         plate
	soak                          soak
	road                          road
	meterWatch                    watch
	intakeJumps, intakeOpen       int64
	intakeShort                   int64
	displacement                  spread
	displacementOverLoad          pair
	table                         [tableCells]tableCell
	movement, pressureMovement    pair
	warmest, tested               float64
	lowestRunning                 float64
	ran                           bool
	comparable, notSimultaneous   int64
	baroImpossible                int64
	pressureImpossible            int64
	fullSince, lastFullT          int64
	demandSince                   int64
	pullStartRPM, lastFullRPM     float64
	lastFullKPa                   float64
	meterDeadRunning, meterLiving int64
	holes                         holes
	contradictions                contradictions
	references                    []*Reference
}

// New starts an assay of a vehicle on a day.
func New(f Facts) *Assay {
	f.Inspections = slices.Clone(f.Inspections)
	a := &Assay{facts: f, given: f, warmest: math.NaN(), lowestRunning: math.Inf(1)}
	a.nominal = nominalEngine(&f)
	a.order.released = math.MinInt64
	a.order.newest = math.MinInt64
	a.now = math.MinInt64
	return a
}

// Declare declares the signals of a capture and what its times rest on. It
// returns an error, and declares nothing, where a signal that the assay uses
// comes in another unit than VSS gives it. A path that the assay does not use
// is listed as unused. A capture can be declared once.
func (a *Assay) Declare(id int32, clock Clock, defs []SignalDef) error {
	if a.find(id) != nil {
		return fmt.Errorf("capture %d is already declared", id)
	}
	c := capture{id: id, signals: make([]declared, len(defs))}
	var unused []string
	for i, d := range defs {
		s := signalByPath(d.Path)
		if s != sigNone && !strings.EqualFold(d.Unit, signals[s].unit) {
			return fmt.Errorf("signal %s: unit %q, want %q", d.Path, d.Unit, signals[s].unit)
		}
		c.signals[i] = declared{sig: s, unc: max(0, d.TimeUncertaintyUS)}
		if s == sigNone {
			unused = append(unused, d.Path)
		}
	}
	a.captures = append(a.captures, c)
	a.unused = append(a.unused, unused...)
	sort.Strings(a.unused)
	a.unused = slices.Compact(a.unused)
	// The worst clock of several captures rules: a pairing across captures is as good as the worse one.
	a.clock = max(a.clock, clock)
	return nil
}

func (a *Assay) find(id int32) *capture {
	for i := range a.captures {
		if a.captures[i].id == id {
			return &a.captures[i]
		}
	}
	return nil
}

// Push takes one sample in. Samples of undeclared captures or signals count as
// unused. It allocates nothing.
func (a *Assay) Push(s Sample) {
	c := a.find(s.Capture)
	if c == nil || s.Signal < 0 || int(s.Signal) >= len(c.signals) || c.signals[s.Signal].sig == sigNone {
		a.idle++
		return
	}
	d := c.signals[s.Signal]
	unc := s.UncertaintyUS
	if unc < 0 {
		unc = d.unc
	}
	t, ok := a.local(s.TimeUS)
	if !ok {
		return
	}
	a.seq++
	if !a.order.insert(entry{t: t, v: s.Value, unc: unc, seq: a.seq, capture: s.Capture, sig: d.sig}) {
		a.late++
		return
	}
	for a.order.ready() {
		a.consume(a.order.pop())
	}
}

// local turns a time of the session into one of the assay's own axis, and counts what
// cannot be on it.
func (a *Assay) local(t int64) (int64, bool) {
	if !a.begun {
		a.begun, a.origin = true, max(t, math.MinInt64+originLeadUS)-originLeadUS
	}
	if t < a.origin {
		a.late++
		return 0, false
	}
	d := t - a.origin
	if d < 0 || d > longestDriveUS {
		a.outOfRange++
		return 0, false
	}
	return d, true
}

const (
	// originLeadUS is how long before the first sample the assay's own axis starts.
	originLeadUS = 10 * second
	// longestDriveUS bounds what may count as one drive: ten years are a broken clock.
	longestDriveUS = 10 * 365 * 24 * 3600 * second
)

// pendingCapacity bounds the instants that wait for their neighbours: the
// horizon at the closest spacing, and some.
const pendingCapacity = 128

// consume takes one sample in its final order.
func (a *Assay) consume(e entry) {
	if !e.sig.inRange(e.v) {
		a.outOfRange++
		return
	}
	a.used++
	if a.used == 1 {
		a.firstT = e.t
	}
	a.lastT = e.t
	if e.t > a.now {
		a.advance(a.now)
		a.now = e.t
	}
	a.inspectRaw(&e)
	a.tracks[e.sig].push(e.t, e.v, e.unc)
	if a.anchors(e.sig, e.t) {
		a.enqueue(e.t)
	}
}

// anchors tells whether a sample of s asks for a point at its instant: the air
// meter's, or pressure's without one, or engine speed's without either.
func (a *Assay) anchors(s signal, t int64) bool {
	if t-a.lastPoint < pointSpacingUS && a.lastPoint != 0 {
		return false
	}
	recent := func(x signal) bool {
		tr := &a.tracks[x]
		return tr.seen() && t-tr.t[(tr.total-1)%trackLen] <= 3*second
	}
	switch s {
	case sigMAF, sigMAFA:
		return true
	case sigMAP, sigMAPHigh:
		return !recent(sigMAF) && !recent(sigMAFA)
	case sigSpeedEngine:
		return !recent(sigMAF) && !recent(sigMAFA) && !recent(sigMAP) && !recent(sigMAPHigh)
	}
	return false
}

func (a *Assay) enqueue(t int64) {
	if a.pendingN == pendingCapacity {
		a.takePoint()
	}
	a.pending[(a.pendingHead+a.pendingN)%pendingCapacity] = t
	a.pendingN++
	a.lastPoint = t
}

// advance evaluates the points whose neighbours must have come by now: all
// samples up to the instant now are in.
func (a *Assay) advance(now int64) {
	for a.pendingN > 0 && a.pending[a.pendingHead]+horizonUS <= now {
		a.takePoint()
	}
}

func (a *Assay) takePoint() {
	t := a.pending[a.pendingHead]
	a.pendingHead = (a.pendingHead + 1) % pendingCapacity
	a.pendingN--
	p := a.at(t)
	a.segmentStep(&p)
	a.gather(&p)
}

// Assess concludes from all samples so far. It leaves the assay as it is, so
// that the drive can go on.
func (a *Assay) Assess() *Assessment {
	b := *a
	b.finish()
	return b.conclude()
}

// finish takes in what waits for samples that will not come.
func (a *Assay) finish() {
	for a.order.n > 0 {
		a.consume(a.order.pop())
	}
	for a.pendingN > 0 {
		a.takePoint()
	}
	a.endSegment()
	a.poolPulls()
}
