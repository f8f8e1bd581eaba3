// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package wording

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
)

// halfWidth90 turns a standard uncertainty into the half-width of a 90 %
// interval: the 95 % quantile of the normal distribution. Everything that is
// shown with ± is a 90 % interval, as the meter's error is, so that all numbers
// of a page can be compared with each other.
const halfWidth90 = 1.645

// The number of decimals up to which a unit is read in a workshop.
const (
	percentFineBelow = 3.0 // percent: one decimal below, none above
	kelvinFineBelow  = 3.0 // kelvin: one decimal below, none above
	flowDigits       = 3   // grams per second: significant digits
	plainLimit       = 1e6 // above, any number is written with an exponent
)

// Probability is a probability (0 to 1) in percent. It never claims certainty.
func (c Catalogue) Probability(p float64) string {
	switch {
	case math.IsNaN(p):
		return c.l.labels.Unknown
	case p < 0.01:
		return "< 1 %"
	case p > 0.99:
		return "> 99 %"
	}
	return strconv.Itoa(int(math.Round(100*p))) + " %"
}

// Quantity is a value with its UCUM unit, rounded as a workshop reads it:
// percent to whole numbers, or to tenths below 3; flows to three significant digits.
func (c Catalogue) Quantity(value float64, unit string) string {
	return c.number(value, unit, false) + unitSuffix(unit)
}

// Deviation is a [Catalogue.Quantity] that always shows its sign.
func (c Catalogue) Deviation(value float64, unit string) string {
	return c.number(value, unit, true) + unitSuffix(unit)
}

// Interval is a value with its unit and, after ±, the half-width of its 90 %
// interval, from its standard uncertainty. No half-width is shown where the
// uncertainty is zero or not a number. A sign is always shown where signed.
func (c Catalogue) Interval(value, standardUncertainty float64, unit string, signed bool) string {
	number := c.number(value, unit, signed)
	if math.IsNaN(value) || !(standardUncertainty > 0) || math.IsInf(standardUncertainty, 0) {
		return number + unitSuffix(unit)
	}
	return number + " ±" + c.halfWidth(value, halfWidth90*standardUncertainty, unit) + unitSuffix(unit)
}

// Range is an interval from low to high with its unit; the signs are shown.
func (c Catalogue) Range(low, high float64, unit string) string {
	d := min(decimals(low, unit), decimals(high, unit))
	return fmt.Sprintf(c.l.phrases.between, c.format(low, d, true), c.format(high, d, true)+unitSuffix(unit))
}

// AxisError is a whole percentage on the axis of a chart, with its sign.
func (c Catalogue) AxisError(percent float64) string { return c.format(percent, 0, true) }

// AxisFlow is a flow on the axis of a chart, in grams per second.
func (c Catalogue) AxisFlow(gramsPerSecond float64) string {
	return c.number(gramsPerSecond, "g/s", false)
}

// halfWidth is no finer than the value beside it, except where that would round
// the uncertainty down to nothing.
func (c Catalogue) halfWidth(value, w float64, unit string) string {
	fine := decimals(w, unit)
	coarse := min(fine, decimals(value, unit))
	for _, d := range []int{coarse, fine} {
		if text := c.format(w, d, false); text != "0" {
			return text
		}
	}
	return c.format(math.Pow(10, -float64(fine)), fine, false)
}

// Odds is a likelihood ratio as "40:1", from its natural logarithm, whatever its sign.
func (c Catalogue) Odds(logRatio float64) string {
	ratio := math.Exp(math.Abs(logRatio))
	switch {
	case math.IsNaN(ratio):
		return c.l.labels.Unknown
	case ratio > 1000:
		return "> 1000:1"
	case ratio < 9.5:
		return c.format(ratio, 1, false) + ":1"
	}
	return c.format(ratio, 0, false) + ":1"
}

// Clock is a time on the session's axis as m:ss, from microseconds.
func Clock(us int64) string {
	seconds, sign := us/1e6, ""
	if seconds < 0 {
		seconds, sign = -seconds, "−"
	}
	return fmt.Sprintf("%s%d:%02d", sign, seconds/60, seconds%60)
}

// Duration is a length of time in seconds or, from a minute on, as m:ss; from microseconds.
func (c Catalogue) Duration(us int64) string {
	if us > -60e6 && us < 60e6 {
		return c.Quantity(float64(us)/1e6, "s")
	}
	return Clock(us) + " " + c.l.labels.MinutesUnit
}

// Count is a whole number with its thousands set apart.
func Count(n int64) string {
	digits, sign := strconv.FormatInt(n, 10), ""
	if n < 0 {
		digits, sign = digits[1:], "−"
	}
	if len(digits) <= 4 {
		return sign + digits
	}
	var b strings.Builder
	for i, d := range digits {
		if i > 0 && (len(digits)-i)%3 == 0 {
			b.WriteByte(' ')
		}
		b.WriteRune(d)
	}
	return sign + b.String()
}

func (c Catalogue) number(value float64, unit string, signed bool) string {
	return c.format(value, decimals(value, unit), signed)
}

// decimals is how many decimals a value of a unit is shown with.
func decimals(value float64, unit string) int {
	size := math.Abs(value)
	switch unit {
	case "%", "percent":
		return fine(size, percentFineBelow)
	case "K", "Cel", "Celsius", "celsius":
		return fine(size, kelvinFineBelow)
	case "g/s":
		return significant(size, flowDigits)
	case "kPa":
		return 1
	case "rpm", "/min", "1/min", "m", "km/h":
		return 0
	}
	return 2
}

func fine(size, below float64) int {
	if math.Round(size*10)/10 < below {
		return 1
	}
	return 0
}

func significant(size float64, digits int) int {
	if !(size > 0) || math.IsInf(size, 0) {
		return 0
	}
	// Round first: 9.999 has its leading digit at the tens once it is rounded.
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(size, 'g', digits, 64), 64)
	if err != nil || rounded >= plainLimit {
		return 0
	}
	d := digits - 1 - int(math.Floor(math.Log10(rounded)+1e-12))
	for d > 0 && lastDigitIsZero(rounded, d) {
		d--
	}
	return min(max(d, 0), 6)
}

func lastDigitIsZero(value float64, decimals int) bool {
	return strings.HasSuffix(strconv.FormatFloat(value, 'f', decimals, 64), "0")
}

func (c Catalogue) format(value float64, decimals int, signed bool) string {
	if math.IsNaN(value) {
		return c.l.labels.Unknown
	}
	sign := ""
	switch {
	case value < 0:
		sign = "−"
	case signed:
		sign = "+"
	}
	size := math.Abs(value)
	if math.IsInf(size, 0) {
		return sign + "∞"
	}
	text := strconv.FormatFloat(size, 'f', decimals, 64)
	if size >= plainLimit {
		text = strconv.FormatFloat(size, 'g', flowDigits, 64)
	}
	if strings.Trim(text, "0.") == "" {
		return "0"
	}
	return sign + strings.Replace(text, ".", c.l.decimal, 1)
}

// unitSuffix writes a UCUM unit as it stands behind a number in a workshop.
func unitSuffix(unit string) string {
	switch unit {
	case "", "1", "ratio":
		return ""
	case "Cel", "Celsius", "celsius":
		return " °C"
	case "percent":
		return " %"
	case "degrees":
		return "°"
	case "/min", "1/min":
		return " rpm"
	}
	return " " + unit
}

// signedEvidence are the kinds whose value is a deviation, which reads wrongly without its sign.
var signedEvidence = map[pb.EvidenceKind]bool{
	pb.EvidenceKind_EVIDENCE_KIND_AIR_RATIO:                    true,
	pb.EvidenceKind_EVIDENCE_KIND_FUEL_TRIM:                    true,
	pb.EvidenceKind_EVIDENCE_KIND_FUEL_RATE:                    true,
	pb.EvidenceKind_EVIDENCE_KIND_FULL_LOAD_LAMBDA:             true,
	pb.EvidenceKind_EVIDENCE_KIND_ABSOLUTE_LOAD:                true,
	pb.EvidenceKind_EVIDENCE_KIND_MANIFOLD_PRESSURE_AT_REST:    true,
	pb.EvidenceKind_EVIDENCE_KIND_AIR_TEMPERATURE_AT_COLD_SOAK: true,
	pb.EvidenceKind_EVIDENCE_KIND_AIR_TEMPERATURE_ON_THE_ROAD:  true,
	pb.EvidenceKind_EVIDENCE_KIND_BANK_DIFFERENCE:              true,
	pb.EvidenceKind_EVIDENCE_KIND_METER_DIFFERENCE:             true,
	pb.EvidenceKind_EVIDENCE_KIND_BOOST:                        true,
	pb.EvidenceKind_EVIDENCE_KIND_RAIL_PRESSURE:                true,
}

// factUnits are the units in the names of the fields of Vehicle and DayConditions.
var factUnits = map[string]string{
	"displacement_l":            "L",
	"fuel_ethanol_percent":      "%",
	"rated_power_rpm":           "rpm",
	"altitude_m":                "m",
	"ambient_c":                 "Celsius",
	"relative_humidity_percent": "%",
	"hours_since_run":           "h",
}
