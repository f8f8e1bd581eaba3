// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1979

import (
	"fmt"
	"maps"
)

// circuitFaults are the endings of five codes in a row for one sensor, as SAE J2012 orders them.
var circuitFaults = [5]string{
	"circuit fault", "reading does not fit what the control unit expects", "signal too low", "signal too high", "signal comes and goes",
}

// circuits lists the sensors with the first of their five codes.
var circuits = map[DTC]string{
	0x0100: "air meter A",
	0x010A: "air meter B",
	0x0105: "manifold or barometric pressure sensor",
	0x0120: "throttle or pedal position sensor A",
	0x0220: "throttle or pedal position sensor B",
	0x0225: "throttle or pedal position sensor C",
	0x2120: "pedal position sensor D",
	0x2125: "pedal position sensor E",
	0x0190: "fuel rail pressure sensor",
}

// airTemperatures are the same for intake air temperature, where too low a signal is a shorted line that reads hot, and
// too high a signal an open one that reads cold.
var airTemperatures = map[DTC]string{0x0110: "intake air temperature sensor 1", 0x0095: "intake air temperature sensor 2"}

// oxygenFaults are the endings of six codes in a row for one oxygen sensor.
var oxygenFaults = [6]string{
	"circuit fault", "voltage too low", "voltage too high", "responds slowly", "shows no activity", "heater circuit fault",
}

// oxygenFirst lists banks and sensors with the first of their six codes.
var oxygenFirst = map[DTC]string{
	0x0130: "bank 1 sensor 1", 0x0136: "bank 1 sensor 2", 0x0142: "bank 1 sensor 3",
	0x0150: "bank 2 sensor 1", 0x0156: "bank 2 sensor 2", 0x0162: "bank 2 sensor 3",
}

// mixtures list a lean and a rich code for bank 1, and the same for bank 2.
var mixtures = map[DTC]string{0x2177: "off idle", 0x2187: "at idle", 0x2191: "at high load"}

var single = map[DTC]string{
	0x010F: "air meters A and B do not agree",
	0x00BC: "air meter A: less flow than the control unit expects",
	0x00BD: "air meter A: more flow than the control unit expects",
	0x00BE: "air meter B: less flow than the control unit expects",
	0x00BF: "air meter B: more flow than the control unit expects",
	0x0127: "intake air too hot",
	0x011B: "coolant and intake air temperature do not agree",
	0x011C: "charge air and intake air temperature do not agree",
	0x0068: "manifold pressure or air flow does not fit the throttle position",
	0x0069: "manifold and barometric pressure do not agree",
	0x006A: "manifold pressure and air flow do not agree",
	0x2135: "throttle or pedal position sensors A and B do not agree",
	0x2136: "throttle or pedal position sensors A and C do not agree",
	0x2137: "throttle or pedal position sensors B and C do not agree",
	0x2138: "pedal position sensors D and E do not agree",
	0x0170: "fuel trim fault, bank 1",
	0x0171: "mixture too lean, bank 1",
	0x0172: "mixture too rich, bank 1",
	0x0173: "fuel trim fault, bank 2",
	0x0174: "mixture too lean, bank 2",
	0x0175: "mixture too rich, bank 2",
	0x0505: "idle control fault",
	0x0506: "idle speed lower than wanted",
	0x0507: "idle speed higher than wanted",
	0x0087: "fuel rail pressure too low",
	0x0088: "fuel rail pressure too high",
	0x0234: "boost higher than wanted",
	0x0299: "boost lower than wanted",
	0x2279: "air leaks into the intake",
	0x2195: "oxygen sensor signal stuck lean, bank 1 sensor 1",
	0x2196: "oxygen sensor signal stuck rich, bank 1 sensor 1",
	0x2197: "oxygen sensor signal stuck lean, bank 2 sensor 1",
	0x2198: "oxygen sensor signal stuck rich, bank 2 sensor 1",
}

// meanings are those of SAE J2012 in words of our own.
var meanings = spellOut()

func spellOut() map[DTC]string {
	out := maps.Clone(single)
	for first, sensor := range circuits {
		for i, fault := range circuitFaults {
			out[first+DTC(i)] = sensor + ": " + fault
		}
	}
	for first, sensor := range airTemperatures {
		for i, fault := range circuitFaults {
			out[first+DTC(i)] = sensor + ": " + fault + [5]string{2: " (line shorted, reads hot)", 3: " (line open, reads cold)"}[i]
		}
	}
	for first, place := range oxygenFirst {
		for i, fault := range oxygenFaults {
			out[nextDecimal(first, i)] = "oxygen sensor " + place + ": " + fault
		}
	}
	for first, when := range mixtures {
		for i := range 4 {
			out[nextDecimal(first, i)] = fmt.Sprintf("mixture too %s %s, bank %d", [2]string{"lean", "rich"}[i%2], when, 1+i/2)
		}
	}
	return out
}

// nextDecimal counts codes on as decimal digits, as most of their lists do: after P0139 comes P0140.
func nextDecimal(first DTC, n int) DTC {
	if last := int(first&0xF) + n; last > 9 {
		return first&^0xF + 0x10 + DTC(last-10)
	}
	return first + DTC(n)
}
