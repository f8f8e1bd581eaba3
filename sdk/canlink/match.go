// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canlink

import (
	"bytes"

	"github.com/airassay/airassay/sdk/j1979"
)

const (
	// positive is added to a service to make that of its answer, and negative is the service of a refusal (ISO 14229-1).
	positive = 0x40
	negative = 0x7F
	// negativeLength is that of a refusal: 7F, service, code.
	negativeLength = 3
	// patience is the response code by which a control unit asks for more time (ISO 14229-1, requestCorrectlyReceived-ResponsePending).
	patience = 0x78
)

// answers says whether what may be only the beginning of an answer belongs to a request: by the service, and by the first
// parameter or identifier that it repeats, which may be any of those asked.
func answers(request, answer []byte) bool {
	switch {
	case len(request) == 0 || len(answer) == 0:
		return false
	case answer[0] == negative:
		return len(answer) > 1 && answer[1] == request[0]
	case answer[0] != request[0]+positive:
		return false
	}
	asked, got := request[1:], answer[1:]
	switch request[0] {
	case 0x01, 0x06, 0x09:
		return len(got) > 0 && bytes.IndexByte(asked, got[0]) >= 0
	case 0x02: // pairs of parameter and frame number
		return len(got) > 0 && repeats(asked, got[:1], 2)
	case 0x10, 0x19, 0x3E:
		const noAnswerWanted = 0x80
		return len(got) > 0 && len(asked) > 0 && got[0]&^noAnswerWanted == asked[0]&^noAnswerWanted
	case 0x22:
		return len(got) > 1 && repeats(asked, got[:2], 2)
	}
	return true
}

// repeats says whether one of the entries of a list begins with an echo.
func repeats(list, echo []byte, entry int) bool {
	for ; len(list) >= len(echo); list = list[min(entry, len(list)):] {
		if bytes.HasPrefix(list, echo) {
			return true
		}
	}
	return false
}

// current is the service of current data, and identified that of data by identifier; identifiers that begin with
// parameters hold those of the former (SAE J1979-2).
const (
	current    = 0x01
	identified = 0x22
	parameters = 0xF4
)

// holds says whether a whole answer holds nothing but what a request for several parameters asked; known tells that this can be said of the
// request.
func holds(request, answer []byte) (all, known bool) {
	var asked []byte
	coding := j1979.Coding{Dialect: j1979.Classic}
	switch {
	case len(request) > 2 && request[0] == current:
		asked = request[1:]
	case len(request) > 3 && request[0] == identified && len(request)%2 == 1:
		coding.Dialect = j1979.UDS
		var pids [128]byte
		asked = pids[:0]
		for i := 1; i < len(request) && len(asked) < len(pids); i += 2 {
			if request[i] != parameters {
				return false, false
			}
			asked = append(asked, request[i+1])
		}
	default:
		return false, false
	}
	for _, coding.FourBanks = range []bool{false, true} { // which of both nobody knows here
		var values [32]j1979.Value
		if _, err := coding.Decode(values[:0], asked, answer); err == nil {
			return true, true
		}
	}
	return false, true
}

// remembered is how many requests an answer may be late by.
const remembered = 16

// earlier keeps the last requests, to tell late answers from strange ones.
type earlier struct {
	requests [remembered][]byte
	next     int
}

func (e *earlier) add(request []byte) {
	at := &e.requests[e.next]
	*at = append((*at)[:0], request...)
	e.next = (e.next + 1) % remembered
}

// answered says whether an answer belongs to one of them.
func (e *earlier) answered(answer []byte) bool {
	for _, request := range e.requests {
		if answers(request, answer) {
			return true
		}
	}
	return false
}

// held says whether a whole answer holds what one of them asked.
func (e *earlier) held(answer []byte) bool {
	for _, request := range e.requests {
		if all, known := holds(request, answer); all && known && answers(request, answer) {
			return true
		}
	}
	return false
}
