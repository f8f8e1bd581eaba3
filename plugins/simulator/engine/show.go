// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package engine

import (
	"math"
	"math/rand/v2"
)

// show fills in what the control unit answers.
func (e *Engine) show(d Drive) {
	st, s, c := &e.State, &e.Spec, &e.ecu
	k := &s.Control
	v := &e.shown
	v[FuelStatus] = c.status
	v[EngineLoad] = c.calculatedLoad(d)
	v[CoolantTemperature] = st.Coolant - kelvin
	for b := range 2 {
		bank := &c.banks[min(b, s.Banks-1)]
		short, long := ShortTermFuelTrim1, LongTermFuelTrim1
		oxygen, lambda := OxygenVoltage1, Lambda1
		if b == 1 {
			short, long, oxygen, lambda = ShortTermFuelTrim2, LongTermFuelTrim2, OxygenVoltage2, Lambda2
		}
		v[short] = 100 * bank.short
		v[long] = 100 * c.long(d, bank)
		v[oxygen] = 0.45 - 0.38*math.Tanh(90*(bank.seen-1)) + 0.012*e.random.NormFloat64()
		v[lambda] = bank.seen * (1 + 0.004*e.random.NormFloat64())
	}
	v[FuelPressure] = 350 * orOne(e.Faults.FuelPressure)
	v[FuelRailPressureDirect] = 15000 * orOne(e.Faults.FuelPressure)
	v[ManifoldPressure] = c.mapReading() / 1000
	v[EngineSpeed] = d.RPM + 3*e.random.NormFloat64()*clamp(d.RPM/300, 0, 1)
	v[VehicleSpeed] = d.Speed * 3.6
	v[TimingAdvance] = 8 + 22*clamp(d.RPM/3500, 0, 1) - 14*clamp(c.absoluteLoad(d)/90, 0, 1.3)
	v[IntakeTemp] = e.heat.shownIntake(st.Time, e) - kelvin
	e.showMeters(d)
	v[ThrottlePosition] = k.ThrottleClosed + (k.ThrottleOpen-k.ThrottleClosed)*st.Plate
	v[RelativeThrottle] = 0.92 * (v[ThrottlePosition] - k.ThrottleClosed)
	v[ThrottleActuator] = 100 * c.plateWanted
	v[PedalD] = k.PedalClosed + (k.PedalOpen-k.PedalClosed)*d.Pedal
	v[PedalE] = 0.5 * v[PedalD]
	v[RunTime] = c.runTime
	v[CommandedEGR] = 100 * c.egrOpen
	v[CommandedPurge] = 100 * c.purgeDuty
	v[BarometricPressure] = c.baro / 1000
	v[ControlModuleVoltage] = 12.4
	if d.Running {
		v[ControlModuleVoltage] = 14.1 + 0.05*e.random.NormFloat64()
	}
	v[AbsoluteLoad] = c.absoluteLoad(d)
	v[CommandedLambda] = c.commanded
	v[AmbientAirTemperature] = e.heat.ambientSensor + s.AmbientBias - kelvin
	v[EthanolPercent] = 100 * s.Ethanol
	v[OilTemperature] = e.heat.oil - kelvin
	v[WarmupsSinceClear] = k.WarmUps
	v[TimeSinceClear] = k.WarmUps*90 + c.runTime/60
	v[MAPHighRes] = v[ManifoldPressure]
	v[ExhaustPressure1] = st.ExhaustPressure / 1000
	v[BoostCommanded] = math.Max(c.boostAsked, e.Air.Pressure) / 1000
	v[BoostActual] = st.PrePressure / 1000
	e.showFuel()
}

func (e *Engine) showMeters(d Drive) {
	v, c, s := &e.shown, &e.ecu, &e.Spec
	v[MAFA], v[MAFB] = c.read[0], c.read[1]
	v[MAF] = c.read[0]
	if len(s.Meters) == 2 {
		v[MAF] = c.read[0] + c.read[1]
	}
	if s.Meter != NoMeter && e.Faults.Meter[0].Signal == SignalReplaced {
		v[MAF] = c.replacement(d)
		v[MAFA] = v[MAF]
	}
}

// replacement is the substitute that some control units show in place of a
// dead meter: a few fixed values, or plate and speed.
func (c *controlUnit) replacement(d Drive) float64 {
	s := &c.e.Spec
	litres := s.Displacement * 1000
	if d.RPM < 200 {
		return 0
	}
	if !s.Control.ShowsFixedSubstitute {
		return c.model(d) * 1000
	}
	switch {
	case c.e.State.Plate > 0.6:
		return 22 * litres
	case d.Pedal > 0.01:
		return 7 * litres
	}
	return 1.6 * litres
}

// showFuel is what the control unit believes that it injected.
func (e *Engine) showFuel() {
	c, s := &e.ecu, &e.Spec
	var fuel float64
	for b := range s.Banks {
		if c.delivered[b] > 0 {
			scale := s.InjectorScale[b] * math.Sqrt(orOne(e.Faults.FuelPressure)) * orOne(e.Faults.InjectorBank[b])
			fuel += (c.delivered[b] - (e.Faults.FuelVapour+c.purgeFuel())/float64(s.Banks)) / scale
		}
	}
	fuel = math.Max(0, fuel)
	density := 0.745 // kg/L
	if s.Fuel == Diesel {
		density = 0.835
	}
	e.shown[FuelRateMass] = fuel * 1000
	e.shown[FuelRate] = fuel * 3600 / density
}

// loadTable is the peak air flow at full load and standard conditions in kg/s
// over engine speed, as the maker stored it.
type loadTable struct {
	flow FullLoad
}

// FullLoad is an air flow in kg/s for each of the speeds 800, 1250, 1700 … 7550/min.
type FullLoad [loadPoints]float64

const (
	loadPoints = 16
	loadFirst  = 800.0 // 1/min
	loadStep   = 450.0 // 1/min
)

func (t *loadTable) at(rpm float64) float64 {
	x := clamp((rpm-loadFirst)/loadStep, 0, loadPoints-1.001)
	i := int(x)
	f := x - float64(i)
	return t.flow[i]*(1-f) + t.flow[i+1]*f
}

// calculatedLoad is PID 04 in percent, not clamped.
func (c *controlUnit) calculatedLoad(d Drive) float64 {
	e := c.e
	s := &e.Spec
	if d.RPM < 200 {
		return 0
	}
	k := &s.Control
	if s.Fuel == Diesel {
		full := s.RatedFlow / (14.5 * 1.35) * clamp(d.RPM/s.RatedRPM, 0.1, 1.05)
		return 100 * c.dieselFuel / full
	}
	temperature := e.heat.ambientSensor + s.AmbientBias
	if k.LoadFromIntake {
		temperature = c.intakeTemp
	}
	tilt := 1 + k.LoadTableScale + k.LoadTableTilt*(d.RPM/s.RatedRPM-0.5)
	norm := c.peak.at(d.RPM) * tilt * c.believedBaro() / standardPressure * math.Sqrt(standardTemperature/temperature)
	if s.Aspiration != Natural {
		// The boost target is an absolute pressure: it hardly moves with the barometer.
		norm = c.peak.at(d.RPM) * tilt * math.Sqrt(standardTemperature/temperature)
	}
	load := c.air / math.Max(norm, 1e-4)
	if k.LoadTorque {
		const lost = 0.12 // share of full-load air that only turns the engine
		load = (load - lost) / (1 - lost)
	}
	return 100 * math.Max(0, load)
}

// FullLoadTable stores the maker's full-load table in the control unit: the
// nominal engine of the type on the bench at 25 °C and one atmosphere.
func (e *Engine) FullLoadTable(table FullLoad) { e.ecu.peak.flow = table }

// NominalFullLoad runs the nominal engine of the type over the speed range.
func NominalFullLoad(spec Spec) (table FullLoad) {
	if spec.Fuel == Diesel {
		return table
	}
	spec.Breathing = spec.TypeBreathing
	day := Weather{Pressure: standardPressure, Temperature: standardTemperature, Humidity: 0}
	for i := range table {
		point := Bench(spec, Faults{}, day, BenchPoint{RPM: loadFirst + loadStep*float64(i), Seconds: 4})
		table[i] = point.Meter
	}
	return table
}

// BenchPoint is one operating point of a test bench.
type BenchPoint struct {
	RPM float64
	// Pressure is the manifold pressure to hold in Pa; 0 for full load.
	Pressure float64
	// Seconds to run; at least a few time constants.
	Seconds float64
	// Learn is how many times faster than real the trims are learned.
	Learn float64
}

// BenchResult is what a bench reads at one operating point, as means of its last second.
type BenchResult struct {
	Meter, Engine   float64 // kg/s: through the meter, and all air of the cylinders
	Indicated       float64 // kg/s, by the air meter
	Pressure        float64 // Pa, true
	ShownPressure   float64 // Pa, by the manifold sensor
	PrePressure     float64 // Pa
	IntakeTemp      float64 // K, shown
	ChargeTemp      float64 // K
	Trim            float64 // total, relative
	Long            float64 // learned part of bank 1
	Lambda          float64 // at the sensor, bank 1
	Commanded       float64
	CalculatedLoad  float64 // %
	AbsoluteLoad    float64 // %
	Efficiency      float64
	Torque          float64 // N·m
	ExhaustPressure float64 // Pa
}

// Bench holds a warm engine at one speed and manifold pressure.
func Bench(spec Spec, faults Faults, day Weather, at BenchPoint) BenchResult {
	return Run(BenchEngine(spec, faults, day), at)
}

// BenchEngine is a warm engine without noise, ready for Run.
func BenchEngine(spec Spec, faults Faults, day Weather) *Engine {
	spec.Control.PurgeShare = 0
	for i := range spec.Meters {
		m := spec.Meters[i]
		m.Noise = 0
		spec.Meters = append([]Meter(nil), spec.Meters...)
		spec.Meters[i] = m
	}
	e := New(spec, faults, day, kelvin+90, day.Temperature, 1)
	e.random = rand.New(rand.NewPCG(1, 2))
	e.ecu.runTime = 600
	return e
}

// Run holds an engine at one operating point and reads it.
func Run(e *Engine, at BenchPoint) BenchResult {
	const dt = 0.01
	plate := 1.0
	if at.Pressure > 0 {
		plate = 0.25
	}
	e.Learn(at.Learn)
	var r BenchResult
	n := 0.0
	for t := 0.0; t < at.Seconds; t += dt {
		d := Drive{Key: true, Running: true, RPM: at.RPM, Speed: 20, Coupled: true, Plate: plate, Pedal: math.Max(plate, 0.02)}
		e.State.Coolant = kelvin + 90
		e.heat.inlet = e.Air.Temperature
		e.heat.wall = kelvin + 90
		e.Step(dt, d)
		if at.Pressure > 0 {
			// The plate's effect on pressure grows as it closes, so the step shrinks with it.
			err := (at.Pressure - e.State.ManifoldPressure) / e.State.PrePressure
			plate = clamp(plate+0.6*dt*err*(0.2+plate), 0.001, 1)
			plate = clamp(plate*(1+dt*2*err), 0.001, 1)
		}
		if t > at.Seconds-1 {
			n++
			r.add(e, d)
		}
	}
	r.scale(1 / n)
	return r
}

func (r *BenchResult) fields() []*float64 {
	return []*float64{&r.Meter, &r.Engine, &r.Indicated, &r.Pressure, &r.ShownPressure, &r.PrePressure, &r.IntakeTemp,
		&r.ChargeTemp, &r.Trim, &r.Long, &r.Lambda, &r.Commanded, &r.CalculatedLoad, &r.AbsoluteLoad, &r.Efficiency, &r.Torque,
		&r.ExhaustPressure}
}

func (r *BenchResult) scale(by float64) {
	for _, f := range r.fields() {
		*f *= by
	}
}

func (r *BenchResult) add(e *Engine, d Drive) {
	st, c := &e.State, &e.ecu
	bank := &c.banks[0]
	now := BenchResult{
		Meter: st.MeterFlow, Engine: st.EngineFlow, Indicated: c.read[0] / 1000, Pressure: st.ManifoldPressure,
		ShownPressure: c.mapReading(), PrePressure: st.PrePressure, IntakeTemp: c.intakeTemp, ChargeTemp: st.ChargeTemp,
		Trim: (1+bank.short)*(1+c.long(d, bank)) - 1, Long: c.long(d, bank), Lambda: bank.seen, Commanded: c.commanded,
		CalculatedLoad: c.calculatedLoad(d), AbsoluteLoad: c.absoluteLoad(d), Efficiency: st.VolumetricEfficiency,
		Torque: st.Torque, ExhaustPressure: st.ExhaustPressure,
	}
	if len(e.Spec.Meters) == 2 {
		now.Indicated = (c.read[0] + c.read[1]) / 1000
	}
	to, from := r.fields(), now.fields()
	for i := range to {
		*to[i] += *from[i]
	}
}
