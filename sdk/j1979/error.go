// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1979

import "fmt"

// DecodeError says what is wrong with a payload.
type DecodeError struct {
	// What the payload should have been, such as "an answer of service 01".
	What string
	// At is the position of the byte that is wrong, from 0 for the first of the payload; the payload's length where
	// something is missing at its end.
	At int
	// Want says what was expected there.
	Want string
	// Got says what stands there.
	Got string
}

// Error names all four.
func (e *DecodeError) Error() string {
	return fmt.Sprintf("%s is wrong at byte %d: expected %s, got %s", e.What, e.At, e.Want, e.Got)
}

func wrong(what string, at int, want, got string, gotArgs ...any) error {
	return &DecodeError{What: what, At: at, Want: want, Got: fmt.Sprintf(got, gotArgs...)}
}

// head takes the byte that begins a positive answer to a service off a payload. A negative response becomes a
// *NegativeError.
func head(what string, payload []byte, service byte) ([]byte, error) {
	switch {
	case len(payload) == 0:
		return nil, wrong(what, 0, fmt.Sprintf("%02X", service+positive), "nothing")
	case payload[0] == negative:
		return nil, refusedBy(what, payload, service)
	case payload[0] != service+positive:
		return nil, wrong(what, 0, fmt.Sprintf("%02X", service+positive), "%02X", payload[0])
	}
	return payload[1:], nil
}
