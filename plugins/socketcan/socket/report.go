// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package socket

import (
	"strings"

	"github.com/airassay/airassay/sdk/canlink"
	"github.com/airassay/airassay/sdk/isotp"
)

// Classes of error frames, bits of their identifier (linux/can/error.h).
const (
	classTimeout      = 0x001
	classArbitration  = 0x002
	classController   = 0x004
	classProtocol     = 0x008
	classTransceiver  = 0x010
	classNoAck        = 0x020
	classOff          = 0x040
	classBus          = 0x080
	classRestarted    = 0x100
	classCounters     = 0x200
	errorClasses      = 0x3FF
	wantedErrorFrames = errorClasses &^ classArbitration // losing arbitration is how CAN shares a bus
)

// The state of the controller, bits of byte 1 of an error frame (linux/can/error.h).
const (
	stateReceiveOverflow  = 0x01
	stateTransmitOverflow = 0x02
	stateWarning          = 0x04 | 0x08 // receiving, transmitting
	statePassive          = 0x10 | 0x20 // receiving, transmitting
	stateActive           = 0x40
)

// Report is what a controller says of its bus in one error frame.
type Report struct {
	// Off says that the controller has left the bus after too many errors; it sends and hears nothing.
	Off bool
	// Restarted says that it has come back to the bus.
	Restarted bool
	// Passive says that its error counters have passed 127 (ISO 11898-1); Warning that they have passed 95.
	Passive, Warning bool
	// NoAck says that a frame was sent and no other node acknowledged it.
	NoAck bool
	// Overflow says that the controller lost frames because they were not fetched in time.
	Overflow bool
	// TransmitErrors and ReceiveErrors are its error counters; 0 where it does not tell them.
	TransmitErrors, ReceiveErrors int
	// classes are all that the frame said.
	classes uint32
}

// readError reads an error frame that decode has recognised.
func readError(f *isotp.Frame) Report {
	r := Report{classes: f.ID & errorClasses}
	r.Off, r.Restarted, r.NoAck = f.ID&classOff != 0, f.ID&classRestarted != 0, f.ID&classNoAck != 0
	if f.ID&classController != 0 {
		state := f.Data[1]
		r.Overflow = state&(stateReceiveOverflow|stateTransmitOverflow) != 0
		r.Warning, r.Passive = state&stateWarning != 0, state&statePassive != 0
	}
	// Controllers fill the counters in whether or not they set the class; the kernel made that class in 6.0.
	if f.ID&(classCounters|classController|classOff) != 0 {
		r.TransmitErrors, r.ReceiveErrors = int(f.Data[6]), int(f.Data[7])
	}
	return r
}

// trouble says whether a report means that the bus does not carry frames as it should. A controller that is well again,
// one that only warns and one that was read too slowly mean no such thing.
func (r *Report) trouble() bool {
	return r.Off || r.Passive || r.NoAck || r.classes&(classTimeout|classProtocol|classTransceiver|classBus) != 0
}

// busError is a report of trouble as an error of the bus.
func (r *Report) busError(name string) *canlink.BusError {
	return &canlink.BusError{Off: r.Off, Passive: r.Passive, NoAcknowledge: r.NoAck, Detail: name + ": " + r.String()}
}

// stuck is the error of a frame that the controller does not get rid of, after its last report. Where the controller says
// nothing, the likeliest reason is that no other node acknowledges; many controllers do not report that.
func (r *Report) stuck(name, what string) *canlink.BusError {
	silent := !r.trouble()
	e := &canlink.BusError{Off: r.Off, Passive: r.Passive, NoAcknowledge: r.NoAck || silent, Detail: name + ": " + what}
	if !silent {
		e.Detail += ": " + r.String()
	}
	return e
}

// String says it in words.
func (r *Report) String() string {
	var said []string
	for _, word := range []struct {
		holds bool
		text  string
	}{
		{r.Off, "the controller has left the bus after too many errors (bus-off)"},
		{r.Restarted, "the controller is back on the bus"},
		{r.NoAck, "no other node acknowledges what is sent"},
		{r.Passive, "the controller is error-passive"},
		{r.Warning, "the controller's error counters are high"},
		{r.Overflow, "the controller lost frames"},
		{r.classes&classTimeout != 0, "sending timed out"},
		{r.classes&classTransceiver != 0, "the transceiver reports a fault of the wires"},
		{r.classes&(classProtocol|classBus) != 0, "frames arrive damaged, as with a wrong bit rate, a missing termination or a bad contact"},
	} {
		if word.holds {
			said = append(said, word.text)
		}
	}
	if len(said) == 0 {
		return "the controller reports on itself"
	}
	return strings.Join(said, "; ")
}
