// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canbus

import (
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/airassay/airassay/sdk/isotp"
)

func TestFramesHaveTheBitsOfTheStandard(t *testing.T) {
	for _, tc := range []struct {
		frame       isotp.Frame
		none, worst int
	}{
		{isotp.Frame{ID: 0x7DF, Length: 8}, 111, 135},
		{isotp.Frame{ID: 0x18DB33F1, Extended: true, Length: 8}, 131, 160},
		{isotp.Frame{ID: 0x7DF}, 47, 55},
		{isotp.Frame{ID: 1, Extended: true}, 67, 80},
	} {
		if got := Bits(&tc.frame, NoStuffing); got != (Cost{Nominal: tc.none}) {
			t.Errorf("%v: %v bits, want %d", tc.frame.String(), got, tc.none)
		}
		if got := Bits(&tc.frame, WorstStuffing); got != (Cost{Nominal: tc.worst}) {
			t.Errorf("%v: at worst %v bits, want %d", tc.frame.String(), got, tc.worst)
		}
	}
	if got := lasting(135, Rate500k); got != 270*time.Microsecond {
		t.Errorf("135 bits at 500 kbit/s take %v", got)
	}
}

// CRC-15 of CAN over "123456789" is 059E, the check value by which such codes are told apart.
func TestChecksumIsThatOfCAN(t *testing.T) {
	var s stream
	for _, c := range "123456789" {
		s = s.put(uint32(c), 8)
	}
	if got := checksum(s); got != 0x059E {
		t.Errorf("checksum %04X, want 059E", got)
	}
}

// stuffed counts stuff bits in another way: it writes the bits down, stuff bits included.
func stuffed(s stream) int {
	var text strings.Builder
	for _, bit := range s {
		text.WriteByte('0' + bit)
		if now := text.String(); strings.HasSuffix(now, "00000") {
			text.WriteByte('1')
		} else if strings.HasSuffix(now, "11111") {
			text.WriteByte('0')
		}
	}
	return text.Len() - len(s)
}

func TestActualStuffingLiesBetweenNoneAndTheWorst(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for range 3000 {
		f := isotp.Frame{Extended: random.IntN(2) == 0, FD: random.IntN(4) == 0}
		f.ID = random.Uint32() & isotp.MaxStandardID
		if f.Extended {
			f.ID = random.Uint32() & isotp.MaxExtendedID
		}
		f.Length = uint8(random.IntN(9))
		if f.FD {
			f.Length, f.BitRateSwitch = isotp.FDLength(random.IntN(65)), random.IntN(2) == 0
		}
		for i := range f.Payload() {
			mask := byte(random.Uint32())
			f.Data[i] = byte(random.Uint32()) & mask // long rows of zeros
		}
		none, actual, worst := Bits(&f, NoStuffing), Bits(&f, ActualStuffing), Bits(&f, WorstStuffing)
		sum := func(c Cost) int { return c.Nominal + c.Data }
		if sum(none) > sum(actual) || sum(actual) > sum(worst) {
			t.Fatalf("%v: %v bits without, %v with, %v at worst", f.String(), none, actual, worst)
		}
		if s := classicStream(&f); !f.FD && countStuff(s) != stuffed(s) {
			t.Fatalf("%v: %d stuff bits, want %d", f.String(), countStuff(s), stuffed(s))
		}
		if (actual.Data > 0) != f.BitRateSwitch {
			t.Fatalf("%v: %v", f.String(), actual)
		}
	}
}

func TestLowerIdentifiersGoFirst(t *testing.T) {
	order := []isotp.Frame{
		{ID: 0}, {ID: 0, Extended: true}, {ID: 1 << 18, Extended: true}, {ID: 0x123}, {ID: 0x123 << 18, Extended: true}, {ID: 0x123<<18 | 5, Extended: true},
		{ID: 0x7DF}, {ID: 0x7E8}, {ID: isotp.MaxStandardID}, {ID: isotp.MaxExtendedID, Extended: true},
	}
	for i := 1; i < len(order); i++ {
		if priority(&order[i-1]) >= priority(&order[i]) {
			t.Errorf("%v does not go before %v", order[i-1].String(), order[i].String())
		}
	}
}
