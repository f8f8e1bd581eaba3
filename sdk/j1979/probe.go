// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package j1979

import (
	"errors"
	"fmt"
)

// ErrNoDialect says that a control unit speaks none of those that this package knows.
var ErrNoDialect = errors.New("the control unit answers neither service 01 nor service 22 with parameters")

// ChooseDialect tells how a control unit is to be asked, from its answers to AppendRequest for parameter 00 in both
// dialects; nil stands for no answer. Of two that work Classic is chosen, because it takes six parameters in a request for
// sure. The set has what the bitmap says. An error wraps ErrNoDialect and says what was wrong with each answer.
func ChooseDialect(classic, uds []byte) (Dialect, Support, error) {
	var errs [2]error
	for d, answer := range [2][]byte{Classic: classic, UDS: uds} {
		c, s := Coding{Dialect: Dialect(d)}, Support{}
		switch err := c.ReadSupport(&s, []byte{0}, answer); {
		case answer == nil:
			errs[d] = fmt.Errorf("%v: no answer", c.Dialect)
		case err != nil:
			errs[d] = fmt.Errorf("%v: %w", c.Dialect, err)
		case s == Support{}:
			errs[d] = fmt.Errorf("%v: the bitmap is empty", c.Dialect)
		default:
			return c.Dialect, s, nil
		}
	}
	return Classic, Support{}, fmt.Errorf("%w; %w; %w", ErrNoDialect, errs[0], errs[1])
}
