// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package ecu

import (
	"fmt"
	"math/rand/v2"
	"strings"

	"github.com/airassay/airassay/plugins/simulator/scenario"
)

// identity is what a vehicle says of itself.
type identity struct {
	vin          string
	calibrations []string // 16 characters each
	checksums    [][4]byte
}

// maker is the first three characters of every simulated identification number. ISO
// 3780 gives no region codes that begin with 0, so no maker has it.
const maker = "0AS"

// vinCharacters are those of ISO 3779: no I, O and Q.
const vinCharacters = "ABCDEFGHJKLMNPRSTUVWXYZ0123456789"

// newIdentity invents what the scenario's vehicle is called. The same scenario has
// the same names.
func newIdentity(c *scenario.Case) identity {
	random := rand.New(rand.NewPCG(c.Seed, 0xd6e8feb86659fd93))
	draw := func(n int) string {
		var b strings.Builder
		for range n {
			b.WriteByte(vinCharacters[random.IntN(len(vinCharacters))])
		}
		return b.String()
	}
	vin := []byte(maker + draw(5) + "0" + "T" + draw(1) + fmt.Sprintf("%06d", random.IntN(1e6)))
	vin[checkPosition] = checkDigit(vin)
	id := identity{vin: string(vin)}
	for i := range 1 + random.IntN(2) {
		name := fmt.Sprintf("CAL-%d-%s", i+1, draw(6))
		id.calibrations = append(id.calibrations, name+strings.Repeat("\x00", 16-len(name)))
		var sum [4]byte
		for j := range sum {
			sum[j] = byte(random.Uint32())
		}
		id.checksums = append(id.checksums, sum)
	}
	return id
}

// checkPosition is where the check digit stands, from 0.
const checkPosition = 8

// checkDigit is that of 49 CFR 565.15: the weighted sum of the characters' values, modulo 11.
func checkDigit(vin []byte) byte {
	const values = "0123456789.ABCDEFGH..JKLMN.P.R..STUVWXYZ"
	weights := [17]int{8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2}
	sum := 0
	for i, c := range vin {
		sum += weights[i] * (strings.IndexByte(values, c) % 10)
	}
	return "0123456789X"[sum%11]
}

// VIN is the identification number of the simulated vehicle: seventeen characters with
// a valid check digit, of a maker that does not exist.
func (v *Vehicle) VIN() string { return v.identity.vin }
