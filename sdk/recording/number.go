// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package recording

import (
	"bytes"
	"math"
	"strconv"
)

// number is a parsed decimal.
type number struct {
	value float64
	// decimals counts the digits behind the mark up to the last that is not zero;
	// an exponent shifts it, so it may be negative.
	decimals int
}

// pow10 holds the powers of ten that a float64 holds exactly.
var pow10 = [...]float64{1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22}

// exactDigits is how many decimal digits always fit a float64's 53 bits.
const exactDigits = 15

// parseNumber reads a decimal number with an optional exponent: sign, digits, mark,
// digits. Nothing else is a number: no hexadecimal, no underscore, no NaN. It does
// not allocate for up to 15 digits, the usual case, and is correctly rounded always.
func parseNumber(cell []byte, mark byte) (number, bool) {
	i, negative := 0, false
	if len(cell) > 0 && (cell[0] == '-' || cell[0] == '+') {
		negative = cell[0] == '-'
		i = 1
	}
	mantissa, digits, decimals, significant, seenMark, seenDigit := uint64(0), 0, 0, 0, false, false
	for ; i < len(cell); i++ {
		c := cell[i]
		if c-'0' <= 9 {
			seenDigit = true
			if mantissa > 0 || c != '0' {
				digits++
			}
			if digits <= exactDigits {
				mantissa = mantissa*10 + uint64(c-'0')
			}
			if seenMark {
				decimals++
				if c != '0' {
					significant = decimals
				}
			}
			continue
		}
		if c != mark || seenMark {
			break
		}
		seenMark = true
	}
	if !seenDigit {
		return number{}, false
	}
	if i < len(cell) || digits > exactDigits || decimals >= len(pow10) {
		return parseSlow(cell, mark, i, significant)
	}
	v := float64(mantissa) / pow10[decimals]
	if negative {
		v = -v
	}
	return number{v, significant}, true
}

// parseSlow handles exponents and long numbers; at is where the plain part ended.
func parseSlow(cell []byte, mark byte, at, significant int) (number, bool) {
	exponent := 0
	if at < len(cell) {
		e, ok := parseExponent(cell[at:])
		if !ok {
			return number{}, false
		}
		exponent = e
	}
	text := cell
	if mark != '.' {
		text = bytes.Replace(cell, []byte{mark}, []byte{'.'}, 1)
	}
	v, err := strconv.ParseFloat(string(text), 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return number{}, false
	}
	return number{v, significant - exponent}, true
}

func parseExponent(b []byte) (int, bool) {
	if len(b) < 2 || b[0] != 'e' && b[0] != 'E' {
		return 0, false
	}
	v, err := strconv.Atoi(string(b[1:]))
	return v, err == nil && v > -1000 && v < 1000
}

// parseSeconds reads a time in seconds, not negative, to the nearest microsecond.
// fraction tells whether a decimal mark stands in it.
func parseSeconds(cell []byte, mark byte) (us int64, fraction, ok bool) {
	whole, digits, i := int64(0), 0, 0
	for ; i < len(cell) && cell[i]-'0' <= 9; i++ {
		digits++
		whole = whole*10 + int64(cell[i]-'0')
		if whole > MaxTimeS {
			return 0, false, false
		}
	}
	if i == len(cell) {
		return whole * 1e6, false, digits > 0
	}
	if cell[i] != mark {
		return parseSecondsSlow(cell, mark)
	}
	part, scale := int64(0), int64(1e6)
	for i++; i < len(cell); i++ {
		c := cell[i] - '0'
		if c > 9 {
			return parseSecondsSlow(cell, mark)
		}
		digits++
		switch {
		case scale > 1:
			scale /= 10
			part += int64(c) * scale
		case scale == 1:
			scale = 0
			if c >= 5 {
				part++
			}
		}
	}
	us = whole*1e6 + part
	return us, true, digits > 0 && us <= MaxTimeS*1e6
}

func parseSecondsSlow(cell []byte, mark byte) (us int64, fraction, ok bool) {
	n, ok := parseNumber(cell, mark)
	if !ok || n.value < 0 || n.value > MaxTimeS {
		return 0, false, false
	}
	return int64(math.Round(n.value * 1e6)), n.decimals > 0, true
}
