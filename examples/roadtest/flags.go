// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package main

import (
	"errors"
	"fmt"
	"io"
	"net"
	"regexp"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/pflag"
)

const program = "roadtest"

const about = `Usage: roadtest [FLAGS] RECORDING

Pushes a recording to an Airassay server as if it were driven now, shows how far
the drive has come, and ends with the verdict as a page, or as JSON.

RECORDING is a file in Airassay's own format, or another logger's whose headers
leave nothing open; for others name a mapping. Facts about vehicle and day come
from --vehicle, or from vehicle.json beside the recording.

A server that goes away is waited for, and every sample arrives once. When the
program itself is ended, it leaves the session open and says how to go on.

Flags:
`

const statuses = `
Exit status: 0 there is a verdict, whatever it says; 1 the server takes no more of
this drive, such as when somebody else has closed the session; 2 the call or its
input cannot be used; 69 the server was away for longer than --wait; 70 internal
failure; 130 ended by Ctrl-C.

A second person reads the screen; the driver drives. The vehicle maker's service
information, local law and licensed practice come before anything shown here.
`

// options is what the user asks for.
type options struct {
	server, tlsCA             string
	vehicle, mapping          string
	speed                     speed
	json                      bool
	resume, reference         string
	secondPerson, dynamometer bool
	wait                      time.Duration
	recording                 string
}

// usageError is a call that cannot be meant.
type usageError struct{ text string }

func (e *usageError) Error() string { return e.text }

func usage(format string, args ...any) error { return &usageError{fmt.Sprintf(format, args...)} }

func (o *options) flags() *pflag.FlagSet {
	flags := pflag.NewFlagSet(program, pflag.ContinueOnError)
	flags.SetOutput(io.Discard)
	flags.SortFlags = false
	flags.StringVar(&o.server, "server", "127.0.0.1:7632", "push to the server at this `ADDRESS`, HOST:PORT or unix:/PATH")
	flags.StringVar(&o.tlsCA, "tls-ca", "", "speak TLS, and believe the certificate authorities in this PEM `FILE`")
	flags.StringVar(&o.vehicle, "vehicle", "", "read the facts about vehicle and day from this `FILE` (JSON or YAML)")
	flags.StringVar(&o.mapping, "mapping", "", "read the recording by this mapping `FILE`")
	o.speed = 1
	flags.Var(&o.speed, "speed", "drive this many times as fast as it was recorded, or max for as\nfast as the server takes it")
	flags.BoolVar(&o.json, "json", false, "print one airassay.v1beta1.Verdict in JSON instead of a page")
	flags.StringVar(&o.reference, "reference", "", "your own `KEY` for the session, such as a work order")
	flags.BoolVar(&o.secondPerson, "second-person", false, "confirm that a second person reads the screen while the driver\ndrives; without this or --dynamometer no full-load pull is asked for")
	flags.BoolVar(&o.dynamometer, "dynamometer", false, "confirm that the test is driven on a dynamometer")
	flags.StringVar(&o.resume, "resume", "", "go on with a drive that was ended: the `NAME` of its capture, or of\nits session")
	flags.DurationVar(&o.wait, "wait", time.Minute, "give up when the server has been away for this long")
	return flags
}

func help() string { return about + new(options).flags().FlagUsages() + statuses }

// parse reads the call. pflag.ErrHelp asks for help.
func parse(args []string) (*options, error) {
	o := new(options)
	flags := o.flags()
	if err := flags.Parse(args); errors.Is(err, pflag.ErrHelp) {
		return nil, err
	} else if err != nil {
		return nil, usage("%v", err)
	}
	switch flags.NArg() {
	case 0:
		return nil, usage("the recording is missing: name one file")
	case 1:
		o.recording = flags.Arg(0)
	default:
		return nil, usage("%d recordings are named (%q); name one file", flags.NArg(), flags.Args())
	}
	return o, o.check(flags)
}

// resumable is the name of a session, or of a capture in one.
var resumable = regexp.MustCompile(`^sessions/[a-z0-9]{1,40}(/captures/[a-z0-9]{1,40})?$`)

func (o *options) check(flags *pflag.FlagSet) error {
	if _, port, err := net.SplitHostPort(o.server); !strings.HasPrefix(o.server, "unix:") && (err != nil || port == "") {
		return usage("--server is %q; expected HOST:PORT, such as 127.0.0.1:7632, or unix:/PATH", o.server)
	}
	if o.wait <= 0 {
		return usage("--wait is %s; expected more than nothing, such as 60s or 5m", o.wait)
	}
	for _, name := range []string{"vehicle", "mapping", "resume", "tls-ca"} {
		if flags.Changed(name) && flags.Lookup(name).Value.String() == "" {
			return usage("--%s is empty: give it a value or leave it out", name)
		}
	}
	if o.resume == "" {
		return nil
	}
	if !resumable.MatchString(o.resume) {
		return usage("--resume is %q; expected a name that an earlier call has printed, sessions/… or sessions/…/captures/…", o.resume)
	}
	for _, name := range []string{"vehicle", "reference", "second-person", "dynamometer"} {
		if flags.Changed(name) {
			return usage("--%s belongs to a new drive; the session that --resume names has its own already", name)
		}
	}
	return nil
}

// speed is how many times as fast as recorded a drive is pushed; 0 is as fast as can be.
// It is a pflag.Value.
type speed float64

const (
	fastest = "max"
	// The bounds keep the arithmetic of times finite; nobody waits a hundred times as long.
	minSpeed, maxSpeed = 0.01, 1e6
)

func (s *speed) Type() string { return "N|max" }

func (s *speed) String() string {
	if *s == 0 {
		return fastest
	}
	return strconv.FormatFloat(float64(*s), 'g', -1, 64)
}

func (s *speed) Set(text string) error {
	if text == fastest {
		*s = 0
		return nil
	}
	x, err := strconv.ParseFloat(text, 64)
	if err != nil || !(x >= minSpeed && x <= maxSpeed) {
		return fmt.Errorf("expected max, or a number from %g to %g", minSpeed, maxSpeed)
	}
	*s = speed(x)
	return nil
}
