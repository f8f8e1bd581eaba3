// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package recording

import (
	"sort"
	"strings"
)

// conversion turns a value of one unit into the VSS unit: value·scale + offset.
type conversion struct{ scale, offset float64 }

func (c conversion) apply(v float64) float64 { return v*c.scale + c.offset }

// Exact by definition: the inch 25.4 mm, the pound 0.45359237 kg, the US gallon 231
// cubic inches, standard gravity 9.80665 m/s². Mercury at 0 °C: 133.322387415 Pa a mm.
const (
	kmPerMile     = 1.609344
	gPerPound     = 453.59237
	lPerGallon    = 3.785411784
	lPerImpGallon = 4.54609
	kPaPerPSI     = 6.894757293168361
	kPaPerMmHg    = 0.133322387415
	kPaPerInHg    = 25.4 * kPaPerMmHg
	kPaPerKgfCm2  = 98.0665
	nmPerLbFt     = 1.3558179483314004
)

// unitText is one unit as people write it. All aliases are folded by foldUnit.
type unitText struct {
	aliases string // separated by spaces; the first is how we write it
	conversion
}

// units lists, for every VSS unit, the units that files carry instead.
var units = map[string][]unitText{
	"percent": {{"percent % pct prozent", conversion{1, 0}}, {"fraction ratio", conversion{100, 0}}},
	"ratio":   {{"ratio lambda λ 1", conversion{1, 0}}, {"percent % pct", conversion{0.01, 0}}},
	"Celsius": {{"Celsius °c degc deg/c c degreesc degreecelsius degreescelsius", conversion{1, 0}},
		{"Fahrenheit °f degf deg/f f degreesf degreesfahrenheit", conversion{5.0 / 9, -160.0 / 9}},
		{"K kelvin", conversion{1, -273.15}}},
	"kPa":     pressure(1),
	"hPa":     pressure(10),
	"rpm":     {{"rpm 1/min min-1 min^-1 rev/min u/min r/min revs/min", conversion{1, 0}}, {"rev/s rps 1/s", conversion{60, 0}}},
	"km/h":    {{"km/h kmh kph kmph", conversion{1, 0}}, {"mph mi/h mile/h miles/h", conversion{kmPerMile, 0}}, {"m/s mps", conversion{3.6, 0}}, {"kn knots knot", conversion{1.852, 0}}},
	"degrees": {{"degrees ° deg degree °btdc degbtdc btdc", conversion{1, 0}}},
	"g/s": {{"g/s gs gps g/sec gram/sec grams/sec grams/s gm/s", conversion{1, 0}}, {"kg/h kgh kg/hr kgph", conversion{1 / 3.6, 0}},
		{"kg/s", conversion{1000, 0}}, {"g/min", conversion{1.0 / 60, 0}}, {"lb/min lbs/min lbmin ppm", conversion{gPerPound / 60, 0}}, {"lb/h lbs/h lb/hr lbs/hr", conversion{gPerPound / 3600, 0}}, {"mg/s", conversion{0.001, 0}}},
	"kg/h":      {{"kg/h kgh kg/hr", conversion{1, 0}}, {"g/s gs g/sec", conversion{3.6, 0}}, {"lb/min lbs/min", conversion{gPerPound * 0.06, 0}}},
	"V":         {{"V volt volts", conversion{1, 0}}, {"mV millivolt millivolts", conversion{0.001, 0}}},
	"A":         {{"A amp amps ampere amperes", conversion{1, 0}}, {"mA milliamp milliamps", conversion{0.001, 0}}, {"uA microamp microamps", conversion{1e-6, 0}}},
	"s":         {{"s sec secs second seconds", conversion{1, 0}}, {"ms msec millisecond milliseconds", conversion{0.001, 0}}, {"min minute minutes mins", conversion{60, 0}}, {"h hr hour hours", conversion{3600, 0}}},
	"min":       {{"min minute minutes mins", conversion{1, 0}}, {"s sec secs second seconds", conversion{1.0 / 60, 0}}, {"h hr hour hours", conversion{60, 0}}},
	"l/h":       {{"l/h lh lph l/hr liter/h litre/h liters/hour litres/hour", conversion{1, 0}}, {"gal/h gph galh gal/hr usgal/h gallons/hour", conversion{lPerGallon, 0}}, {"impgal/h impgph", conversion{lPerImpGallon, 0}}, {"l/min lpm", conversion{60, 0}}, {"cc/min ml/min ccm/min cm3/min", conversion{0.06, 0}}, {"ml/s cc/s", conversion{3.6, 0}}},
	"Nm":        {{"Nm n*m", conversion{1, 0}}, {"lb-ft lbft lb*ft ft-lb ftlb ft*lb", conversion{nmPerLbFt, 0}}},
	"km":        {{"km kilometer kilometers kilometre kilometres", conversion{1, 0}}, {"mi mile miles", conversion{kmPerMile, 0}}, {"m meter meters metre metres", conversion{0.001, 0}}},
	"mg/stroke": {{"mg/stroke mg/str mg/hub mg/st", conversion{1, 0}}},
	"":          {{"count # counts", conversion{1, 0}}},
}

// pressure lists units of absolute pressure; perKPa is the VSS unit's number in 1 kPa.
func pressure(perKPa float64) []unitText {
	out := []unitText{
		{"kPa kpa(abs) kpaabs kpaa", conversion{1, 0}}, {"hPa", conversion{0.1, 0}}, {"mbar mbara", conversion{0.1, 0}}, {"bar bara", conversion{100, 0}},
		{"Pa pascal", conversion{0.001, 0}}, {"MPa", conversion{1000, 0}}, {"psi psia lb/in2 lbf/in2", conversion{kPaPerPSI, 0}},
		{"inHg inchhg in-hg", conversion{kPaPerInHg, 0}}, {"mmHg torr", conversion{kPaPerMmHg, 0}}, {"kgf/cm2 kg/cm2", conversion{kPaPerKgfCm2, 0}}, {"atm", conversion{101.325, 0}},
	}
	for i := range out {
		out[i].scale *= perKPa
	}
	return out
}

// unitClock is the unit of a time of day or a duration written with colons; it is
// allowed for signals in seconds.
const unitClock = "hh:mm:ss"

// unitIndex finds conversions by VSS unit and folded alias, and how we write it.
var unitIndex, unitNames = func() (map[string]map[string]conversion, map[string]map[string]string) {
	index, names := map[string]map[string]conversion{}, map[string]map[string]string{}
	for vss, texts := range units {
		index[vss], names[vss] = map[string]conversion{}, map[string]string{}
		for _, u := range texts {
			aliases := strings.Fields(u.aliases)
			for _, a := range aliases {
				// Milli and mega fold alike; the first listed has the right.
				if _, taken := index[vss][foldUnit(a)]; !taken {
					index[vss][foldUnit(a)], names[vss][foldUnit(a)] = u.conversion, aliases[0]
				}
			}
		}
	}
	return index, names
}()

// foldUnit removes what people vary: case, spaces, the degree sign, dots.
func foldUnit(unit string) string {
	unit = strings.ToLower(strings.TrimSpace(unit))
	if unit == "°" || unit == "º" {
		return "deg"
	}
	return unitFolder.Replace(unit)
}

var unitFolder = strings.NewReplacer(" ", "", "\u00a0", "", "°", "", "º", "", "²", "2", "³", "3", "µ", "u", "μ", "u", "·", "*", "⋅", "*", "_", "/")

// findUnit returns how a unit converts to the VSS unit, and our name of it.
func findUnit(vss, unit string) (conversion, string, bool) {
	folded := foldUnit(unit)
	c, ok := unitIndex[vss][folded]
	return c, unitNames[vss][folded], ok
}

// isUnit tells whether a text is a unit of anything.
func isUnit(text string) bool {
	folded := foldUnit(text)
	if folded == "" || folded == unitClock || folded == "hh:mm:ss.fff" {
		return folded != ""
	}
	for _, index := range unitIndex {
		if _, ok := index[folded]; ok {
			return true
		}
	}
	return false
}

// unitChoices lists our names of the units that convert to a VSS unit.
func unitChoices(vss string) []string {
	var out []string
	for _, u := range units[vss] {
		out = append(out, strings.Fields(u.aliases)[0])
	}
	sort.Strings(out[min(1, len(out)):])
	return out
}
