// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/pflag"

	pb "github.com/airassay/airassay/api/airassay/v1beta1"
	"github.com/airassay/airassay/plugins/simulator"
	"github.com/airassay/airassay/sdk/page"
	"github.com/airassay/airassay/sdk/page/wording"
)

const demoLong = `Drives a whole road test without any hardware: starts a server on this machine,
lets it run the simulator as a process of its own, opens a session over gRPC,
captures the drive of a simulated vehicle, shows how far it has come and how
much air flowed in the pulls, and ends with the verdict and its advice. In the
end it tells what was really wrong with the vehicle, which the server never
knew.

Nothing is kept unless --data names a directory. Without SCENARIO it drives the
van; --list shows the others.
`

// demoSpeed lets ten minutes of driving pass in about ten seconds, in which one can still read along.
const demoSpeed = 60

// DemoOptions say what is driven, and how.
type DemoOptions struct {
	// Scenario is the name of one that comes with the simulator.
	Scenario string
	// Speed is a multiple of real time.
	Speed float64
	// Data keeps what is driven; a temporary directory where it is empty.
	Data string
	// Program is started in the simulator's role; the running program where it is empty.
	Program string
}

func demoCommand() command {
	return command{
		name: "demo", arguments: "[SCENARIO]", about: "drive a road test with a simulated vehicle, and judge it", long: demoLong,
		prepare: func(flags *pflag.FlagSet) runner {
			o := DemoOptions{}
			list, asJSON := false, false
			colour := colourAuto
			flags.BoolVar(&list, "list", false, "list the scenarios")
			flags.BoolVar(&asJSON, "json", false, "print one airassay.v1beta1.Verdict in JSON instead of a page, or with --list the scenarios")
			flags.Float64Var(&o.Speed, "speed", demoSpeed, "drive this `FACTOR` faster than real time, at most 1000")
			flags.StringVar(&o.Data, "data", "", "keep what is driven in this `DIRECTORY`, which \"serve --data\" can open afterwards")
			flags.Var(&colour, colourFlag, "colour the page: auto, always or never")
			return func(ctx context.Context, t *streams, args []string) error {
				switch {
				case len(args) > 1:
					return &usageError{command: "demo", text: fmt.Sprintf("expected one scenario, got %q", args)}
				case len(args) == 1:
					o.Scenario = args[0]
				}
				if !(o.Speed > 0 && o.Speed <= maxDemoSpeed) {
					return &usageError{command: "demo", text: fmt.Sprintf("--speed is %g; expected more than 0 and at most %d", o.Speed, maxDemoSpeed)}
				}
				if err := nameGiven(flags, "data"); err != nil {
					return err
				}
				if list {
					return listScenarios(t, asJSON)
				}
				return demo(ctx, t, o, asJSON, &colour)
			}
		},
	}
}

// maxDemoSpeed is the simulator's own.
const maxDemoSpeed = 1000

func listScenarios(t *streams, asJSON bool) error {
	all, err := simulator.Scenarios()
	if err != nil {
		return err
	}
	var b bytes.Buffer
	if asJSON {
		type entry struct {
			Name        string `json:"name"`
			Title       string `json:"title"`
			Description string `json:"description"`
		}
		var entries []entry
		for _, s := range all {
			entries = append(entries, entry{s.Name, s.Title, s.Description})
		}
		text, err := json.MarshalIndent(entries, "", "  ")
		if err != nil {
			return err
		}
		return t.result(append(text, '\n'))
	}
	width := 0
	for _, s := range all {
		width = max(width, len(s.Name))
	}
	for _, s := range all {
		fmt.Fprintf(&b, "%-*s  %s\n", width, s.Name, s.Title)
	}
	return t.result(b.Bytes())
}

// scenarioOf finds a scenario by its name; the first where it is empty.
func scenarioOf(name string) (simulator.Scenario, error) {
	all, err := simulator.Scenarios()
	if err != nil {
		return simulator.Scenario{}, err
	}
	var names []string
	for _, s := range all {
		if name == "" || s.Name == name {
			return s, nil
		}
		names = append(names, s.Name)
	}
	return simulator.Scenario{}, &usageError{command: "demo", text: fmt.Sprintf("%q is no scenario; expected one of %s", name, strings.Join(names, ", "))}
}

func demo(ctx context.Context, t *streams, o DemoOptions, asJSON bool, colour *colourMode) error {
	s, err := scenarioOf(o.Scenario)
	if err != nil {
		return err
	}
	f := &frontEnd{t: t, scenario: s, speed: o.Speed, keep: o.Data}
	err = withServer(ctx, t, o, func(ctx context.Context, address string) error { return f.drive(ctx, address) })
	if err != nil {
		return err
	}
	if asJSON {
		out, err := verdictJSON(f.verdict)
		if err != nil {
			return err
		}
		return t.result(out)
	}
	return f.tell(colour)
}

// withServer runs a server with the simulator while do runs.
func withServer(ctx context.Context, t *streams, o DemoOptions, do func(ctx context.Context, address string) error) error {
	data := o.Data
	if data == "" {
		dir, err := os.MkdirTemp("", program+"-demo-")
		if err != nil {
			return fmt.Errorf("making a temporary directory: %w", err)
		}
		defer os.RemoveAll(dir) //nolint:errcheck // It is temporary.
		data = dir
	}
	var level slog.LevelVar
	level.Set(slog.LevelWarn)
	a, err := New(ctx, ServeOptions{
		Listen: "127.0.0.1:0", Data: data, LogHandler: logHandler(t, &level),
		Adapters: AdapterOptions{Simulator: true, SimulatorSpeed: o.Speed, Program: o.Program},
	})
	if err != nil {
		return serveRefusal(err)
	}
	running, stop := context.WithCancel(context.WithoutCancel(ctx)) // The front end goes first.
	ended := make(chan error, 1)
	go func() { ended <- a.Run(running) }()
	err = do(ctx, a.Address())
	if ctx.Err() != nil {
		err = context.Cause(ctx) // Whatever call it broke off.
	}
	level.Set(slog.LevelError) // That calls of a front end which is gone break off is no news.
	stop()
	return errors.Join(err, <-ended)
}

// tell lays out the verdict, and then the truth.
func (f *frontEnd) tell(colour *colourMode) error {
	truth, err := simulator.Truth(f.scenario.Name)
	if err != nil {
		return err
	}
	var b bytes.Buffer
	width := pageWidth(0, f.t.out)
	o := page.Options{Source: f.scenario.Vehicle, Width: width, Colour: colour.colours(f.t.out)}
	if err := page.Write(&b, f.verdict, o); err != nil {
		return fmt.Errorf("laying out the verdict: %w", err)
	}
	fmt.Fprintf(&b, "\n%s\n", strings.Join(wrapped(truthText(f.scenario, truth.Condition), width), "\n"))
	if f.keep != "" {
		fmt.Fprintf(&b, "The session %s is kept in %s.\n", f.session, filepath.Clean(f.keep))
	}
	return f.t.result(b.Bytes())
}

func truthText(s simulator.Scenario, condition string) string {
	label := wording.For("").Condition(pb.Condition(pb.Condition_value[condition]))
	return fmt.Sprintf("The truth, which the server did not know: %s (%s). %s", s.Title, label, s.Description)
}

// letLookUp is how often the demo looks whether the drive is over.
const letLookUp = 100 * time.Millisecond
