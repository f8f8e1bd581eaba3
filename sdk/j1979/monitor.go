// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1979

import "fmt"

const (
	monitorResults = 0x06 // SAE J1979
	// Identifiers F6xx carry the monitors of service 06, SAE J1979-2.
	monitorPage = 0xF6
	// resultLength is that of a result without its monitor: test, unit-and-scaling id, value, smallest, largest.
	resultLength = 8
)

// Result is what a monitor of the control unit found, with the limits that it holds the value against.
type Result struct {
	// Monitor is the MID, see MonitorName; Test the TID, which but for a few is the maker's own.
	Monitor, Test byte
	// Scale is the unit-and-scaling id of value and limits.
	Scale byte
	// Value, Min and Max are raw.
	Value, Min, Max uint16
}

// AppendMonitorRequest appends the payload that asks for the results of a monitor, or for the bitmap of monitors 00, 20 … E0.
func (d Dialect) AppendMonitorRequest(dst []byte, monitor byte) []byte {
	if d == UDS {
		return append(dst, dataByID, monitorPage, monitor)
	}
	return append(dst, monitorResults, monitor)
}

// ReadMonitorSupport takes the bitmap in the answer to AppendMonitorRequest for 00, 20 … E0 over. After an error the set
// is as before.
func (d Dialect) ReadMonitorSupport(s *Support, base byte, answer []byte) error {
	rest, at, err := d.monitorData(base, answer)
	if err == nil && len(rest) != 4 {
		err = wrong(monitorAnswer, at, "a bitmap of 4 bytes", "%d", len(rest))
	}
	if err != nil {
		return err
	}
	s.SetBitmap(base, [4]byte(rest))
	return nil
}

// ReadResults appends to dst the results in the answer to AppendMonitorRequest, in the form of CAN and UDS. The error is a
// *NegativeError or a *DecodeError; dst is then returned as it was. Nothing is allocated where dst has room and there is
// no error.
func (d Dialect) ReadResults(dst []Result, monitor byte, answer []byte) ([]Result, error) {
	rest, at, err := d.monitorData(monitor, answer)
	if err != nil {
		return dst, err
	}
	// The monitor stands again before each further result: always in SAE J1979, and over UDS with some control units.
	repeated := 1
	if d == UDS {
		repeated = 2
	}
	step := resultLength + repeated
	if d == UDS && !again(rest, monitor) {
		repeated, step = 0, resultLength
	}
	if len(rest) == 0 || (len(rest)+repeated)%step != 0 {
		return dst, wrong(monitorAnswer, len(answer), fmt.Sprintf("results of %d bytes each", step), "%d bytes", len(rest)+repeated)
	}
	out := dst
	for i := 0; i < len(rest); i += step {
		if d == Classic && i > 0 && rest[i-1] != monitor {
			return dst, wrong(monitorAnswer, at+i-1, fmt.Sprintf("monitor %02X", monitor), "%02X", rest[i-1])
		}
		r := rest[i:]
		out = append(out, Result{
			Monitor: monitor, Test: r[0], Scale: r[1],
			Value: uint16(r[2])<<8 | uint16(r[3]), Min: uint16(r[4])<<8 | uint16(r[5]), Max: uint16(r[6])<<8 | uint16(r[7]),
		})
	}
	return out, nil
}

const monitorAnswer = "the answer with monitor results"

// monitorData is what follows the first mention of the monitor, and its position.
func (d Dialect) monitorData(monitor byte, answer []byte) (rest []byte, at int, err error) {
	if d == UDS {
		return identified(monitorAnswer, monitorPage, monitor, answer)
	}
	if rest, err = head(monitorAnswer, answer, monitorResults); err != nil {
		return nil, 0, err
	}
	if len(rest) == 0 || rest[0] != monitor {
		return nil, 0, wrong(monitorAnswer, 1, fmt.Sprintf("monitor %02X", monitor), "% X", rest[:min(1, len(rest))])
	}
	return rest[1:], 2, nil
}

// again tells whether the identifier stands again between all results.
func again(rest []byte, monitor byte) bool {
	const step = resultLength + 2
	if (len(rest)+2)%step != 0 {
		return false
	}
	for i := resultLength; i < len(rest); i += step {
		if rest[i] != monitorPage || rest[i+1] != monitor {
			return false
		}
	}
	return true
}

// AppendResults appends the answer to AppendMonitorRequest, of results of one monitor; it is the inverse of ReadResults.
func (d Dialect) AppendResults(dst []byte, monitor byte, results ...Result) []byte {
	if d == UDS {
		dst = append(dst, dataByID+positive, monitorPage, monitor)
	} else {
		dst = append(dst, monitorResults+positive)
	}
	for _, r := range results {
		if d == Classic {
			dst = append(dst, monitor)
		}
		dst = append(dst, r.Test, r.Scale,
			byte(r.Value>>8), byte(r.Value), byte(r.Min>>8), byte(r.Min), byte(r.Max>>8), byte(r.Max))
	}
	return dst
}

// identified is what follows an identifier in an answer of service 22 that carries it alone.
func identified(what string, page, id byte, answer []byte) (rest []byte, at int, err error) {
	if rest, err = head(what, answer, dataByID); err != nil {
		return nil, 0, err
	}
	if len(rest) < 2 || rest[0] != page || rest[1] != id {
		return nil, 0, wrong(what, 1, fmt.Sprintf("identifier %02X%02X", page, id), "% X", rest[:min(2, len(rest))])
	}
	return rest[2:], 3, nil
}

// Passed tells whether the value lies within its limits.
func (r Result) Passed() bool {
	v, low, high := r.number(r.Value), r.number(r.Min), r.number(r.Max)
	return low <= v && v <= high
}

// number is a raw number as the scale has it: those from 80 on are two's complement.
func (r Result) number(raw uint16) float64 {
	if r.Scale >= 0x80 {
		return float64(int16(raw))
	}
	return float64(raw)
}

// Scaled gives value and limits in a unit as VSS spells it, empty for counts; false for a scale that this package does
// not know for sure.
func (r Result) Scaled() (value, low, high float64, unit string, ok bool) {
	s, ok := resultScales[r.Scale]
	if !ok {
		return 0, 0, 0, "", false
	}
	in := func(raw uint16) float64 { return s.zero + r.number(raw)*s.num/s.den }
	return in(r.Value), in(r.Min), in(r.Max), s.unit, true
}

// resultScale means value = zero + raw·num/den.
type resultScale struct {
	num, den, zero float64
	unit           string
}

// resultScales are unit-and-scaling ids of SAE J1979, Appendix E.
var resultScales = map[byte]resultScale{
	0x01: {num: 1, den: 1},
	0x02: {num: 1, den: 10},
	0x03: {num: 1, den: 100},
	0x04: {num: 1, den: 1000},
	0x07: {1, 4, 0, "rpm"},
	0x08: {1, 100, 0, "km/h"},
	0x09: {1, 1, 0, "km/h"},
	0x0A: {1, 8192, 0, "V"},
	0x0B: {1, 1000, 0, "V"},
	0x0C: {1, 100, 0, "V"},
	0x0E: {1, 1000, 0, "A"},
	0x0F: {1, 100, 0, "A"},
	0x10: {1, 1000, 0, "s"},
	0x11: {1, 10, 0, "s"},
	0x12: {1, 1, 0, "s"},
	0x16: {1, 10, -40, "Celsius"},
	0x17: {1, 100, 0, "kPa"},
	0x1A: {1, 1, 0, "kPa"},
	0x1B: {10, 1, 0, "kPa"},
	0x1C: {1, 100, 0, "degrees"},
	0x1D: {1, 2, 0, "degrees"},
	0x1E: {1, 32768, 0, "ratio"},
	0x24: {num: 1, den: 1},
	0x25: {1, 1, 0, "km"},
	0x27: {1, 100, 0, "g/s"},
	0x28: {1, 1, 0, "g/s"},
	0x2F: {1, 100, 0, "percent"},
	0x34: {1, 1, 0, "min"},
	0x81: {num: 1, den: 1},
	0x82: {num: 1, den: 10},
	0x83: {num: 1, den: 100},
	0x84: {num: 1, den: 1000},
	0x8A: {1, 8192, 0, "V"},
	0x8B: {1, 1000, 0, "V"},
	0x8C: {1, 100, 0, "V"},
	0x8E: {1, 1000, 0, "A"},
	0x90: {1, 1000, 0, "s"},
	0x96: {1, 10, 0, "Celsius"},
	0x9C: {1, 100, 0, "degrees"},
	0x9D: {1, 2, 0, "degrees"},
	0xAF: {1, 100, 0, "percent"},
}

// MonitorName says in words of our own what a monitor watches; empty for one that this package does not know.
func MonitorName(monitor byte) string {
	n := int(monitor)
	switch {
	case n >= 0x01 && n <= 0x10:
		return fmt.Sprintf("oxygen sensor, bank %d sensor %d", (n-1)/4+1, (n-1)%4+1)
	case n >= 0x21 && n <= 0x24:
		return fmt.Sprintf("catalyst, bank %d", n-0x20)
	case n >= 0x31 && n <= 0x34:
		return fmt.Sprintf("exhaust gas recirculation, bank %d", n-0x30)
	case n >= 0x35 && n <= 0x38:
		return fmt.Sprintf("valve timing, bank %d", n-0x34)
	case n >= 0x41 && n <= 0x50:
		return fmt.Sprintf("oxygen sensor heater, bank %d sensor %d", (n-0x41)/4+1, (n-0x41)%4+1)
	case n >= 0x71 && n <= 0x74:
		return fmt.Sprintf("secondary air, system %d", n-0x70)
	case n >= 0x81 && n <= 0x84:
		return fmt.Sprintf("fuel system, bank %d", n-0x80)
	case n == 0x85 || n == 0x86:
		return fmt.Sprintf("boost control, bank %d", n-0x84)
	case n == misfire:
		return "misfire, all cylinders"
	case n > misfire && n <= misfire+12:
		return fmt.Sprintf("misfire, cylinder %d", n-misfire)
	}
	return ""
}

const (
	misfire         = 0xA1 // SAE J1979
	misfiresAverage = 0x0B
	misfiresLast    = 0x0C
)

// TestName says in words of our own what a test of a monitor is, where the standard says it; else it is empty.
func TestName(monitor, test byte) string {
	switch {
	case monitor < misfire || monitor > misfire+12:
	case test == misfiresAverage:
		return "misfires, average of the last ten drives"
	case test == misfiresLast:
		return "misfires, this drive or the last"
	}
	return ""
}
