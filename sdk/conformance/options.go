// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package conformance

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"github.com/airassay/airassay/sdk/j1979"
)

// Options say how an adapter is checked. Every zero value stands for the default.
type Options struct {
	// Configuration is the JSON that is handed to the adapter; empty for none.
	Configuration string
	// BadConfiguration is JSON that the adapter must refuse. Where it is empty, the kit tries text that is no JSON, and
	// skips what needs a refusal if the adapter takes that.
	BadConfiguration string
	// BadFields are the fields that are wrong in BadConfiguration, each of which the refusal must name.
	BadFields []string
	// Device is the id of the device to use; by default the first that is listed.
	Device string
	// Profiles to check; by default those that fit what the adapter describes.
	Profiles []Profile
	// Only limits the run to these checks, by id. The report then claims no conformance, only that they passed.
	Only []string

	// Signals to subscribe to, as VSS paths; by default what the adapter describes, else common ones of SAE J1979.
	Signals []string
	// Counter is a signal whose value goes up by exactly 1 with each value that there is, such as a test generator sends.
	// With it the kit sees whether values are lost, repeated or made up.
	Counter string
	// Requests say what the vehicle on the bench answers.
	Requests Requests
	// NoVehicle says that what is attached cannot be hurt: a simulated vehicle, or none. Only then the kit asks for what
	// writes, clears or controls, to see that the adapter refuses it.
	NoVehicle bool
	// Hardware holds hands that pull plugs.
	Hardware Hardware

	// Timeout bounds each check; 2 minutes by default.
	Timeout time.Duration
	// CallTimeout bounds each call that has no bound in the contract, such as OpenDevice; 15 seconds by default.
	CallTimeout time.Duration
	// SampleTimeout is how long to wait for the first sample of a feed; 10 seconds by default.
	SampleTimeout time.Duration
	// Attempts is how often a check is tried that did not pass, before that counts; 1 by default. Many of the contract's
	// times are short, and a machine that is busy with other things misses them now and then; a fault stays.
	Attempts int
	// Parallel is how many checks run at once; 1 by default, because most hardware can be opened only once.
	Parallel int
	// Logs is a folder into which the kit writes what each process printed, a file each; empty for none.
	Logs string
	// Verbose receives each line that the adapter writes on standard error; nil for nobody.
	Verbose io.Writer
	// Progress is called when a check begins and when it ends, one call at a time; nil for nobody.
	Progress func(Progress)
}

// Requests say what the vehicle on the bench answers. All of them must be requests that only read.
type Requests struct {
	// Answered is a request that the vehicle answers; 01 00 to all by default, which every OBD vehicle answers.
	Answered Request
	// Refused is a request that the vehicle answers with a negative response. By default the kit tries 22 F4 FE.
	Refused Request
	// Silent is a request that nobody answers.
	Silent Request
	// Garbled is a request whose answer breaks the transport's rules.
	Garbled Request
}

// Request is one diagnostic request.
type Request struct {
	// Payload has the service byte first; empty where there is none.
	Payload []byte
	// Target is the control unit asked, as the link addresses it; 0 for all.
	Target int64
}

func (r Request) String() string {
	if r.Target == 0 {
		return fmt.Sprintf("% X", r.Payload)
	}
	return fmt.Sprintf("% X to %X", r.Payload, r.Target)
}

// Hardware holds functions that act on the hardware under test. Each returns once that is done. What is nil is not done,
// and the checks that need it are skipped.
type Hardware struct {
	// Unplug takes the device away; Replug brings it back. They come together.
	Unplug, Replug func(context.Context) error
	// Silence makes the vehicle stop answering; Wake makes it answer again. They come together.
	Silence, Wake func(context.Context) error
	// Traffic counts what has been sent to the vehicle so far, in frames, as a monitor on the bus sees it.
	Traffic func(context.Context) (int64, error)
}

// Progress is news of a running check.
type Progress struct {
	// Item is the check.
	Item Item
	// Result is nil when the check begins.
	Result *Result
	// Total is how many checks were chosen.
	Total int
}

// limits are the times and sizes of the contract, and how long the kit looks.
type limits struct {
	start        time.Duration // C2
	cancel       time.Duration // C3, S12
	lifelineExit time.Duration // K1
	noLifeline   time.Duration // K2
	beat         time.Duration // K3
	shutdownExit time.Duration // Q1
	batch        time.Duration // S7
	slack        time.Duration // for the way there and back and a busy machine
	jitter       time.Duration // the same, where many measurements are made
	record       time.Duration // how long a feed is recorded
	stall        time.Duration // how long a slow reader does not read
	openings     int           // of X3-100
}

func contractLimits() limits {
	return limits{
		start: 10 * time.Second, cancel: time.Second, lifelineExit: 5 * time.Second, noLifeline: 10 * time.Second,
		beat: time.Second, shutdownExit: 2 * time.Second, batch: 200 * time.Millisecond,
		slack: 500 * time.Millisecond, jitter: 100 * time.Millisecond,
		record: 3 * time.Second, stall: 3 * time.Second, openings: 100,
	}
}

func orDefault[T comparable](v *T, fallback T) {
	if *v == *new(T) {
		*v = fallback
	}
}

func (o *Options) fill() {
	orDefault(&o.Timeout, 2*time.Minute)
	orDefault(&o.CallTimeout, 15*time.Second)
	orDefault(&o.SampleTimeout, 10*time.Second)
	orDefault(&o.Attempts, 1)
	orDefault(&o.Parallel, 1)
	if len(o.Requests.Answered.Payload) == 0 {
		o.Requests.Answered.Payload = []byte{0x01, 0x00}
	}
}

// check says everything that is wrong with the options.
func (o *Options) check() error {
	var wrong []error
	for _, p := range o.Profiles {
		if !slices.Contains(profiles(), p) {
			wrong = append(wrong, fmt.Errorf("there is no profile %q; use %v", p, profiles()))
		}
	}
	for _, id := range o.Only {
		if !slices.ContainsFunc(catalogue(), func(c check) bool { return c.ID == id }) {
			wrong = append(wrong, fmt.Errorf("there is no check %q; adaptercheck --list shows them", id))
		}
	}
	for name, r := range map[string]Request{
		"Answered": o.Requests.Answered, "Refused": o.Requests.Refused, "Silent": o.Requests.Silent, "Garbled": o.Requests.Garbled,
	} {
		if len(r.Payload) == 0 {
			continue
		}
		if err := j1979.CheckReadOnly(r.Payload); err != nil {
			wrong = append(wrong, fmt.Errorf("request %s cannot be used: %w", name, err))
		}
	}
	if (o.Hardware.Unplug == nil) != (o.Hardware.Replug == nil) {
		wrong = append(wrong, errors.New("what unplugs and what replugs come together: give both or none"))
	}
	if (o.Hardware.Silence == nil) != (o.Hardware.Wake == nil) {
		wrong = append(wrong, errors.New("what silences and what wakes come together: give both or none"))
	}
	for name, d := range map[string]time.Duration{"Timeout": o.Timeout, "CallTimeout": o.CallTimeout, "SampleTimeout": o.SampleTimeout} {
		if d < 0 {
			wrong = append(wrong, fmt.Errorf("%s is %v; use a time above 0", name, d))
		}
	}
	if o.Attempts < 0 {
		wrong = append(wrong, fmt.Errorf("field Attempts is %d; use 1 or more", o.Attempts))
	}
	if o.Parallel < 0 {
		wrong = append(wrong, fmt.Errorf("field Parallel is %d; use 1 or more", o.Parallel))
	}
	if len(o.BadFields) > 0 && o.BadConfiguration == "" {
		wrong = append(wrong, errors.New("fields that are wrong were named without a bad configuration: give one"))
	}
	return errors.Join(wrong...)
}
