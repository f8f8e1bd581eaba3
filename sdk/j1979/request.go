// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1979

import (
	"errors"
	"fmt"
	"slices"
)

const (
	currentData = 0x01 // SAE J1979
	dataByID    = 0x22 // ISO 14229-1
	// Identifiers F4xx carry the parameters of service 01, SAE J1979-2.
	parameterPage = 0xF4
)

const (
	// mostClassic is how many parameters a request of service 01 carries, SAE J1979 on ISO 15765-4.
	mostClassic = 6
	// mostUDS is how many identifiers CheckReadOnly lets a request carry; a control unit may take fewer.
	mostUDS = 8
)

// ErrBadRequest says that a request cannot be written, or is none that this package knows.
var ErrBadRequest = errors.New("the request is not possible")

// MaxParameters is how many parameters a request may carry. A control unit may take fewer, above all of UDS, and then
// refuses with a code for which Code.TooMuch or Code.Lacks holds, or leaves some out.
func (d Dialect) MaxParameters() int {
	if d == UDS {
		return mostUDS
	}
	return mostClassic
}

// AppendRequest appends the payload that asks for parameters: 01 and the parameters, or 22 and their identifiers. The
// error wraps ErrBadRequest; dst is then returned as it was.
func (d Dialect) AppendRequest(dst []byte, pids ...byte) ([]byte, error) {
	if len(pids) == 0 || len(pids) > d.MaxParameters() {
		return dst, fmt.Errorf("%w: it would carry %d parameters; 1 to %d go", ErrBadRequest, len(pids), d.MaxParameters())
	}
	if len(pids) > 1 {
		for i, pid := range pids {
			if Alone(pid) || slices.Contains(pids[:i], pid) {
				return dst, fmt.Errorf("%w: parameter %02X must be asked for alone, and each parameter once", ErrBadRequest, pid)
			}
		}
	}
	if d == Classic {
		return append(append(dst, currentData), pids...), nil
	}
	dst = append(dst, dataByID)
	for _, pid := range pids {
		dst = append(dst, parameterPage, pid)
	}
	return dst, nil
}

// ReadRequest appends to dst the parameters that a request of this dialect asks for; it is the inverse of AppendRequest.
// The error wraps ErrBadRequest.
func (d Dialect) ReadRequest(dst, payload []byte) ([]byte, error) {
	service, width := byte(currentData), 1
	if d == UDS {
		service, width = dataByID, 2
	}
	if len(payload) < 1+width || payload[0] != service {
		return dst, fmt.Errorf("%w: % X is no request for parameters by service %02X", ErrBadRequest, payload, service)
	}
	rest := payload[1:]
	if len(rest)%width != 0 || len(rest)/width > d.MaxParameters() {
		return dst, fmt.Errorf("%w: service %02X with %d bytes after it", ErrBadRequest, service, len(rest))
	}
	out := dst
	for ; len(rest) > 0; rest = rest[width:] {
		if width == 2 && rest[0] != parameterPage {
			return dst, fmt.Errorf("%w: identifier %02X%02X is no parameter", ErrBadRequest, rest[0], rest[1])
		}
		out = append(out, rest[width-1])
	}
	return out, nil
}
