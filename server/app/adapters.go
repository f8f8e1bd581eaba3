// Copyright 2026 The Airassay Authors
// SPDX-License-Identifier: Apache-2.0

package app

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/pflag"

	"github.com/airassay/airassay/plugins/replay"
	"github.com/airassay/airassay/plugins/simulator"
	"github.com/airassay/airassay/plugins/socketcan"
	"github.com/airassay/airassay/sdk/adapter"
	"github.com/airassay/airassay/sdk/host"
	"github.com/airassay/airassay/sdk/host/manifest"
	"github.com/airassay/airassay/server/adapters"
)

// builtIn are the adapters that the program can be.
var builtIn = map[string]func() adapter.Adapter{
	"replay":    replay.New,
	"simulator": simulator.New,
	"socketcan": socketcan.New,
}

func builtInNames() string {
	var names []string
	for name := range builtIn {
		names = append(names, name)
	}
	slices.Sort(names)
	return strings.Join(names, " or ")
}

const adapterLong = `Serves one of the adapters that are part of this program, to a server that has
started it; "serve" does so by itself. Started by hand it says what it is;
--describe prints that as JSON, --debug serves a server that attaches
(serve --debug-adapter) and prints where.
`

func adapterCommand() command {
	return command{
		name: "adapter", arguments: "NAME", about: "be one of the built-in adapters; a server starts it", long: adapterLong,
		prepare: func(flags *pflag.FlagSet) runner {
			flags.Bool("describe", false, "print what the adapter can do, as JSON")
			flags.Bool("debug", false, "serve a server that attaches, and print where as one line of JSON")
			return func(_ context.Context, _ *streams, args []string) error {
				if len(args) != 1 || builtIn[args[0]] == nil {
					return &usageError{command: "adapter", text: fmt.Sprintf("expected one name: %s; got %q", builtInNames(), args)}
				}
				adapter.Serve(builtIn[args[0]]()) // It ends the process.
				return nil
			}
		},
	}
}

// AdapterOptions say which adapters a server runs. The zero value has none.
type AdapterOptions struct {
	// Directory holds a folder for each adapter, with its manifest.json.
	Directory string
	// Simulator runs the built-in simulator.
	Simulator bool
	// Scenarios is a directory of scenario files that the simulator offers besides its own; empty for none.
	Scenarios string
	// SimulatorSpeed is how fast it drives, as a multiple of real time; 1 where it is 0.
	SimulatorSpeed float64
	// Recordings is a directory that the built-in replay plays from; empty for none.
	Recordings string
	// ReplaySpeed is how fast it plays, as a multiple of real time; 1 where it is 0.
	ReplaySpeed float64
	// CAN runs the built-in adapter for Linux's CAN interfaces.
	CAN bool
	// CANConfiguration is a file with its configuration, which runs it too; empty for its defaults.
	CANConfiguration string
	// Program is started in the built-in adapters' role; the running program where it is empty.
	Program string
	// Debug names adapters that run under a debugger, each with the line that it printed.
	Debug map[string]string
}

func declareAdapters(flags *pflag.FlagSet, o *AdapterOptions) {
	flags.StringVar(&o.Directory, "adapters", "", "run the adapters in this `DIRECTORY`: a folder for each, with its manifest.json")
	flags.BoolVar(&o.Simulator, "simulator", false, "run the built-in simulator, an adapter whose devices are simulated vehicles")
	flags.StringVar(&o.Scenarios, "scenarios", "", "let the simulator, which this runs too, offer the scenario files in this `DIRECTORY` besides its own")
	flags.Float64Var(&o.SimulatorSpeed, "simulator-speed", 1, "let simulated vehicles drive this `FACTOR` faster than real time")
	flags.StringVar(&o.Recordings, "recordings", "", "run the built-in replay, an adapter whose devices are the recordings in this `DIRECTORY`")
	flags.Float64Var(&o.ReplaySpeed, "replay-speed", 1, "play recordings this `FACTOR` faster than they were driven")
	flags.BoolVar(&o.CAN, "socketcan", false, "run the built-in adapter whose devices are this machine's CAN interfaces; it speaks to vehicles")
	flags.StringVar(&o.CANConfiguration, "socketcan-config", "", "let that adapter, which this runs too, have the JSON in this `FILE` as its configuration")
	flags.StringToStringVar(&o.Debug, "debug-adapter", nil, "for development: attach to the running adapter NAME instead of starting it, unchecked, by the JSON that it printed (`NAME=JSON`)")
}

// load gives the adapters that can be used, and what is wrong with the others.
func (o *AdapterOptions) load() (found []adapters.Adapter, problems []error, err error) {
	add := func(name string, wanted bool, configuration any) {
		if !wanted || err != nil {
			return
		}
		var m *manifest.Manifest
		if m, err = o.ownManifest(name, configuration); err == nil {
			found = append(found, adapters.Adapter{Manifest: m, BuiltIn: true})
		}
	}
	can, err := o.canConfiguration()
	add("socketcan", o.CAN || o.CANConfiguration != "", can)
	simulated := map[string]any{"speed": orOne(o.SimulatorSpeed)}
	if o.Scenarios != "" {
		simulated["scenario_directory"] = absolutePath(o.Scenarios)
	}
	add("simulator", o.Simulator || o.Scenarios != "", simulated)
	for flag, dir := range map[string]string{"--recordings": o.Recordings, "--scenarios": o.Scenarios} {
		if info, statErr := os.Stat(dir); dir != "" && (statErr != nil || !info.IsDir()) {
			return nil, nil, &refusal{fmt.Sprintf("%s %s: there is no such directory; name one that exists", flag, dir)}
		}
	}
	add("replay", o.Recordings != "", map[string]any{"directory": absolutePath(o.Recordings), "speed": orOne(o.ReplaySpeed)})
	if err != nil || o.Directory == "" {
		return found, problems, joinDebug(found, o.Debug, err)
	}
	installed, bad := manifest.LoadAll(o.Directory)
	if installed == nil && bad == nil {
		bad = noAdapter(o.Directory)
	}
	if installed == nil && bad != nil {
		return nil, nil, &refusal{fmt.Sprintf("--adapters %s: %v", o.Directory, bad)}
	}
	if bad != nil {
		problems = append(problems, bad)
	}
	problems = append(problems, strays(o.Directory)...)
	for _, m := range installed {
		if builtIn[m.Name] != nil {
			problems = append(problems, fmt.Errorf("%s: the name belongs to a built-in adapter; rename it in its manifest and its folder", filepath.Join(m.Dir, manifest.FileName)))
			continue
		}
		found = append(found, adapters.Adapter{Manifest: m, Reload: func() (*manifest.Manifest, error) { return manifest.Load(m.Dir) }})
	}
	return found, problems, joinDebug(found, o.Debug, nil)
}

// canConfiguration is that of the adapter for CAN interfaces, which says itself what is wrong with it.
func (o *AdapterOptions) canConfiguration() (json.RawMessage, error) {
	if o.CANConfiguration == "" {
		return json.RawMessage("{}"), nil
	}
	text, err := os.ReadFile(o.CANConfiguration)
	if err != nil {
		return nil, &refusal{fmt.Sprintf("--socketcan-config %s: it cannot be read: %v; name a file with the adapter's configuration in JSON", o.CANConfiguration, err)}
	}
	if _, err := socketcan.New().Configure(context.Background(), text); err != nil {
		return nil, &refusal{fmt.Sprintf("--socketcan-config %s: %v", o.CANConfiguration, err)}
	}
	return text, nil
}

// noAdapter says why a directory without a single manifest below it cannot be what was meant; nil where it is only empty
// as yet.
func noAdapter(dir string) error {
	if _, err := os.Stat(filepath.Join(dir, manifest.FileName)); err == nil {
		return errors.New("this is the folder of one adapter; name the directory that holds it")
	}
	return nil
}

// strays names the folders that look like adapters whose manifest was forgotten.
func strays(dir string) []error {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return []error{err}
	}
	var found []error
	for _, e := range entries {
		folder := filepath.Join(dir, e.Name())
		if info, err := os.Stat(folder); err != nil || !info.IsDir() || strings.HasPrefix(e.Name(), ".") {
			continue
		}
		if _, err := os.Stat(filepath.Join(folder, manifest.FileName)); errors.Is(err, os.ErrNotExist) {
			found = append(found, fmt.Errorf("%s has no %s; an adapter in Go prints it with --manifest", folder, manifest.FileName))
		}
	}
	return found
}

func orOne(factor float64) float64 {
	if factor == 0 {
		return 1
	}
	return factor
}

func absolutePath(dir string) string {
	if abs, err := filepath.Abs(dir); err == nil {
		return abs
	}
	return dir
}

// joinDebug sets what is attached to.
func joinDebug(found []adapters.Adapter, debug map[string]string, err error) error {
	if err != nil {
		return err
	}
next:
	for name, line := range debug {
		for i := range found {
			if found[i].Manifest.Name == name {
				found[i].Reattach = line
				continue next
			}
		}
		return &refusal{fmt.Sprintf("--debug-adapter %s: there is no adapter of that name; install its manifest with --adapters", name)}
	}
	return nil
}

// ownManifest is that of this program in an adapter's role.
func (o *AdapterOptions) ownManifest(name string, configuration any) (*manifest.Manifest, error) {
	program := o.Program
	if program == "" {
		self, err := os.Executable()
		if err != nil {
			return nil, fmt.Errorf("finding this program, to start it in the role of the adapter %s: %w", name, err)
		}
		program = self
	}
	sum, err := sumOf(program)
	if err != nil {
		return nil, fmt.Errorf("reading this program, to start it in the role of the adapter %s: %w", name, err)
	}
	settings, err := json.Marshal(configuration)
	if err != nil {
		return nil, fmt.Errorf("the configuration of the adapter %s: %w", name, err)
	}
	return &manifest.Manifest{
		Name: name, Version: builtIn[name]().Describe().Version, Executable: program, Arguments: []string{"adapter", name},
		Files: map[string]string{program: sum}, ProtocolVersions: host.Versions(), Configuration: settings, Dir: filepath.Dir(program),
	}, nil
}

func sumOf(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close() //nolint:errcheck // read only
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}
