// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package adapter

import (
	"context"
	"time"
)

// Adapter is what an author writes: one type that knows one kind of interface hardware. Serve calls Describe once before
// anything else; Configure is called alone of its kind and while nothing is open, Devices at any time, Open for several
// devices at once but only once for each.
//
// Each method observes its context: it returns within a second of the context's end. An error that says what happened
// (ErrUnplugged and its like, possibly wrapped) reaches the host as such; any other is reported as a defect of the
// adapter. A panic is caught, logged with its stack and reported as a defect.
type Adapter interface {
	// Describe says what the adapter is. It needs no hardware and no configuration.
	Describe() Description
	// Configure reads the administrator's configuration, a JSON object ("{}" where there is none; Decode is a strict
	// reader for it), and returns what puts it to use. The host may only be asking whether the configuration is good, so
	// Configure itself changes nothing; use is called once, and only if the answer is to take effect. No device is
	// open then. A nil use means that there is nothing to do.
	//
	// A configuration that cannot be used is a *ConfigurationError.
	Configure(ctx context.Context, configuration []byte) (use func(), err error)
	// Devices looks for hardware. It disturbs no open device and sends nothing to a vehicle. Nothing found is an empty
	// list.
	Devices(ctx context.Context) ([]Device, error)
	// Open takes a device that Devices listed and that is not open. On failure it leaves the hardware as it was.
	// Hardware that is gone is ErrUnplugged; hardware that another program holds is ErrBusy. The context is that of
	// opening, not of the connection's life.
	Open(ctx context.Context, id string) (Conn, error)
}

// Description says what an adapter is.
type Description struct {
	// Name has lower-case letters, digits and hyphens, at most 40, and is the name in the manifest.
	Name string
	// Version is a semantic version, such as 1.4.0.
	Version string
	// Summary is one sentence for people.
	Summary string
	// Abilities lists what every Conn of this adapter offers. What is not listed is never called.
	Abilities []Ability
	// FeedSignals lists the VSS paths that a feed may offer; empty where only the vehicle decides.
	FeedSignals []string
	// Deprecations warn the administrator of what will stop working, a sentence each. They are logged at start as well.
	Deprecations []string
}

// Ability is something that an adapter may offer.
type Ability int

// The abilities.
const (
	// AbilityFeed says that every Conn is a Feeder.
	AbilityFeed Ability = iota + 1
	// AbilityLink says that every Conn is a Linker.
	AbilityLink
)

// Device is one piece of hardware.
type Device struct {
	// ID is unique in the adapter and stays the same while the device is plugged in: lower-case letters, digits,
	// hyphens and dots, at most 60.
	ID string
	// Name is what people call it.
	Name string
	// Location says where it is attached, such as a port or an address.
	Location string
	// Serial is its serial number; empty where there is none.
	Serial string
}

// Conn is an open device. What it can do it says by being a Feeder, a Linker or both; what is known of its clock by
// being a Detailer.
type Conn interface {
	// Close gives the hardware back. It is called once. Feed and Request have been asked to end before; where one of
	// them is slow, Close runs while it still does, and must make it return.
	Close() error
}

// Detailer is a Conn that knows more about its hardware.
type Detailer interface {
	// Details is called once, after Open.
	Details() Details
}

// Details are facts about an open device.
type Details struct {
	// HardwareTime says that the times of samples and answers were stamped by the hardware or the kernel, not by the
	// adapter.
	HardwareTime bool
	// RecordedTime says that nothing is measured now: a recording is played or a vehicle is simulated. Times begin at
	// the adapter's clock, keep the distances of the recording, and may run ahead of the clock. It goes before
	// HardwareTime.
	RecordedTime bool
	// MaxRequestsPerS is the fastest rate of requests that the hardware stands; 0 where not known.
	MaxRequestsPerS float64
}

// Feeder is a Conn that delivers samples.
type Feeder interface {
	// Signals says what of the wanted signals can be had, each with its unit and its uncertainty. The answer may be
	// in any order, and may hold more than what is wanted; a wanted signal that it lacks is reported as unsupported. It is called
	// before Feed starts, and whenever what is wanted changes, then while Feed runs: a port that both use needs a mutex.
	//
	// Where it must ask the vehicle and gets no answer, it returns ErrSilent, or ErrGarbled for a garbled one. Before Feed
	// that refuses the feed, and the host tries again; while Feed runs it ends nothing, what could be had stays so.
	Signals(ctx context.Context, wanted []Wanted) ([]Signal, error)
	// Feed sends samples to the sink until the context ends, and then returns within a second, with nothing more sent
	// to the vehicle. It runs at most once at a time for each Conn. sink.Wanted says what to send; it changes while
	// Feed runs. For a box that is asked for each value, Poll does all of it.
	//
	// ErrUnplugged ends the feed. After ErrSilent and ErrGarbled the SDK reports the state of the link, marks the gap and
	// calls Feed again a second later.
	Feed(ctx context.Context, sink *Sink) error
}

// Wanted is a signal that the host wants.
type Wanted struct {
	// Path is its VSS path.
	Path string
	// RateHz is how often, in samples per second; 0 for as often as goes.
	RateHz float64
	// Group, above 0, is shared by signals that are wanted close together in time.
	Group int
}

// Signal says how a signal can be had, or why it cannot.
type Signal struct {
	// Path is its VSS path.
	Path string
	// Unit is the unit of its values as VSS spells it, such as g/s; empty for counts and flags.
	Unit string
	// Resolution is the smallest step of the value; 0 where not known.
	Resolution float64
	// Uncertainty is the half-width of the interval in which a value is taken. It must be above 0, unless each sample
	// carries its own.
	Uncertainty time.Duration
	// Refresh is how often the vehicle refreshes the value; 0 where not known.
	Refresh time.Duration
	// Err says why the signal cannot be had, such as ErrUnsupportedSignal or a *NegativeResponseError; nil if it can.
	Err error
}

// Sample is one value of one signal at one instant.
type Sample struct {
	// Path names the signal.
	Path string
	// Value is finite, and in the signal's unit.
	Value float64
	// Time is when the value was taken, by the adapter's clock; zero for now. It does not decrease within a signal.
	Time Time
	// Uncertainty is the half-width of the interval in which this value was taken; zero where the signal's own holds.
	Uncertainty time.Duration
}

// LinkCondition is how the link to the vehicle stands.
type LinkCondition int

// The conditions of a link.
const (
	// LinkUp says that the vehicle answers.
	LinkUp LinkCondition = iota + 1
	// LinkSilent says that the vehicle does not answer.
	LinkSilent
	// LinkBusErrors says that the bus reports errors and that the adapter backs off.
	LinkBusErrors
)

// Linker is a Conn that carries diagnostic requests.
type Linker interface {
	// Request sends one request and returns the answer of each control unit. Requests of one Conn are made one after the
	// other; each has passed the read-only rule. Nobody answering is ErrSilent, or no answer; an answer that breaks the
	// transport's rules is ErrGarbled, after which the next request works; a negative response is an answer like any
	// other. Only 7F … 78 is none yet: it asks for patience, up to 5 seconds (P2*CAN,max of ISO 15765-4) for what follows
	// it, and again where that is another. Return what came in the end.
	Request(ctx context.Context, request Request) (Answers, error)
}

// Request is one diagnostic request.
type Request struct {
	// Payload has the service byte first, such as 01 0C; the transport is the Conn's business.
	Payload []byte
	// Target is the control unit asked, as the link addresses it, such as 0x7E0 on CAN; 0 for all.
	Target int64
	// Timeout is how long to wait for the first answer, at most 5 seconds.
	Timeout time.Duration
	// Expected is the number of answers after which to return; 0 waits for all that come within the protocol's time.
	Expected int
}

// Answers are what came back on one request.
type Answers struct {
	// Sent is when the request was on the wire; zero for when Request was called.
	Sent Time
	// Answers are in the order of their arrival.
	Answers []Answer
}

// Answer is what one control unit answered.
type Answer struct {
	// Source is who answered, as the link addresses it, such as 0x7E8 on CAN, where sdk/poll then asks 0x7E0.
	Source int64
	// Payload has the service byte first; 7F … for a negative response.
	Payload []byte
	// Received is when its first frame came; zero for when Request returned.
	Received Time
	// Uncertainty is the half-width of Received's uncertainty; zero for the whole time since Sent.
	Uncertainty time.Duration
}
