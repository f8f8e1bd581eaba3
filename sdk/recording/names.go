// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package recording

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode"

	"github.com/airassay/airassay/sdk/j1979"
	"github.com/airassay/airassay/sdk/recording/internal/nearest"
)

// quality says how surely a header names a signal.
type quality uint8

const (
	noMatch quality = iota
	byGuess         // a letter differs
	bySynonym
	byPath // the whole VSS path
)

// synonyms lists what people call signals. Order of words, case, separators and the
// usual abbreviations do not matter; see words.
var synonyms = map[string][]string{
	"EngineSpeed":                 {"rpm", "engine rpm", "engine speed", "revs", "engine revs", "engine revolutions"},
	"MAF":                         {"maf", "mass air flow", "mass air flow rate", "air flow rate", "maf rate", "maf air flow rate", "maf flow", "air mass", "air mass flow", "air flow", "maf air flow"},
	"MAP":                         {"map", "manifold pressure", "manifold absolute pressure", "intake manifold pressure", "intake manifold absolute pressure", "intake pressure", "map pressure"},
	"IntakeTemp":                  {"iat", "intake temperature", "intake air temperature", "iat temperature"},
	"CoolantTemperature":          {"ect", "clt", "coolant", "coolant temperature", "engine coolant temperature", "water temperature", "engine temperature"},
	"AmbientAirTemperature":       {"aat", "ambient temperature", "ambient air temperature", "outside temperature", "outside air temperature"},
	"BarometricPressure":          {"baro", "barometer", "barometric pressure", "absolute barometric pressure", "atmospheric pressure", "ambient pressure", "ambient air pressure"},
	"EngineLoad":                  {"load", "engine load", "calculated load", "calculated engine load", "engine load calculated value", "calculated load value"},
	"AbsoluteLoad":                {"absolute load", "absolute engine load", "absolute load value"},
	"Speed":                       {"speed", "vehicle speed", "vss", "road speed", "car speed", "vehicle speed sensor"},
	"TimingAdvance":               {"timing", "timing advance", "ignition timing", "ignition timing advance", "spark advance", "ignition advance", "ignition angle"},
	"ThrottlePosition":            {"throttle", "tps", "throttle position", "absolute throttle position", "absolute throttle", "throttle position a", "absolute throttle position a"},
	"ThrottlePositionB":           {"throttle position b", "absolute throttle b", "absolute throttle position b", "throttle b"},
	"ThrottlePositionC":           {"throttle position c", "absolute throttle c", "absolute throttle position c", "throttle c"},
	"RelativeThrottlePosition":    {"relative throttle", "relative throttle position"},
	"AcceleratorPositionD":        {"pedal d", "pedal position d", "accelerator d", "accelerator pedal d", "accelerator pedal position d", "accelerator position d"},
	"AcceleratorPositionE":        {"pedal e", "pedal position e", "accelerator e", "accelerator pedal e", "accelerator pedal position e", "accelerator position e"},
	"AcceleratorPositionF":        {"pedal f", "pedal position f", "accelerator f", "accelerator pedal f", "accelerator pedal position f", "accelerator position f"},
	"RelativeAcceleratorPosition": {"relative accelerator position", "relative accelerator pedal position", "relative pedal position"},
	"ThrottleActuator":            {"throttle actuator", "commanded throttle", "commanded throttle position", "commanded throttle actuator", "commanded throttle actuator control", "throttle actuator control"},
	"FuelLevel":                   {"fuel level", "fuel tank", "fuel tank level", "fuel level input", "fuel tank level input"},
	"FuelPressure":                {"fuel pressure", "fuel pressure gauge"},
	"FuelRailPressureDirect":      {"fuel rail pressure", "fuel rail gauge pressure", "fuel rail pressure direct", "fuel rail pressure direct injection"},
	"FuelRailPressureAbsolute":    {"fuel rail absolute pressure"},
	"FuelRailPressureVac":         {"fuel rail pressure relative manifold", "fuel rail pressure vacuum"},
	"FuelRate":                    {"fuel rate", "engine fuel rate", "fuel flow", "fuel flow rate", "fuel consumption rate"},
	"FuelStatus":                  {"fuel status", "fuel system status", "fuel system 1 status"},
	"RunTime":                     {"run time", "engine run time", "time since engine start", "run time since engine start", "engine running time", "time since start"},
	"CommandedEquivalenceRatio":   {"equivalence ratio", "commanded equivalence ratio", "fuel air commanded equivalence ratio", "fuel air equivalence ratio", "commanded lambda", "lambda commanded", "target lambda"},
	"CommandedEVAP":               {"commanded evaporative purge", "evaporative purge", "commanded purge", "purge", "commanded evap"},
	"CommandedEGR":                {"commanded egr", "egr"},
	"EGRError":                    {"egr error"},
	"ControlModuleVoltage":        {"control module voltage", "module voltage", "battery voltage", "ecu voltage", "system voltage", "battery"},
	"RunTimeMIL":                  {"time run with mil on", "time with mil on", "run time with mil on", "run time mil"},
	"TimeSinceDTCCleared":         {"time since trouble codes cleared", "time since dtc cleared", "time since codes cleared"},
	"DistanceWithMIL":             {"distance traveled with mil on", "distance with mil on", "distance with mil"},
	"DistanceSinceDTCClear":       {"distance since codes cleared", "distance traveled since codes cleared", "distance since dtc clear"},
	"WarmupsSinceDTCClear":        {"warm ups since codes cleared", "warm ups since trouble codes cleared"},
	"EthanolPercent":              {"ethanol", "ethanol percent", "ethanol fuel", "ethanol content", "ethanol fuel percent"},
	"OilTemperature":              {"oil temperature", "engine oil temperature"},
	"FuelInjectionTiming":         {"fuel injection timing", "injection timing"},
	"TorqueDemand":                {"torque demand", "driver demand torque", "drivers demand engine torque"},
	"TorqueActual":                {"actual torque", "actual engine torque", "engine torque actual"},
	"TorqueReference":             {"reference torque", "engine reference torque"},
	"FuelRateMass":                {"fuel mass rate", "engine fuel mass rate", "fuel mass flow"},
	"ExhaustMassFlow":             {"exhaust mass flow", "exhaust flow rate", "exhaust flow"},
	"BoostActualA":                {"boost pressure absolute"},

	"Vehicle.Exterior.Humidity": {"humidity", "relative humidity", "outside humidity"},
}

// trims are named in more ways than can be listed.
var trimNames = map[string][]string{
	"ShortTermFuelTrim": {"stft", "short term fuel trim", "st fuel trim", "short term trim", "short trim", "fuel trim short"},
	"LongTermFuelTrim":  {"ltft", "long term fuel trim", "lt fuel trim", "long term trim", "long trim", "fuel trim long"},
}

// replaced are abbreviations and variants of words. An empty replacement is a word
// that tells nothing.
var replaced = map[string]string{
	"temp": "temperature", "tmp": "temperature", "temps": "temperature", "pos": "position", "posn": "position",
	"press": "pressure", "pres": "pressure", "abs": "absolute", "rel": "relative", "eng": "engine",
	"cmd": "commanded", "command": "commanded", "equiv": "equivalence", "eq": "equivalence", "equivalency": "equivalence",
	"evap": "evaporative", "amb": "ambient", "baro": "barometric", "barometer": "barometric", "manif": "manifold",
	"calc": "calculated", "veh": "vehicle", "accel": "accelerator", "volt": "voltage", "volts": "voltage",
	"inlet": "intake", "airflow": "air flow", "runtime": "run time", "warmups": "warm ups", "warmup": "warm ups", "cat": "catalyst",
	"oxygen": "o2", "lvl": "level", "spd": "speed", "thr": "throttle", "throt": "throttle", "adv": "advance", "ign": "ignition",
	"dtc": "code", "dtcs": "code", "codes": "code", "cleared": "clear", "sec": "second", "secs": "second", "seconds": "second",
	"massairflow": "mass air flow", "revolutions": "revs", "act": "actual", "ref": "reference",
	"term": "", "of": "", "the": "", "pid": "", "obd": "", "obd2": "", "obdii": "", "sae": "", "sensor": "", "trouble": "", "traveled": "", "travelled": "", "value": "", "pct": "", "percent": "",
}

var (
	splitCamel   = regexp.MustCompile(`([a-z0-9])([A-Z])`)
	splitBank    = regexp.MustCompile(`^b(\d)s(\d)$`)
	splitO2      = regexp.MustCompile(`^o2(s|b\ds\d|\d+)$`)
	splitDigits  = regexp.MustCompile(`^([a-z]{3,})(\d+)$`)
	shortNumeral = regexp.MustCompile(`^(b|s)(\d)$`)
)

// words splits a header into the words that tell which signal it is.
func words(header string) []string {
	header = splitCamel.ReplaceAllString(header, "$1 $2")
	fields := strings.FieldsFunc(strings.ToLower(header), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
	var parts, out []string
	for _, f := range fields {
		parts = append(parts, splitWord(f)...)
	}
	for _, w := range fuseNumerals(parts) {
		out = append(out, strings.Fields(expand(w))...)
	}
	return out
}

func expand(word string) string {
	if r, ok := replaced[word]; ok {
		return r
	}
	return word
}

// splitWord takes b1s2, o2b1s2, o2s11 and stft1 apart.
func splitWord(w string) []string {
	if _, whole := replaced[w]; whole {
		return []string{w}
	}
	if m := splitBank.FindStringSubmatch(w); m != nil {
		return []string{"bank" + m[1], "sensor" + m[2]}
	}
	if m := splitO2.FindStringSubmatch(w); m != nil {
		return append([]string{"o2"}, splitWord(m[1])...)
	}
	if m := shortNumeral.FindStringSubmatch(w); m != nil {
		return []string{map[string]string{"b": "bank", "s": "sensor"}[m[1]] + m[2]}
	}
	if m := splitDigits.FindStringSubmatch(w); m != nil && m[1] != "bank" && m[1] != "sensor" {
		return append(splitWord(m[1]), m[2])
	}
	// A trim's bank is often glued on: stftb1.
	if n := len(w); n > 4 && w[n-2] == 'b' && w[n-1] >= '1' && w[n-1] <= '4' && strings.HasSuffix(w[:n-2], "tft") {
		return []string{w[:n-2], "bank" + w[n-1:]}
	}
	return []string{w}
}

// fuseNumerals glues "bank 1" together, so that order may be forgotten afterwards.
func fuseNumerals(in []string) []string {
	var out []string
	for _, w := range in {
		if n := len(out); n > 0 && len(w) == 1 && w[0] >= '1' && w[0] <= '8' && (out[n-1] == "bank" || out[n-1] == "sensor") {
			out[n-1] += w
			continue
		}
		out = append(out, w)
	}
	return out
}

// key forgets the order of words.
func key(in []string) string {
	sorted := slices.Clone(in)
	slices.Sort(sorted)
	return strings.Join(slices.Compact(sorted), " ")
}

// dictionary maps keys to paths; vocabulary holds every word of it.
var dictionary, vocabulary, conflicts = buildDictionary()

// buildDictionary also returns phrases that two signals claim; there must be none.
func buildDictionary() (map[string]string, []string, []string) {
	d, seen := map[string]string{}, map[string]bool{}
	var conflicts []string
	add := func(path, phrase string) {
		w := words(phrase)
		k := key(w)
		if other, taken := d[k]; taken || k == "" {
			if other != path {
				conflicts = append(conflicts, fmt.Sprintf("%q: %s and %s", phrase, other, path))
			}
			return
		}
		d[k] = path
		for _, x := range w {
			seen[x] = true
		}
	}
	for name, phrases := range synonyms {
		s, _ := j1979.Lookup(name)
		for _, p := range phrases {
			add(s.Path, p)
		}
	}
	addTrims(add)
	addOxygenSensors(add)
	for _, s := range j1979.Signals() {
		add(s.Path, s.Short())
	}
	list := make([]string, 0, len(seen))
	for w := range seen {
		list = append(list, w)
	}
	slices.Sort(list)
	return d, list, conflicts
}

func addTrims(add func(path, phrase string)) {
	for signal, names := range trimNames {
		for _, name := range names {
			add(j1979.Prefix+signal+"1", name)
			for bank := 1; bank <= 4; bank++ {
				add(fmt.Sprintf("%s%s%d", j1979.Prefix, signal, bank), fmt.Sprintf("%s %d", name, bank))
				add(fmt.Sprintf("%s%s%d", j1979.Prefix, signal, bank), fmt.Sprintf("%s bank %d", name, bank))
			}
		}
	}
}

// addOxygenSensors numbers sensors as PID 13 does: two banks of four. Catalysts have
// one temperature a bank and sensor.
func addOxygenSensors(add func(path, phrase string)) {
	for n := 1; n <= 8; n++ {
		bank, sensor := (n-1)/4+1, (n-1)%4+1
		for _, at := range []string{fmt.Sprintf("bank %d sensor %d", bank, sensor), fmt.Sprintf("sensor %d", n), fmt.Sprint(n)} {
			narrow, wide := fmt.Sprintf("%sO2.Sensor%d.", j1979.Prefix, n), fmt.Sprintf("%sO2WR.Sensor%d.", j1979.Prefix, n)
			add(narrow+"Voltage", "o2 "+at)
			add(narrow+"Voltage", "o2 voltage "+at)
			add(narrow+"ShortTermFuelTrim", "o2 short term fuel trim "+at)
			add(wide+"Lambda", "lambda "+at)
			add(wide+"Lambda", "o2 lambda "+at)
			add(wide+"Lambda", "o2 wide range lambda "+at)
			add(wide+"Lambda", "o2 equivalence ratio "+at)
			add(wide+"Current", "o2 current "+at)
			add(wide+"Voltage", "o2 wide range voltage "+at)
		}
	}
	add(j1979.Prefix+"O2WR.Sensor1.Lambda", "lambda")
	add(j1979.Prefix+"O2WR.Sensor1.Lambda", "measured lambda")
	for bank := 1; bank <= 2; bank++ {
		for sensor := 1; sensor <= 2; sensor++ {
			add(fmt.Sprintf("%sCatalyst.Bank%d.Temperature%d", j1979.Prefix, bank, sensor), fmt.Sprintf("catalyst temperature bank %d sensor %d", bank, sensor))
		}
	}
}

// matchName finds the signal that a header without its unit names, by its letters or
// as far as one letter is wrong.
func matchName(name string) (j1979.Signal, quality) {
	if s, q := matchExactly(name); q != noMatch {
		return s, q
	}
	w := words(name)
	if len(w) > mostGuessed || !guessWords(w) {
		return j1979.Signal{}, noMatch
	}
	if path, ok := dictionary[key(w)]; ok {
		s, _ := j1979.ByPath(path)
		return s, byGuess
	}
	return j1979.Signal{}, noMatch
}

// mostGuessed bounds the work on one header: no signal's name has more words.
const mostGuessed = 10

func matchExactly(name string) (j1979.Signal, quality) {
	if s, ok := j1979.Lookup(strings.TrimSpace(name)); ok && strings.HasPrefix(strings.TrimSpace(name), "Vehicle.") {
		return s, byPath
	} else if ok {
		return s, bySynonym
	}
	if path, ok := dictionary[key(words(name))]; ok {
		s, _ := j1979.ByPath(path)
		return s, bySynonym
	}
	return j1979.Signal{}, noMatch
}

// guessWords replaces words that no signal has by the only known word that differs
// in one letter.
func guessWords(w []string) (changed bool) {
	for i, x := range w {
		if len(x) < 4 || len(x) > 20 || slices.Contains(vocabulary, x) {
			continue
		}
		near := ""
		for _, v := range vocabulary {
			if len(v) >= 4 && nearest.Distance(x, v, 2) == 1 {
				if near != "" {
					return false
				}
				near = v
			}
		}
		if near == "" {
			return false
		}
		w[i], changed = near, true
	}
	return changed
}

// longestHeader bounds what is looked up: nobody names a signal in more letters.
const longestHeader = 120

// headerMatch is what a header says.
type headerMatch struct {
	signal  j1979.Signal
	quality quality
	unit    string // our name of the unit; empty where the header names none
	odd     string // a unit in the header that does not fit the signal
}

var bracketed = regexp.MustCompile(`[(\[{]([^()\[\]{}]*)[)\]}]\s*$`)

// matchHeader finds signal and unit of a header such as "MAF (g/s)", "MAF [g/s]",
// "Speed_kmh" or "Coolant temp, °F".
func matchHeader(header string) headerMatch {
	header = strings.TrimSpace(header)
	if len(header) > longestHeader {
		return headerMatch{}
	}
	at := bracketed.FindStringSubmatchIndex(header)
	if at == nil || !isUnit(header[at[2]:at[3]]) {
		// The brackets may hold a part of the name: "Short term fuel trim (bank 1)".
		if s, q := matchExactly(header); q != noMatch {
			return headerMatch{signal: s, quality: q}
		}
	}
	if at != nil {
		unit, name := strings.TrimSpace(header[at[2]:at[3]]), header[:at[0]]
		if m := matchPlain(name); m.quality != noMatch {
			return m.withUnit(unit)
		}
	}
	return matchPlain(header)
}

func (m headerMatch) withUnit(unit string) headerMatch {
	if unit == "" {
		return m
	}
	if _, name, ok := findUnit(m.signal.Unit, unit); ok {
		m.unit = name
	} else if m.signal.Unit == "s" && strings.HasPrefix(foldUnit(unit), unitClock) {
		m.unit = unitClock
	} else {
		m.odd = unit
	}
	return m
}

// matchPlain tries the whole header as a name, then the last one to three words as
// a unit.
func matchPlain(header string) headerMatch {
	s, q := matchName(header)
	if q >= bySynonym {
		return headerMatch{signal: s, quality: q}
	}
	for cut := range lastWords(header) {
		name, unit := header[:cut], strings.Trim(header[cut:], " _-,:/")
		t, tq := matchExactly(name)
		if tq == noMatch {
			continue
		}
		if _, canonical, ok := findUnit(t.Unit, unit); ok {
			return headerMatch{signal: t, quality: tq, unit: canonical}
		}
	}
	return headerMatch{signal: s, quality: q}
}

// lastWords yields the places of the last three separators.
func lastWords(header string) func(yield func(int) bool) {
	return func(yield func(int) bool) {
		count := 0
		for i := len(header) - 1; i > 0 && count < 3; i-- {
			if strings.IndexByte(" _-,:/", header[i]) < 0 {
				continue
			}
			count++
			if !yield(i) {
				return
			}
		}
	}
}
