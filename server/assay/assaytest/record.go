// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assaytest

import (
	"math"
	"math/rand/v2"
	"slices"

	"github.com/airassay/airassay/server/assay"
)

// channel is one signal as the control unit reports it.
type channel struct {
	path, unit string
	// step and floor are the parameter's resolution and lowest value (SAE J1979).
	step, floor, ceiling float64
	noise                float64
	read                 func(d *driver) float64
}

type recorder struct {
	defs     []assay.SignalDef
	channels []channel
	rng      *rand.Rand
	quiet    bool
	dropout  int
	meters   int
	// The poll lists: what is asked for in every round, in turn, and seldom.
	first, pull, turn, pullTurn, seldom []int
	round, turnAt, pullAt, seldomAt     int
	queue                               []int
}

// Steps of one byte over 0 to 100 %, of a trim, and of a lambda in two bytes.
const percentStep, trimStep, lambdaStep = 100.0 / 255, 100.0 / 128, 2.0 / 65535

func newRecorder(sp *Spec) *recorder {
	r := &recorder{rng: rand.New(rand.NewPCG(sp.Seed, 0x41737361)), quiet: sp.NoiseFree, dropout: sp.Fault.DropoutEvery}
	add := func(list *[]int, c channel) {
		if slices.Contains(sp.Omit, c.path) {
			return
		}
		*list = append(*list, len(r.channels))
		r.channels = append(r.channels, c)
		r.defs = append(r.defs, assay.SignalDef{Path: c.path, Unit: c.unit, TimeUncertaintyUS: 5000})
	}
	r.addAir(sp, add)
	r.addFuel(sp, add)
	r.addSlow(add)
	r.pull = slices.Clone(r.first)
	for i, c := range r.channels {
		if slices.Contains([]string{PathThrottle, PathPedal, PathLoad, PathLoadAbsolute, PathLambda1, PathLambdaCommand, PathFuelStatus, PathRecirculation}, c.path) {
			r.pullTurn = append(r.pullTurn, i)
		}
	}
	return r
}

type adder func(list *[]int, c channel)

func (r *recorder) addAir(sp *Spec, add adder) {
	add(&r.first, channel{PathEngineSpeed, "rpm", 0.25, 0, 16383, 5, func(d *driver) float64 { return d.now.rpm }})
	switch {
	case sp.TwoMeters:
		add(&r.first, channel{PathMAFA, "g/s", 0.03125, 0, 2047, -0.008, func(d *driver) float64 { return d.now.shownA }})
		add(&r.first, channel{PathMAFB, "g/s", 0.03125, 0, 2047, -0.008, func(d *driver) float64 { return d.now.shownB }})
	case !sp.NoMeter:
		add(&r.first, channel{PathMAF, "g/s", 0.01, 0, 655, -0.008, func(d *driver) float64 { return d.now.shown }})
	}
	add(&r.first, channel{PathMAP, "kPa", 1, 0, 255, 0.3, func(d *driver) float64 { return d.now.kPa + d.plant.fault.MAPOffset }})
	add(&r.turn, channel{PathThrottle, "percent", percentStep, 0, 100, 0.15, func(d *driver) float64 { return math.Min(84, d.now.throttle*0.84+2) }})
	add(&r.turn, channel{PathPedal, "percent", percentStep, 0, 100, 0.1, func(d *driver) float64 { return 15 + 0.65*d.now.pedal }})
	if !sp.Diesel && !sp.NoMeter {
		add(&r.turn, channel{PathLoad, "percent", percentStep, 0, 100, 0.3, func(d *driver) float64 { return d.calculatedLoad() }})
		add(&r.turn, channel{PathLoadAbsolute, "percent", percentStep, 0, 25700, 0.2, func(d *driver) float64 { return d.absoluteLoad() }})
	}
}

func (r *recorder) addFuel(sp *Spec, add adder) {
	if sp.Diesel {
		add(&r.turn, channel{PathRecirculation, "percent", percentStep, 0, 100, 0, func(d *driver) float64 {
			if d.now.full || d.now.rpm < 100 {
				return 0
			}
			return 30
		}})
		return
	}
	short := func(bank int) func(d *driver) float64 {
		return func(d *driver) float64 { s, _ := d.trims(bank); return s }
	}
	long := func(bank int) func(d *driver) float64 {
		return func(d *driver) float64 { _, l := d.trims(bank); return l }
	}
	lambda := func(bank int) func(d *driver) float64 { return func(d *driver) float64 { return d.lambda(bank) } }
	add(&r.turn, channel{PathShortTrim1, "percent", trimStep, -100, 99.22, 1.2, short(1)})
	add(&r.turn, channel{PathLongTrim1, "percent", trimStep, -100, 99.22, 0, long(1)})
	add(&r.turn, channel{PathFuelStatus, "", 1, 0, 255, 0, func(d *driver) float64 { return d.fuelStatus() }})
	add(&r.turn, channel{PathLambdaCommand, "ratio", lambdaStep, 0, 2, 0, func(d *driver) float64 { return d.commanded() }})
	add(&r.turn, channel{PathLambda1, "ratio", lambdaStep, 0, endOfLambda, 0.008, lambda(1)})
	if sp.TwoBanks {
		add(&r.turn, channel{PathShortTrim2, "percent", trimStep, -100, 99.22, 1.2, short(2)})
		add(&r.turn, channel{PathLongTrim2, "percent", trimStep, -100, 99.22, 0, long(2)})
		add(&r.turn, channel{PathLambda2, "ratio", lambdaStep, 0, endOfLambda, 0.008, lambda(2)})
	}
}

func (r *recorder) addSlow(add adder) {
	slow := func(path, unit string, step float64, read func(d *driver) float64) {
		add(&r.seldom, channel{path, unit, step, -40, 65535, 0, read})
	}
	slow(PathIAT, "Celsius", 1, func(d *driver) float64 { return d.now.intakeC + d.plant.fault.IntakeBias })
	slow(PathCoolant, "Celsius", 1, func(d *driver) float64 { return d.now.coolantC })
	slow(PathSpeed, "km/h", 1, func(d *driver) float64 { return d.now.kmh })
	slow(PathBaro, "kPa", 1, func(d *driver) float64 { return d.plant.baro + d.plant.fault.BaroOffset })
	slow(PathSpeed, "km/h", 1, func(d *driver) float64 { return d.now.kmh })
	slow(PathAmbient, "Celsius", 1, func(*driver) float64 { return outsideC + 0.4 })
	slow(PathOil, "Celsius", 1, func(d *driver) float64 { return d.now.oilC })
	slow(PathVoltage, "V", 0.001, func(d *driver) float64 {
		if d.now.rpm < 100 {
			return 12.4
		}
		return 14.1
	})
	slow(PathRunTime, "s", 1, func(d *driver) float64 { return math.Max(0, d.now.t-8) })
}

// next chooses the signal that is polled now: what the test needs most first.
func (r *recorder) next(d *driver) int {
	if len(r.queue) == 0 {
		r.round++
		if d.now.pedal > 60 {
			r.queue = append(r.queue, r.pull...)
			r.queue = rotate(r.queue, r.pullTurn, &r.pullAt, 2)
		} else {
			r.queue = append(r.queue, r.first...)
			r.queue = rotate(r.queue, r.turn, &r.turnAt, 2)
			r.queue = rotate(r.queue, r.seldom, &r.seldomAt, 1)
		}
	}
	if len(r.queue) == 0 {
		return -1
	}
	c := r.queue[0]
	r.queue = r.queue[1:]
	return c
}

func rotate(queue, list []int, at *int, n int) []int {
	for range min(n, len(list)) {
		queue = append(queue, list[*at%len(list)])
		*at++
	}
	return queue
}

// read is the value as it stands on the bus: with noise, in the parameter's steps.
// A negative noise is relative.
func (r *recorder) read(c int, d *driver) float64 {
	ch := &r.channels[c]
	v := ch.read(d)
	stuck := ch.path == PathMAF && d.plant.fault.Stuck > 0
	if !r.quiet && !stuck && (d.now.rpm > 100 || ch.path == PathMAP) {
		sd := ch.noise
		if sd < 0 {
			sd = -sd * math.Abs(v)
		}
		v += gaussian(r.rng, sd)
	}
	if r.dropout > 0 && ch.path == PathMAF {
		if r.meters++; r.meters%r.dropout == 0 {
			v = 0.05
		}
	}
	v = ch.floor + math.Round((v-ch.floor)/ch.step)*ch.step
	return math.Min(ch.ceiling, math.Max(ch.floor, v))
}

// calculatedLoad is computed by the control unit from the meter and its own table of
// full-load air, which stands 3 % above this very engine.
func (d *driver) calculatedLoad() float64 {
	if d.now.rpm < 100 {
		return 0
	}
	whole := plant{litres: d.plant.litres, baro: d.plant.baro}
	peak := 1.03 * whole.sound(d.now.rpm, whole.baro-0.5, intakeRoadC)
	return math.Min(100, 100*d.now.shown/peak)
}

func (d *driver) absoluteLoad() float64 {
	if d.now.rpm < 100 {
		return 0
	}
	return 10135 * d.now.shown / (d.plant.litres * d.now.rpm)
}

func (d *driver) warm() bool { return d.now.coolantC > 55 }

func (d *driver) closedLoop() bool { return d.warm() && !d.now.full && !d.now.cut && d.now.rpm > 100 }

// fuelStatus is the byte of parameter 03.
func (d *driver) fuelStatus() float64 {
	switch {
	case d.now.rpm < 100:
		return 0
	case !d.warm():
		return 1
	case d.closedLoop():
		return 2
	}
	return 4
}

func (d *driver) commanded() float64 {
	if d.now.full {
		return 0.87
	}
	return 1
}

// lean is how much too lean the mixture would be without any correction, at a flow.
func (d *driver) lean(bank int) float64 {
	n, p := &d.now, &d.plant
	if n.takes <= 0 {
		return 1
	}
	takes, believed := n.takes, n.shown
	if d.sp.NoMeter {
		// Fuel follows the pressure and the temperature that the sensors show.
		shownK := n.intakeC + p.fault.IntakeBias
		whole := plant{litres: p.litres, baro: p.baro}
		believed = whole.sound(n.rpm, n.kPa+p.fault.MAPOffset, shownK)
	}
	x := takes / math.Max(believed, 0.05) / p.fuel(takes)
	if d.sp.TwoBanks && p.fault.LeakBank != 0 {
		// The hole's air goes to the bank beside it.
		side := p.leaks(n.kPa) / math.Max(believed, 0.05)
		if bank == p.fault.LeakBank {
			x += side
		} else {
			x -= side
		}
	}
	if bank == 1 && p.fault.OneBank != 0 {
		x /= 1 - p.fault.OneBank
	}
	return x
}

// trims are short and long term trim in percent: the long one learns up to 25 %.
func (d *driver) trims(bank int) (short, long float64) {
	long = d.learned(bank)
	if !d.closedLoop() {
		return 0, long
	}
	want := d.lean(bank) * d.plant.falseLean(d.now.takes)
	short = 100 * (want/(1+long/100) - 1)
	return math.Max(-25, math.Min(25, short)), long
}

// learned is the learned part; at full load the highest cell's is shown.
func (d *driver) learned(bank int) float64 {
	if d.now.rpm < 100 {
		return 0
	}
	want := 100 * (d.lean(bank)*d.plant.falseLean(d.now.takes) - 1)
	if d.now.cut {
		want = 0
	}
	return math.Max(-25, math.Min(25, 0.95*want))
}

// appliedAtFullLoad is the share of the learned trim that this control unit applies in open loop.
const appliedAtFullLoad = 0.5

// endOfLambda is what a lambda sensor shows in air: the end of the parameter's scale.
const endOfLambda = 2 - lambdaStep

func (d *driver) lambda(bank int) float64 {
	switch {
	case d.now.rpm < 100 || d.now.cut:
		return endOfLambda
	case d.now.full:
		_, long := d.trims(bank)
		return d.commanded() * d.lean(bank) * d.plant.falseLean(d.now.takes) / (1 + appliedAtFullLoad*long/100)
	case !d.warm():
		return 0.97
	}
	short, long := d.trims(bank)
	return math.Min(endOfLambda, d.lean(bank)*d.plant.falseLean(d.now.takes)/((1+short/100)*(1+long/100)))
}
