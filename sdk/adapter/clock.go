// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapter

import "time"

// Time is an instant in microseconds of the adapter's monotonic clock, which starts with the process. Zero means "not
// stated": where a time may be left out, the SDK puts in its own.
type Time int64

var epoch = time.Now()

// Now reads the adapter's clock. It never goes back, whatever happens to the time of day. Safe for concurrent use.
func Now() Time { return At(time.Now()) }

// At converts an instant that time.Now gave, whose monotonic reading counts. Safe for concurrent use.
func At(t time.Time) Time { return Time(t.Sub(epoch).Microseconds()) }

// Add gives the instant a duration later.
func (t Time) Add(d time.Duration) Time { return t + Time(d.Microseconds()) }

// Sub gives the duration from an earlier instant to t.
func (t Time) Sub(earlier Time) time.Duration { return time.Duration(t-earlier) * time.Microsecond }
