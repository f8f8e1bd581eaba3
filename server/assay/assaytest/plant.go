// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assaytest

import "math"

// Fault is what is wrong with the vehicle. Its zero value is a sound one. Faults
// may be combined.
type Fault struct {
	// Gain of the meter, (indicated − true)/true, the same at every flow.
	Gain float64
	// Gain2 is the gain of the second of two meters; Gain is then the first one's.
	Gain2 float64
	// DirtDelta and DirtFlow contaminate a heated element: the extra loss at low flow
	// and the flow in g/s at which dirt and boundary layer resist equally. No dirt
	// where DirtFlow is 0.
	DirtDelta, DirtFlow float64
	// Offset of the meter in g/s.
	Offset float64
	// LeakMM is the diameter in millimetres of a hole in the manifold; LeakBank
	// favours one bank of two.
	LeakMM   float64
	LeakBank int
	// DuctShare of the engine's air enters between meter and throttle.
	DuctShare float64
	// FilterKPa is what a clogged filter costs at 85 g/s.
	FilterKPa float64
	// ThrottleKPa is what a plate that does not open fully costs at 85 g/s.
	ThrottleKPa float64
	// ExhaustLoss is the share of the air lost at 85 g/s to back-pressure.
	ExhaustLoss float64
	// FuelError is delivered over asked-for fuel, less one, at every flow: −0.106 for
	// 20 % less pressure.
	FuelError float64
	// PumpLimit is the share of the fuel missing at 85 g/s.
	PumpLimit float64
	// IntakeBias of the intake air temperature sensor in K, MAPOffset of the manifold
	// pressure sensor in kPa, BaroOffset of the barometer in kPa.
	IntakeBias, MAPOffset, BaroOffset float64
	// EGRLeak is the share of the charge at idle that is exhaust gas.
	EGRLeak float64
	// FalseLean is the share by which the oxygen sensor reads lean at idle.
	FalseLean float64
	// Stuck is the flow in g/s that the meter always shows; 0 for a meter that moves.
	Stuck float64
	// DropoutEvery makes every so manieth sample of the meter drop to nearly nothing.
	DropoutEvery int
	// OneBank is the share of the fuel missing on bank 1 only.
	OneBank float64
}

// plant is an engine with its faults. Flows are in g/s, pressures in kPa absolute.
type plant struct {
	litres, baro float64
	fault        Fault
	diesel       bool
}

const airGas = 0.28705 // kPa·L/(g·K)

// The reference engine: 2.0 L, 30 °C, idle 750/33/2.94, cruise 2200/45/14.8, high
// load 2800/80/37.3, full load 5000/97.5/85.0 (1/min, kPa, g/s).
var reference = [4][3]float64{{750, 33, 2.94}, {2200, 45, 14.8}, {2800, 80, 37.3}, {5000, 97.5, 85.0}}

const referenceLitres, referenceK = 2.0, 303.15

// breathingOverSpeed has its peak at 4300 1/min.
func breathingOverSpeed(rpm float64) float64 {
	x := rpm/4300 - 1
	return 1 - 0.30*x*x
}

// filling is the share of its displacement that the engine fills at a pressure,
// speed set aside: a cubic in the logarithm of pressure through the reference points.
func filling(kPa float64) float64 {
	var xs, ys [4]float64
	for i, p := range reference {
		xs[i] = math.Log(p[1])
		share := p[2] * 120 * airGas * referenceK / (referenceLitres * p[0] * p[1])
		ys[i] = share / breathingOverSpeed(p[0])
	}
	x, sum := math.Log(math.Min(math.Max(kPa, 18), 101)), 0.0
	for i := range xs {
		term := ys[i]
		for k := range xs {
			if k != i {
				term *= (x - xs[k]) / (xs[i] - xs[k])
			}
		}
		sum += term
	}
	return sum
}

// sound is the air that the engine takes without a fault, at an intake temperature in °C.
func (p *plant) sound(rpm, kPa, intakeC float64) float64 {
	if p.diesel {
		x := rpm/2400 - 1
		share := 0.89 * (1 - 0.22*x*x)
		return share * p.litres * rpm / 120 * kPa / (airGas * (intakeC + 273.15))
	}
	share := filling(kPa) * breathingOverSpeed(rpm)
	return share * p.litres * rpm / 120 * kPa / (airGas * (intakeC + 273.15))
}

func (p *plant) scale() float64 { return 85 * p.litres / referenceLitres }

// takes is the air that the engine takes with its faults.
func (p *plant) takes(rpm, kPa, intakeC float64) float64 {
	m := p.sound(rpm, kPa, intakeC)
	if p.fault.ExhaustLoss > 0 {
		m *= 1 - p.fault.ExhaustLoss*math.Pow(math.Min(m/p.scale(), 1.2), 1.5)
	}
	if p.fault.EGRLeak > 0 {
		m *= 1 - p.fault.EGRLeak*math.Max(0, 97.5-kPa)/64.5
	}
	return m
}

// fullLoadPressure is where the manifold settles with the pedal down.
func (p *plant) fullLoadPressure(rpm, intakeC float64) float64 {
	kPa := p.baro - 2
	for range 12 {
		q := p.takes(rpm, kPa, intakeC) / p.scale()
		q *= q
		next := p.baro - 0.5 - 1.5*q - (p.fault.FilterKPa+p.fault.ThrottleKPa)*q
		kPa += 0.6 * (next - kPa)
	}
	return kPa
}

// orifice is the share of its choked flow that a hole passes.
func orifice(ratio float64) float64 {
	if ratio >= 1 {
		return 0
	}
	if ratio <= 0.5283 {
		return 1
	}
	return math.Sqrt(7*(math.Pow(ratio, 2/1.4)-math.Pow(ratio, 2.4/1.4))) / 0.6847
}

// leaks is the air that enters through the hole in the manifold: 0.593 g/s choked
// through 2 mm at 100 kPa.
func (p *plant) leaks(kPa float64) float64 {
	d := p.fault.LeakMM / 2
	return 0.593 * d * d * p.baro / 100 * orifice(kPa/p.baro)
}

// passes is the air that passes the meter.
func (p *plant) passes(takes, kPa float64) float64 {
	return math.Max(0.2, takes-p.leaks(kPa)) * (1 - p.fault.DuctShare)
}

// meter is what a meter with its own gain shows of the air that passes it.
func (p *plant) meter(m, gain float64) float64 {
	f := &p.fault
	if f.Stuck > 0 {
		return f.Stuck
	}
	x := m * (1 + gain)
	if f.DirtFlow > 0 && m > 0.2 {
		s := math.Sqrt(m)
		r := f.DirtDelta/s + 1/(1+math.Sqrt(m/f.DirtFlow))
		x *= r * r
	}
	return math.Max(0, x+f.Offset)
}

// fuel is delivered over asked-for fuel at a flow.
func (p *plant) fuel(m float64) float64 {
	x := 1 + p.fault.FuelError
	if p.fault.PumpLimit > 0 {
		x *= 1 - p.fault.PumpLimit*math.Pow(math.Min(1, math.Max(0, (m-15)/70)), 0.75)
	}
	return x
}

// falseLean is how much leaner than true the oxygen sensor reads at a flow.
func (p *plant) falseLean(m float64) float64 {
	return 1 + p.fault.FalseLean*math.Sqrt(2.94/math.Max(m, 2.94))
}
