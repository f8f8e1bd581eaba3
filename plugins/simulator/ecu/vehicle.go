// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package ecu

import (
	"math/rand/v2"
	"sync"
	"time"

	"github.com/airassay/airassay/plugins/simulator/engine"
	"github.com/airassay/airassay/plugins/simulator/link"
	"github.com/airassay/airassay/plugins/simulator/scenario"
	"github.com/airassay/airassay/sdk/j1979"
)

// Dialect is which standards the control units of a vehicle speak.
type Dialect int

// Dialects.
const (
	// Classic answers SAE J1979: services 01 to 0A.
	Classic Dialect = iota
	// UDS answers SAE J1979-2: services 22 and 19.
	UDS
	// Both answers either, as vehicles of the years between the two do.
	Both
)

// Options are what a vehicle's control units are like. The zero value answers SAE
// J1979, refreshes as the scenario says and answers at once.
type Options struct {
	// Dialect is which standards the control units speak.
	Dialect Dialect
	// Latency is the time from the last bit of a request to the start of its answer;
	// Jitter is added to it, between nothing and all of it, each value as likely.
	Latency, Jitter time.Duration
	// Refresh is how often a control unit refreshes every parameter; 0 for what the
	// scenario's link says of each. RefreshOf goes before both, by parameter.
	Refresh   time.Duration
	RefreshOf map[byte]time.Duration
	// MostParameters is how many parameters or identifiers one request may ask for; 0
	// for six, as SAE J1979 wants on CAN. What asks for more is refused.
	MostParameters int
	// ScaledMAF, in tens of g/s, and ScaledMAP, in tens of kPa, are the largest values of
	// parameters 10 and 0B that the vehicle declares by parameters 50 and 4F; 0 for the
	// default scaling.
	ScaledMAF, ScaledMAP byte
	// Cleared says that the trouble codes were cleared just before the drive. Otherwise
	// the control unit remembers the same drive, made the day before, unless the
	// scenario's own codes were cleared.
	Cleared bool
	// StayOn keeps the control units awake after the drive, with the last values.
	StayOn bool
	// Faults is what goes wrong with the answers of every unit.
	Faults Faults
	// Seed decides jitter, faults and the phases of the refreshes.
	Seed uint64
}

// defaultMost is what SAE J1979 wants on CAN.
const defaultMost = 6

// Vehicle is a driven scenario behind its control units. All its methods are safe
// for concurrent use.
type Vehicle struct {
	options  Options
	prepared *scenario.Prepared
	identity identity
	coding   j1979.Coding
	fitted   []parameter
	byPID    [256]*latch
	units    []*Unit

	mu      sync.Mutex
	drive   *scenario.Drive
	start   time.Time
	latches []*latch
	watch   *watch
	random  *rand.Rand
}

// latch holds what a parameter shows between two refreshes.
type latch struct {
	parameter

	refresh time.Duration
	due     time.Duration
	values  []float64
}

// NewVehicle puts control units into a prepared scenario. Unless the codes are
// cleared it drives the scenario once to the end, for what the control units
// remember of the day before: some tenths of a second.
func NewVehicle(p *scenario.Prepared, o Options) *Vehicle {
	if o.MostParameters == 0 {
		o.MostParameters = defaultMost
	}
	v := &Vehicle{options: o, prepared: p, random: rand.New(rand.NewPCG(o.Seed, 0x94d049bb133111eb))}
	v.identity, v.coding = newIdentity(p.Case), o.coding()
	v.fitted = fittedParameters(p.Case, o)
	refreshes := link.Refreshes(p.Case.RefreshScale(), p.Case.LinkSeed())
	for _, f := range v.fitted {
		l := &latch{parameter: f, refresh: o.refresh(f, refreshes), values: make([]float64, len(f.fields))}
		v.latches = append(v.latches, l)
		v.byPID[f.pid] = l
	}
	v.makeUnits()
	v.watch = newWatch(p)
	if !o.Cleared && p.Case.Spec.Control.LearnedBefore {
		v.yesterday()
	}
	v.drive = p.Start()
	v.drive.Step() // before its first step a vehicle has no state to show
	for _, l := range v.latches {
		l.read(v.drive)
		l.due = time.Duration(v.random.Float64() * float64(l.refresh))
	}
	return v
}

// refresh is how often a parameter is refreshed; 0 for one that does not change by itself.
func (o *Options) refresh(p parameter, usual [engine.NumSignals]float64) time.Duration {
	if d, ok := o.RefreshOf[p.pid]; ok {
		return d
	}
	if o.Refresh > 0 || len(p.fields) == 0 {
		return o.Refresh
	}
	return time.Duration(usual[p.fields[0].signal] * float64(time.Second))
}

// RefreshOf tells how often a parameter is refreshed; false where it is not fitted.
func (v *Vehicle) RefreshOf(pid byte) (time.Duration, bool) {
	if v.byPID[pid] == nil {
		return 0, false
	}
	return v.byPID[pid].refresh, true
}

// Fitted lists the parameters of service 01 that the engine's control unit has, by
// number, support bitmaps left out.
func (v *Vehicle) Fitted() []byte {
	list := make([]byte, len(v.fitted))
	for i, p := range v.fitted {
		list[i] = p.pid
	}
	return list
}

// Start says when the drive begins. Without it, the drive begins when a unit is first asked.
func (v *Vehicle) Start(at time.Time) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.start = at
}

// Driven is how long the drive has lasted, and whether it is over.
func (v *Vehicle) Driven() (time.Duration, bool) {
	v.mu.Lock()
	defer v.mu.Unlock()
	return v.now(), v.drive.Done()
}

// Codes are the trouble codes that the engine's control unit holds at an instant. It
// drives on to there.
func (v *Vehicle) Codes(at time.Time) (confirmed, pending, permanent []uint16) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.driveTo(at)
	return v.watch.codes(isConfirmed), v.watch.codes(isPending), v.watch.codes(isPermanent)
}

func (v *Vehicle) now() time.Duration { return time.Duration(v.drive.Now() * float64(time.Second)) }

// driveTo drives on to an instant. A vehicle never goes back: an earlier instant
// shows what is there now.
func (v *Vehicle) driveTo(at time.Time) {
	if v.start.IsZero() {
		v.start = at
	}
	for until := at.Sub(v.start); v.now() < until && !v.drive.Done(); {
		v.step()
	}
}

func (v *Vehicle) step() {
	v.drive.Step()
	now := v.now()
	for _, l := range v.latches {
		if l.refresh == 0 || now >= l.due {
			l.read(v.drive)
			if l.due += l.refresh; l.due < now {
				l.due = now + l.refresh
			}
		}
	}
	v.watch.step(scenario.TimeStep, v.drive, v)
}

// asleep is true once the ignition is off.
func (v *Vehicle) asleep() bool { return v.drive.Done() && !v.options.StayOn }

func (l *latch) read(d *scenario.Drive) {
	for i, f := range l.fields {
		l.values[i] = d.Value(f.signal)
	}
}
