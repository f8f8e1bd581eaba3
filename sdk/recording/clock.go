// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package recording

import (
	"bytes"
	"math"
	"strings"
	"time"
)

// ClockFormat is how a file writes the time of a row.
type ClockFormat string

// The formats of clocks.
const (
	// ClockSeconds are seconds from any start, with or without a fraction.
	ClockSeconds ClockFormat = "seconds"
	// ClockMilliseconds are milliseconds from any start.
	ClockMilliseconds ClockFormat = "milliseconds"
	// ClockTime is hh:mm:ss with or without a fraction, or mm:ss with one; a time of
	// day (AM and PM are known) or a duration.
	ClockTime ClockFormat = "hh:mm:ss"
	// ClockDateTime is a date and a time: 2031-05-17T08:15:30.250+02:00, a space for
	// the T, slashes for the hyphens, 17.05.2031 08:15:30.
	ClockDateTime ClockFormat = "date_time"
	// ClockEpochSeconds are seconds since 1970 UTC.
	ClockEpochSeconds ClockFormat = "epoch_seconds"
	// ClockEpochMilliseconds are milliseconds since 1970 UTC.
	ClockEpochMilliseconds ClockFormat = "epoch_milliseconds"
	// ClockRows is no clock: rows are put one second apart and their order is all
	// that is known.
	ClockRows ClockFormat = "row_order"
)

var clockFormats = []string{string(ClockSeconds), string(ClockMilliseconds), string(ClockTime), string(ClockDateTime), string(ClockEpochSeconds), string(ClockEpochMilliseconds), string(ClockRows)}

// stamp is one parsed time.
type stamp struct {
	us       int64 // in the clock's own frame
	absolute bool  // us counts from 1970 UTC
}

// parseStamp reads a time. The decimal mark may be a point or a comma.
func parseStamp(cell []byte, format ClockFormat) (stamp, bool) {
	cell = bytes.TrimSpace(cell)
	switch format {
	case ClockSeconds:
		us, ok := scaledTime(cell, 1e6)
		return stamp{us, false}, ok
	case ClockMilliseconds:
		us, ok := scaledTime(cell, 1e3)
		return stamp{us, false}, ok
	case ClockEpochSeconds:
		us, ok := scaledTime(cell, 1e6)
		return stamp{us, true}, ok
	case ClockEpochMilliseconds:
		us, ok := scaledTime(cell, 1e3)
		return stamp{us, true}, ok
	case ClockTime:
		us, ok := parseTimeOfDay(cell)
		return stamp{us, false}, ok
	case ClockDateTime:
		return parseDateTime(cell)
	}
	return stamp{}, false
}

// farthestUS bounds stamps to some 280 years around zero, so that sums do not
// overflow.
const farthestUS = 1 << 53

func scaledTime(cell []byte, us float64) (int64, bool) {
	n, ok := parseNumber(cell, '.')
	if !ok {
		n, ok = parseNumber(cell, ',')
	}
	if v := math.Round(n.value * us); ok && math.Abs(v) < farthestUS {
		return int64(v), true
	}
	return 0, false
}

// digits reads up to most digits.
func digits(b []byte, most int) (v, n int) {
	for n < len(b) && n < most && b[n]-'0' <= 9 {
		v = v*10 + int(b[n]-'0')
		n++
	}
	return v, n
}

// parseTimeOfDay reads hh:mm:ss, hh:mm:ss.fff or mm:ss.fff, with AM or PM behind.
func parseTimeOfDay(b []byte) (int64, bool) {
	b, half, ok := cutHalf(b)
	if !ok {
		return 0, false
	}
	us, rest, ok := parseTimePrefix(b)
	if !ok || len(rest) > 0 {
		return 0, false
	}
	const hour = int64(3600e6)
	switch {
	case half == 0:
	case us < 1*hour || us >= 13*hour:
		return 0, false
	default:
		us = us%(12*hour) + int64(half-1)*12*hour
	}
	return us, true
}

// cutHalf removes AM (1) or PM (2).
func cutHalf(b []byte) (rest []byte, half int, ok bool) {
	n := len(b)
	if n < 3 || b[n-1]|0x20 != 'm' {
		return b, 0, true
	}
	switch b[n-2] | 0x20 {
	case 'a':
		half = 1
	case 'p':
		half = 2
	default:
		return nil, 0, false
	}
	return bytes.TrimRight(b[:n-2], " "), half, true
}

// mostHours bounds durations written with colons.
const mostHours = 5

func parseTimePrefix(b []byte) (us int64, rest []byte, ok bool) {
	var parts [3]int
	count := 0
	for {
		v, n := digits(b, mostHours)
		if n == 0 || count > 0 && (n != 2 || v > 59) {
			return 0, nil, false
		}
		parts[count] = v
		count++
		b = b[n:]
		if count == 3 || len(b) == 0 || b[0] != ':' {
			break
		}
		b = b[1:]
	}
	fraction, rest, has := parseFraction(b)
	switch {
	case count == 3:
		us = int64(parts[0])*3600e6 + int64(parts[1])*60e6 + int64(parts[2])*1e6
	case count == 2 && has:
		us = int64(parts[0])*60e6 + int64(parts[1])*1e6
	default:
		return 0, nil, false
	}
	return us + fraction, rest, true
}

// parseFraction reads .fff to the nearest microsecond.
func parseFraction(b []byte) (us int64, rest []byte, has bool) {
	if len(b) < 2 || b[0] != '.' && b[0] != ',' || b[1]-'0' > 9 {
		return 0, b, false
	}
	scale := int64(1e6)
	i := 1
	for ; i < len(b) && b[i]-'0' <= 9; i++ {
		if scale == 1 && b[i] >= '5' {
			us++
		}
		scale /= 10
		us += int64(b[i]-'0') * scale
	}
	return us, b[i:], true
}

// parseDateTime reads a date, a T or a space, a time and perhaps a zone.
func parseDateTime(b []byte) (stamp, bool) {
	day, rest, ok := parseDate(b)
	if !ok || len(rest) < 2 || rest[0] != 'T' && rest[0] != ' ' {
		return stamp{}, false
	}
	us, rest, ok := parseTimePrefix(bytes.TrimLeft(rest[1:], " "))
	if !ok || us >= 24*3600e6 {
		return stamp{}, false
	}
	zone, absolute, ok := parseZone(bytes.TrimLeft(rest, " "))
	if !ok {
		return stamp{}, false
	}
	return stamp{day.UnixMicro() + us - zone, absolute}, true
}

// parseDate reads yyyy-mm-dd, yyyy/mm/dd or dd.mm.yyyy. Dates with the month first
// cannot be told from dates with the day first and are not known.
func parseDate(b []byte) (day time.Time, rest []byte, ok bool) {
	var parts, widths [3]int
	mark := byte(0)
	for i := range parts {
		v, n := digits(b, 4)
		parts[i], widths[i] = v, n
		b = b[n:]
		if i == 2 {
			break
		}
		if n == 0 || len(b) == 0 || mark != 0 && b[0] != mark || strings.IndexByte("-/.", b[0]) < 0 {
			return day, nil, false
		}
		mark, b = b[0], b[1:]
	}
	y, m, d := parts[0], parts[1], parts[2]
	if mark == '.' {
		y, d = d, y
		widths[0], widths[2] = widths[2], widths[0]
	}
	if widths[0] != 4 || widths[1] != 2 || widths[2] != 2 || y < 1970 || y > 2200 {
		return day, nil, false
	}
	day = time.Date(y, time.Month(m), d, 0, 0, 0, 0, time.UTC)
	return day, b, day.Month() == time.Month(m) && day.Day() == d
}

// parseZone reads nothing, Z, +hh, +hhmm or +hh:mm, and returns microseconds east.
func parseZone(b []byte) (us int64, absolute, ok bool) {
	if len(b) == 0 {
		return 0, false, true
	}
	if len(b) == 1 && b[0]|0x20 == 'z' {
		return 0, true, true
	}
	sign := int64(1)
	switch b[0] {
	case '+':
	case '-':
		sign = -1
	default:
		return 0, false, false
	}
	b = bytes.Replace(b[1:], []byte{':'}, nil, 1)
	h, n := digits(b, 2)
	m, k := digits(b[n:], 2)
	if n != 2 || k != 0 && k != 2 || n+k != len(b) || h > 15 || m > 59 {
		return 0, false, false
	}
	return sign * (int64(h)*3600e6 + int64(m)*60e6), true, true
}

// ticker turns the stamps of rows into times since the first row.
type ticker struct {
	format   ClockFormat
	begun    bool
	first    stamp
	last     int64 // time of the last row, since the first
	midnight int64 // what days have passed in times of day
	stamps   int
	fraction bool // some stamp is not a whole second
}

const dayUS = 24 * 3600_000_000

// next returns the time of a row; back is true where it is before the last one.
func (t *ticker) next(s stamp) (us int64, back bool) {
	t.fraction = t.fraction || s.us%1e6 != 0
	if !t.begun {
		t.begun, t.first, t.stamps = true, s, 1
		return 0, false
	}
	us = s.us - t.first.us + t.midnight
	if t.format == ClockTime && us < t.last-dayUS/2 && s.us < dayUS {
		t.midnight += dayUS
		us += dayUS
	}
	if us < t.last {
		return us, true
	}
	if us > t.last {
		t.stamps++
	}
	t.last = us
	return us, false
}

// kind returns what the times rest on.
func (t *ticker) kind() ClockKind {
	switch {
	case t.format == ClockRows:
		return ClockRowOrder
	case !t.fraction && t.stamps > 1:
		return ClockWholeSecond
	}
	return ClockHost
}

// start returns the absolute time of the first row in microseconds, 0 where unknown.
func (t *ticker) start() int64 {
	if t.first.absolute {
		return t.first.us
	}
	return 0
}
