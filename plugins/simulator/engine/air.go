// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package engine

import "math"

const (
	// gasConstantAir is the specific gas constant of dry air in J/(kg·K), ISO 2533.
	gasConstantAir = 287.05
	// gammaAir is the isentropic exponent of air at intake temperatures.
	gammaAir = 1.4
	// kelvin is 0 °C in K.
	kelvin = 273.15
	// standardPressure is one standard atmosphere in Pa; SAE J1979 writes it as 29.92 inHg.
	standardPressure = 101325.0
	// standardTemperature is the 25 °C of SAE J1979 in K.
	standardTemperature = 298.15
)

// Pressure ratio at which an orifice chokes, (2/(γ+1))^(γ/(γ−1)), and the flow
// function there, √γ·(2/(γ+1))^((γ+1)/(2(γ−1))).
var (
	criticalRatio = math.Pow(2/(gammaAir+1), gammaAir/(gammaAir-1))
	criticalFlow  = math.Sqrt(gammaAir) * math.Pow(2/(gammaAir+1), (gammaAir+1)/(2*(gammaAir-1)))
)

// psiTable holds flow function / √(1 − pressure ratio), which is smooth up to
// a ratio of 1, so that a step costs no power function.
const psiSize = 512

var psiTable = func() (table [psiSize + 2]float64) {
	for i := range table {
		ratio := criticalRatio + (1-criticalRatio)*float64(i)/psiSize
		if ratio > 0.99999 {
			// The limit for a vanishing pressure drop is the incompressible √2.
			table[i] = math.Sqrt2
			continue
		}
		table[i] = psiExact(ratio) / math.Sqrt(1-ratio)
	}
	return table
}()

func psiExact(ratio float64) float64 {
	if ratio <= criticalRatio {
		return criticalFlow
	}
	return math.Sqrt(2 * gammaAir / (gammaAir - 1) *
		(math.Pow(ratio, 2/gammaAir) - math.Pow(ratio, (gammaAir+1)/gammaAir)))
}

// Psi is the dimensionless flow function of an orifice for a ratio of
// downstream to upstream pressure in 0…1.
func Psi(ratio float64) float64 {
	if !(ratio > criticalRatio) { // what is no number chokes, too
		return criticalFlow
	}
	if ratio >= 1 {
		return 0
	}
	x := (ratio - criticalRatio) / (1 - criticalRatio) * psiSize
	i := int(x)
	f := x - float64(i)
	return math.Sqrt(1-ratio) * (psiTable[i]*(1-f) + psiTable[i+1]*f)
}

// OrificeFlow is the mass flow in kg/s through an effective area (discharge
// coefficient times area, m²) from upstream pressure and temperature to
// downstream pressure; negative when the downstream pressure is the higher.
func OrificeFlow(area, upstream, temperature, downstream float64) float64 {
	if upstream >= downstream {
		return area * upstream / math.Sqrt(gasConstantAir*temperature) * Psi(downstream/upstream)
	}
	return -area * downstream / math.Sqrt(gasConstantAir*temperature) * Psi(upstream/downstream)
}

// HoleArea is the effective area in m² of a round hole with a diameter in mm,
// for a discharge coefficient of 0.8 (a ragged hole in thin wall).
func HoleArea(diameterMM float64) float64 {
	const discharge = 0.8
	return discharge * math.Pi / 4 * diameterMM * diameterMM * 1e-6
}

// SaturationPressure is the pressure of saturated water vapour in Pa at a
// temperature in °C (Buck 1996).
func SaturationPressure(celsius float64) float64 {
	return 611.21 * math.Exp((18.678-celsius/234.5)*celsius/(257.14+celsius))
}

// Weather is the air around the vehicle.
type Weather struct {
	// Pressure is the true barometric pressure in Pa.
	Pressure float64
	// Temperature is the true outside temperature in K.
	Temperature float64
	// Humidity is the relative humidity, 0…1.
	Humidity float64
}

// StandardPressureAt is the pressure in Pa of the ICAO standard atmosphere at a height in metres.
func StandardPressureAt(height float64) float64 {
	return standardPressure * math.Pow(1-2.25577e-5*height, 5.25588)
}

func (w Weather) vapourPressure() float64 {
	return w.Humidity * SaturationPressure(w.Temperature-kelvin)
}

// Density is that of the moist air outside in kg/m³.
func (w Weather) Density() float64 {
	return (w.Pressure - 0.378*w.vapourPressure()) / (gasConstantAir * w.Temperature)
}

// DryShare is the share by mass of the air that carries oxygen.
func (w Weather) DryShare() float64 {
	pv := w.vapourPressure()
	return (w.Pressure - pv) / (w.Pressure - 0.378*pv)
}

// gasConstant is that of the moist air in J/(kg·K).
func (w Weather) gasConstant() float64 {
	return gasConstantAir / (1 - 0.378*w.vapourPressure()/w.Pressure)
}

// StoichiometricRatio is the air that one mass unit of a petrol and ethanol
// blend needs, for an ethanol share by volume of 0…1.
func StoichiometricRatio(ethanol float64) float64 {
	const (
		petrolRatio, ethanolRatio     = 14.7, 9.0
		petrolDensity, ethanolDensity = 0.745, 0.789 // kg/L at 15 °C
	)
	share := ethanol * ethanolDensity / (ethanol*ethanolDensity + (1-ethanol)*petrolDensity)
	return petrolRatio - share*(petrolRatio-ethanolRatio)
}

// clamp holds a value in its bounds; what is no number becomes the lower one.
func clamp(v, low, high float64) float64 {
	switch {
	case !(v > low):
		return low
	case v > high:
		return high
	}
	return v
}

// approach moves a first-order lag with time constant tau by one step.
func approach(state, target, dt, tau float64) float64 {
	if tau <= dt {
		return target
	}
	return state + (target-state)*dt/tau
}
