// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package ecu

import (
	"encoding/binary"
	"math"
	"strings"

	"github.com/airassay/airassay/sdk/j1979"
)

// most is how many numbers a request of SAE J1979 on CAN carries.
const most = 6

// isBitmap tells the numbers that ask which others are supported: 00, 20 … E0.
func isBitmap(id byte) bool { return id%0x20 == 0 }

// current is service 01. What is not supported is left out of the answer.
func (u *Unit) current(rest []byte) ([]byte, j1979.Code) {
	if len(rest) == 0 || len(rest) > most || len(rest) > u.vehicle.options.MostParameters {
		return nil, j1979.CodeWrongLength
	}
	answer := []byte{0x41}
	for _, pid := range rest {
		if data := u.parameter(pid); data != nil {
			answer = append(append(answer, pid), data...)
		}
	}
	return orLacking(answer, j1979.CodeSubNotSupported)
}

// orLacking refuses where nothing was put behind the service byte of an answer.
func orLacking(answer []byte, code j1979.Code) ([]byte, j1979.Code) {
	if len(answer) == 1 {
		return nil, code
	}
	return answer, 0
}

// parameter is the data of a parameter or of a bitmap; nil where the unit has none.
func (u *Unit) parameter(pid byte) []byte {
	switch {
	case isBitmap(pid):
		return supportData(&u.pids, pid)
	case !u.pids.Has(pid):
		return nil
	case !u.engine && pid == 0x01:
		return []byte{0, 0, 0, 0} // a unit that watches nothing
	}
	return u.vehicle.byPID[pid].data(u.vehicle)
}

// supportData is a bitmap; nil where it and all after it would be empty, but for the first.
func supportData(s *j1979.Support, base byte) []byte {
	bits := s.Bitmap(base)
	if base != 0 && bits == [4]byte{} {
		return nil
	}
	return bits[:]
}

// freezeFrame is service 02: pairs of a parameter and a frame, of which there is frame 0.
func (u *Unit) freezeFrame(rest []byte) ([]byte, j1979.Code) {
	if len(rest) == 0 || len(rest) > most || len(rest)%2 != 0 {
		return nil, j1979.CodeWrongLength
	}
	answer := []byte{0x42}
	for ; len(rest) > 0; rest = rest[2:] {
		if data := u.frozen(rest[0]); data != nil && rest[1] == 0 {
			answer = append(append(answer, rest[0], 0), data...)
		}
	}
	return orLacking(answer, j1979.CodeSubNotSupported)
}

// frozen is what the freeze frame holds of a parameter. Parameter 02 is the code that froze it, 0 for none.
func (u *Unit) frozen(pid byte) []byte {
	if !u.engine {
		return nil
	}
	record := u.vehicle.watch.frozen()
	switch {
	case pid == 0x02 && record == nil:
		return []byte{0, 0}
	case pid == 0x02:
		return binary.BigEndian.AppendUint16(nil, record.code)
	case isBitmap(pid):
		have := j1979.Support{}
		have.Add(0x02)
		if record != nil {
			for p := range record.frame {
				have.Add(p)
			}
		}
		return supportData(&have, pid)
	case record == nil:
		return nil
	}
	return record.frame[pid]
}

// codes are services 03, 07 and 0A: on CAN the number of codes goes first.
func (u *Unit) codes(answer byte, rest []byte, which func(*record) bool) ([]byte, j1979.Code) {
	if len(rest) > 0 {
		return nil, j1979.CodeWrongLength
	}
	var list []uint16
	if u.engine {
		list = u.vehicle.watch.codes(which)
	}
	out := []byte{answer, byte(len(list))}
	for _, code := range list {
		out = binary.BigEndian.AppendUint16(out, code)
	}
	return out, 0
}

const (
	// fuelMonitor is the monitor of the fuel system of bank 1; those of further banks follow (SAE J1979).
	fuelMonitor = 0x81
	// trimTest is a test of ours: 80 to FE are the maker's (SAE J1979).
	trimTest = 0x80
	// signedPercent is the unit and scaling of 0.01 % with a sign (SAE J1979, AF).
	signedPercent = 0xAF
)

func (u *Unit) monitors() (have j1979.Support) {
	if s := &u.vehicle.prepared.Case.Spec; u.engine && s.GasolineLike() {
		for b := range s.Banks {
			have.Add(fuelMonitor + byte(b))
		}
	}
	return have
}

// monitorResults is service 06: bitmaps, or one monitor.
func (u *Unit) monitorResults(rest []byte) ([]byte, j1979.Code) {
	return u.bitmapsOrOne(0x46, rest, u.monitors(), u.monitor)
}

// monitor is the mean total trim of a bank beside the limits from which it is a fault.
func (u *Unit) monitor(mid byte) []byte {
	have := u.monitors()
	if !have.Has(mid) {
		return nil
	}
	r := &u.vehicle.watch.reading
	answer := []byte{mid, trimTest, signedPercent}
	for _, percent := range []float64{r.trim[mid-fuelMonitor], -r.most, r.most} {
		hundredths := math.Round(100 * min(max(percent, -300), 300))
		answer = binary.BigEndian.AppendUint16(answer, uint16(int16(hundredths)))
	}
	return answer
}

// bitmapsOrOne answers up to six bitmaps, or one number of which one gives number and data.
func (u *Unit) bitmapsOrOne(service byte, rest []byte, have j1979.Support, one func(byte) []byte) ([]byte, j1979.Code) {
	switch {
	case len(rest) == 0, len(rest) > most, len(rest) > 1 && !isBitmap(rest[0]):
		return nil, j1979.CodeWrongLength
	case have == j1979.Support{}:
		return nil, j1979.CodeServiceNotSupported
	}
	answer := []byte{service}
	for _, id := range rest {
		if !isBitmap(id) {
			answer = append(answer, one(id)...)
		} else if bits := supportData(&have, id); bits != nil {
			answer = append(append(answer, id), bits...)
		}
	}
	return orLacking(answer, j1979.CodeSubNotSupported)
}

// infotype is an item of vehicle information: so many items of one length.
type infotype struct {
	number byte
	count  byte
	data   []byte
}

// nameLength is that of a control unit's name in bytes, filled up with zeros (SAE J1979).
const nameLength = 20

func nameInfo(name string) infotype {
	short, long, _ := strings.Cut(name, "-")
	data := make([]byte, nameLength)
	copy(data, short)
	data[4] = '-'
	copy(data[5:], long)
	return infotype{0x0A, 1, data}
}

func (v *Vehicle) engineInfo() []infotype {
	id := &v.identity
	var sums []byte
	for _, s := range id.checksums {
		sums = append(sums, s[:]...)
	}
	return []infotype{
		{0x02, 1, []byte(id.vin)},
		{0x04, byte(len(id.calibrations)), []byte(strings.Join(id.calibrations, ""))},
		{0x06, byte(len(id.checksums)), sums},
		nameInfo("ECM-EngineControl"),
	}
}

func (v *Vehicle) gearboxInfo() []infotype {
	calibration := make([]byte, len(v.identity.calibrations[0]))
	copy(calibration, "GBX-"+v.identity.vin[3:8])
	return []infotype{{0x04, 1, calibration}, nameInfo("TCM-TransmisCtrl")}
}

func (u *Unit) infotypes() (have j1979.Support) {
	for _, i := range u.info {
		have.Add(i.number)
	}
	return have
}

// infotype finds an item; nil where the unit lacks it.
func (u *Unit) infotype(number byte) *infotype {
	for i := range u.info {
		if u.info[i].number == number {
			return &u.info[i]
		}
	}
	return nil
}

// information is service 09: bitmaps, or one infotype with its number of items.
func (u *Unit) information(rest []byte) ([]byte, j1979.Code) {
	return u.bitmapsOrOne(0x49, rest, u.infotypes(), func(number byte) []byte {
		i := u.infotype(number)
		if i == nil {
			return nil
		}
		return append([]byte{number, i.count}, i.data...)
	})
}
