// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package canlink

import (
	"errors"
	"fmt"
	"log/slog"
	"time"

	"github.com/airassay/airassay/sdk/isotp"
)

// Times of ISO 15765-4 and ISO 15765-3.
const (
	// usualP2 is P2CAN,max: how long a control unit may take to begin its answer.
	usualP2 = 50 * time.Millisecond
	// usualP2Star is P2*CAN,max: how long it may take after it asked for patience (response code 78).
	usualP2Star = 5 * time.Second
	// usualCr is N_Cr of the tester.
	usualCr = 150 * time.Millisecond
	// usualAs is four times N_As, because Send includes the driver's time.
	usualAs = 100 * time.Millisecond
	// allowance is for the frames' own time and for the wait of an answer on a busy bus, which P2 leaves out.
	allowance = 5 * time.Millisecond
)

const (
	// usualUncertainty covers the time of a frame on the bus (up to 0.64 ms at 250 kbit/s with 29 bits), taken as half-width.
	usualUncertainty = 500 * time.Microsecond
	// usualListening sees a few rounds of a vehicle's own frames, most of which repeat within 100 ms.
	usualListening = 300 * time.Millisecond
	// usualTimeout serves a request that states none.
	usualTimeout = time.Second
)

// Options are what may be set; the zero value probes and keeps the standard's times.
type Options struct {
	// Addressing is how control units are addressed. Zero probes at the first request.
	Addressing Addressing
	// BitRate is that of the bus in bit/s, for logs only; 0 where nobody knows.
	BitRate int
	// P2 is how long to wait for further answers once one came; zero for 50 ms.
	P2 time.Duration
	// P2Star is how long to wait after a control unit asked for patience; zero for 5 s.
	P2Star time.Duration
	// Timeouts are those of the transport; zero for N_As 100 ms, N_Cr 150 ms, and the usual ones else.
	Timeouts isotp.Timeouts
	// Uncertainty is the half-width of the uncertainty of the bus's receive times; zero for 0.5 ms.
	Uncertainty time.Duration
	// Listening is how long a probe listens before it sends; zero for 300 ms.
	Listening time.Duration
	// Fill is the byte that fills a request up to 8 bytes.
	Fill byte
	// Log takes what was refused, and what went wrong on the bus; nil for slog's default.
	Log *slog.Logger
}

func (o Options) completed() (Options, error) {
	if min(o.P2, o.P2Star, o.Uncertainty, o.Listening) < 0 {
		return o, errors.New("options of the CAN link: a time is negative; use more than 0, or 0 for the standard's")
	}
	if o.Addressing > Bits29 {
		return o, fmt.Errorf("options of the CAN link: addressing %d is not known; use Bits11, Bits29, or 0 to probe", o.Addressing)
	}
	for _, d := range []struct {
		at    *time.Duration
		usual time.Duration
	}{
		{&o.P2, usualP2}, {&o.P2Star, usualP2Star}, {&o.Uncertainty, usualUncertainty}, {&o.Listening, usualListening},
		{&o.Timeouts.As, usualAs}, {&o.Timeouts.Cr, usualCr},
	} {
		if *d.at == 0 {
			*d.at = d.usual
		}
	}
	if o.Log == nil {
		o.Log = slog.Default()
	}
	return o, nil
}
