// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package isotp

import "time"

// longestSTmin is what reserved codes stand for, and the longest of the others (ISO 15765-2, §9.6.5.4).
const longestSTmin = 127 * time.Millisecond

// DecodeSTmin is the least time between consecutive frames that a code stands for: 00–7F are 0–127 ms, F1–F9 are
// 100–900 µs, the others are reserved and count as 127 ms.
func DecodeSTmin(code byte) time.Duration {
	switch {
	case code <= 0x7F:
		return time.Duration(code) * time.Millisecond
	case code >= 0xF1 && code <= 0xF9:
		return time.Duration(code-0xF0) * 100 * time.Microsecond
	}
	return longestSTmin
}

// EncodeSTmin is the code of the shortest time that is not below d; what no code reaches gives 127 ms.
func EncodeSTmin(d time.Duration) byte {
	const fine = 100 * time.Microsecond
	switch {
	case d <= 0:
		return 0
	case d <= 9*fine:
		return 0xF0 + byte((d+fine-1)/fine)
	case d >= longestSTmin:
		return 0x7F
	}
	return byte((d + time.Millisecond - 1) / time.Millisecond)
}
