// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1979

import (
	"bytes"
	"fmt"
	"strings"
)

// Infotype is a kind of vehicle information, SAE J1979 service 09.
type Infotype byte

// Infotypes of SAE J1979 that this package reads. 00, 20 … E0 are bitmaps of what is supported.
const (
	VIN                 Infotype = 0x02
	CalibrationIDs      Infotype = 0x04
	CalibrationNumbers  Infotype = 0x06 // check numbers of the calibrations, CVN
	SparkCounters       Infotype = 0x08 // how often monitors ran, spark ignition
	UnitName            Infotype = 0x0A
	CompressionCounters Infotype = 0x0B // how often monitors ran, compression ignition
)

const (
	vehicleInformation = 0x09 // SAE J1979
	// Identifiers F8xx carry the infotypes of service 09, SAE J1979-2.
	informationPage = 0xF8

	informationAnswer = "the answer with vehicle information"

	vinLength, calibrationLength, numberLength, nameLength, counterLength = 17, 16, 4, 20, 2
)

// AppendInformationRequest appends the payload that asks for vehicle information.
func (d Dialect) AppendInformationRequest(dst []byte, info Infotype) []byte {
	if d == UDS {
		return append(dst, dataByID, informationPage, byte(info))
	}
	return append(dst, vehicleInformation, byte(info))
}

// ReadInformationSupport takes the bitmap in the answer to AppendInformationRequest for 00, 20 … E0 over. After an error
// the set is as before.
func (d Dialect) ReadInformationSupport(s *Support, base byte, answer []byte) error {
	rest, at, err := d.information(Infotype(base), answer)
	if err == nil && len(rest) != 4 {
		err = wrong(informationAnswer, at, "a bitmap of 4 bytes", "%d", len(rest))
	}
	if err != nil {
		return err
	}
	s.SetBitmap(base, [4]byte(rest))
	return nil
}

// ReadVIN reads the vehicle identification number: 17 digits and capital letters without I, O and Q, ISO 3779. As all
// readers of vehicle information here it takes answers as CAN and UDS carry them: with a byte that counts the items, or
// over UDS without.
func (d Dialect) ReadVIN(answer []byte) (string, error) {
	at, item, err := d.one(VIN, vinLength, answer)
	if err != nil {
		return "", err
	}
	for i, c := range item {
		if !vinCharacter(c) {
			return "", wrong(informationAnswer, at+i, "a digit, or a capital letter but I, O and Q", "%02X", c)
		}
	}
	return string(item), nil
}

func vinCharacter(c byte) bool {
	return c >= '0' && c <= '9' || c >= 'A' && c <= 'Z' && c != 'I' && c != 'O' && c != 'Q'
}

// CheckDigit tells whether the ninth character of a VIN is the check digit over the others, 49 CFR 565.15. Vehicles for
// North America and China have it; elsewhere false says nothing.
func CheckDigit(vin string) bool {
	const (
		values  = "0123456789.ABCDEFGH..JKLMN.P.R..STUVWXYZ" // the value is the place modulo 10
		weights = "8765432X098765432"
	)
	if len(vin) != vinLength {
		return false
	}
	sum := 0
	for i := range vinLength {
		v := strings.IndexByte(values, vin[i])
		if v < 0 || vin[i] == '.' {
			return false
		}
		w := 10
		if weights[i] != 'X' {
			w = int(weights[i] - '0')
		}
		sum += v % 10 * w
	}
	return "0123456789X"[sum%11] == vin[8]
}

// ReadCalibrationIDs reads the names of the calibrations, up to 16 printable characters each.
func (d Dialect) ReadCalibrationIDs(answer []byte) ([]string, error) {
	return d.texts(CalibrationIDs, calibrationLength, answer)
}

// ReadCalibrationNumbers reads the check numbers of the calibrations, in their order.
func (d Dialect) ReadCalibrationNumbers(answer []byte) ([]uint32, error) {
	_, rest, err := d.items(CalibrationNumbers, numberLength, answer)
	var out []uint32
	for ; err == nil && len(rest) > 0; rest = rest[numberLength:] {
		out = append(out, uint32(rest[0])<<24|uint32(rest[1])<<16|uint32(rest[2])<<8|uint32(rest[3]))
	}
	return out, err
}

// ReadUnitName reads what the control unit calls itself: an abbreviation and a name, up to 20 characters in all. Where both
// are told they are separated by a space.
func (d Dialect) ReadUnitName(answer []byte) (string, error) {
	names, err := d.texts(UnitName, nameLength, answer)
	if err != nil {
		return "", err
	}
	if len(names) != 1 {
		return "", wrong(informationAnswer, 2, "one name", "%d", len(names))
	}
	return names[0], nil
}

// ReadCounters reads how often monitors ran, raw and in the order of the standard; info is SparkCounters or
// CompressionCounters.
func (d Dialect) ReadCounters(info Infotype, answer []byte) ([]uint16, error) {
	_, rest, err := d.items(info, counterLength, answer)
	var out []uint16
	for ; err == nil && len(rest) > 0; rest = rest[counterLength:] {
		out = append(out, uint16(rest[0])<<8|uint16(rest[1]))
	}
	return out, err
}

// AppendInformation appends the answer to AppendInformationRequest: items of the length that the infotype has, padded with
// zeros or cut. SAE J1979 has room for 255 items; further ones are left out.
func (d Dialect) AppendInformation(dst []byte, info Infotype, length int, items ...[]byte) []byte {
	items = items[:min(len(items), 0xFF)]
	if d == UDS {
		dst = append(dst, dataByID+positive, informationPage, byte(info))
	} else {
		dst = append(dst, vehicleInformation+positive, byte(info), byte(len(items)))
	}
	for _, item := range items {
		item = item[:min(len(item), length)]
		dst = append(dst, item...)
		for range length - len(item) {
			dst = append(dst, 0)
		}
	}
	return dst
}

// AppendInformationBitmap appends the answer to AppendInformationRequest for 00, 20 … E0.
func (d Dialect) AppendInformationBitmap(dst []byte, base byte, s *Support) []byte {
	bitmap := s.Bitmap(base)
	if d == UDS {
		dst = append(dst, dataByID+positive, informationPage, base)
	} else {
		dst = append(dst, vehicleInformation+positive, base)
	}
	return append(dst, bitmap[:]...)
}

// information is what follows the infotype, and its position.
func (d Dialect) information(info Infotype, answer []byte) (rest []byte, at int, err error) {
	if d == UDS {
		return identified(informationAnswer, informationPage, byte(info), answer)
	}
	if rest, err = head(informationAnswer, answer, vehicleInformation); err != nil {
		return nil, 0, err
	}
	if len(rest) == 0 || rest[0] != byte(info) {
		return nil, 0, wrong(informationAnswer, 1, fmt.Sprintf("infotype %02X", byte(info)), "% X", rest[:min(1, len(rest))])
	}
	return rest[1:], 2, nil
}

// items are one or more of a length, without the byte that counts them.
func (d Dialect) items(info Infotype, length int, answer []byte) (at int, rest []byte, err error) {
	rest, at, err = d.information(info, answer)
	if err != nil {
		return 0, nil, err
	}
	if counted := d == Classic || len(rest)%length == 1; counted && len(rest) > 0 {
		if n := int(rest[0]); len(rest)-1 != n*length {
			return 0, nil, wrong(informationAnswer, at, fmt.Sprintf("a count of items of %d bytes", length), "%d and %d bytes", n, len(rest)-1)
		}
		at, rest = at+1, rest[1:]
	}
	if len(rest) == 0 || len(rest)%length != 0 {
		return 0, nil, wrong(informationAnswer, at, fmt.Sprintf("items of %d bytes", length), "%d bytes", len(rest))
	}
	return at, rest, nil
}

func (d Dialect) one(info Infotype, length int, answer []byte) (at int, item []byte, err error) {
	at, item, err = d.items(info, length, answer)
	if err == nil && len(item) != length {
		err = wrong(informationAnswer, at, "one item", "%d", len(item)/length)
	}
	return at, item, err
}

// texts are items of printable characters. Zeros and spaces around them are padding, zeros inside become one space.
func (d Dialect) texts(info Infotype, length int, answer []byte) ([]string, error) {
	at, rest, err := d.items(info, length, answer)
	if err != nil {
		return nil, err
	}
	var out []string
	for ; len(rest) > 0; rest, at = rest[length:], at+length {
		for i, c := range rest[:length] {
			if c != 0 && (c < ' ' || c > '~') {
				return nil, wrong(informationAnswer, at+i, "a printable character", "%02X", c)
			}
		}
		words := bytes.FieldsFunc(rest[:length], func(r rune) bool { return r == 0 })
		out = append(out, strings.TrimSpace(string(bytes.Join(words, []byte(" ")))))
	}
	return out, nil
}
