// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1979

// Dialect is how a control unit is asked.
type Dialect uint8

const (
	// Classic is SAE J1979: services 01 to 0A.
	Classic Dialect = iota
	// UDS is SAE J1979-2: the same content by services 22 and 19 of ISO 14229-1.
	UDS
)

// String is the name of the standard.
func (d Dialect) String() string {
	if d == UDS {
		return "SAE J1979-2"
	}
	return "SAE J1979"
}

// Scaling is what parameters 4F and 50 declare: the largest values of some
// signals. 0 stands for the default scaling, so the zero Scaling is that of most
// vehicles.
type Scaling struct {
	// MaxLambda is the largest lambda of parameters 24 to 2B and 34 to 3B, ratio.
	MaxLambda float64
	// MaxO2Voltage is the largest voltage of parameters 24 to 2B, V.
	MaxO2Voltage float64
	// MaxO2Current is the largest current of parameters 34 to 3B, A.
	MaxO2Current float64
	// MaxMAP is the largest pressure of parameter 0B, kPa.
	MaxMAP float64
	// MaxMAF is the largest air flow of parameter 10, g/s.
	MaxMAF float64
}

// Learn takes over what values of parameters 4F and 50 say, and ignores all others.
func (s *Scaling) Learn(values []Value) {
	for _, v := range values {
		switch v.Signal {
		case scalingIDs[0]:
			s.MaxLambda = v.Value
		case scalingIDs[1]:
			s.MaxO2Voltage = v.Value
		case scalingIDs[2]:
			s.MaxO2Current = v.Value
		case scalingIDs[3]:
			s.MaxMAP = v.Value
		case scalingIDs[4]:
			s.MaxMAF = v.Value
		}
	}
}

var scalingIDs = [5]ID{
	mustID("ScalingMaxLambda"), mustID("ScalingMaxO2Voltage"), mustID("ScalingMaxO2Current"), mustID("ScalingMaxMAP"), mustID("MaxMAF"),
}

// mustID is for names of the table in this package; a test walks all of them.
func mustID(name string) ID {
	id, ok := FindID(name)
	if !ok {
		panic("no signal is called " + name)
	}
	return id
}

// Coding is how one control unit writes parameters. The zero Coding is SAE J1979
// with default scaling and two banks at most. It may be used from several
// goroutines while nobody changes it.
type Coding struct {
	Dialect Dialect
	Scaling

	// FourBanks tells that parameter 1D is supported: parameters 06 to 09 and 55
	// to 58 then carry a second byte, for bank 3 or 4, and sensors 1 to 8 are those
	// of four banks (see OxygenSensor).
	FourBanks bool
}

// OxygenSensor says where oxygen sensor n, from 1 to 8, of parameters 14 to 1B,
// 24 to 2B and 34 to 3B is: its bank and its place in the bank, both from 1.
func (c *Coding) OxygenSensor(n int) (bank, sensor int) {
	perBank := 4
	if c.FourBanks {
		perBank = 2
	}
	return (n-1)/perBank + 1, (n-1)%perBank + 1
}

// formula is the value's under this coding: value = zero + raw·num/den.
func (c *Coding) formula(f *field) (zero, num, den float64) {
	most, counts := 0.0, 65535.0
	switch f.scale {
	case byLambda:
		most = c.MaxLambda
	case byVoltage:
		most = c.MaxO2Voltage
	case byCurrent:
		if most = c.MaxO2Current; most > 0 {
			return -most, most, 1 << 15
		}
	case byPressure:
		most, counts = c.MaxMAP, 255
	case byFlow:
		most = c.MaxMAF
	case fixed:
	}
	if most > 0 {
		return f.zero, most, counts
	}
	return f.zero, f.num, f.den
}
