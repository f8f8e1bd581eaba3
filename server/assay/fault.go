// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package assay

import "math"

// fault is one state of the world: what is wrong, and by how much. Its zero value is a
// sound vehicle. Only physics links it to what is measured, so states combine.
type fault struct {
	// gain is ln(1+e) of the meter at every flow. bank confines it to one meter.
	gain float64
	bank int
	// tilt is how much more than gain the meter is off at rated flow, in ln, and less at idle.
	tilt float64
	// delta and mf contaminate the meter; offset adds g/s.
	delta, mf, offset float64
	// duct is the share of the engine's air that enters between meter and throttle.
	duct float64
	// boostLoss is the choked flow of a hole between compressor and throttle at the barometer
	// of the day, in g/s.
	boostLoss float64
	// leak is the choked flow of a hole in the manifold, in g/s.
	leak float64
	// leakBank is the bank next to the hole; 0 for all.
	leakBank int
	// restrict is the pressure that filter or duct cost at rated flow, in kPa;
	// throttle the same for a plate that does not open.
	restrict, throttle float64
	// exhaust is the share of the volumetric efficiency lost at rated flow, which grows
	// with flow to the power exhaustPower.
	exhaust, exhaustPower float64
	// fuel is ln of the fuel that is missing at every flow, pump at rated flow,
	// vapour g/s of air that extra fuel would need; falseLean a lambda error that
	// fades with flow.
	fuel, pump, vapour, falseLean float64
	// pumpFrom is the share of rated flow from which the pump falls short.
	pumpFrom float64
	// recirculated is the share of the charge at idle pressure that is exhaust gas.
	recirculated float64
	// timing is ln of the volumetric efficiency that wrong valve timing leaves at low
	// and at high speed.
	timingLow, timingHigh float64
	// intake, manifold and barometer are sensor errors in K and kPa; manifoldGain in ln.
	intake, manifold, manifoldGain, barometer float64
	// lateClosing is ln of the volumetric efficiency that valves which close late leave, on an
	// engine of which nobody said so: no fault.
	lateClosing float64
	// displacement is ln(entered / true).
	displacement float64
	// oneBank is ln of the fuel that bank 1 lacks against the mean of both banks.
	oneBank float64
}

// model links faults to features on one vehicle.
type model struct {
	engine    engine
	rated     float64
	metered   bool
	tech      Technology
	boosted   bool
	idleFlow  float64
	twoMeters bool
	twoBanks  bool
	// bothTrims: the trims of both banks were recorded whole.
	bothTrims bool
	// baroMeasured: the barometer of the day is the vehicle's own reading.
	baroMeasured bool
	baro         float64
	// baroSD is its standard uncertainty in kPa.
	baroSD float64
	// driverSeen: pedal or throttle plate were recorded.
	driverSeen bool
	// applied is the share of the learned trim that the control unit applies in open
	// loop: unknown between none and all [DOMAIN 3.8].
	applied float64
	// trimLevel is the largest total trim at higher flow, in logarithm.
	trimLevel float64
	// hiddenTrim is what the part of the trims that was not recorded may hide.
	hiddenTrim float64
}

// temperatureShare is how the meter's mass depends on the measured temperature
// and pressure: not at all for a heated element, by the root for a vane, fully for
// a volume counter [DOMAIN 3.6, 3.7].
func (m *model) temperatureShare() float64 {
	switch m.tech {
	case TechnologyKarman:
		return 1
	case TechnologyVane:
		return 0.5
	}
	return 0
}

// meterError is ln(indicated/true) of the air that passes the meter.
func (m *model) meterError(s *fault, flow, tempK float64) float64 {
	e := s.gain
	if s.bank != 0 {
		e = math.Log1p(math.Expm1(s.gain) / 2)
	}
	if s.tilt != 0 {
		e += s.tilt * math.Max(-1.2, math.Min(1.2, m.shape(flow)))
	}
	if s.mf > 0 {
		// The element is cooled by the true flow, not by the indicated one.
		first := contamination(flow, s.delta, s.mf)
		e += contamination(flow*math.Exp(-first), s.delta, s.mf)
	}
	if s.offset != 0 {
		e += -math.Log(math.Max(0.2, 1-s.offset/math.Max(flow, 0.5)))
	}
	share := m.temperatureShare()
	e -= share * s.intake / tempK
	if share == 1 {
		e += s.barometer / m.baro
	}
	return e
}

// unmetered is ln(air that the engine takes / air that passed the meter).
func (m *model) unmetered(s *fault, f *feature, metered float64) float64 {
	x := -math.Log1p(-math.Min(s.duct, 0.8))
	pressure := or(f.pressure, m.assumedPressure(f))
	if s.leak != 0 {
		x += math.Log(math.Max(0.3, 1+s.leak*leakFlow(pressure, f.baro)/math.Max(metered, 0.3)))
	}
	if s.boostLoss != 0 && pressure > f.baro {
		x += math.Log(math.Max(0.3, 1+s.boostLoss*leakFlow(pressure, f.baro)/math.Max(metered, 0.3)))
	}
	return x
}

// assumedBoostKPa above the barometer is what a charged engine makes at full load, as far as
// is known where nobody recorded it.
const assumedBoostKPa = 60.0

// assumedPressure in kPa where none was recorded.
func (m *model) assumedPressure(f *feature) float64 {
	if m.boosted && f.class == fullLoad {
		return m.baro + assumedBoostKPa
	}
	return m.baro * 0.5
}

// trueAirAgainstSound is ln(air that the engine takes / what speed density computes
// from the indicated pressure, temperature and entered displacement).
func (m *model) trueAirAgainstSound(s *fault, f *feature) float64 {
	x := m.breathing(s, f)
	pressure := or(f.pressure, m.baro)
	x -= math.Log(math.Max(0.3, pressure/math.Max(5, pressure-s.manifold))) + s.manifoldGain
	x += math.Log(math.Max(0.5, f.tempK/(f.tempK-s.intake)))
	if f.pseudo {
		q := sq(math.Min(1.1, f.flow/m.rated))
		x += math.Log(math.Max(0.3, 1-(s.restrict+s.throttle)*q/f.baro)) - s.barometer/f.baro
	}
	if s.barometer != 0 && m.baroMeasured && !f.pseudo {
		// The residual gas was computed with the wrong barometer.
		x -= math.Log(m.engine.volumetricEfficiency(f.rpm, pressure, f.baro) / m.engine.volumetricEfficiency(f.rpm, pressure, f.baro-s.barometer))
	}
	return x - s.displacement
}

// breathing is ln(volumetric efficiency / a sound engine's).
func (m *model) breathing(s *fault, f *feature) float64 {
	x := s.lateClosing
	pressure := or(f.pressure, m.baro)
	if s.exhaust != 0 {
		// What stays behind in the cylinder weighs more where less fresh charge comes in.
		loss := s.exhaust * math.Pow(math.Min(1.15, f.flow/m.rated), orPower(s.exhaustPower)) * math.Sqrt(m.baro/math.Max(pressure, 0.3*m.baro))
		x += math.Log(math.Max(0.3, 1-loss))
	}
	if s.recirculated != 0 {
		// Recirculated gas is driven by the manifold's vacuum and is absent at full load.
		x += math.Log1p(-s.recirculated * math.Min(1, 2.2*math.Max(0, 1-pressure/(0.97*m.baro))))
	}
	if s.timingLow != 0 || s.timingHigh != 0 {
		w := math.Min(1, math.Max(0, (f.rpm-1500)/3000))
		x += (1-w)*s.timingLow + w*s.timingHigh
	}
	return x
}

// orPower: back-pressure grows with flow squared where nothing else is said.
func orPower(power float64) float64 {
	if power == 0 {
		return 2
	}
	return power
}

// missingFuel is ln(fuel asked for / fuel delivered).
func (m *model) missingFuel(s *fault, flow float64) float64 {
	x := s.fuel
	if s.pump != 0 {
		x += s.pump * math.Max(0, flow/m.rated-s.pumpFrom) / (1 - s.pumpFrom)
	}
	if s.vapour != 0 {
		x += math.Log(math.Max(0.4, 1-s.vapour/math.Max(flow, 0.5)))
	}
	return x
}

// lean is ln(lambda without correction) of a car that meters its air, or of one
// that computes it from pressure.
func (m *model) lean(s *fault, f *feature) float64 {
	x := m.missingFuel(s, f.flow)
	if m.metered {
		e := m.meterError(s, f.flow, f.tempK)
		return x - e + m.unmetered(s, f, f.flow*math.Exp(-e))
	}
	pseudo := *f
	pseudo.pseudo = false
	return x + m.trueAirAgainstSound(s, &pseudo) + s.displacement
}

// predict is what the fault adds to the feature.
func (m *model) predict(s *fault, f *feature) float64 {
	switch f.kind {
	case featAir:
		e := m.meterError(s, f.flow, f.tempK)
		return m.trueAirAgainstSound(s, f) + e - m.unmetered(s, f, f.flow*math.Exp(-e))
	case featFuel:
		return m.lean(s, f) + m.oneBankShare(s) + s.falseLean*math.Pow(m.idleFlow/math.Max(f.flow, m.idleFlow), 0.4)
	case featRate:
		return m.lean(s, f)
	case featLambda:
		return (m.lean(s, f) + m.oneBankShare(s)) * (1 - m.applied)
	case featDeficit:
		return m.predictDeficit(s, f)
	case featTable, featDisplacement:
		if f.kind == featTable {
			return s.lateClosing - s.displacement
		}
		return s.displacement
	case featRestGap:
		return s.manifold + s.manifoldGain*m.baro - s.barometer
	case featRestFlow:
		return math.Max(0, s.offset)
	case featBaro:
		return s.barometer
	case featSoak, featRoad, featSoakSensor, featRoadSensor:
		return s.intake
	}
	return m.predictOther(s, f)
}

// oneBankShare is what a weak bank does to the trim that was recorded: nothing where both
// banks' trims are averaged, for the other bank is off by as much the other way.
func (m *model) oneBankShare(s *fault) float64 {
	if m.bothTrims {
		return 0
	}
	return s.oneBank
}

func (m *model) predictDeficit(s *fault, f *feature) float64 {
	q := sq(math.Min(1.1, f.flow/m.rated))
	return (s.restrict*q + s.throttle*q - s.manifold - s.manifoldGain*f.pressure + s.barometer) / f.baro
}

func (m *model) predictOther(s *fault, f *feature) float64 {
	switch f.kind {
	case featBank:
		x := 2 * s.oneBank
		if s.leakBank != 0 {
			x += bankSign(s.leakBank) * 2 * m.unmetered(s, f, f.flow)
		}
		return x
	case featMeters:
		if s.bank == 0 {
			return 0
		}
		return bankSign(s.bank) * s.gain
	case featLoad:
		e := m.meterError(s, f.flow, f.tempK)
		q := sq(math.Min(1.1, f.flow/m.rated))
		x := m.breathing(s, f) + e - m.unmetered(s, f, f.flow) + math.Log(math.Max(0.3, 1-(s.restrict+s.throttle)*q/f.baro))
		x -= s.barometer / f.baro
		if f.clamped {
			x = math.Min(x, 0.05)
		}
		return x
	}
	return 0
}

func bankSign(bank int) float64 {
	if bank == 2 {
		return -1
	}
	return 1
}
