// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"encoding/hex"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strconv"
	"strings"

	"github.com/airassay/airassay/sdk/conformance"
)

const usage = `adaptercheck checks whether an adapter keeps the contract of airassay.adapter.v1beta1.

  adaptercheck [flags] EXECUTABLE [ARGUMENTS...]

EXECUTABLE is the adapter as a host starts it; PATH is not searched. The adapter is started once for each check. What
an unfinished adapter may do to a vehicle is not known: begin with a simulated one. The report goes to standard output,
progress to standard error. The exit status is 0 where the adapter conforms, 1 where it does not, 2 where the check
could not be run.

`

// command is what the arguments ask for.
type command struct {
	target  conformance.Executable
	options conformance.Options
	list    bool
	json    bool
	junit   string
	verbose bool
}

// texts collects the values of a flag that may be given more than once, or with commas.
type texts []string

func (t *texts) String() string { return strings.Join(*t, ",") }

func (t *texts) Set(s string) error {
	*t = append(*t, strings.Split(s, ",")...)
	return nil
}

// variables collects NAME=value.
type variables []string

func (v *variables) String() string { return strings.Join(*v, " ") }

func (v *variables) Set(s string) error {
	if name, _, ok := strings.Cut(s, "="); !ok || name == "" {
		return errors.New("write NAME=value")
	}
	*v = append(*v, s)
	return nil
}

// request is a diagnostic request as a flag.
type request struct{ to *conformance.Request }

func (r request) String() string {
	if r.to == nil || len(r.to.Payload) == 0 {
		return ""
	}
	return r.to.String()
}

// Set reads 0100, or 7E0:0100 for one control unit.
func (r request) Set(s string) error {
	target, payload, found := strings.Cut(s, ":")
	if !found {
		target, payload = "0", s
	}
	var err error
	if r.to.Target, err = strconv.ParseInt(target, 16, 64); err != nil {
		return fmt.Errorf("the control unit %q is no hexadecimal number", target)
	}
	if r.to.Payload, err = hex.DecodeString(strings.ReplaceAll(payload, " ", "")); err != nil || len(r.to.Payload) == 0 {
		return fmt.Errorf("the payload %q is no row of bytes such as 0100", payload)
	}
	return nil
}

// file is a flag that names a file to read.
type file struct{ to *string }

func (f file) String() string { return "" }

func (f file) Set(name string) error {
	data, err := os.ReadFile(name)
	if err != nil {
		return err
	}
	*f.to = string(data)
	return nil
}

// parse reads the arguments. Errors of usage have been written to errs.
func parse(args []string, errs io.Writer) (*command, error) {
	var (
		c                               command
		profiles, signals, only, fields texts
		env                             variables
		hands                           hands
	)
	o := &c.options
	f := flag.NewFlagSet("adaptercheck", flag.ContinueOnError)
	f.SetOutput(errs)
	f.Usage = func() {
		_, _ = io.WriteString(errs, usage)
		f.PrintDefaults()
	}
	f.Var(file{&o.Configuration}, "config", "`FILE` with the adapter's configuration, JSON")
	f.Var(file{&o.BadConfiguration}, "bad-config", "`FILE` with a configuration that the adapter must refuse")
	f.Var(&fields, "bad-field", "`FIELD` that is wrong in --bad-config and that the refusal must name; may be repeated")
	f.StringVar(&o.Device, "device", "", "`ID` of the device to use (default: the first that is listed)")
	f.Var(&profiles, "profile", "`PROFILE` to check: core, feed, link; may be repeated (default: those that the adapter describes)")
	f.Var(&only, "only", "`ID` of a check to run alone; may be repeated")
	f.Var(&signals, "signal", "VSS `PATH` to subscribe to; may be repeated (default: what the adapter describes)")
	f.StringVar(&o.Counter, "counter", "", "VSS `PATH` of a signal that goes up by 1 with each value, which shows lost and repeated ones")
	f.Var(request{&o.Requests.Answered}, "answered", "`REQUEST` that the vehicle answers, such as 0100, or 7E0:0100 for one control unit (default 0100)")
	f.Var(request{&o.Requests.Refused}, "refused", "`REQUEST` that the vehicle answers with a negative response")
	f.Var(request{&o.Requests.Silent}, "silent", "`REQUEST` that nobody answers")
	f.Var(request{&o.Requests.Garbled}, "garbled", "`REQUEST` whose answer breaks the transport's rules")
	f.BoolVar(&o.NoVehicle, "no-vehicle", false, "no vehicle is attached that could be hurt: also ask for what writes, clears and controls")
	f.StringVar(&hands.unplug, "unplug", "", "`PROGRAM` that takes the device away")
	f.StringVar(&hands.replug, "replug", "", "`PROGRAM` that brings it back")
	f.StringVar(&hands.silence, "silence", "", "`PROGRAM` that makes the vehicle stop answering")
	f.StringVar(&hands.wake, "wake", "", "`PROGRAM` that makes it answer again")
	f.StringVar(&hands.traffic, "traffic", "", "`PROGRAM` that prints how many frames were sent to the vehicle so far")
	f.Var(&env, "env", "variable for the adapter, `NAME=VALUE`; may be repeated")
	f.StringVar(&c.target.Dir, "dir", "", "`FOLDER` in which the adapter runs (default: its own)")
	f.StringVar(&o.Logs, "logs", "", "`FOLDER` that receives what the adapter writes, a file for each run")
	f.IntVar(&o.Attempts, "attempts", o.Attempts, "how often to try a check that did not pass, on a busy machine `N` (default 1)")
	f.DurationVar(&o.Timeout, "timeout", o.Timeout, "longest `TIME` for one check (default 2m0s)")
	f.DurationVar(&o.CallTimeout, "call-timeout", o.CallTimeout, "longest `TIME` for one call, for hardware that opens slowly (default 15s)")
	f.DurationVar(&o.SampleTimeout, "sample-timeout", o.SampleTimeout, "longest `TIME` to wait for the first sample (default 10s)")
	f.BoolVar(&c.list, "list", false, "list all checks with their sentences, and end")
	f.BoolVar(&c.json, "json", false, "write the report as JSON")
	f.StringVar(&c.junit, "junit", "", "also write the report as JUnit XML to `FILE`")
	f.BoolVar(&c.verbose, "verbose", false, "show what the adapter logs")
	if err := f.Parse(args); err != nil {
		return nil, err
	}
	o.Only, o.Signals, o.BadFields, c.target.Env = only, signals, fields, env
	for _, p := range profiles {
		o.Profiles = append(o.Profiles, conformance.Profile(p))
	}
	o.Hardware = hands.hardware()
	if c.list {
		return &c, nil
	}
	if f.NArg() == 0 {
		f.Usage()
		return nil, errors.New("no executable was named")
	}
	c.target.Path, c.target.Args = f.Arg(0), f.Args()[1:]
	return &c, nil
}

// hands are programs that act on the hardware.
type hands struct{ unplug, replug, silence, wake, traffic string }

func (h hands) hardware() conformance.Hardware {
	hardware := conformance.Hardware{Unplug: act(h.unplug), Replug: act(h.replug), Silence: act(h.silence), Wake: act(h.wake)}
	if h.traffic != "" {
		hardware.Traffic = func(ctx context.Context) (int64, error) { return count(ctx, h.traffic) }
	}
	return hardware
}

func act(program string) func(context.Context) error {
	if program == "" {
		return nil
	}
	return func(ctx context.Context) error {
		if out, err := exec.CommandContext(ctx, program).CombinedOutput(); err != nil {
			return fmt.Errorf("%s: %w: %s", program, err, strings.TrimSpace(string(out)))
		}
		return nil
	}
}

func count(ctx context.Context, program string) (int64, error) {
	out, err := exec.CommandContext(ctx, program).Output()
	if err != nil {
		return 0, fmt.Errorf("%s: %w", program, err)
	}
	n, err := strconv.ParseInt(strings.TrimSpace(string(out)), 10, 64)
	if err != nil {
		return 0, fmt.Errorf("%s prints no number: %w", program, err)
	}
	return n, nil
}
